package runbook

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"towpath/internal/paper"
	"towpath/internal/plan"
	"towpath/internal/unit"
)

// The measures of the pictures, in their own units, of which 680 fill a page.
const (
	gWidth  = 680.0
	gLeft   = 190.0 // where the scale of time begins
	gRight  = 668.0 // and ends
	gText   = 11.0
	gSmall  = 10.0
	gRow    = 36.0  // height of a device's row
	gSite   = 44.0  // height of a site's row in the overview
	gPage   = 880.0 // the highest picture that a page of a document takes
	gMargin = 6.0
)

// Gantt draws a whole campaign in one picture, from top to bottom: first the
// calendar, then each night with its devices. It is as high as it needs.
func Gantt(c *plan.Campaign) paper.Drawing {
	d := paper.Drawing{Width: gWidth, Title: "The nights of the campaign", Desc: describe(c)}
	y := 24.0
	d.Add(paper.Label{X: gMargin, Y: y, Size: 15, Bold: true, Text: headline(c)})
	y += 18
	for _, part := range overviews(c, math.Inf(1)) {
		y = below(&d, part, y)
	}
	for _, part := range nightCharts(c, math.Inf(1)) {
		y = below(&d, part, y)
	}
	d.Height = y
	return d
}

// below adds the shapes of a part at the height y and returns the height below.
func below(d *paper.Drawing, part paper.Drawing, y float64) float64 {
	for _, s := range part.Shapes {
		d.Add(shifted(s, y))
	}
	return y + part.Height + 14
}

func shifted(s paper.Shape, dy float64) paper.Shape {
	switch s := s.(type) {
	case paper.Rect:
		s.Y += dy
		return s
	case paper.Line:
		s.Y1, s.Y2 = s.Y1+dy, s.Y2+dy
		return s
	case paper.Polygon:
		pts := slices.Clone(s.Points)
		for i := range pts {
			pts[i][1] += dy
		}
		s.Points = pts
		return s
	case paper.Hatch:
		s.Y += dy
		return s
	case paper.Label:
		s.Y += dy
		return s
	}
	return s
}

// headline names the campaign.
func headline(c *plan.Campaign) string {
	var parts []string
	for _, t := range c.Targets {
		parts = append(parts, fmt.Sprintf("%s to %s", t.Platform, t.Release))
	}
	return "Campaign: " + joined(parts)
}

// joined lists words with "and" before the last.
func joined(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}

// describe tells the picture in words.
func describe(c *plan.Campaign) string {
	s := fmt.Sprintf("%s in %s", unit.Counted(len(c.Devices), "device"), unit.Counted(len(c.Nights), "night"))
	if n := len(c.Nights); n > 0 {
		s += fmt.Sprintf(", the first on %s, the last on %s", day(c.Nights[0].Start), day(c.Nights[n-1].Start))
	}
	if n := len(c.Freezes); n > 0 {
		s += fmt.Sprintf("; %s hatched", unit.Counted(n, "freeze"))
	}
	return s + ". The tables of the nights hold the same figures."
}

func day(t time.Time) string { return t.Format("Mon 2 Jan 2006") }

// hours is a stretch of a night: "01:00 to 05:00", with the day of its end where
// that is another one.
func hours(from, to time.Time) string {
	return from.Format("15:04") + " to " + to.Format("15:04")
}

// offset is the difference to UTC as written beside times.
func offset(t time.Time) string { return t.Format("UTC-07:00") }

// scale maps instants to the width of a plot.
type scale struct {
	from, to time.Time
	x0, x1   float64
}

func (s scale) x(t time.Time) float64 {
	share := float64(t.Sub(s.from)) / float64(s.to.Sub(s.from))
	return s.x0 + min(max(share, 0), 1)*(s.x1-s.x0)
}

// shelves finds the first line in which a label has room.
type shelves struct{ ends []float64 }

func (s *shelves) place(from, to float64) int {
	for i, end := range s.ends {
		if from >= end+6 {
			s.ends[i] = to
			return i
		}
	}
	s.ends = append(s.ends, to)
	return len(s.ends) - 1
}

