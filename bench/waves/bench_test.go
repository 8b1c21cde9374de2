package main

import (
	"bytes"
	"context"
	"os/exec"
	"strings"
	"testing"
	"time"

	"towpath/internal/schedule"
)

// Source: the optima that cbc and gecode prove for the same models.
func TestNeverWorseThanGeneralSolvers(t *testing.T) {
	compared := 0
	for _, c := range []struct{ n, seed int }{{8, 1}, {10, 2}} {
		p := made(c.n, uint64(c.seed))
		r, err := measure(context.Background(), "made", p, 10*time.Second)
		if err != nil {
			t.Fatal(err)
		}
		if !r.ours.proven {
			t.Errorf("%d items are not proven: %+v", c.n, r.ours)
		}
		for s, o := range r.general {
			if o.skip != "" {
				t.Logf("skipped: %s", o.skip)
				continue
			}
			if o.err != nil {
				t.Errorf("%s: %v", s, o.err)
			}
			if o.used == 0 {
				continue // nothing found in its time
			}
			compared++
			if o.used < r.ours.used || o.proven && o.used != r.ours.used {
				t.Errorf("%d items: %s uses %d, we use %d", c.n, s, o.used, r.ours.used)
			}
		}
	}
	_, noCBC := exec.LookPath("cbc")
	_, noMZ := exec.LookPath("minizinc")
	if compared == 0 && (noCBC == nil || noMZ == nil) {
		t.Error("a solver is installed and nothing was compared")
	}
}

func TestReportSaysWhoIsWorse(t *testing.T) {
	var b bytes.Buffer
	worse := report(&b, []row{{name: "m", ours: outcome{used: 4}, general: map[string]outcome{
		"cbc": {used: 3, proven: true, took: time.Second}, "gecode": {skip: "minizinc is not installed"}}}})
	if worse != 1 || !strings.Contains(b.String(), "skipped: minizinc is not installed") || !strings.Contains(b.String(), "3*") {
		t.Errorf("%d\n%s", worse, b.String())
	}
}

func TestModelsSayTheProblem(t *testing.T) {
	p := &schedule.Problem{Capacity: 10, Items: []schedule.Item{{Work: 6}, {Work: 5}}, Conflicts: []schedule.Conflict{{A: 0, B: 1}},
		Groups: []schedule.Group{{Members: []int{0, 1}, MaxDown: 1}}}
	if firstFit(p) != 2 {
		t.Error(firstFit(p))
	}
	var lp, mz bytes.Buffer
	if err := writeLP(&lp, p, 2); err != nil {
		t.Fatal(err)
	}
	if err := writeMiniZinc(&mz, p, 2); err != nil {
		t.Fatal(err)
	}
	for _, s := range []string{" + 6 x0_1 + 5 x1_1 - 10 y1 <= 0", " x0_0 + x1_0 - y0 <= 0", " + x0_0 + x0_1 = 1"} {
		if !strings.Contains(lp.String(), s) {
			t.Errorf("%q is not in\n%s", s, lp.String())
		}
	}
	for _, s := range []string{"bin_packing(10, w, [6,5])", "w[1] != w[2]", "sum(m in [w[1],w[2]])(bool2int(m = v)) <= 1"} {
		if !strings.Contains(mz.String(), s) {
			t.Errorf("%q is not in\n%s", s, mz.String())
		}
	}
}
