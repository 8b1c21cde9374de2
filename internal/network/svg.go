package network

import (
	"bufio"
	"cmp"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"towpath/internal/unit"
)

// Picture says how a state is drawn. The zero value is good.
type Picture struct {
	Title         string  // for screen readers too
	Width, Height float64 // in user units, without the legend; 0 means as large as needed
	Limit         float64 // utilisation above which an arc is marked; 0 means 1
}

// SVG draws the state: each arc as the half of its link that begins at its
// source, as wide as it is used and labelled with its utilisation, marked with
// ! above the limit; drained devices with a dashed rim and the word, removed ones
// crossed out besides, failed links dashed with the word. Nothing is said by
// colour alone, and there is no style sheet and no script in it. Labels never lie
// on one another: where there is no room for all, those of the busiest arcs stand,
// the picture says how many were left out, and each link has all of its figures
// in its title.
//
// The layout rests on the topology alone, so that pictures of two states of one
// network can be laid beside each other: the given places where all devices
// have one; rows for a network in tiers, whose links lead from tier to tier; else
// distances on paper that follow those in the network (stress majorisation).
//
// Source: Gansner, Koren and North, Graph Drawing by Stress Majorization, GD
// 2004, LNCS 3383; Sugiyama, Tagawa and Toda, Methods for Visual Understanding of
// Hierarchical System Structures, IEEE Trans. SMC 11 (1981) 109-125.
func (s *State) SVG(w io.Writer, p Picture) error {
	if p.Width <= 0 || p.Height <= 0 {
		p.Width, p.Height = 0, 0
	}
	if p.Limit <= 0 {
		p.Limit = 1
	}
	if p.Title == "" {
		p.Title = "Load of the network"
	}
	at, rows, size := s.net.layout(point{p.Width, p.Height})
	d := drawing{svgWriter: &svgWriter{Writer: bufio.NewWriter(w)}, s: s, p: p, at: at, rows: rows, size: size}
	d.line(`<svg xmlns="http://www.w3.org/2000/svg" role="img" viewBox="0 0 %s %s" font-family="sans-serif" font-size="11">`, short(size.x), short(size.y+legendHeight))
	d.line(`<title>%s</title>`, escape(p.Title))
	d.line(`<desc>%s</desc>`, escape(s.describe()))
	d.line(`<rect width="100%%" height="100%%" fill="#ffffff"/>`)
	d.links()
	d.nodes()
	d.names()
	d.loads()
	d.legend()
	d.line(`</svg>`)
	if d.err != nil {
		return d.err
	}
	return d.Flush()
}

type svgWriter struct {
	*bufio.Writer
	err error
}

func (w *svgWriter) line(format string, args ...any) {
	if w.err == nil {
		_, w.err = fmt.Fprintf(w, format+"\n", args...)
	}
}

func escape(s string) string {
	var b strings.Builder
	if err := xml.EscapeText(&b, []byte(s)); err != nil {
		return "" // a strings.Builder takes everything
	}
	return b.String()
}

// short writes a coordinate to a tenth, so that rounding never shows.
func short(v float64) string { return strings.TrimSuffix(fmt.Sprintf("%.1f", v), ".0") }

func (s *State) describe() string {
	text := fmt.Sprintf("%s, %s; the busiest arc is used to %.0f%%", unit.Counted(len(s.net.nodes), "node"), unit.Counted(len(s.net.links), "link"), 100*s.result.MaxUtilisation)
	for _, d := range s.drains {
		text += fmt.Sprintf("; %s is drained (%v)", d.Node, d.How)
	}
	for l, f := range s.failed {
		if f {
			text += "; link " + s.net.links[l] + " has failed"
		}
	}
	return text + "."
}

type point struct{ x, y float64 }

func (a point) add(b point) point               { return point{a.x + b.x, a.y + b.y} }
func (a point) toward(b point, f float64) point { return point{a.x + f*(b.x-a.x), a.y + f*(b.y-a.y)} }

// Sizes on paper, in user units.
const (
	legendHeight = 44
	nodeRadius   = 9
	letterWidth  = 6.4 // of 11 units, the widest that is usual
	letterHeight = 12
	beside       = 14 // between links that join the same two nodes
)