// rowsOf groups the devices of the overview: by site, or by platform where no
// site is known.
func rowsOf(c *plan.Campaign) (names []string, of func(plan.DeviceCourse) string) {
	of = func(d plan.DeviceCourse) string { return cmp.Or(d.Site, "no site given") }
	if !slices.ContainsFunc(c.Devices, func(d plan.DeviceCourse) bool { return d.Site != "" }) {
		of = func(d plan.DeviceCourse) string { return d.Platform }
	}
	for _, d := range c.Devices {
		if n := of(d); !slices.Contains(names, n) {
			names = append(names, n)
		}
	}
	slices.Sort(names)
	return names, of
}

// overviews draw the calendar: for each site a column per night, as high as it
// has devices, with windows, freezes and deadlines. Where there are more sites
// than high allows, the picture goes on in another.
func overviews(c *plan.Campaign, high float64) []paper.Drawing {
	if len(c.Nights) == 0 {
		return nil
	}
	names, of := rowsOf(c)
	per := len(names)
	if fit := (high - 220) / gSite; fit < float64(per) {
		per = max(int(fit), 1)
	}
	var out []paper.Drawing
	for len(names) > 0 {
		n := min(per, len(names))
		out = append(out, overview(c, names[:n], of))
		names = names[n:]
	}
	for i := range out {
		if len(out) > 1 {
			out[i].Title = fmt.Sprintf("%s, part %d of %d", out[i].Title, i+1, len(out))
		}
	}
	return out
}

// deadline is an instant with the number of devices that it holds for.
type deadline struct {
	at      time.Time
	devices []string
}

func deadlines(c *plan.Campaign) []deadline {
	var out []deadline
	for _, d := range c.Devices {
		if d.Deadline.IsZero() {
			continue
		}
		i := slices.IndexFunc(out, func(x deadline) bool { return x.at.Equal(d.Deadline) })
		if i < 0 {
			out = append(out, deadline{at: d.Deadline})
			i = len(out) - 1
		}
		out[i].devices = append(out[i].devices, string(d.Device))
	}
	slices.SortStableFunc(out, func(a, b deadline) int { return a.at.Compare(b.at) })
	return out
}

