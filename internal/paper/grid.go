package paper

// grid is a table laid out for the width of a page.
type grid struct {
	widths   []float64
	size     float64
	caption  []row
	captionH float64
	head     laidRow
	headH    float64 // 0 without a header
	rows     []laidRow
}

type laidRow struct {
	cells  [][]row
	height float64
	mark   bool
}

// grid finds the widths of the columns, as a page of the web does: each column
// gets what its longest word needs, and the rest goes where the text is longer.
func (p *press) grid(t Table) grid {
	g := grid{size: sizeTable}
	n := len(t.Columns)
	least, natural := make([]float64, n), make([]float64, n)
	cell := func(r Row, i int) Text {
		if i >= len(r.Cells) {
			return nil
		}
		if i == 0 && t.RowHeads {
			return emboldened(r.Cells[i])
		}
		return r.Cells[i]
	}
	for i, c := range t.Columns {
		least[i], natural[i] = p.adv.extent(Bold(c.Head), g.size, bodyW*0.2)
		for _, r := range t.Rows {
			l, w := p.adv.extent(cell(r, i), g.size, bodyW*0.2)
			least[i], natural[i] = max(least[i], l), max(natural[i], w)
		}
		least[i] += 2 * cellPadX
		natural[i] += 2*cellPadX + 0.5
		least[i] = min(least[i]+0.5, natural[i])
	}
	if !t.headed() && n == 2 {
		// Names and values: the names take what they need, the values the rest.
		name := min(natural[0], bodyW*0.38)
		g.widths = []float64{name, bodyW - name}
	} else {
		g.widths = share(bodyW, least, natural)
	}
	if t.Caption != "" {
		g.caption = p.adv.wrap(Bold(t.Caption), g.size, bodyW)
		g.captionH = float64(len(g.caption))*g.size*leading + 3
	}
	lay := func(at func(i int) Text) laidRow {
		r := laidRow{cells: make([][]row, n)}
		most := 1
		for i := range n {
			r.cells[i] = p.adv.wrap(at(i), g.size, g.widths[i]-2*cellPadX)
			most = max(most, len(r.cells[i]))
		}
		r.height = float64(most)*g.size*leading + 2*cellPadY
		return r
	}
	if t.headed() {
		g.head = lay(func(i int) Text { return Bold(t.Columns[i].Head) })
		g.headH = g.head.height
	}
	for _, r := range t.Rows {
		l := lay(func(i int) Text { return cell(r, i) })
		l.mark = r.Mark
		g.rows = append(g.rows, l)
	}
	return g
}

// least is the height that the table needs to begin in: all of it where it is
// small, else what goes before its second row.
func (g grid) least() float64 {
	h := g.captionH + g.headH
	first := h + min(g.rows[0].height, bodyH-h)
	for _, r := range g.rows {
		h += r.height
	}
	if h <= bodyH*0.3 {
		return h
	}
	return first
}

// share divides the width among columns: least where there is not enough, else
// as much of the rest as each column's text would take.
func share(width float64, least, natural []float64) []float64 {
	out := make([]float64, len(least))
	var sumLeast, sumNatural float64
	for i := range least {
		sumLeast += least[i]
		sumNatural += natural[i]
	}
	for i := range out {
		switch {
		case sumNatural <= width:
			out[i] = natural[i] + (width-sumNatural)*natural[i]/sumNatural
		case sumLeast >= width:
			out[i] = least[i] * width / sumLeast
		default:
			out[i] = least[i] + (width-sumLeast)*(natural[i]-least[i])/(sumNatural-sumLeast)
		}
	}
	return out
}

// table prints a table; its header is repeated on each page that it reaches,
// and a row is broken only if it is higher than a page.
func (p *press) table(t Table) {
	if len(t.Columns) == 0 || len(t.Rows) == 0 {
		return
	}
	g := p.grid(t)
	p.room(g.least())
	p.lines(g.caption, pageLeft, g.size)
	if len(g.caption) > 0 {
		p.y += 3
	}
	p.header(g, t)
	for _, r := range g.rows {
		few := pageBottom-p.y < 3*g.size*leading+2*cellPadY
		if p.y+r.height > pageBottom+0.01 && (few || g.headH+r.height <= bodyH) {
			p.newPage()
			p.header(g, t)
		}
		for {
			rest, split := p.fitting(&r, g)
			p.printRow(g, t, r, false)
			if !split {
				break
			}
			p.newPage()
			p.header(g, t)
			r = rest
		}
	}
	p.y += gapAfter + 2
}

// fitting cuts off a row what does not fit on the page any more.
func (p *press) fitting(r *laidRow, g grid) (rest laidRow, split bool) {
	lines := int((pageBottom - p.y - 2*cellPadY) / (g.size * leading))
	if p.y+r.height <= pageBottom+0.01 || lines < 1 {
		return laidRow{}, false
	}
	most := 1
	rest = laidRow{cells: make([][]row, len(r.cells)), mark: r.mark}
	for i, c := range r.cells {
		if len(c) > lines {
			rest.cells[i] = c[lines:]
			r.cells[i] = c[:lines]
			most = max(most, len(rest.cells[i]))
		}
	}
	rest.height = float64(most)*g.size*leading + 2*cellPadY
	r.height = float64(lines)*g.size*leading + 2*cellPadY
	return rest, true
}

func (p *press) header(g grid, t Table) {
	if g.headH > 0 {
		p.printRow(g, t, g.head, true)
		return
	}
	p.stroke(Rule, 0.5)
	p.pdf.Line(pageLeft, p.y, pageRight, p.y)
}

func (p *press) printRow(g grid, t Table, r laidRow, head bool) {
	x := pageLeft
	if head {
		p.fill(Shade)
		p.pdf.Rect(x, p.y, bodyW, r.height, "F")
	}
	for i, rows := range r.cells {
		w := g.widths[i]
		for k, line := range rows {
			at := x + cellPadX
			switch t.Columns[i].Align {
			case Right:
				at = x + w - cellPadX - line.w
			case Centre:
				at = x + (w-line.w)/2
			case Left:
			}
			p.row(line, at, p.y+cellPadY+g.size*(float64(k)*leading+1), g.size)
		}
		x += w
	}
	switch {
	case head:
		p.stroke(Ink, 0.9)
		p.pdf.Line(pageLeft, p.y+r.height, pageRight, p.y+r.height)
	case r.mark:
		p.stroke(Ink, 1.6)
		p.pdf.Rect(pageLeft+0.8, p.y, bodyW-1.6, r.height, "D")
	default:
		p.stroke(Rule, 0.5)
		p.pdf.Line(pageLeft, p.y+r.height, pageRight, p.y+r.height)
	}
	p.y += r.height
}