// box is a rectangle that something is drawn in.
type box struct{ left, top, right, bottom float64 }

func (a box) meets(b box) bool {
	return a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom
}

// drawing is one picture while it is drawn.
type drawing struct {
	*svgWriter
	s    *State
	p    Picture
	at   []point
	rows []int // by node, its tier from the bottom, nil where there are none
	size point

	taken   []box // what no label may cover
	labels  []loadLabel
	leftOut int
}

// loadLabel is the label of an arc, and where it may stand.
type loadLabel struct {
	text     string
	rank     float64 // the largest first
	from, to point   // the half of the link
}

// links draws the lines and collects their labels.
func (d *drawing) links() {
	n := d.s.net
	together := map[[2]int32][]int32{}
	var pairs [][2]int32
	for l := range n.links {
		a := n.linkArc[n.linkStart[l]]
		key := [2]int32{min(n.from[a], n.to[a]), max(n.from[a], n.to[a])}
		if together[key] == nil {
			pairs = append(pairs, key)
		}
		together[key] = append(together[key], int32(l))
	}
	for _, key := range pairs {
		a, b := d.at[key[0]], d.at[key[1]]
		length := max(1, math.Hypot(b.x-a.x, b.y-a.y))
		across := point{-(b.y - a.y) / length, (b.x - a.x) / length}
		for i, l := range together[key] {
			off := beside * (float64(i) - float64(len(together[key])-1)/2)
			by := point{off * across.x, off * across.y}
			d.link(l, key[0], a.add(by), b.add(by))
		}
	}
}

func (d *drawing) link(l, first int32, a, b point) {
	s, n := d.s, d.s.net
	middle := a.toward(b, 0.5)
	down := true
	var said []string
	var lines []string
	for _, arc := range n.linkArc[n.linkStart[l]:n.linkStart[l+1]] {
		from := a
		if n.from[arc] != first {
			from = b
		}
		line := fmt.Sprintf(`<line x1="%s" y1="%s" x2="%s" y2="%s"`, short(from.x), short(from.y), short(middle.x), short(middle.y))
		if s.view.metric[arc] < 0 {
			lines = append(lines, line+` stroke="#767676" stroke-width="1.5" stroke-dasharray="5 4"/>`)
			continue
		}
		down = false
		use := s.load[arc] / s.capacity[arc]
		colour, mark, rank := "#44607a", "", use
		if use > d.p.Limit*(1+tolerance) {
			colour, mark, rank = "#a4262c", "!", 1e6+use
		}
		text := fmt.Sprintf("%.0f%%%s", 100*use, mark)
		lines = append(lines, line+fmt.Sprintf(` stroke="%s" stroke-width="%s"/>`, colour, short(d.thickness(use))))
		said = append(said, fmt.Sprintf("%s to %s %s", n.arcs[arc].From, n.arcs[arc].To, text))
		if use > 0 {
			d.labels = append(d.labels, loadLabel{text, rank, from, middle})
		}
	}
	if down {
		word := "down"
		if s.failed[l] {
			word = "failed"
		}
		said = append(said, word)
		d.labels = append(d.labels, loadLabel{"× " + word, 1e9, a, b})
	}
	d.line(`<g><title>%s</title>`, escape("link "+n.links[l]+": "+strings.Join(said, ", ")))
	for _, x := range lines {
		d.line("%s", x)
	}
	d.line(`</g>`)
}

// fate is what happened to a node, in a word; empty where nothing did.
func (s *State) fate(v int) string {
	if s.removed[v] {
		return "removed"
	}
	if slices.ContainsFunc(s.drains, func(d Drain) bool { return d.Node == s.net.nodes[v].Name }) {
		return "drained"
	}
	return ""
}

func (d *drawing) nodes() {
	for v, x := range d.s.net.nodes {
		at, rim := d.at[v], ""
		word := d.s.fate(v)
		if word != "" {
			rim = ` stroke-dasharray="4 3"`
		}
		d.taken = append(d.taken, around(at, nodeRadius+1, nodeRadius+1))
		if x.Host {
			d.line(`<rect x="%s" y="%s" width="14" height="14" fill="#ffffff" stroke="#1a1a1a" stroke-width="2"/>`, short(at.x-7), short(at.y-7))
			continue
		}
		d.line(`<circle cx="%s" cy="%s" r="%d" fill="#ffffff" stroke="#1a1a1a" stroke-width="2"%s/>`, short(at.x), short(at.y), nodeRadius, rim)
		if word == "removed" {
			d.line(`<path d="M%s %sl10 10m0 -10l-10 10" stroke="#1a1a1a" stroke-width="2"/>`, short(at.x-5), short(at.y-5))
		}
	}
}

