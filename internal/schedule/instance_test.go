package schedule

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

const graphs = "coloring" //nolint:misspell // the folder has this name

// data returns the folder of open data, or skips.
func data(t testing.TB, sub string) string {
	t.Helper()
	dir := filepath.Join("..", "..", "..", "shared", "data", sub)
	if _, err := os.Stat(dir); err != nil {
		t.Skipf("skipped: the open data are not beside the project: %v", err)
	}
	return dir
}

// long skips what takes minutes unless TOWPATH_LONG is set.
func long(t testing.TB) {
	t.Helper()
	if os.Getenv("TOWPATH_LONG") == "" {
		t.Skip("skipped: takes minutes; set TOWPATH_LONG=1 to run it")
	}
}

func answers(t testing.TB, path, one string, lim Limits) (Answers, []Named) {
	t.Helper()
	raw, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	name := path + one
	list, err := ReadInstances(name, strings.NewReader(string(raw)))
	if err != nil {
		t.Fatal(err)
	}
	got, err := Instance(context.Background(), name, strings.NewReader(string(raw)), lim)
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != len(list) || len(list) == 0 {
		t.Fatalf("%s: %d answers for %d instances", name, len(got), len(list))
	}
	for k, a := range got {
		win := make([]int, len(list[k].Problem.Items))
		for i := range win {
			win[i] = -1
		}
		if len(a.Windows) != a.WindowsUsed {
			t.Fatalf("%s: %d windows listed, %d said", name, len(a.Windows), a.WindowsUsed)
		}
		for w, items := range a.Windows {
			for _, i := range items {
				if win[i-list[k].First] >= 0 {
					t.Fatalf("%s: item %d twice", name, i)
				}
				win[i-list[k].First] = w
			}
		}
		if broken := check(&list[k].Problem, win); len(broken) > 0 {
			t.Fatalf("%s: %v", name, broken)
		}
		if a.LowerBound > a.WindowsUsed || a.Proven != (a.LowerBound == a.WindowsUsed) {
			t.Fatalf("%s: bound %d, used %d, proven %v", name, a.LowerBound, a.WindowsUsed, a.Proven)
		}
	}
	return got, list
}

// Source: ../shared/data/windows, optimum found alike by cbc and gecode.
func TestSmallWindowsHaveTheirOptimum(t *testing.T) {
	files, _ := filepath.Glob(filepath.Join(data(t, "windows"), "*.json"))
	if len(files) == 0 {
		t.Fatal("no instance found")
	}
	for _, f := range files {
		got, list := answers(t, f, "", Limits{})
		if a := got[0]; !a.Proven || a.WindowsUsed != list[0].Known {
			t.Errorf("%s: used %d, bound %d; the optimum is %d", f, a.WindowsUsed, a.LowerBound, list[0].Known)
		}
	}
}

