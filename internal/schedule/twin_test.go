package schedule

import (
	"context"
	"testing"

	"pgregory.net/rapid"
)

// fewest tries every partition: item i joins a class that takes it or opens one.
func fewest(n int, joins func(class []int, i int) bool) int {
	best := n
	var classes [][]int
	var dive func(i int)
	dive = func(i int) {
		if len(classes) >= best {
			return
		}
		if i == n {
			best = len(classes)
			return
		}
		for k := range classes {
			if joins(classes[k], i) {
				classes[k] = append(classes[k], i)
				dive(i + 1)
				classes[k] = classes[k][:len(classes[k])-1]
			}
		}
		classes = append(classes, []int{i})
		dive(i + 1)
		classes = classes[:len(classes)-1]
	}
	if n > 0 {
		dive(0)
	}
	return best
}

func TestPackingAgainstAllPartitions(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.Int64Range(10, 30).Draw(t, "capacity")
		p := &Problem{Capacity: c}
		for range rapid.IntRange(1, 11).Draw(t, "n") {
			p.Items = append(p.Items, Item{Work: rapid.Int64Range(1, c).Draw(t, "size")})
		}
		want := fewest(len(p.Items), func(class []int, i int) bool {
			sum := p.Items[i].Work
			for _, j := range class {
				sum += p.Items[j].Work
			}
			return sum <= c
		})
		s, err := Solve(context.Background(), p, Limits{CountOnly: true})
		if err != nil || s.Used != want || !s.Proven || len(check(p, s.Window)) > 0 {
			t.Fatalf("got %+v, %v; want %d", s, err, want)
		}
	})
}

func TestColouringAgainstAllPartitions(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 11).Draw(t, "n")
		p := &Problem{Items: make([]Item, n)}
		next := make([][]bool, n)
		dense := rapid.IntRange(1, 9).Draw(t, "density")
		for i := range n {
			next[i] = make([]bool, n)
			for j := range i {
				if rapid.IntRange(0, 9).Draw(t, "edge") < dense {
					next[i][j] = true
					p.Conflicts = append(p.Conflicts, Conflict{A: i, B: j})
				}
			}
		}
		want := fewest(n, func(class []int, i int) bool {
			for _, j := range class {
				if next[i][j] {
					return false
				}
			}
			return true
		})
		s, err := Solve(context.Background(), p, Limits{CountOnly: true})
		if err != nil || s.Used != want || !s.Proven || len(check(p, s.Window)) > 0 {
			t.Fatalf("got %+v, %v; want %d", s, err, want)
		}
	})
}
