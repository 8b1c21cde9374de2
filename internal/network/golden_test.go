package network

import (
	"bytes"
	"encoding/csv"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

const dataFolder = "../../../shared/data"

// data is a folder of reference data; the test is skipped where it is absent.
func data(t testing.TB, path ...string) string {
	t.Helper()
	if _, err := os.Stat(dataFolder); err != nil {
		t.Skipf("the reference data are not here: %v", err)
	}
	full := filepath.Join(append([]string{dataFolder}, path...)...)
	if _, err := os.Stat(full); err != nil {
		t.Fatal(err)
	}
	return full
}

type closer struct{ *bytes.Buffer }

func (closer) Close() error { return nil }

// tables runs Table on a folder and returns the files that it wrote.
func tables(t testing.TB, folder string) map[string]*bytes.Buffer {
	t.Helper()
	arcs, err := os.Open(filepath.Join(folder, "arcs.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer arcs.Close()
	demands, err := os.Open(filepath.Join(folder, "demands.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer demands.Close()
	out := map[string]*bytes.Buffer{}
	err = Table(arcs, demands, func(name string) (io.WriteCloser, error) {
		out[name] = new(bytes.Buffer)
		return closer{out[name]}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// keyed reads a CSV file into records by the values of the key columns.
func keyed(t testing.TB, r io.Reader, keys int) (header []string, rows map[string][]string) {
	t.Helper()
	all, err := csv.NewReader(r).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	rows = map[string][]string{}
	for _, rec := range all[1:] {
		key := strings.Join(rec[:keys], "\x00")
		if rows[key] != nil {
			t.Fatalf("key %q stands twice", rec[:keys])
		}
		rows[key] = rec
	}
	return all[0], rows
}

// alike compares two numbers to 1e-9, relative above 1.
func alike(a, b string) bool {
	x, errX := strconv.ParseFloat(a, 64)
	y, errY := strconv.ParseFloat(b, 64)
	return errX == nil && errY == nil && math.Abs(x-y) <= 1e-9*max(1, math.Abs(y))
}

// Source: the reference answers of ../shared/data/ecmp-answers, computed with
// exact fractions by an independent program. Every row of every file is
// compared: each drain of both kinds, each link failure, each pair of them.
func TestEveryDrainAndFailureAgreesWithTheReference(t *testing.T) {
	folders, err := filepath.Glob(filepath.Join(data(t, "ecmp-answers"), "*", "scenarios.csv"))
	if err != nil || len(folders) < 4 {
		t.Fatalf("found %d networks, want at least 4 (%v)", len(folders), err)
	}
	for _, f := range folders {
		folder := filepath.Dir(f)
		t.Run(filepath.Base(folder), func(t *testing.T) {
			got := tables(t, folder)
			for name, keys := range map[string]int{"scenarios.csv": 3, "loads.csv": 4, "drain_x_linkfail.csv": 3} {
				file, err := os.Open(filepath.Join(folder, name))
				if err != nil {
					t.Fatal(err)
				}
				defer file.Close()
				header, want := keyed(t, file, keys)
				haveHeader, have := keyed(t, got[name], keys)
				if !slices.Equal(header, haveHeader) {
					t.Fatalf("%s: got columns %v, want %v", name, haveHeader, header)
				}
				if len(have) != len(want) || len(want) == 0 {
					t.Errorf("%s: got %d rows, want %d", name, len(have), len(want))
				}
				for key, w := range want {
					h := have[key]
					if h == nil {
						t.Errorf("%s: no row %q", name, w[:keys])
						continue
					}
					for i, column := range header[keys:] {
						a, b := h[keys+i], w[keys+i]
						if a != b && (strings.HasSuffix(column, "_exact") || column == "argmax_arcs" || !alike(a, b)) {
							t.Errorf("%s %q %s: got %s, want %s", name, w[:keys], column, a, b)
						}
					}
				}
			}
		})
	}
}

// Source: closed form for k-ary fat-trees in ../shared/data/fattree (Al-Fares,
// Loukissas and Vahdat, SIGCOMM 2008): (E-1)/h upwards from the edge, k-1 from
// aggregation to core, with h = k/2 and E = k·h edge switches.
func TestFatTreesFollowTheClosedForm(t *testing.T) {
	sizes := []int{4, 8, 16, 48}
	if testing.Short() || raceEnabled {
		t.Log("k = 48 (2,880 switches) takes too long with the race detector or -short; k = 4, 8, 16 are computed")
		sizes = sizes[:3]
	}
	for _, k := range sizes {
		top, demands := FatTree(k)
		n, err := New(top, demands)
		if err != nil {
			t.Fatal(err)
		}
		if got, want := len(n.nodes), 5*k*k/4; got != want {
			t.Fatalf("k=%d: got %d switches, want %d", k, got, want)
		}
		s := n.Intact()
		h := float64(k) / 2
		edges := float64(k) * h
		for a, load := range s.load {
			want := float64(k - 1)
			if strings.HasPrefix(n.arcs[a].From, "edge") || strings.HasPrefix(n.arcs[a].To, "edge") {
				want = (edges - 1) / h
			}
			if math.Abs(load-want) > 1e-9*want {
				t.Fatalf("k=%d: arc %s to %s: got load %v, want %v", k, n.arcs[a].From, n.arcs[a].To, load, want)
			}
		}
	}
}
