package evidence

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"html"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"towpath/internal/paper"
	"towpath/internal/unit"
)

// TimelineData is what [Timeline] draws. All durations in it are since Start.
type TimelineData struct {
	Title string
	Start time.Time // in the zone that the axis is to show
	// Length is the time that was measured. It must be above zero.
	Length time.Duration
	Bucket time.Duration // the width of one value of a row, above zero
	// Resolution is the shortest outage that can be seen; zero leaves it out.
	Resolution time.Duration
	// Budget is the longest outage that is allowed; zero leaves it out.
	Budget  time.Duration
	Rows    []TimelineRow
	Marks   []TimelineMark
	Outages []TimelineOutage
	Voids   []TimelineVoid
	// ID is put before the identifiers inside, so that several pictures can
	// stand in one page; empty means "loss".
	ID string
}

// TimelineRow is one flow in one direction, in buckets from Start on.
type TimelineRow struct {
	Flow      string
	Direction string
	Sent      []uint32 // packets that this direction carried
	Lost      []uint32 // how many of them were lost; as long as Sent
}

// TimelineMark is a label at an instant, such as the begin of a phase.
type TimelineMark struct {
	At    time.Duration
	Label string
}

// TimelineOutage is one outage of a row.
type TimelineOutage struct {
	Flow, Direction string
	From, Until     time.Duration
	Lost            uint64
	Length          time.Duration // what counts against the budget
}

// TimelineVoid is a time that was not measured. Without a flow it is one of all
// rows.
type TimelineVoid struct {
	Flow        string
	From, Until time.Duration
	Why         string
}

// The measures of the picture, in its own units, of which 960 fill the page.
const (
	tlWidth   = 960.0
	tlMargin  = 6.0
	tlLeft    = 190.0 // where the time axis begins
	tlRight   = 816.0 // and ends
	tlLabel   = 20.0  // height above the bars for the labels of outages
	tlBar     = 34.0  // height of 100 % loss
	tlQuiet   = 18.0  // height of a row without loss
	tlLevel   = 16.0  // height of one line of marks
	tlLevels  = 12    // such lines at most
	tlChar    = 6.9   // width of a letter at the text size of 12, rather too wide
	tlCloseUp = 3     // close-ups at most
)

// Timeline writes a picture of the loss of every flow and direction over time:
// one row each, with the share that was lost per bucket, marks as lines through
// all rows, outages labelled with their length, and times that were not
// measured hatched. Where outages are too short for the whole run to show their
// shape, close-ups of the worst follow. The picture needs nothing outside
// itself and no colour, and says in its title and description what it shows.
//
// It is pure. An error says what in the data cannot be drawn, or comes from w.
func Timeline(w io.Writer, in TimelineData) error {
	d, err := drawn(in)
	if err != nil {
		return err
	}
	_, err = w.Write(d.finish())
	return err
}

// drawn is the picture of [Timeline] before it is written.
func drawn(in TimelineData) (*drawing, error) {
	if err := in.check(); err != nil {
		return nil, err
	}
	in.Marks = slices.Clone(in.Marks)
	slices.SortStableFunc(in.Marks, func(a, b TimelineMark) int { return cmp.Compare(a.At, b.At) })
	in.Outages = slices.Clone(in.Outages)
	slices.SortStableFunc(in.Outages, func(a, b TimelineOutage) int { return cmp.Compare(b.Length, a.Length) })
	d := &drawing{in: in, id: cmp.Or(in.ID, "loss")}
	d.whole(in.Rows)
	for i, c := range d.closeUps() {
		d.closeUp(i+1, c)
	}
	d.key()
	return d, nil
}