func overview(c *plan.Campaign, names []string, of func(plan.DeviceCourse) string) paper.Drawing {
	d := paper.Drawing{Width: gWidth, Title: "The campaign on the calendar", Desc: describe(c)}
	first, last := c.Nights[0].Start, c.Nights[len(c.Nights)-1].End
	due := deadlines(c)
	// A deadline far behind the last night would press all nights into a corner: it
	// is named at the edge instead.
	near := last.Add(2 * max(last.Sub(first), 14*24*time.Hour))
	for _, x := range due {
		if x.at.After(last) && !x.at.After(near) {
			last = x.at
		}
	}
	for _, f := range c.Freezes {
		// A freeze that begins soon after the last night says why it ends there.
		if f.Start.After(last) && f.Start.Sub(last) < last.Sub(first)/4 {
			last = f.Start.Add(min(f.End.Sub(f.Start), last.Sub(first)/8))
		}
	}
	room := max(last.Sub(first)/30, 36*time.Hour)
	s := scale{first.Add(-room), last.Add(room), gLeft, gRight}

	// Above the rows: the freezes, the stages, the numbers of the nights.
	y := 6.0
	var freezes shelves
	var names2 []paper.Label
	for _, f := range c.Freezes {
		if !f.End.After(s.from) || !f.Start.Before(s.to) {
			continue
		}
		text, whole := paper.Fit(freezeName(f), gSmall, false, 200)
		x := s.x(f.Start)
		w := paper.Width(text, gSmall, false) * 1.08
		if x+w > gRight {
			x = gRight - w
		}
		line := freezes.place(x, x+w)
		names2 = append(names2, paper.Label{X: x, Y: y + 10 + float64(line)*14, Size: gSmall, Text: text, Title: whole})
	}
	head := shapesOf(names2)
	y += float64(len(freezes.ends))*14 + 2
	top := y
	var stages shelves
	var stageShapes []paper.Shape
	for i := 0; i < len(c.Nights); {
		k := i
		for k < len(c.Nights) && c.Nights[k].Stage == c.Nights[i].Stage {
			k++
		}
		x0, x1 := s.x(c.Nights[i].Start)-2, s.x(c.Nights[k-1].End)+2
		name := cmp.Or(c.Nights[i].StageName, fmt.Sprintf("stage %d", c.Nights[i].Stage))
		text, whole := paper.Fit(name, gSmall, true, 150)
		w := paper.Width(text, gSmall, true) * 1.08
		at := min(x0, gRight-w)
		line := stages.place(at, max(at+w, x1))
		ly := y + 11 + float64(line)*17
		stageShapes = append(stageShapes, paper.Rect{X: at - 2, Y: ly - 10, W: w + 4, H: 12, Fill: paper.Page}, paper.Label{X: at, Y: ly, Size: gSmall, Bold: true, Text: text, Title: whole},
			paper.Rect{X: x0, Y: ly + 2.5, W: x1 - x0, H: 2.2, Fill: paper.Strong})
		i = k
	}
	head = append(head, paper.Label{X: gMargin, Y: y + 11, Size: gSmall, Text: "Stage"})
	head = append(head, stageShapes...)
	y += float64(max(len(stages.ends), 1))*17 + 5
	head = append(head, paper.Label{X: gMargin, Y: y + 10, Size: gSmall, Text: "Night"})
	free := gLeft
	for _, n := range c.Nights {
		text := fmt.Sprint(n.Number)
		w := paper.Width(text, gSmall, true)
		x := (s.x(n.Start) + s.x(n.End)) / 2
		if x-w/2 < free {
			continue
		}
		free = x + w/2 + 4
		head = append(head, paper.Rect{X: x - w/2 - 1.5, Y: y, W: w + 3, H: 12, Fill: paper.Page}, paper.Label{X: x, Y: y + 10, Size: gSmall, Bold: true, At: paper.Centre, Text: text})
	}
	y += 15

	// The grounds: windows offered, then freezes, behind all rows.
	bottom := y + float64(len(names))*gSite
	for _, w := range c.Offered {
		if x0, x1 := s.x(w.Start), s.x(w.End); w.End.After(s.from) && w.Start.Before(s.to) {
			d.Add(paper.Rect{X: x0, Y: y, W: max(x1-x0, 1.5), H: bottom - y, Fill: paper.Shade})
		}
	}
	for _, f := range c.Freezes {
		if f.End.After(s.from) && f.Start.Before(s.to) {
			x0, x1 := s.x(f.Start), s.x(f.End)
			d.Add(paper.Hatch{X: x0, Y: top - 2, W: max(x1-x0, 3), H: bottom - top + 2, Gap: 6, Stroke: paper.Rule, Title: freezeName(f) + ", " + day(f.Start) + " to " + day(f.End)},
				paper.Line{X1: x0, Y1: top - 2, X2: x0, Y2: bottom, Stroke: paper.Rule}, paper.Line{X1: max(x1, x0+3), Y1: top - 2, X2: max(x1, x0+3), Y2: bottom, Stroke: paper.Rule})
		}
	}
	d.Add(head...)
	rows := y
	per := map[string]map[int]int{}
	most := 1
	for _, dev := range c.Devices {
		r := of(dev)
		if per[r] == nil {
			per[r] = map[int]int{}
		}
		per[r][dev.Night]++
		most = max(most, per[r][dev.Night])
	}
	for _, name := range names {
		total := 0
		for _, n := range per[name] {
			total += n
		}
		text, whole := paper.Fit(name, gText, true, gLeft-20)
		d.Add(paper.Line{X1: gMargin, Y1: y, X2: gRight, Y2: y, Stroke: paper.Rule, Line: 0.6},
			paper.Label{X: gMargin, Y: y + 18, Size: gText, Bold: true, Text: text, Title: whole},
			paper.Label{X: gMargin, Y: y + 33, Size: gSmall, Fill: paper.Quiet, Text: unit.Counted(total, "device")})
		columns(&d, c, s, name, per[name], most, y)
		y += gSite
	}
	d.Add(paper.Line{X1: gMargin, Y1: y, X2: gRight, Y2: y, Stroke: paper.Ink})
	y = dayAxis(&d, s, y)
	y = dueMarks(&d, s, due, rows, y)
	d.Height = overviewKey(&d, c, y) + 4
	return d
}