func around(p point, halfWidth, halfHeight float64) box {
	return box{p.x - halfWidth, p.y - halfHeight, p.x + halfWidth, p.y + halfHeight}
}

func textWidth(s string) float64 { return letterWidth * float64(utf8.RuneCountInString(s)) }

const halo = `stroke="#ffffff" stroke-width="3" paint-order="stroke" fill="#1a1a1a"`

// names writes the names of the nodes, first of those that something happened
// to, each on the side where it covers the least.
func (d *drawing) names() {
	order := make([]int, len(d.at))
	for v := range order {
		order[v] = v
	}
	slices.SortStableFunc(order, func(a, b int) int {
		return strings.Compare(d.s.fate(b), d.s.fate(a))
	})
	crowded := d.crowded()
	for _, v := range order {
		name, word := d.s.net.nodes[v].Name, d.s.fate(v)
		at := d.at[v]
		if d.rows != nil && crowded[d.rows[v]] {
			d.slanted(v, name, word)
			continue
		}
		half, height := max(textWidth(name), textWidth(word))/2, letterHeight
		if word != "" {
			height *= 2
		}
		h := float64(height)
		best, least := point{}, math.Inf(1)
		for i, c := range []point{
			{0, nodeRadius + 3 + h/2}, {0, -nodeRadius - 3 - h/2}, {nodeRadius + 4 + half, 0}, {-nodeRadius - 4 - half, 0},
			{half, nodeRadius + 2 + h/2}, {-half, nodeRadius + 2 + h/2}, {half, -nodeRadius - 2 - h/2}, {-half, -nodeRadius - 2 - h/2},
		} {
			b := around(at.add(c), half, h/2)
			cost := 0.01 * float64(i)
			for _, t := range d.taken {
				if t.meets(b) {
					cost += 10
				}
			}
			cost += d.crossed(b)
			if b.left < 0 || b.right > d.size.x || b.top < 0 || b.bottom > d.size.y {
				cost += 100
			}
			if cost < least {
				best, least = at.add(c), cost
			}
		}
		d.taken = append(d.taken, around(best, half, h/2))
		y := best.y + 4
		if word != "" {
			d.line(`<text x="%s" y="%s" text-anchor="middle" font-weight="bold" %s>%s</text>`, short(best.x), short(y-letterHeight/2), halo, word)
			y += letterHeight / 2
		}
		d.line(`<text x="%s" y="%s" text-anchor="middle" %s>%s</text>`, short(best.x), short(y), halo, escape(name))
	}
}

// crossed counts the ends of links under a label: what runs through the box.
func (d *drawing) crossed(b box) float64 {
	n := d.s.net
	if len(n.links) > 400 {
		return 0 // lines are everywhere
	}
	count := 0.0
	for l := range n.links {
		a := n.linkArc[n.linkStart[l]]
		p, q := d.at[n.from[a]], d.at[n.to[a]]
		for f := 0.0; f <= 1; f += 0.05 {
			if x := p.toward(q, f); x.x > b.left && x.x < b.right && x.y > b.top && x.y < b.bottom {
				count++
				break
			}
		}
	}
	return count
}

// crowded says of each row whether names would run into each other.
func (d *drawing) crowded() map[int]bool {
	out := map[int]bool{}
	last := map[int]int{} // the node to the left, by row
	order := make([]int, len(d.at))
	for v := range order {
		order[v] = v
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(d.at[a].x, d.at[b].x) })
	for _, v := range order {
		if d.rows == nil {
			break
		}
		r := d.rows[v]
		if u, ok := last[r]; ok && d.at[v].x-d.at[u].x < (textWidth(d.s.net.nodes[u].Name)+textWidth(d.s.net.nodes[v].Name))/2+6 {
			out[r] = true
		}
		last[r] = v
	}
	return out
}