func (in TimelineData) check() error {
	switch {
	case in.Length <= 0:
		return fmt.Errorf("evidence: timeline: length %v: need more than 0", in.Length)
	case in.Bucket <= 0:
		return fmt.Errorf("evidence: timeline: bucket %v: need more than 0", in.Bucket)
	case len(in.Rows) == 0:
		return errors.New("evidence: timeline: no rows")
	case strings.ContainsFunc(in.ID, func(r rune) bool { return !strings.ContainsRune("-_0123456789abcdefghijklmnopqrstuvwxyz", r) }):
		return fmt.Errorf("evidence: timeline: identifier %q: need small letters, digits, - and _", in.ID)
	}
	known := map[[2]string]bool{}
	for i, r := range in.Rows {
		if known[[2]string{r.Flow, r.Direction}] {
			return fmt.Errorf("evidence: timeline: row %d: flow %q %s is there twice", i, r.Flow, r.Direction)
		}
		known[[2]string{r.Flow, r.Direction}] = true
		if len(r.Sent) != len(r.Lost) {
			return fmt.Errorf("evidence: timeline: flow %q %s: %d buckets of sent packets, %d of lost ones", r.Flow, r.Direction, len(r.Sent), len(r.Lost))
		}
		for k := range r.Sent {
			if r.Lost[k] > r.Sent[k] {
				return fmt.Errorf("evidence: timeline: flow %q %s, bucket %d: %d lost of %d", r.Flow, r.Direction, k, r.Lost[k], r.Sent[k])
			}
		}
	}
	for i, o := range in.Outages {
		if !known[[2]string{o.Flow, o.Direction}] {
			return fmt.Errorf("evidence: timeline: outage %d: no row for flow %q %s", i, o.Flow, o.Direction)
		}
		if o.Until < o.From {
			return fmt.Errorf("evidence: timeline: outage %d: ends at %v, before it begins at %v", i, o.Until, o.From)
		}
	}
	for i, v := range in.Voids {
		if v.Until < v.From {
			return fmt.Errorf("evidence: timeline: void %d: ends at %v, before it begins at %v", i, v.Until, v.From)
		}
	}
	return nil
}

// span is a stretch of time.
type span struct{ from, until time.Duration }

func (s span) length() time.Duration { return s.until - s.from }

// holds reports whether the two have a moment in common.
func (s span) holds(t span) bool { return t.until >= s.from && t.from <= s.until }

// view maps a stretch of time to the width of the plot.
type view struct {
	span
	near bool // a close-up
}

func (v view) x(t time.Duration) float64 {
	share := float64(t-v.from) / float64(v.length())
	return tlLeft + min(max(share, 0), 1)*(tlRight-tlLeft)
}

// wide is how many units of the plot a length takes.
func (v view) wide(t time.Duration) float64 {
	return float64(t) / float64(v.length()) * (tlRight - tlLeft)
}

// The layers of the picture, from back to front.
const (
	layerGround = iota
	layerMarks
	layerBars
	layerText
	layers
)

// drawing collects the elements of the picture while y goes down the page.
type drawing struct {
	in    TimelineData
	id    string
	layer [layers]bytes.Buffer
	// shapes are the same elements for other writers than that of SVG.
	shapes [layers][]paper.Shape
	y      float64
}

// line, rect and text write one element each. Sizes and greys are attributes,
// so that a page that allows no styles can hold the picture.
func (d *drawing) line(layer int, x1, y1, x2, y2 float64, attrs string) {
	d.shapeLine(layer, x1, y1, x2, y2, attrs)
	fmt.Fprintf(&d.layer[layer], `<line x1="%s" y1="%s" x2="%s" y2="%s" %s/>`+"\n", num(x1), num(y1), num(x2), num(y2), attrs)
}

func (d *drawing) rect(layer int, x, y, w, h float64, attrs string) {
	d.shapeRect(layer, x, y, w, h, attrs)
	fmt.Fprintf(&d.layer[layer], `<rect x="%s" y="%s" width="%s" height="%s" %s/>`+"\n", num(x), num(y), num(w), num(h), attrs)
}

