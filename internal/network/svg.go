package network

import (
	"bufio"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
)

// Picture says how a state is drawn. The zero value is good.
type Picture struct {
	Title         string  // for screen readers too
	Width, Height float64 // in user units; 0 means 960 × 640
	Limit         float64 // utilisation above which an arc is marked; 0 means 1
}

// SVG draws the state: each arc as the half of its link that begins at its
// source, as wide as it is used and labelled with its utilisation, marked with
// ! above the limit; drained devices with a dashed rim and the word, failed
// links dashed with the word. Nothing is said by colour alone, and there is no
// style sheet and no script in it.
//
// The layout rests on the topology alone, so that pictures of two states of one
// network can be laid beside each other: the given places where all devices
// have one, else distances on paper that follow those in the network (stress
// majorisation), started from a circle.
//
// Source: Gansner, Koren and North, Graph Drawing by Stress Majorization, GD
// 2004, LNCS 3383.
func (s *State) SVG(w io.Writer, p Picture) error {
	if p.Width <= 0 || p.Height <= 0 {
		p.Width, p.Height = 960, 640
	}
	if p.Limit <= 0 {
		p.Limit = 1
	}
	if p.Title == "" {
		p.Title = "Load of the network"
	}
	out := &svgWriter{Writer: bufio.NewWriter(w)}
	at := s.net.layout(p.Width, p.Height)
	out.line(`<svg xmlns="http://www.w3.org/2000/svg" role="img" viewBox="0 0 %s %s" font-family="sans-serif" font-size="11">`, short(p.Width), short(p.Height))
	out.line(`<title>%s</title>`, escape(p.Title))
	out.line(`<desc>%s</desc>`, escape(s.describe()))
	out.line(`<rect width="100%%" height="100%%" fill="#ffffff"/>`)
	s.drawLinks(out, at, p)
	for v, x := range s.net.nodes {
		s.drawNode(out, at[v], x, int32(v))
	}
	out.line(`</svg>`)
	if out.err != nil {
		return out.err
	}
	return out.Flush()
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
	text := fmt.Sprintf("%d nodes, %d links; the busiest arc is used to %.0f%%", len(s.net.nodes), len(s.net.links), 100*s.result.MaxUtilisation)
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

func (s *State) drawLinks(out *svgWriter, at []point, p Picture) {
	n := s.net
	// Links between the same two nodes are drawn beside each other.
	beside := map[[2]int32][]int32{}
	var pairs [][2]int32
	for l := range n.links {
		a := n.linkArc[n.linkStart[l]]
		key := [2]int32{min(n.from[a], n.to[a]), max(n.from[a], n.to[a])}
		if beside[key] == nil {
			pairs = append(pairs, key)
		}
		beside[key] = append(beside[key], int32(l))
	}
	for _, key := range pairs {
		a, b := at[key[0]], at[key[1]]
		length := max(1, math.Hypot(b.x-a.x, b.y-a.y))
		across := point{-(b.y - a.y) / length, (b.x - a.x) / length}
		for i, l := range beside[key] {
			off := 16 * (float64(i) - float64(len(beside[key])-1)/2)
			s.drawLink(out, p, l, key[0], point{a.x + off*across.x, a.y + off*across.y}, point{b.x + off*across.x, b.y + off*across.y})
		}
	}
}

func (s *State) drawLink(out *svgWriter, p Picture, l, first int32, a, b point) {
	n := s.net
	middle := point{(a.x + b.x) / 2, (a.y + b.y) / 2}
	out.line(`<g><title>%s</title>`, escape("link "+n.links[l]))
	down := true
	for _, arc := range n.linkArc[n.linkStart[l]:n.linkStart[l+1]] {
		from := a
		if n.from[arc] != first {
			from = b
		}
		if s.view.metric[arc] < 0 {
			out.line(`<line x1="%s" y1="%s" x2="%s" y2="%s" stroke="#767676" stroke-width="1.5" stroke-dasharray="5 4"/>`, short(from.x), short(from.y), short(middle.x), short(middle.y))
			continue
		}
		down = false
		use := s.load[arc] / s.capacity[arc]
		colour, mark := "#44607a", ""
		if use > p.Limit*(1+tolerance) {
			colour, mark = "#a4262c", "!"
		}
		out.line(`<line x1="%s" y1="%s" x2="%s" y2="%s" stroke="%s" stroke-width="%s"/>`, short(from.x), short(from.y), short(middle.x), short(middle.y), colour, short(1.5+8*min(use, 1.5)))
		out.line(`<text x="%s" y="%s" text-anchor="middle" stroke="#ffffff" stroke-width="3" paint-order="stroke" fill="#1a1a1a">%.0f%%%s</text>`,
			short(from.x+0.6*(middle.x-from.x)), short(from.y+0.6*(middle.y-from.y)+4), 100*use, mark)
	}
	if down {
		word := "down"
		if s.failed[l] {
			word = "failed"
		}
		out.line(`<text x="%s" y="%s" text-anchor="middle" stroke="#ffffff" stroke-width="3" paint-order="stroke" fill="#1a1a1a">× %s</text>`, short(middle.x), short(middle.y+4), word)
	}
	out.line(`</g>`)
}

func (s *State) drawNode(out *svgWriter, at point, x Node, v int32) {
	word, rim := "", ""
	if i := slices.IndexFunc(s.drains, func(d Drain) bool { return d.Node == x.Name }); i >= 0 {
		word, rim = "drained", ` stroke-dasharray="4 3"`
		if s.removed[v] {
			word = "removed"
		}
	}
	if x.Host {
		out.line(`<rect x="%s" y="%s" width="14" height="14" fill="#ffffff" stroke="#1a1a1a" stroke-width="2"/>`, short(at.x-7), short(at.y-7))
	} else {
		out.line(`<circle cx="%s" cy="%s" r="9" fill="#ffffff" stroke="#1a1a1a" stroke-width="2"%s/>`, short(at.x), short(at.y), rim)
	}
	out.line(`<text x="%s" y="%s" text-anchor="middle" stroke="#ffffff" stroke-width="3" paint-order="stroke" fill="#1a1a1a">%s</text>`, short(at.x), short(at.y+22), escape(x.Name))
	if word != "" {
		out.line(`<text x="%s" y="%s" text-anchor="middle" font-weight="bold" stroke="#ffffff" stroke-width="3" paint-order="stroke" fill="#1a1a1a">%s</text>`, short(at.x), short(at.y-14), word)
	}
}

// maxStress is the largest network that is laid out by distances; beyond it the
// circle stays.
const maxStress = 500

// layout gives each node its place on paper.
func (n *Network) layout(width, height float64) []point {
	count := len(n.nodes)
	at := make([]point, count)
	if count == 0 {
		return at
	}
	if !slices.ContainsFunc(n.nodes, func(x Node) bool { return !x.Placed }) {
		for v, x := range n.nodes {
			at[v] = point{x.X, -x.Y}
		}
	} else {
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
		at[v] = point{fit(p.x, low.x, high.x, width), fit(p.y, low.y, high.y, height)}
	}
	return at
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
	for range 60 {
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