// slanted writes a name along a slope, so that names of a full row lie beside
// each other.
func (d *drawing) slanted(v int, name, word string) {
	at := d.at[v]
	weight := ""
	if word != "" {
		name, weight = name+" "+word, ` font-weight="bold"`
	}
	x, y, anchor := at.x-4, at.y+nodeRadius+8, "end"
	if d.rows[v] == slices.Max(d.rows) {
		x, y, anchor = at.x+4, at.y-nodeRadius-4, "start"
	}
	d.line(`<text x="%s" y="%s" transform="rotate(-60 %s %s)" text-anchor="%s"%s %s>%s</text>`, short(x), short(y), short(x), short(y), anchor, weight, halo, escape(name))
	length, sign := textWidth(name), 1.0
	if anchor == "start" {
		sign = -1
	}
	for f := 5.0; f < length; f += 10 { // along the slope
		d.taken = append(d.taken, around(point{x - sign*f*0.5, y + sign*f*0.866 - 4}, 6, 6))
	}
}

// loads writes the labels of the arcs, the most important first, each where
// there is room for it along its half of the link.
func (d *drawing) loads() {
	slices.SortStableFunc(d.labels, func(a, b loadLabel) int { return -cmp.Compare(a.rank, b.rank) })
	for _, l := range d.labels {
		half := textWidth(l.text) / 2
		placed := false
		for _, f := range []float64{0.6, 0.7, 0.5, 0.8, 0.4, 0.3, 0.9} {
			if l.rank >= 1e9 {
				f = math.Mod(f+0.9, 1) // about the middle of the whole link
			}
			at := l.from.toward(l.to, f)
			b := around(at, half, letterHeight/2)
			if slices.ContainsFunc(d.taken, b.meets) {
				continue
			}
			d.taken = append(d.taken, b)
			d.line(`<text x="%s" y="%s" text-anchor="middle" %s>%s</text>`, short(at.x), short(at.y+4), halo, l.text)
			placed = true
			break
		}
		if !placed {
			d.leftOut++
		}
	}
}

// thickness is the width of a line by its use, the same from 150 % on. Where more
// than two links stand for each node, lines are thinner, so that they can be told
// apart.
func (d *drawing) thickness(use float64) float64 {
	full := 8.0
	if crowd := float64(len(d.s.net.links)) / float64(2*len(d.s.net.nodes)); crowd > 1 {
		full = max(2.5, full/(crowd*crowd))
	}
	return 1.5 + full*min(use, 1.5)
}

// legend says what widths and marks mean.
func (d *drawing) legend() {
	x, y := 20.0, d.size.y+16
	for _, use := range []float64{0.1, 0.5, 1} {
		d.line(`<line x1="%s" y1="%s" x2="%s" y2="%s" stroke="#44607a" stroke-width="%s"/>`, short(x), short(y), short(x+30), short(y), short(d.thickness(use)))
		text := fmt.Sprintf("%.0f%%", 100*use)
		d.line(`<text x="%s" y="%s" fill="#1a1a1a">%s</text>`, short(x+35), short(y+4), text)
		x += 75
	}
	d.line(`<text x="%s" y="%s" fill="#1a1a1a">of the capacity, from the half where the traffic starts; ! above %.0f%%; dashed: out of use%s</text>`, short(x), short(y+4), 100*d.p.Limit, ternary(d.leftOut == 0, "; no figure: idle", ""))
	if d.leftOut > 0 {
		d.line(`<text x="20" y="%s" fill="#1a1a1a">%d of %d labels had no room; the busiest stand, and every link has its figures in its title.</text>`, short(y+22), d.leftOut, len(d.labels))
	}
}

// maxStress is the largest network that is laid out by distances; beyond it the
// circle stays.
const maxStress = 500