// text writes a text; more, when not empty, is shown when the pointer rests on
// it.
func (d *drawing) text(x, y float64, attrs, s, more string) {
	d.shapeText(x, y, attrs, s, more)
	if more != "" {
		more = "<title>" + clean(more) + "</title>"
	}
	fmt.Fprintf(&d.layer[layerText], `<text x="%s" y="%s" %s>%s%s</text>`+"\n", num(x), num(y), attrs, more, clean(s))
}

// clean makes a text safe to stand in XML.
func clean(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r == utf8.RuneError || r == 0xfffe || r == 0xffff {
			return '\uFFFD'
		}
		return r
	}, s)
	return html.EscapeString(s)
}

// cut shortens a text to n letters.
func cut(s string, n int) string {
	if r := []rune(s); len(r) > n {
		return string(r[:n-1]) + "…"
	}
	return s
}

// The ways a text is written.
const (
	tlBold  = `font-weight="700"`
	tlEnd   = `text-anchor="end"`
	tlMid   = `text-anchor="middle"`
	tlSmall = `font-size="11"`
	// tlHalo makes text readable on top of lines and bars.
	tlHalo = `stroke="#fff" stroke-width="4" stroke-linejoin="round" paint-order="stroke"`
)

func num(f float64) string { return strconv.FormatFloat(math.Round(f*10)/10, 'f', -1, 64) }

// millis writes a length as the labels do: 4.5 ms, 47 ms, 1.24 s, 2 min 5 s.
func millis(t time.Duration) string {
	ms := float64(t) / float64(time.Millisecond)
	switch {
	case t < 10*time.Millisecond:
		return strconv.FormatFloat(math.Round(ms*10)/10, 'f', -1, 64) + " ms"
	case t < time.Second-time.Millisecond/2:
		return strconv.FormatFloat(math.Round(ms), 'f', -1, 64) + " ms"
	case t < time.Minute:
		return strconv.FormatFloat(math.Round(ms/10)/100, 'f', -1, 64) + " s"
	}
	t = t.Round(time.Second)
	if s := t % time.Minute / time.Second; s > 0 {
		return fmt.Sprintf("%d min %d s", t/time.Minute, s)
	}
	return fmt.Sprintf("%d min", t/time.Minute)
}

// clock writes an instant.
func (d *drawing) clock(t time.Duration, layout string) string {
	return d.in.Start.Add(t).Format(layout)
}

// blank is an empty drawing of the same data.
func (d *drawing) blank() *drawing { return &drawing{in: d.in, id: d.id} }

// whole draws the rows from begin to end of the run.
func (d *drawing) whole(rows []TimelineRow) {
	d.y = 18
	d.text(tlMargin, d.y, tlBold+` font-size="16"`, d.in.Title, "")
	d.y += 21
	d.text(tlMargin, d.y, `font-size="13"`, d.summary(), "")
	d.y += 12
	d.plot(view{span: span{0, d.in.Length}}, rows)
}

// summary is what to read when there is time for one line only.
func (d *drawing) summary() string {
	var lost, sent uint64
	for _, r := range d.in.Rows {
		for i := range r.Sent {
			sent += uint64(r.Sent[i])
			lost += uint64(r.Lost[i])
		}
	}
	if sent == 0 {
		return "No packet was sent: nothing was measured."
	}
	var b strings.Builder
	if len(d.in.Outages) == 0 {
		b.WriteString("No outage.")
	} else {
		worst := d.in.Outages[0]
		fmt.Fprintf(&b, "Worst outage %s (%s, %s).", millis(worst.Length), worst.Flow, worst.Direction)
	}
	if d.in.Budget > 0 {
		over := 0
		for _, o := range d.in.Outages {
			if o.Length > d.in.Budget {
				over++
			}
		}
		if over == 0 {
			fmt.Fprintf(&b, " Within the budget of %s.", millis(d.in.Budget))
		} else {
			fmt.Fprintf(&b, " %d of %d OVER the budget of %s.", over, len(d.in.Outages), millis(d.in.Budget))
		}
	}
	if lost > 0 {
		fmt.Fprintf(&b, " %s lost.", unit.Counted(lost, "packet"))
	}
	if d.in.Resolution > 0 {
		fmt.Fprintf(&b, " Resolution %s.", millis(d.in.Resolution))
	}
	return b.String()
}