// columns draws a site's columns, and their numbers where no neighbour is in the
// way; the tables hold them all.
func columns(d *paper.Drawing, c *plan.Campaign, s scale, name string, per map[int]int, most int, y float64) {
	var bars []paper.Rect
	var numbers []string
	for _, n := range c.Nights {
		k := per[n.Number]
		if k == 0 {
			continue
		}
		x0, x1 := s.x(n.Start), s.x(n.End)
		w := max(x1-x0, 3)
		h := 4 + (gSite-22)*float64(k)/float64(most)
		bars = append(bars, paper.Rect{X: (x0+x1)/2 - w/2, Y: y + gSite - h, W: w, H: h, Fill: paper.Strong, Title: fmt.Sprintf("%s, night %d, %s: %s", name, n.Number, day(n.Start), unit.Counted(k, "device"))})
		numbers = append(numbers, fmt.Sprint(k))
	}
	for _, b := range bars {
		d.Add(b)
	}
	free := gLeft - 10
	for i, b := range bars {
		w := paper.Width(numbers[i], gSmall, false)
		x := b.X + b.W/2
		blocked := x-w/2 < free || slices.ContainsFunc(bars, func(o paper.Rect) bool {
			return o != b && o.X < x+w/2+1 && o.X+o.W > x-w/2-1 && o.Y < b.Y-1
		})
		if blocked {
			continue
		}
		free = x + w/2 + 3
		d.Add(paper.Rect{X: x - w/2 - 1, Y: b.Y - 12, W: w + 2, H: 11, Fill: paper.Page}, paper.Label{X: x, Y: b.Y - 3, Size: gSmall, At: paper.Centre, Text: numbers[i]})
	}
}

func shapesOf(ls []paper.Label) []paper.Shape {
	out := make([]paper.Shape, len(ls))
	for i, l := range ls {
		out[i] = l
	}
	return out
}

func freezeName(f plan.Period) string {
	name := "freeze"
	if f.Name != "" {
		name += ": " + f.Name
	}
	if len(f.Sites) > 0 {
		name += " (" + strings.Join(f.Sites, ", ") + ")"
	}
	return name
}

// fixed is the zone with the offset that t is written with. An instant read from
// a file may come in the reader's own zone, whose clock changes: a picture must
// not hang on whose that is.
func fixed(t time.Time) *time.Location {
	_, offset := t.Zone()
	return time.FixedZone("", offset)
}

// dayAxis writes the days below a plot and returns the height below them.
func dayAxis(d *paper.Drawing, s scale, y float64) float64 {
	perDay := (s.x1 - s.x0) / (s.to.Sub(s.from).Hours() / 24)
	step := 0
	for _, k := range []int{1, 2, 7, 14, 28, 56, 91, 182} {
		if step = k; perDay*float64(k) >= 58 {
			break
		}
	}
	zone := fixed(s.from)
	from := s.from.In(zone)
	at := time.Date(from.Year(), from.Month(), from.Day(), 0, 0, 0, 0, zone).AddDate(0, 0, 1)
	if step >= 7 { // weeks begin on Mondays
		for at.Weekday() != time.Monday {
			at = at.AddDate(0, 0, 1)
		}
	}
	year := 0
	for ; at.Before(s.to); at = at.AddDate(0, 0, step) {
		x := s.x(at)
		d.Add(paper.Line{X1: x, Y1: y, X2: x, Y2: y + 5, Stroke: paper.Ink})
		if x > gRight-24 {
			continue
		}
		layout := "Mon 2 Jan"
		if step >= 7 {
			layout = "2 Jan"
		}
		d.Add(paper.Label{X: x, Y: y + 16, Size: gSmall, At: paper.Centre, Text: at.Format(layout)})
		if at.Year() != year {
			year = at.Year()
			d.Add(paper.Label{X: x, Y: y + 28, Size: gSmall, At: paper.Centre, Text: fmt.Sprint(year)})
		}
	}
	return y + 34
}

// dueMarks marks the deadlines from the rows down.
func dueMarks(d *paper.Drawing, s scale, due []deadline, top, y float64) float64 {
	if len(due) == 0 {
		return y
	}
	var lines shelves
	d.Add(paper.Label{X: gMargin, Y: y + 11, Size: gSmall, Text: "Deadlines"})
	for _, x := range due {
		at := s.x(x.at)
		text := fmt.Sprintf("%s by %s", unit.Counted(len(x.devices), "device"), x.at.Format("2 Jan"))
		beyond := x.at.After(s.to)
		if beyond {
			text = fmt.Sprintf("later: %s by %s", unit.Counted(len(x.devices), "device"), x.at.Format("2 Jan 2006"))
		}
		w := paper.Width(text, gSmall, false) * 1.08
		from, anchor, tx := at, paper.Left, at+8
		if at+8+w > gRight {
			from, anchor, tx = at-8-w, paper.Right, at-8
		}
		line := lines.place(from-6, from+8+w)
		ly := y + float64(line)*15
		if beyond {
			d.Add(paper.Polygon{Points: [][2]float64{{at - 5, ly + 2}, {at - 5, ly + 12}, {at + 3, ly + 7}}, Fill: paper.Ink, Title: "deadline " + x.at.Format(time.RFC3339) + ": " + strings.Join(x.devices, ", ")},
				paper.Label{X: tx, Y: ly + 11, Size: gSmall, At: anchor, Text: text})
			continue
		}
		d.Add(paper.Line{X1: at, Y1: top, X2: at, Y2: ly + 4, Stroke: paper.Ink, Dash: true},
			paper.Polygon{Points: [][2]float64{{at - 5, ly + 3}, {at + 5, ly + 3}, {at, ly + 12}}, Fill: paper.Ink, Title: "deadline " + x.at.Format(time.RFC3339) + ": " + strings.Join(x.devices, ", ")},
			paper.Label{X: tx, Y: ly + 11, Size: gSmall, At: anchor, Text: text})
	}
	return y + float64(len(lines.ends))*15 + 6
}

