package runbook

import (
	"fmt"
	"strings"

	"towpath/internal/paper"
)

// document is the runbook on paper.
func (p Page) document() *paper.Document {
	d := &paper.Document{
		Title: p.Title, Running: fmt.Sprintf("Runbook %s, %s to %s", p.Device, p.From, p.To),
		Lead: fmt.Sprintf("Platform %s. About %s, hold points not counted. Times are since the first step.", p.Platform, p.Total),
		Made: p.Made, Digest: p.Digest, DigestOf: "plan",
	}
	add := func(b ...paper.Block) { d.Blocks = append(d.Blocks, b...) }
	cautions := paper.Callout{Label: "Cautions"}
	for _, c := range p.Cautions {
		cautions.Texts = append(cautions.Texts, paper.Plain(c))
	}
	add(cautions)
	about := paper.Facts(
		paper.Pair{Label: "Serves", Text: paper.Plain(strings.Join(p.Serves, ", "))},
		paper.Pair{Label: "Partners that must stay in service", Text: paper.Plain(strings.Join(p.Partners, ", "))},
	)
	if len(about.Rows) > 0 {
		add(about)
	}
	for _, h := range p.Hops {
		add(h.blocks()...)
	}
	var steps paper.Steps
	for i, s := range p.Steps {
		if s.First {
			if i > 0 {
				add(steps)
			}
			add(paper.Heading{Level: 1, Text: fmt.Sprintf("%s, hop %d", s.Phase, s.Hop)})
			steps = paper.Steps{}
		}
		steps.Items = append(steps.Items, s.item())
	}
	if len(steps.Items) > 0 {
		add(steps)
	}
	return d
}

func (h Hop) blocks() []paper.Block {
	pair := func(label, text string) paper.Pair { return paper.Pair{Label: label, Text: paper.Plain(text)} }
	sure := h.Untouched
	if sure != "" {
		sure = fmt.Sprintf("%s, over %d adjacencies", h.Untouched, h.Outlooks)
	}
	pairs := []paper.Pair{
		pair("Control plane silent", h.Silence), pair("Traffic lost at the hand-over", h.Loss),
		pair("Probability that nothing drops", sure), pair("The same without preparations", h.Bare),
		pair("Way back", h.Back), pair("Point of no return", h.NoReturnAt),
	}
	for _, im := range h.Images {
		pairs = append(pairs, paper.Pair{Label: capital(im.Kind) + " image",
			Text: paper.Mono(im.File).And(paper.Plainf(", %s, SHA-256 ", im.Size), paper.Mono(im.SHA256))})
	}
	out := []paper.Block{paper.Heading{Level: 1, Text: fmt.Sprintf("Hop %d: %s to %s, %s", h.N, h.From, h.To, h.Method)}, paper.Facts(pairs...)}
	if len(h.Prepare) > 0 {
		t := paper.Table{Caption: "Prepared before the hand-over and put back after it", Columns: []paper.Column{{Head: "Made"}, {Head: "Put back"}, {Head: "Saves"}, {Head: "Counts after", Align: paper.Right}}}
		for _, q := range h.Prepare {
			t.Rows = append(t.Rows, paper.Cells(q.Apply, q.Restore, q.Saves, q.Settle))
		}
		out = append(out, t)
	}
	if len(h.Watch) > 0 {
		t := paper.Table{Caption: "Adjacencies that are not sure to hold", Columns: []paper.Column{{Head: "Adjacency"}, {Head: "Forecast"}, {Head: "Why"}}, RowHeads: true}
		for _, o := range h.Watch {
			t.Rows = append(t.Rows, paper.Cells(o.Object, o.Outcome, o.Why))
		}
		out = append(out, t)
		if h.WatchMore > 0 {
			out = append(out, paper.Paragraph{Text: paper.Plainf("And %d more that are not sure to hold.", h.WatchMore)})
		}
	}
	return out
}

func (s Step) item() paper.Item {
	out := paper.Item{Number: s.N, Clock: s.Clock, Title: paper.Plain(s.Title)}
	if s.NoReturn {
		out.Mark = "Point of no return"
	}
	add := func(label, text string) {
		if text != "" {
			out.Pairs = append(out.Pairs, paper.Pair{Label: label, Text: paper.Plain(text)})
		}
	}
	if s.Hold != "" {
		if !strings.Contains(s.Title, s.Hold) {
			add("asks", s.Hold)
		}
		for _, x := range s.Covers {
			add("covers", x)
		}
		out.Sign = []string{"Consent by " + s.Persons, "Time"}
	} else {
		add("takes", fmt.Sprintf("%s, at most %s", s.Expect, s.Deadline))
	}
	add("traffic lost", s.Traffic)
	add("before", strings.Join(s.Before, "; "))
	for _, x := range s.Settings {
		add(s.setsLabel(), x)
	}
	add("after", strings.Join(s.After, "; "))
	add("watched", s.Guards)
	if s.Hold == "" {
		add(s.ifFails(), s.OnFail)
	}
	return out
}

// capital begins a text with a capital letter.
func capital(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