// plot draws marks, rows and axis of one view at the present height.
func (d *drawing) plot(v view, rows []TimelineRow) {
	type leader struct{ x, y float64 }
	var leaders []leader
	// Marks: each label in the first line where it has room.
	var ends []float64 // of each line
	base, skipped := d.y+12, 0
	for _, m := range d.in.Marks {
		if m.At < v.from || m.At > v.until {
			continue
		}
		label := d.clock(m.At, "15:04:05 ") + cut(m.Label, 40)
		x, width := v.x(m.At), tlChar*float64(len([]rune(label)))
		from, anchor, at := x, "", x+5
		if x+width+5 > tlWidth {
			from, anchor, at = x-width-5, tlEnd, x-5
		}
		level := slices.IndexFunc(ends, func(end float64) bool { return end < from-6 })
		if level < 0 {
			level = len(ends)
			if level == tlLevels {
				skipped++
				continue
			}
			ends = append(ends, 0)
		}
		ends[level] = max(from+width+5, x)
		y := base + float64(level)*tlLevel
		d.text(at, y, anchor+" "+tlHalo, label, m.Label)
		leaders = append(leaders, leader{x, y - 10})
	}
	d.y += float64(len(ends))*tlLevel + 8
	if skipped > 0 {
		d.text(tlMargin, base, tlSmall, fmt.Sprintf("marks without room: %d", skipped), "")
	}
	for i, r := range rows {
		d.row(v, r, i)
	}
	for _, l := range leaders {
		d.line(layerMarks, l.x, l.y, l.x, d.y, `stroke="#333" stroke-dasharray="4 3"`)
	}
	d.axis(v)
}

// row draws one row of a view and moves below it.
func (d *drawing) row(v view, r TimelineRow, i int) {
	outages := d.outagesOf(r, v.span)
	lost, sent := r.count(d.in.Bucket, v.span)
	untested, unmeasured := d.untestedOf(r, v.span)
	quiet := lost == 0 && len(outages) == 0
	height, label := tlBar, tlLabel
	long := len([]rune(r.Flow)) > 15
	if quiet {
		height, label = tlQuiet, 0
		if unmeasured > 0 || long {
			height += 12 // for a second line
		}
	}
	top := d.y + label
	bottom := top + height
	ground := `fill="#fff"`
	if i%2 == 0 {
		ground = `fill="#eee"`
	}
	d.rect(layerGround, 0, d.y-3, tlWidth, bottom-d.y+6, ground)
	d.line(layerBars, tlLeft, bottom, tlRight, bottom, `stroke="#000"`)

	// Names on the left, what it comes to on the right.
	switch {
	case quiet && !long:
		d.text(tlMargin, bottom-5, tlBold, r.Flow, "")
		d.text(tlLeft-8, bottom-5, tlEnd, cut(r.Direction, 10), "")
	case quiet:
		d.text(tlMargin, bottom-17, tlBold, cut(r.Flow, 23), r.Flow)
		d.text(tlMargin, bottom-4, "", r.Direction, "")
	default:
		d.text(tlMargin, top-7, tlBold, cut(r.Flow, 23), r.Flow)
		d.text(tlMargin, top+12, "", r.Direction, "")
		d.line(layerBars, tlLeft, top, tlRight, top, `stroke="#bbb"`)
		d.text(tlLeft-6, top+4, tlEnd+" "+tlSmall, "100 %", "")
		d.text(tlLeft-6, bottom, tlEnd+" "+tlSmall, "0", "")
	}
	notes := []string{fmt.Sprintf("%d lost", lost)}
	switch {
	case sent == 0:
		notes[0] = "not measured"
	case quiet:
		notes[0] = "no loss"
	}

	// Hatching: what was not measured, where it is wide enough to be seen.
	for _, s := range untested {
		if v.wide(s.length()) < 1 {
			continue
		}
		x, until := v.x(s.from), v.x(s.until)
		width := max(until-x, 3)
		d.rect(layerBars, x, top, width, height, `fill="#fff"`)
		d.rect(layerBars, x, top, width, height, fmt.Sprintf(`fill="url(#%s-hatch)" stroke="#000" stroke-width="0.5"`, d.id))
		if width > 90 {
			d.text(x+width/2, top+height/2+4, tlMid+" "+tlSmall+" "+tlHalo, "not measured", "")
		}
	}
	for _, b := range r.bars(d.in.Bucket, v) {
		h := max(b.share*height, 2)
		d.rect(layerBars, b.x, bottom-h, b.width, h, `fill="#000"`)
	}
	if n, long := d.labels(v, outages, d.y+13, top, bottom); n > 0 {
		notes = append(notes, fmt.Sprintf("and %s, %s", unit.Counted(n, "more outage"), millis(long)))
	}
	if unmeasured > 0 && sent > 0 {
		notes = append(notes, millis(unmeasured)+" not measured")
	}
	for k, n := range notes {
		attrs := tlSmall
		if k == 0 && lost > 0 {
			attrs = tlBold
		}
		y := top + 8 + 13*float64(k)
		if quiet {
			y = bottom - 5 - 13*float64(len(notes)-1-k)
		}
		d.text(tlRight+8, y, attrs, n, "")
	}
	d.y = bottom + 6
	if v.near && !quiet {
		d.y += 8 // the brackets
	}
}