// layout gives each node its place on paper, the row that it stands in where the
// network has tiers, and the size of the paper without the legend. want is the
// size that was asked for, 0 for one that fits.
func (n *Network) layout(want point) (at []point, rows []int, size point) {
	count := len(n.nodes)
	at, size = make([]point, count), point{960, 640}
	if count == 0 {
		return at, nil, size
	}
	placed := !slices.ContainsFunc(n.nodes, func(x Node) bool { return !x.Placed })
	if !placed {
		rows = n.tiers()
	}
	switch grown := 8 * math.Sqrt(float64(count)) * 20; {
	case rows != nil:
		widest := map[int]int{}
		most := 0
		for _, r := range rows {
			widest[r]++
			most = max(most, widest[r])
		}
		size = point{max(960, 38*float64(most)+120), max(480, 240*float64(len(widest)))}
	case grown > size.x:
		size = point{grown, grown * 2 / 3}
	}
	if want.x > 0 {
		size = want
	}
	switch {
	case placed:
		for v, x := range n.nodes {
			at[v] = point{x.X, -x.Y}
		}
	case rows != nil:
		n.arrange(at, rows)
	default:
		for v := range at {
			sin, cos := math.Sincos(2 * math.Pi * float64(v) / float64(count))
			at[v] = point{cos, sin}
		}
		if count <= maxStress {
			n.stress(at)
		}
	}
	low, high := at[0], at[0]
	for _, p := range at {
		low = point{min(low.x, p.x), min(low.y, p.y)}
		high = point{max(high.x, p.x), max(high.y, p.y)}
	}
	const margin = 60
	fit := func(v, low, high, size float64) float64 {
		if high-low < 1e-9 {
			return size / 2
		}
		return margin + (v-low)/(high-low)*(size-2*margin)
	}
	for v, p := range at {
		at[v] = point{fit(p.x, low.x, high.x, size.x), fit(p.y, low.y, high.y, size.y)}
	}
	switch {
	case rows != nil: // room for names that slope down from the lowest row
		longest := 0.0
		for _, x := range n.nodes {
			longest = max(longest, textWidth(x.Name+" removed"))
		}
		size.y += max(0, 0.87*longest-margin+nodeRadius+8)
	case count <= maxStress:
		n.loosen(at, size, margin)
	}
	return at, rows, size
}

// loosen moves nodes that lie on each other or on a link that is not theirs a
// little aside.
func (n *Network) loosen(at []point, size point, margin float64) {
	const apart, clear = 46, 20
	move := func(v int32, dx, dy float64) {
		at[v].x = min(max(at[v].x+dx, margin/2), size.x-margin/2)
		at[v].y = min(max(at[v].y+dy, margin/2), size.y-margin/2)
	}
	for range 80 {
		moved := false
		for a := range at {
			for b := a + 1; b < len(at); b++ {
				dx, dy := at[b].x-at[a].x, at[b].y-at[a].y
				gap := math.Hypot(dx, dy)
				if gap >= apart {
					continue
				}
				if gap < 1e-6 {
					dx, dy, gap = float64(1+b%3), float64(1+a%2), 1
				}
				f := (apart - gap) / gap / 3
				move(int32(a), -f*dx, -f*dy)
				move(int32(b), f*dx, f*dy)
				moved = true
			}
		}
		for l := range n.links {
			arc := n.linkArc[n.linkStart[l]]
			p, q := at[n.from[arc]], at[n.to[arc]]
			length := math.Hypot(q.x-p.x, q.y-p.y)
			if length < 1 {
				continue
			}
			for v := range at {
				if int32(v) == n.from[arc] || int32(v) == n.to[arc] {
					continue
				}
				along := ((at[v].x-p.x)*(q.x-p.x) + (at[v].y-p.y)*(q.y-p.y)) / length
				off := ((at[v].x-p.x)*(q.y-p.y) - (at[v].y-p.y)*(q.x-p.x)) / length
				if along < 0 || along > length || math.Abs(off) >= clear {
					continue
				}
				side := 1.0
				if off < 0 {
					side = -1
				}
				f := side * (clear - math.Abs(off)) / length / 2
				move(int32(v), f*(q.y-p.y), -f*(q.x-p.x))
				moved = true
			}
		}
		if !moved {
			return
		}
	}
}