// overviewKey explains the signs that the picture uses.
func overviewKey(d *paper.Drawing, c *plan.Campaign, y float64) float64 {
	x := gMargin
	add := func(text string, sample func(x float64) []paper.Shape) {
		w := 26 + paper.Width(text, gSmall, false)*1.08 + 14
		if x+w > gWidth && x > gMargin {
			x = gMargin
			y += 16
		}
		d.Add(sample(x)...)
		d.Add(paper.Label{X: x + 24, Y: y + 11, Size: gSmall, Text: text})
		x += w
	}
	add("devices of a night (number above)", func(x float64) []paper.Shape {
		return []paper.Shape{paper.Rect{X: x + 7, Y: y + 1, W: 6, H: 12, Fill: paper.Strong}}
	})
	if len(c.Offered) > 0 {
		add("window offered", func(x float64) []paper.Shape {
			return []paper.Shape{paper.Rect{X: x, Y: y + 1, W: 18, H: 12, Fill: paper.Shade, Stroke: paper.Rule, Line: 0.5}}
		})
	}
	if len(c.Freezes) > 0 {
		add("freeze", func(x float64) []paper.Shape {
			return []paper.Shape{paper.Hatch{X: x, Y: y + 1, W: 18, H: 12, Gap: 6, Stroke: paper.Rule}, paper.Rect{X: x, Y: y + 1, W: 18, H: 12, Stroke: paper.Rule, Line: 0.5}}
		})
	}
	if len(deadlines(c)) > 0 {
		add("deadline", func(x float64) []paper.Shape {
			return []paper.Shape{paper.Polygon{Points: [][2]float64{{x + 5, y + 2}, {x + 15, y + 2}, {x + 10, y + 11}}, Fill: paper.Ink}}
		})
	}
	return y + 18
}

// nightCharts draw the nights, as many in a picture as high allows; a night
// that is higher by itself goes on in the next one.
func nightCharts(c *plan.Campaign, high float64) []paper.Drawing {
	var out []paper.Drawing
	var cur *paper.Drawing
	var first, last int
	y := 0.0
	flush := func() {
		if cur == nil {
			return
		}
		cur.Height = nightKey(cur, y)
		cur.Title = fmt.Sprintf("Nights %d to %d", first, last)
		if first == last {
			cur.Title = fmt.Sprintf("Night %d", first)
		}
		out = append(out, *cur)
		cur = nil
	}
	const key = 40.0
	for _, n := range c.Nights {
		tasks := slices.Clone(n.Tasks)
		slices.SortStableFunc(tasks, func(a, b plan.Task) int {
			return cmp.Or(cmp.Compare(a.Engineer, b.Engineer), a.Start.Compare(b.Start), cmp.Compare(a.Device, b.Device))
		})
		rest := tasks
		for part := 0; part == 0 || len(rest) > 0; part++ {
			need := nightHead(n) + float64(len(rest))*gRow + key
			if cur != nil && y+need > high && (need <= high || y+nightHead(n)+3*gRow+key > high) {
				flush()
			}
			if cur == nil {
				cur = &paper.Drawing{Width: gWidth}
				first, y = n.Number, 0
			}
			fit := len(rest)
			if y+need > high {
				fit = max(int((high-y-nightHead(n)-key)/gRow), 1)
			}
			y = night(cur, c, n, rest[:fit], part > 0, y)
			cur.Desc = describeNights(cur.Desc, n, rest[:fit])
			rest = rest[fit:]
			last = n.Number
		}
	}
	flush()
	return out
}