// labels writes the lengths of outages above their bars, the longest first, and
// returns how many had no room and their sum. In a close-up a bracket shows from when until
// when each was.
func (d *drawing) labels(v view, outages []TimelineOutage, y, top, bottom float64) (hidden int, long time.Duration) {
	type box struct{ from, until float64 }
	var taken []box
	for _, o := range outages {
		label, attrs := millis(o.Length), ""
		if d.in.Budget > 0 && o.Length > d.in.Budget {
			label += ", over budget"
		}
		if o == d.in.Outages[0] {
			attrs = tlBold
		}
		more := fmt.Sprintf("%s, %s, %s to %s", label, unit.Counted(o.Lost, "packet"), d.clock(o.From, "15:04:05.000"), d.clock(o.Until, "15:04:05.000"))
		x, until := v.x(o.From), v.x(o.Until)
		if v.near {
			for _, end := range []float64{x, until} {
				d.line(layerBars, end, bottom+2, end, bottom+9, `stroke="#000" stroke-width="1.5"`)
			}
			d.line(layerBars, x, bottom+5.5, until, bottom+5.5, `stroke="#000" stroke-width="3"`)
		}
		middle := (x + until) / 2
		half := tlChar * float64(len([]rune(label))) / 2
		at := min(max(middle, tlLeft+half), tlRight-half)
		b := box{at - half - 4, at + half + 4}
		if slices.ContainsFunc(taken, func(t box) bool { return t.from < b.until && b.from < t.until }) {
			hidden, long = hidden+1, long+o.Length
			continue
		}
		taken = append(taken, b)
		d.text(at, y, tlMid+" "+attrs+" "+tlHalo, label, more)
		if !v.near {
			d.line(layerBars, middle, y+3, middle, top, `stroke="#000"`)
		}
	}
	return hidden, long
}

// outagesOf are the outages of a row in a stretch of time, the longest first.
func (d *drawing) outagesOf(r TimelineRow, s span) []TimelineOutage {
	var out []TimelineOutage
	for _, o := range d.in.Outages {
		if o.Flow == r.Flow && o.Direction == r.Direction && s.holds(span{o.From, o.Until}) {
			out = append(out, o)
		}
	}
	return out
}

