package release

import (
	"cmp"
	"math/big"
	"slices"
)

func big64(n int) *big.Int { return big.NewInt(int64(n)) }

// move is one step of a path found.
type move struct {
	e      *edge
	raises []int
	next   *label
}

// paths lists what the run found: of each cost at most [MaxEqual] paths, in
// order of the versions they pass.
func (r *run) paths() []Path {
	out := []Path{}
	for i := 0; i < len(r.goals); {
		j, n := i, uint64(0)
		for j < len(r.goals) && r.goals[j].w == r.goals[i].w {
			n = saturatingAdd(n, r.goals[j].count)
			j++
		}
		for _, moves := range r.forward(r.goals[i:j]) {
			p := r.t.path(moves, r.levels)
			p.Cost, p.Equal = r.goals[i].w.cost(), n
			out = append(out, p)
		}
		i = j
	}
	return out
}

// forward turns the steps that lead back from the goals around and follows them
// from the start, so that the paths come in order.
func (r *run) forward(goals []*label) [][]move {
	next := map[*label][]move{}
	seen := map[*label]bool{}
	var root *label
	stack := slices.Clone(goals)
	for _, g := range goals {
		seen[g] = true
	}
	for len(stack) > 0 {
		l := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		if len(l.preds) == 0 {
			root = l
		}
		for _, p := range l.preds {
			next[p.from] = append(next[p.from], move{p.e, p.raises, l})
			if !seen[p.from] {
				seen[p.from] = true
				stack = append(stack, p.from)
			}
		}
	}
	for l := range next {
		slices.SortFunc(next[l], func(a, b move) int {
			return cmp.Or(r.t.rels[a.e.to].v.Compare(r.t.rels[b.e.to].v), cmp.Compare(a.e.w.out, b.e.w.out), cmp.Compare(a.e.tr, b.e.tr), slices.Compare(a.raises, b.raises), cmp.Compare(a.next.seq, b.next.seq))
		})
	}
	var out [][]move
	var walk func(l *label, done []move)
	walk = func(l *label, done []move) {
		if len(out) == MaxEqual {
			return
		}
		if len(next[l]) == 0 { // a goal: nothing leads on from one
			out = append(out, slices.Clone(done))
			return
		}
		for _, m := range next[l] {
			walk(m.next, append(done, m))
		}
	}
	walk(root, nil)
	return out
}

// path writes the moves as hops and puts each firmware step before the last hop,
// up to the one that needs it, whose release it can be applied under. levels is
// the firmware at the start.
func (t *task) path(moves []move, levels []uint16) Path {
	p := Path{Hops: make([]Hop, len(moves))}
	at := make([]int, len(moves)+1) // releases on the way
	at[0] = t.start
	for i, m := range moves {
		x := &t.p.transitions[m.e.tr]
		at[i+1] = m.e.to
		p.Hops[i] = Hop{From: t.rels[at[i]].Version, To: t.rels[at[i+1]].Version, Method: x.Method, Minutes: x.Minutes, Silence: x.Silence, Loss: x.Loss, Source: x.Source}
	}
	has := make([]string, len(t.classes)) // firmware on the way
	for i := range has {
		if k := &t.classes[i]; k.known {
			has[i] = k.levels[levels[i]].text
		}
	}
	type placed struct {
		component int // its place in Present.Components
		step      FirmwareStep
	}
	steps := make([][]placed, len(moves))
	for i, m := range moves {
		for _, j := range m.raises {
			x := &t.raises[j]
			k := &t.classes[x.class]
			h := i
			for h > 0 && x.where != nil && !x.where[at[h]] {
				h--
			}
			step := x.under(t.rels[at[h]].v)
			was := has[x.class]
			has[x.class] = step.Level
			for c, name := range k.names {
				f := FirmwareStep{Component: name, From: was, To: step.Level, Minutes: step.Minutes, Outage: step.Outage, Image: step.Image}
				steps[h] = append(steps[h], placed{k.members[c], f})
			}
		}
	}
	for h := range steps {
		slices.SortStableFunc(steps[h], func(a, b placed) int { return cmp.Compare(a.component, b.component) })
		for _, s := range steps[h] {
			p.Hops[h].Firmware = append(p.Hops[h].Firmware, s.step)
		}
	}
	return p
}

// reverse is the task of going from one release to another on the way back:
// reloads are allowed, nothing must be passed, and firmware stays as it is.
func (t *task) reverse(from, to int) *task {
	b := *t
	b.start, b.target = from, to
	b.opt = Options{AllowReload: true, Avoid: t.opt.Avoid}
	b.via, b.lift, b.cautions = nil, condition{}, nil
	b.prepare()
	return &b
}

// wayBack runs a reversed task with the firmware that the device then has.
func (t *task) wayBack(levels []uint16) Back {
	if t.start == t.target {
		return Back{Hops: []Hop{}}
	}
	r := t.run(levels, true)
	if len(r.goals) == 0 {
		return Back{None: t.explainNoPath(r, levels).Reason}
	}
	p := r.paths()[0]
	return Back{Hops: p.Hops, Cost: p.Cost}
}