// describeNights tells a picture of nights in words, as far as that is short.
func describeNights(before string, n plan.Night, tasks []plan.Task) string {
	var names []string
	for _, t := range tasks {
		names = append(names, fmt.Sprintf("%s %s", t.Device, hours(t.Start, t.End)))
	}
	s := fmt.Sprintf("Night %d, %s: %s.", n.Number, day(n.Start), strings.Join(names, "; "))
	if before == "" {
		return s
	}
	return before + " " + s
}

func nightHead(n plan.Night) float64 {
	h := 62.0
	_, a := n.Start.Zone()
	if _, b := n.End.Zone(); a != b {
		h += 13
	}
	return h
}

// night draws one night at the height y and returns the height below it.
func night(d *paper.Drawing, c *plan.Campaign, n plan.Night, tasks []plan.Task, more bool, y float64) float64 {
	title := fmt.Sprintf("Night %d: %s, %s %s", n.Number, day(n.Start), hours(n.Start, n.End), offset(n.Start))
	if more {
		title += ", continued"
	}
	stage := cmp.Or(n.StageName, fmt.Sprintf("stage %d", n.Stage))
	sw := paper.Width(stage, gText, false) * 1.08
	title, whole := paper.Fit(title, 13, true, gWidth-sw-3*gMargin)
	d.Add(paper.Label{X: gMargin, Y: y + 17, Size: 13, Bold: true, Text: title, Title: whole},
		paper.Label{X: gRight, Y: y + 17, Size: gText, At: paper.Right, Text: stage})
	sum, whole := paper.Fit(nightSum(n, c.Runs), gText, false, gRight-gMargin)
	d.Add(paper.Label{X: gMargin, Y: y + 33, Size: gText, Fill: paper.Quiet, Text: sum, Title: whole})
	y += 38
	_, a := n.Start.Zone()
	if _, b := n.End.Zone(); a != b {
		d.Add(paper.Label{X: gMargin, Y: y + 8, Size: gSmall, Bold: true, Text: fmt.Sprintf("The clock changes in this night: the scale shows %s; the window ends at %s %s.", offset(n.Start), n.End.Format("15:04"), offset(n.End))})
		y += 13
	}
	s := scale{n.Start, n.End, gLeft, gRight}
	for _, t := range n.Tasks {
		if t.Start.Before(s.from) {
			s.from = t.Start
		}
		if t.End.After(s.to) {
			s.to = t.End
		}
	}
	if !s.to.After(s.from) {
		s.to = s.from.Add(time.Hour)
	}
	bottom := y + 24 + float64(len(tasks))*gRow
	d.Add(paper.Rect{X: s.x(n.Start), Y: y + 20, W: s.x(n.End) - s.x(n.Start), H: bottom - y - 20, Fill: paper.Shade})
	y = hourAxis(d, s, y, bottom)
	if !n.RollbackClock.IsZero() {
		x := s.x(n.RollbackClock)
		d.Add(paper.Line{X1: x, Y1: y - 4, X2: x, Y2: bottom, Stroke: paper.Ink, Line: 1.4, Dash: true})
	}
	for _, t := range tasks {
		task(d, c, s, t, y)
		y += gRow
	}
	d.Add(paper.Line{X1: gMargin, Y1: bottom, X2: gRight, Y2: bottom, Stroke: paper.Ink})
	return bottom + 10
}

// nightSum is what to read when there is time for one line only.
func nightSum(n plan.Night, runs int) string {
	parts := []string{unit.Counted(len(n.Tasks), "device")}
	if len(n.Engineers) > 0 {
		parts = append(parts, unit.Counted(len(n.Engineers), "engineer"))
	}
	work := fmt.Sprintf("%d min of work", n.Minutes)
	if n.Room > 0 {
		work = fmt.Sprintf("%d of %d min of work", n.Minutes, n.Room)
	}
	parts = append(parts, work, "done "+unit.Share(n.Done, runs))
	if n.Back != nil {
		parts = append(parts, "with time to roll back "+unit.Share(*n.Back, runs))
	}
	if !n.RollbackClock.IsZero() {
		parts = append(parts, "rollback clock "+n.RollbackClock.Format("15:04"))
	}
	return strings.Join(parts, "; ")
}