// untestedOf are the times of a row, within a stretch, that were not measured:
// voids, and times in which nothing was sent in this direction. The sum counts
// a moment once, however many reasons there are.
func (d *drawing) untestedOf(r TimelineRow, s span) (out []span, sum time.Duration) {
	all := r.silent(d.in.Bucket, s)
	for _, v := range d.in.Voids {
		if c := (span{max(v.From, s.from), min(v.Until, s.until)}); c.from < c.until && (v.Flow == "" || v.Flow == r.Flow) {
			all = append(all, c)
		}
	}
	slices.SortFunc(all, func(a, b span) int { return cmp.Compare(a.from, b.from) })
	for _, c := range all {
		if n := len(out); n > 0 && c.from <= out[n-1].until {
			out[n-1].until = max(out[n-1].until, c.until)
		} else {
			out = append(out, c)
		}
	}
	for _, c := range out {
		sum += c.length()
	}
	return out, sum
}

// buckets is the range of a row's buckets that a stretch of time touches.
func (r TimelineRow) buckets(bucket time.Duration, s span) (from, until int) {
	from = min(max(int(s.from/bucket), 0), len(r.Sent))
	until = min(max(int((s.until+bucket-1)/bucket), from), len(r.Sent))
	return from, until
}

func (r TimelineRow) count(bucket time.Duration, s span) (lost, sent uint64) {
	from, until := r.buckets(bucket, s)
	for i := from; i < until; i++ {
		lost += uint64(r.Lost[i])
		sent += uint64(r.Sent[i])
	}
	return lost, sent
}

// silent are the times in which this direction carried nothing, so that nothing
// could be lost. A row that carries less than three packets in a bucket has
// empty ones as a matter of course, and no silent times.
func (r TimelineRow) silent(bucket time.Duration, s span) []span {
	var busy int
	var sum uint64
	for _, n := range r.Sent {
		if n > 0 {
			busy++
			sum += uint64(n)
		}
	}
	if busy > 0 && sum < 3*uint64(busy) {
		return nil
	}
	var out []span
	from, until := r.buckets(bucket, s)
	for i := from; i < until; i++ {
		if r.Sent[i] > 0 {
			continue
		}
		c := span{time.Duration(i) * bucket, time.Duration(i+1) * bucket}
		c.from, c.until = max(c.from, s.from), min(c.until, s.until)
		if n := len(out); n > 0 && out[n-1].until == c.from {
			out[n-1].until = c.until
		} else {
			out = append(out, c)
		}
	}
	return out
}

// bar is one bar of a row.
type bar struct{ x, width, share float64 }

// bars are the loss of a row, one bar per bucket, or one for all buckets that
// fall on two units of the plot, as high as the worst of them.
func (r TimelineRow) bars(bucket time.Duration, v view) []bar {
	var out []bar
	from, until := r.buckets(bucket, v.span)
	for i := from; i < until; i++ {
		if r.Lost[i] == 0 {
			continue
		}
		share := float64(r.Lost[i]) / float64(r.Sent[i])
		x := v.x(time.Duration(i) * bucket)
		width := v.x(time.Duration(i+1)*bucket) - x
		if width < 2 {
			x, width = tlLeft+math.Floor((x-tlLeft)/2)*2, 2
			if n := len(out); n > 0 && out[n-1].x == x {
				out[n-1].share = max(out[n-1].share, share)
				continue
			}
		}
		out = append(out, bar{x, width, share})
	}
	return out
}