func chromatic(t testing.TB) map[string]int {
	t.Helper()
	fh, err := os.Open(filepath.Join(data(t, graphs), "chromatic_numbers.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer fh.Close()
	rows, err := csv.NewReader(fh).ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatal(err, len(rows))
	}
	out := map[string]int{}
	for _, r := range rows[1:] {
		out[r[0]], err = strconv.Atoi(r[1])
		if err != nil {
			t.Fatal(err)
		}
	}
	return out
}

// Source: chromatic_numbers.csv beside the graphs.
func TestChromaticNumbersAreProven(t *testing.T) {
	for name, chi := range chromatic(t) {
		got, _ := answers(t, filepath.Join(data(t, graphs), name+".col"), "", Limits{})
		if a := got[0]; !a.Proven || a.WindowsUsed != chi {
			t.Errorf("%s: used %d, bound %d; the chromatic number is %d", name, a.WindowsUsed, a.LowerBound, chi)
		}
	}
}

// Source: chromatic_numbers.csv; the numbers beyond the table are those of the
// public benchmark, from memory.
func TestAllBenchmarkGraphs(t *testing.T) {
	long(t)
	chi := chromatic(t)
	for name, c := range map[string]int{
		"1-FullIns_3": 4, "2-FullIns_3": 5, "1-Insertions_4": 5, "2-Insertions_3": 4, "3-Insertions_3": 4, "DSJC125.1": 5,
		"anna": 11, "fpsol2.i.1": 65, "games120": 9, "homer": 13, "le450_15a": 15, "le450_25a": 25, "le450_5b": 5, "le450_5d": 5,
		"miles500": 20, "miles750": 31, "miles1000": 42, "mulsol.i.1": 49, "myciel6": 7, "myciel7": 8, "queen8_8": 9,
		"queen8_12": 12, "queen9_9": 10, "school1": 14, "school1_nsh": 14, "zeroin.i.1": 49,
	} {
		chi[name] = c
	}
	files, _ := filepath.Glob(filepath.Join(data(t, graphs), "*.col"))
	proven := 0
	for _, f := range files {
		name := strings.TrimSuffix(filepath.Base(f), ".col")
		t0 := time.Now()
		got, _ := answers(t, f, "", Limits{})
		a := got[0]
		t.Logf("%-16s used %2d bound %2d chromatic %2d %v", name, a.WindowsUsed, a.LowerBound, chi[name], time.Since(t0).Round(time.Millisecond))
		if a.WindowsUsed != chi[name] || a.LowerBound > chi[name] {
			t.Errorf("%s: used %d, bound %d; the chromatic number is %d", name, a.WindowsUsed, a.LowerBound, chi[name])
		}
		if a.Proven {
			proven++
		}
	}
	t.Logf("%d of %d proven", proven, len(files))
	if proven < 35 {
		t.Errorf("%d of %d proven, which should be 35 at least", proven, len(files))
	}
}

// Source: OR-Library binpack1, header values; those of u120_08 and u120_19 are
// old, the optima are 50 and 49.
func TestBinPacking120(t *testing.T) {
	got, list := answers(t, filepath.Join(data(t, "binpacking"), "binpack1.txt"), "", Limits{})
	if len(got) != 20 {
		t.Fatalf("%d instances", len(got))
	}
	best := map[string]int{"u120_08": 50, "u120_19": 49}
	for k, a := range got {
		want := list[k].Known
		if b, ok := best[a.Instance]; ok {
			want = b
		}
		if !a.Proven || a.WindowsUsed != want {
			t.Errorf("%s: used %d, bound %d; the optimum is %d", a.Instance, a.WindowsUsed, a.LowerBound, want)
		}
	}
}

// Source: OR-Library binpack2 to binpack4, header values.
func TestBinPackingLarge(t *testing.T) {
	long(t)
	optimal := 0
	for _, f := range []string{"binpack2.txt", "binpack3.txt", "binpack4.txt"} {
		t0 := time.Now()
		got, list := answers(t, filepath.Join(data(t, "binpacking"), f), "", Limits{})
		for k, a := range got {
			if a.WindowsUsed > list[k].Known+1 || a.LowerBound > list[k].Known {
				t.Errorf("%s: used %d, bound %d; best known %d", a.Instance, a.WindowsUsed, a.LowerBound, list[k].Known)
			}
			if a.Proven {
				optimal++
			} else {
				t.Logf("%s: used %d, bound %d, best known %d", a.Instance, a.WindowsUsed, a.LowerBound, list[k].Known)
			}
		}
		t.Logf("%s %v", f, time.Since(t0).Round(time.Millisecond))
	}
	t.Logf("%d of 60 proven", optimal)
	if optimal < 54 {
		t.Errorf("%d of 60 proven", optimal)
	}
}

func TestAnswerAsJSON(t *testing.T) {
	solve := func(name, text string) string {
		a, err := Instance(context.Background(), name, strings.NewReader(text), Limits{})
		if err != nil {
			t.Fatal(err)
		}
		b, err := json.Marshal(a)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	const two = "2\n one\n 10 3 2\n6\n5\n4\n two\n 5 1 1\n5\n"
	for _, c := range [][3]string{
		{"a.col", "c x\np edge 3 3\ne 1 2\ne 2 1\ne 3 3\n", `{"windows_used":2,"lower_bound":2,"proven":true,"windows":[[1,3],[2]]}`},
		{"b.txt", two, `[{"instance":"one","windows_used":2,"lower_bound":2,"proven":true,"windows":[[0,2],[1]]},{"instance":"two","windows_used":1,"lower_bound":1,"proven":true,"windows":[[0]]}]`},
		{"b.txt#two", two, `{"windows_used":1,"lower_bound":1,"proven":true,"windows":[[0]]}`},
		{"c.bpp", "3\n10\n6\n5\n4\n", `{"windows_used":2,"lower_bound":2,"proven":true,"windows":[[0,2],[1]]}`},
		{"d.json", `{"name":"d","capacity":10,"minutes":[5,5],"conflicts":[[0,1]],"groups":[]}`, `{"windows_used":2,"lower_bound":2,"proven":true,"windows":[[0],[1]]}`},
	} {
		if got := solve(c[0], c[1]); got != c[2] {
			t.Errorf("%s:\n got %s\nwant %s", c[0], got, c[2])
		}
	}
}

func TestBadInstancesNameTheLine(t *testing.T) {
	for _, c := range [][3]string{
		{"a.col", "p edge 3 1\ne 1 4\n", `a.col:2: invalid problem: field 3 is "4", which should be a vertex from 1 to 3`},
		{"a.col", "c nothing\n", "there is no p line"},
		{"a.col", "p edge 2 1\nq 1 2\n", "a.col:2"},
		{"a.col", "c\ne 1 2\n", "ahead of the p line"},
		{"b.txt", "1\nx\n10 2 1\n3\n", "the file ends where size 1 of 2 of x should be"},
		{"b.txt", "1\nx\n10 1 1\n30\n", "b.txt:4"},
		{"b.txt", "2\nx\n10 1 1\n3\n", "2 instances are announced and 1 are there"},
		{"b.txt", "1\nx\n10 1 1\n3 4\n", "after the last instance"},
		{"b.txt#y", "1\nx\n10 1 1\n3\n", `there is no instance "y"; the file has x`},
		{"c.json", "{\n\"capacity\": \"a\"}", "c.json:2"},
		{"c.json", `{"capacity": 5, "minutes": [1], "conflicts": [[0, 3]]}`, "names item 3"},
		{"c.json", `{"capacity": 5, "minutes": [1], "groups": [{"members": [0]}]}`, "neither min_up nor max_down"},
		{"c.json", `{"devices": [], "nights": []}`, "has no minutes"},
		{"d", " \n", "the file is empty"},
		{"e.col", "e 1 2\np edge 3 1\n", "e.col:1: invalid problem: an edge ahead of the p line"},
		{"f.col", "\xff\xfep\x00 \x00", "in UTF-16"},
		{"g.col", "p edge 3 many\n", `found "many" edges`},
	} {
		_, err := Instance(context.Background(), c[0], strings.NewReader(c[1]), Limits{})
		if !errors.Is(err, ErrInvalid) || !strings.Contains(err.Error(), c[2]) {
			t.Errorf("%q: got %v, want %q in it", c[1], err, c[2])
		}
	}
}

func TestOddInstancesAreWarnedOf(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"a.col", "\ufeffp edge 3 2\ne 1 2\ne 2 3\n", ""},
		{"a.col", "p edge 3 4\ne 1 2\ne 2 1\ne 2 3\ne 3 2\n", ""}, // both directions, counted twice
		{"a.col", "p edge 3 2\ne 1 2\ne 2 1\ne 2 3\ne 3 2\n", ""}, // and once
		{"a.col", "p edge 3 4\ne 1 2\ne 2 3\n", ""},               // one direction, counted twice
		{"a.col", "p edge 3 9\ne 1 2\ne 2 3\n", "a.col announces 9 edges and lists 2: is it cut off?"},
		{"a.json", `{"name": "x", "capacity": 5, "minutes": [1], "optimum": 1, "cbc": 1}`, ""},
		{"a.json", `{"minutes": [1], "grups": []}`, `a.json: the key "grups" is not known and counts for nothing`},
	} {
		a, err := Instance(context.Background(), c.name, strings.NewReader(c.text), Limits{})
		if err != nil || len(a) != 1 || strings.Join(a[0].Warnings, "; ") != c.want {
			t.Errorf("%q: %+v %v, want %q", c.text, a, err, c.want)
		}
	}
}

func TestInstancesThatCannotBeSayWhy(t *testing.T) {
	for text, want := range map[string]string{
		`{"capacity": 60, "minutes": [70, 10]}`:                                                 "item 0:\n  - a window holds at most 60 of work",
		`{"minutes": [10, 10], "groups": [{"name": "pair", "members": [0, 1], "max_down": 0}]}`: "group pair: at most 0 of item 0, item 1 in one window",
	} {
		_, err := Instance(context.Background(), "a.json", strings.NewReader(text), Limits{})
		if !errors.Is(err, ErrInfeasible) || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: got %v, want %q in it", text, err, want)
		}
	}
}

func FuzzReadInstances(f *testing.F) {
	for _, s := range []string{"p edge 3 1\ne 1 2\n", "1\nx\n10 2 1\n3\n4\n", "2 10 3 4", `{"capacity": 9, "minutes": [1, 2]}`} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if len(s) > 1000 {
			return
		}
		list, err := ReadInstances("f", strings.NewReader(s))
		if err != nil {
			if !errors.Is(err, ErrInvalid) {
				t.Fatal(err)
			}
			return
		}
		for _, one := range list {
			if err := one.Problem.Validate(); err != nil {
				t.Fatal(err)
			}
		}
	})
}