// tiers gives each node its row from the bottom where the network has them: the
// numbers of hops from the nodes where traffic starts or ends, hosts where there
// are any. It returns nil where most nodes start traffic, where links lead along
// a row or past one, or where a node is reached from none of them.
func (n *Network) tiers() []int {
	rows := make([]int, len(n.nodes))
	queue := make([]int32, 0, len(rows))
	hosts := slices.Contains(n.host, true)
	for v := range rows {
		rows[v] = -1
		bottom := n.rowOf[v] >= 0 || n.sourceStart[v] < n.sourceStart[v+1]
		if hosts {
			bottom = n.host[v]
		}
		if bottom {
			rows[v] = 0
			queue = append(queue, int32(v))
		}
	}
	if len(queue) == 0 || len(queue) > len(rows)*3/4 || len(rows) < 12 {
		return nil
	}
	for i := 0; i < len(queue); i++ {
		u := queue[i]
		for _, h := range n.outHops[n.outStart[u]:n.outStart[u+1]] {
			if rows[h.node] < 0 {
				rows[h.node] = rows[u] + 1
				queue = append(queue, h.node)
			}
		}
	}
	if len(queue) < len(rows) {
		return nil
	}
	along := 0
	for a, u := range n.from {
		if rows[u] == rows[n.to[a]] {
			along++
		}
	}
	if along*20 > len(n.from) {
		return nil
	}
	return rows
}

// arrange puts the nodes of each row beside each other, each near the middle of
// those that it is joined to.
func (n *Network) arrange(at []point, rows []int) {
	tiers := make([][]int, slices.Max(rows)+1)
	for v, r := range rows {
		tiers[r] = append(tiers[r], v)
	}
	spread := func(r int) {
		for i, v := range tiers[r] {
			at[v] = point{(float64(i) + 0.5) / float64(len(tiers[r])), -float64(r)}
		}
	}
	for r := range tiers {
		spread(r)
	}
	middle := func(v, row int) float64 {
		sum, count := 0.0, 0.0
		for _, h := range n.outHops[n.outStart[v]:n.outStart[v+1]] {
			if rows[h.node] == row {
				sum += at[h.node].x
				count++
			}
		}
		if count == 0 {
			return at[v].x
		}
		return sum / count
	}
	for range 4 {
		for r := 1; r < len(tiers); r++ {
			key := make(map[int]float64, len(tiers[r]))
			for _, v := range tiers[r] {
				key[v] = math.Round(middle(v, r-1)*1e9) / 1e9 // alike means alike
			}
			slices.SortStableFunc(tiers[r], func(a, b int) int { return cmp.Compare(key[a], key[b]) })
			spread(r)
		}
	}
}

// stress moves the nodes so that their distances on paper follow the numbers of
// hops between them, each weighted by the square of its inverse.
func (n *Network) stress(at []point) {
	count := len(at)
	hops := make([][]int32, count)
	queue := make([]int32, 0, count)
	for v := range hops {
		d := make([]int32, count)
		for i := range d {
			d[i] = -1
		}
		d[v] = 0
		queue = append(queue[:0], int32(v))
		visit := func(from, to int32) {
			if d[to] < 0 {
				d[to] = d[from] + 1
				queue = append(queue, to)
			}
		}
		for i := 0; i < len(queue); i++ {
			u := queue[i]
			for _, h := range n.outHops[n.outStart[u]:n.outStart[u+1]] {
				visit(u, h.node)
			}
			for _, h := range n.inHops[n.inStart[u]:n.inStart[u+1]] {
				visit(u, h.node)
			}
		}
		for i := range d {
			if d[i] < 0 {
				d[i] = int32(math.Sqrt(float64(count))) + 1 // another part of the network
			}
		}
		hops[v] = d
	}
	next := make([]point, count)
	rounds := 60
	if count <= 100 {
		rounds = 300
	}
	for range rounds {
		for i := range at {
			var sum point
			weight := 0.0
			for j := range at {
				if i == j {
					continue
				}
				want := float64(hops[i][j])
				w := 1 / (want * want)
				dx, dy := at[i].x-at[j].x, at[i].y-at[j].y
				length := max(1e-9, math.Hypot(dx, dy))
				sum.x += w * (at[j].x + want*dx/length)
				sum.y += w * (at[j].y + want*dy/length)
				weight += w
			}
			next[i] = at[i]
			if weight > 0 {
				next[i] = point{sum.x / weight, sum.y / weight}
			}
		}
		copy(at, next)
	}
}