// axis draws the time below the rows of a view.
func (d *drawing) axis(v view) {
	step := 24 * time.Hour
	for _, s := range []time.Duration{
		10 * time.Millisecond, 20 * time.Millisecond, 50 * time.Millisecond, 100 * time.Millisecond, 200 * time.Millisecond,
		500 * time.Millisecond, time.Second, 2 * time.Second, 5 * time.Second, 10 * time.Second, 15 * time.Second, 30 * time.Second,
		time.Minute, 2 * time.Minute, 5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 30 * time.Minute,
		time.Hour, 2 * time.Hour, 3 * time.Hour, 6 * time.Hour, 12 * time.Hour,
	} {
		if v.length() <= 7*s {
			step = s
			break
		}
	}
	layout := "15:04"
	switch {
	case step < 100*time.Millisecond:
		layout = "15:04:05.00"
	case step < time.Second:
		layout = "15:04:05.0"
	case step < time.Minute:
		layout = "15:04:05"
	}
	// Ticks are at round times of day.
	at := d.in.Start.Add(v.from)
	day := time.Date(at.Year(), at.Month(), at.Day(), 0, 0, 0, 0, at.Location())
	first := v.from + (step-at.Sub(day)%step)%step
	for t := first; t <= v.until; t += step {
		x := v.x(t)
		d.line(layerBars, x, d.y-3, x, d.y+3, `stroke="#000"`)
		d.text(min(max(x, tlLeft+20), tlRight-20), d.y+16, tlMid+" "+tlSmall, d.clock(t, layout), "")
	}
	d.line(layerBars, tlLeft, d.y, tlRight, d.y, `stroke="#000"`)
	zone := d.in.Start.Format("2 January 2006, MST")
	d.text(tlMargin, d.y+16, tlSmall, zone, "")
	d.y += 30
}

// closeUps chooses the stretches to be drawn again, larger: the worst groups of
// outages that the whole run shows too small, in the order of time.
func (d *drawing) closeUps() []span {
	type group struct {
		span
		worst time.Duration
	}
	var groups []group
	byTime := slices.Clone(d.in.Outages)
	slices.SortStableFunc(byTime, func(a, b TimelineOutage) int { return cmp.Compare(a.From, b.From) })
	for _, o := range byTime {
		if n := len(groups); n > 0 && o.From-groups[n-1].until < 20*d.in.Bucket {
			g := &groups[n-1]
			g.until, g.worst = max(g.until, o.Until), max(g.worst, o.Length)
			continue
		}
		groups = append(groups, group{span{o.From, o.Until}, o.Length})
	}
	whole := view{span: span{0, d.in.Length}}
	groups = slices.DeleteFunc(groups, func(g group) bool { return whole.wide(g.length()) > 60 })
	slices.SortStableFunc(groups, func(a, b group) int { return cmp.Compare(b.worst, a.worst) })
	groups = groups[:min(len(groups), tlCloseUp)]
	slices.SortFunc(groups, func(a, b group) int { return cmp.Compare(a.from, b.from) })
	var out []span
	for _, g := range groups {
		pad := max(5*d.in.Bucket, g.length()*3/10)
		out = append(out, span{max(g.from-pad, 0), min(g.until+pad, d.in.Length)})
	}
	return out
}

// closeUp draws one stretch again, with the rows that lost something in it.
func (d *drawing) closeUp(number int, s span) {
	var rows []TimelineRow
	for _, r := range d.in.Rows {
		if lost, _ := r.count(d.in.Bucket, s); lost > 0 || len(d.outagesOf(r, s)) > 0 {
			rows = append(rows, r)
		}
	}
	d.y += 22
	title := fmt.Sprintf("Close-up %d: %s to %s", number, d.clock(s.from, "15:04:05.0"), d.clock(s.until, "15:04:05.0"))
	d.text(tlMargin, d.y, tlBold+` font-size="13"`, title, "")
	if n := len(d.in.Rows) - len(rows); n > 0 {
		d.text(tlWidth-tlMargin, d.y, tlEnd, fmt.Sprintf("rows without loss in this time: %d", n), "")
	}
	d.y += 8
	d.plot(view{span: s, near: true}, rows)
}

