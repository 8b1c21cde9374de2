package state

import "slices"

// RouteChurn counts how two readings of one table differ.
type RouteChurn struct {
	Gone    uint64 `json:"gone"`    // routes that the later reading lacks
	New     uint64 `json:"new"`     // routes that only the later reading has
	Changed uint64 `json:"changed"` // routes with another protocol, next hop or metric
	Same    uint64 `json:"same"`
}

// Total is the number of routes that are not the same.
func (r RouteChurn) Total() uint64 { return r.Gone + r.New + r.Changed }

// DiffRoutes compares two readings of one table, both sorted as [Capture.Sort]
// sorts them, by a merge join: time is linear in both lengths and no memory
// grows with them. visit, when not nil, is called in the order of prefixes for
// every route that differs, with nil for the side that lacks it; the routes are
// those of the arguments and must not be changed.
//
// Several routes of one prefix are paired so: equal ones first, then those of
// one protocol, then the rest, each in their order.
func DiffRoutes(before, after []Route, visit func(before, after *Route)) RouteChurn {
	var n RouteChurn
	report := func(b, a *Route) {
		switch {
		case a == nil:
			n.Gone++
		case b == nil:
			n.New++
		default:
			n.Changed++
		}
		if visit != nil {
			visit(b, a)
		}
	}
	var run runJoin
	i, j := 0, 0
	for i < len(before) && j < len(after) {
		b, a := &before[i], &after[j]
		if b.Prefix < a.Prefix {
			report(b, nil)
			i++
			continue
		}
		if b.Prefix > a.Prefix {
			report(nil, a)
			j++
			continue
		}
		bEnd, aEnd := runEnd(before, i), runEnd(after, j)
		if bEnd-i == 1 && aEnd-j == 1 {
			if *b == *a {
				n.Same++
			} else {
				report(b, a)
			}
		} else {
			n.Same += run.join(before[i:bEnd], after[j:aEnd], report)
		}
		i, j = bEnd, aEnd
	}
	for ; i < len(before); i++ {
		report(&before[i], nil)
	}
	for ; j < len(after); j++ {
		report(nil, &after[j])
	}
	return n
}

// runEnd returns the end of the run of routes with the prefix of rs[i].
func runEnd(rs []Route, i int) int {
	end := i + 1
	for end < len(rs) && rs[end].Prefix == rs[i].Prefix {
		end++
	}
	return end
}

// runJoin pairs the routes of one prefix. Its slices are reused.
type runJoin struct {
	gone, come []*Route
}

// join reports what differs between two runs and returns how many are equal.
func (r *runJoin) join(before, after []Route, report func(b, a *Route)) (same uint64) {
	r.gone, r.come = r.gone[:0], r.come[:0]
	i, j := 0, 0
	for i < len(before) || j < len(after) {
		switch c := side(i, len(before), j, len(after)); {
		case c == 0 && before[i] == after[j]:
			same++
			i++
			j++
		case c < 0 || c == 0 && byPath(before[i], after[j]) < 0:
			r.gone = append(r.gone, &before[i])
			i++
		default:
			r.come = append(r.come, &after[j])
			j++
		}
	}
	// Routes of one protocol stand together on both sides, in one order.
	i, j = 0, 0
	restGone, restCome := r.gone[:0], r.come[:0]
	for i < len(r.gone) || j < len(r.come) {
		switch c := side(i, len(r.gone), j, len(r.come)); {
		case c == 0 && r.gone[i].Protocol == r.come[j].Protocol:
			report(r.gone[i], r.come[j])
			i++
			j++
		case c < 0 || c == 0 && r.gone[i].Protocol < r.come[j].Protocol:
			restGone = append(restGone, r.gone[i])
			i++
		default:
			restCome = append(restCome, r.come[j])
			j++
		}
	}
	for k := range max(len(restGone), len(restCome)) {
		var b, a *Route
		if k < len(restGone) {
			b = restGone[k]
		}
		if k < len(restCome) {
			a = restCome[k]
		}
		report(b, a)
	}
	return same
}

// side tells which of two sequences goes on: -1 only the first, 1 only the
// second, 0 both.
func side(i, n, j, m int) int {
	switch {
	case j >= m:
		return -1
	case i >= n:
		return 1
	}
	return 0
}

// join is a merge join of two lists that are sorted by key. both is called for
// each pair, gone and come for those without a partner. Several entries with
// one key pair in their order.
func join[T any](before, after []T, key func(a, b T) int, both func(b, a *T), gone, come func(*T)) {
	i, j := 0, 0
	for i < len(before) || j < len(after) {
		c := side(i, len(before), j, len(after))
		if c == 0 {
			c = key(before[i], after[j])
		}
		switch {
		case c == 0:
			both(&before[i], &after[j])
			i++
			j++
		case c < 0:
			gone(&before[i])
			i++
		default:
			come(&after[j])
			j++
		}
	}
}

// ordered returns list in the order of key, itself where it is so already.
func ordered[T any](list []T, key func(a, b T) int) []T {
	if slices.IsSortedFunc(list, key) {
		return list
	}
	list = slices.Clone(list)
	slices.SortStableFunc(list, key)
	return list
}