// hourAxis writes the hours above a plot and returns the height below them.
func hourAxis(d *paper.Drawing, s scale, y, bottom float64) float64 {
	span := s.to.Sub(s.from)
	step := time.Duration(0)
	for _, k := range []time.Duration{5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 30 * time.Minute, time.Hour, 2 * time.Hour, 4 * time.Hour, 12 * time.Hour, 24 * time.Hour, 72 * time.Hour} {
		if step = k; (s.x1-s.x0)*float64(k)/float64(span) >= 54 {
			break
		}
	}
	// Ticks stand at whole steps of the wall clock at the window's start.
	zone := fixed(s.from)
	from := s.from.In(zone)
	at := time.Date(from.Year(), from.Month(), from.Day(), 0, 0, 0, 0, zone)
	for ; !at.After(s.to); at = at.Add(step) {
		if at.Before(s.from) {
			continue
		}
		x := s.x(at)
		d.Add(paper.Line{X1: x, Y1: y + 16, X2: x, Y2: bottom, Stroke: paper.Rule, Line: 0.6})
		anchor := paper.Centre
		if x > gRight-14 {
			x, anchor = gRight, paper.Right
		}
		layout := "15:04"
		if step >= 24*time.Hour {
			layout = "2 Jan"
		}
		d.Add(paper.Label{X: x, Y: y + 12, Size: gSmall, At: anchor, Text: at.In(zone).Format(layout)})
	}
	return y + 24
}

// task draws the row of a device.
func task(d *paper.Drawing, c *plan.Campaign, s scale, t plan.Task, y float64) {
	course, known := c.Course(t.Device)
	name, whole := paper.Fit(string(t.Device), gText+0.5, true, gLeft-20)
	under := []string{}
	if t.Engineer != "" {
		under = append(under, t.Engineer)
	}
	if course.Site != "" {
		under = append(under, course.Site)
	}
	if !course.Deadline.IsZero() {
		under = append(under, "due "+course.Deadline.Format("2 Jan"))
	}
	sub, subWhole := paper.Fit(strings.Join(under, " · "), gSmall, false, gLeft-20)
	d.Add(paper.Line{X1: gMargin, Y1: y, X2: gRight, Y2: y, Stroke: paper.Rule, Line: 0.6},
		paper.Label{X: gMargin, Y: y + 14, Size: gText + 0.5, Bold: true, Text: name, Title: whole},
		paper.Label{X: gMargin, Y: y + 28, Size: gSmall, Fill: paper.Quiet, Text: sub, Title: subWhole})
	x0, x1 := s.x(t.Start), s.x(t.End)
	w := max(x1-x0, 2)
	tip := fmt.Sprintf("%s, %s", t.Device, hours(t.Start, t.End))
	if known {
		tip += fmt.Sprintf(", %s to %s, done in the window %s", course.From, course.To, unit.Share(course.Done, c.Runs))
	}
	text := hours(t.Start, t.End)
	if t.Outcome != "" {
		text += ", " + t.Outcome
	}
	d.Add(paper.Rect{X: x0, Y: y + 4, W: w, H: 16, Fill: paper.Fill, Stroke: paper.Ink, Title: tip})
	if t.Outcome == "failed" {
		d.Add(paper.Hatch{X: x0, Y: y + 4, W: w, H: 16, Gap: 5, Stroke: paper.Ink})
	}
	tw := paper.Width(text, gSmall, false) * 1.08
	label := paper.Label{X: x0 + w/2, Y: y + 15.5, Size: gSmall, At: paper.Centre, Text: text}
	ground := paper.Rect{X: x0 + w/2 - tw/2 - 2, Y: y + 6, W: tw + 4, H: 12, Fill: paper.Fill}
	switch {
	case tw+6 <= w:
		if t.Outcome == "failed" {
			d.Add(ground)
		}
	case x1+5+tw <= gRight:
		label.X, label.At = x1+5, paper.Left
		d.Add(paper.Rect{X: x1 + 3, Y: y + 6, W: tw + 4, H: 12, Fill: paper.Shade})
	default:
		label.X, label.At = x0-5, paper.Right
		d.Add(paper.Rect{X: x0 - tw - 7, Y: y + 6, W: tw + 4, H: 12, Fill: paper.Shade})
	}
	d.Add(label)
	if known {
		clocks(d, s, t, course, y)
	}
}