// key explains the signs.
func (d *drawing) key() {
	d.y += 12
	y := d.y
	x := tlMargin
	sign := func(width float64, draw func(x float64), s string) {
		w := width + 8 + 5.9*float64(len([]rune(s)))
		if x > tlMargin && x+w > tlWidth {
			x, y = tlMargin, y+18
		}
		draw(x)
		d.text(x+width+6, y+4, tlSmall, s, "")
		x += w + 14
	}
	sign(10, func(x float64) { d.rect(layerBars, x, y-6, 10, 10, `fill="#000"`) },
		fmt.Sprintf("share of the packets lost in %s, by time of sending", millis(d.in.Bucket)))
	sign(22, func(x float64) {
		d.rect(layerBars, x, y-6, 22, 12, fmt.Sprintf(`fill="url(#%s-hatch)" stroke="#000" stroke-width="0.5"`, d.id))
	}, "not measured: no outage, and no proof of none")
	sign(4, func(x float64) { d.line(layerBars, x+2, y-8, x+2, y+6, `stroke="#333" stroke-dasharray="4 3"`) }, "mark of the run")
	if len(d.closeUps()) > 0 {
		sign(22, func(x float64) {
			d.line(layerBars, x, y, x+22, y, `stroke="#000" stroke-width="3"`)
			d.line(layerBars, x, y-4, x, y+4, `stroke="#000" stroke-width="1.5"`)
			d.line(layerBars, x+22, y-4, x+22, y+4, `stroke="#000" stroke-width="1.5"`)
		}, "outage: first packet lost to first that came again")
	}
	d.y = y + 14
}

// finish puts the layers together.
func (d *drawing) finish() []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %s %s" width="%s" height="%s" role="img" aria-labelledby="%s-title %s-desc" font-family="system-ui, 'Liberation Sans', Arial, sans-serif" font-size="12" fill="#000">`+"\n",
		num(tlWidth), num(d.y), num(tlWidth), num(d.y), clean(d.id), clean(d.id))
	fmt.Fprintf(&b, `<title id="%s-title">%s</title>`+"\n", clean(d.id), clean(d.in.Title))
	fmt.Fprintf(&b, `<desc id="%s-desc">%s</desc>`+"\n", clean(d.id), clean(d.describe()))
	fmt.Fprintf(&b, `<defs><pattern id="%s-hatch" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><line x1="0" y1="0" x2="0" y2="6" stroke="#000" stroke-width="1.6"/></pattern></defs>`+"\n", clean(d.id))
	fmt.Fprintf(&b, `<rect width="%s" height="%s" fill="#fff"/>`+"\n", num(tlWidth), num(d.y))
	for i := range d.layer {
		b.Write(d.layer[i].Bytes())
	}
	b.WriteString("</svg>\n")
	return b.Bytes()
}

// describe says in words what the picture shows, for those who do not see it.
func (d *drawing) describe() string {
	var b strings.Builder
	fmt.Fprintf(&b, "Loss of test traffic from %s to %s in %s, one for each flow and direction. %s",
		d.clock(0, "15:04:05 MST"), d.clock(d.in.Length, "15:04:05 MST"), unit.Counted(len(d.in.Rows), "row"), d.summary())
	for i, o := range d.in.Outages {
		if i == 10 {
			var packets uint64
			var long time.Duration
			for _, o := range d.in.Outages[i:] {
				packets, long = packets+o.Lost, long+o.Length
			}
			fmt.Fprintf(&b, " And %s, together %s over %s.", unit.Counted(len(d.in.Outages)-i, "shorter outage"), unit.Counted(packets, "packet"), millis(long))
			break
		}
		fmt.Fprintf(&b, " Outage of %s, %s, flow %s %s at %s.", millis(o.Length), unit.Counted(o.Lost, "packet"), o.Flow, o.Direction, d.clock(o.From, "15:04:05.000"))
	}
	for _, m := range d.in.Marks {
		fmt.Fprintf(&b, " Mark at %s: %s.", d.clock(m.At, "15:04:05"), m.Label)
	}
	return b.String()
}