// clocks marks the last moment to decide and the rollback clock under the bar,
// each with its letter and time.
func clocks(d *paper.Drawing, s scale, task plan.Task, course plan.DeviceCourse, y float64) {
	const size = 9.5
	label := func(x float64, at paper.Align, text, title string) {
		w := paper.Width(text, size, true)
		gx := x - 1
		if at == paper.Right {
			gx = x - w - 1
		}
		d.Add(paper.Rect{X: gx, Y: y + 22, W: w + 2, H: 11, Fill: paper.Shade}, paper.Label{X: x, Y: y + 31, Size: size, Bold: true, At: at, Text: text, Title: title})
	}
	if course.Back == nil && course.NoBack != "" {
		label(min(s.x(task.Start)+4, gWidth-3-paper.Width("no way back", size, true)), paper.Left, "no way back", course.NoBack)
	}
	type mark struct {
		x    float64
		text string
	}
	var marks []mark
	for _, m := range []struct {
		letter, what string
		at           time.Time
	}{{"D", "decide by", course.DecideBy}, {"R", "rollback clock", course.RollbackClock}} {
		if m.at.IsZero() {
			continue
		}
		x := s.x(m.at)
		marks = append(marks, mark{x, m.letter + " " + m.at.Format("15:04")})
		d.Add(paper.Polygon{Points: [][2]float64{{x - 4.5, y + 31}, {x + 4.5, y + 31}, {x, y + 21}}, Fill: paper.Ink, Title: m.what + " " + m.at.Format(time.RFC3339)})
	}
	slices.SortStableFunc(marks, func(a, b mark) int { return cmp.Compare(a.x, b.x) })
	// Each label stands beside its mark where it meets neither the other mark, nor
	// the other label, nor an edge; at the worst both stand on one side.
	const off, half, low, high = 7.0, 5.0, gLeft - 11, gWidth - 2
	width := func(text string) float64 { return paper.Width(text, size, true) }
	switch len(marks) {
	case 1:
		m := marks[0]
		if m.x+off+width(m.text) <= high {
			label(m.x+off, paper.Left, m.text, "")
		} else {
			label(m.x-off, paper.Right, m.text, "")
		}
	case 2:
		a, b := marks[0], marks[1]
		both := a.text + ", " + b.text
		aLeft := a.x-off-width(a.text) >= low
		bRight := b.x+off+width(b.text) <= high
		gap := b.x - a.x - 2*off
		switch {
		case aLeft && bRight:
			label(a.x-off, paper.Right, a.text, "")
			label(b.x+off, paper.Left, b.text, "")
		case bRight && gap+off-half >= width(a.text):
			label(a.x+off, paper.Left, a.text, "")
			label(b.x+off, paper.Left, b.text, "")
		case aLeft && gap+off-half >= width(b.text):
			label(a.x-off, paper.Right, a.text, "")
			label(b.x-off, paper.Right, b.text, "")
		case gap >= width(a.text)+width(b.text)+4:
			label(a.x+off, paper.Left, a.text, "")
			label(b.x-off, paper.Right, b.text, "")
		case b.x+off+width(both) <= high:
			label(b.x+off, paper.Left, both, "")
		default:
			label(a.x-off, paper.Right, both, "")
		}
	}
}

// nightKey explains the signs under the nights.
func nightKey(d *paper.Drawing, y float64) float64 {
	d.Add(paper.Rect{X: gMargin, Y: y + 2, W: 18, H: 10, Fill: paper.Fill, Stroke: paper.Ink},
		paper.Label{X: gMargin + 24, Y: y + 11, Size: gSmall, Text: "time kept for a device"},
		paper.Rect{X: 168, Y: y + 2, W: 18, H: 10, Fill: paper.Shade, Stroke: paper.Rule, Line: 0.5},
		paper.Label{X: 192, Y: y + 11, Size: gSmall, Text: "window"},
		paper.Label{X: 250, Y: y + 11, Size: gSmall, Text: "D: decide by, last begin of the step of no return"},
		paper.Line{X1: gMargin + 9, Y1: y + 15, X2: gMargin + 9, Y2: y + 29, Stroke: paper.Ink, Line: 1.4, Dash: true},
		paper.Label{X: gMargin + 24, Y: y + 26, Size: gSmall, Text: "earliest rollback clock of the night"},
		paper.Label{X: 250, Y: y + 26, Size: gSmall, Text: "R: rollback clock, last begin of a rollback that ends in the window"})
	return y + 32
}
