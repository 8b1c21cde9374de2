// Command staging measures how fast a package reaches a device: the driver's
// Install over mutual TLS with hashing at both ends, beside a bare TLS 1.3
// connection that carries the same octets with the same hashing and without any
// of our code. Both run on loopback, in interleaved pairs of one run, so that
// whatever else the machine does falls on both.
//
// Read [measure] first. The receiving end of the driver's transfers is a server
// of this command that speaks gNOI OS.Install and keeps nothing, or with
// -sink=lab the emulated chassis.
package main

import (
	"cmp"
	"context"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"runtime"
	"slices"
	"text/tabwriter"

	"towpath/internal/unit"
)

func main() {
	size := flag.String("size", "512MiB", "octets of each transfer")
	pairs := flag.Int("pairs", 7, "pairs of transfers")
	sink := flag.String("sink", "direct", "receiving end: direct (hashes what arrives where it lies, as the bare one does), standard (gRPC's own codec), lab (the emulated chassis)")
	least := flag.Float64("least", 0, "median ratio below which the exit status is 1")
	flag.Parse()
	ratio, err := run(context.Background(), os.Stdout, *size, *pairs, *sink)
	switch {
	case err != nil:
		fmt.Fprintln(os.Stderr, "staging:", err)
		os.Exit(2)
	case ratio < *least:
		fmt.Fprintf(os.Stderr, "staging: the median ratio is %.3f, want at least %.3f\n", ratio, *least)
		os.Exit(1)
	}
}

// run measures and prints; it returns the median ratio of the throughputs.
func run(ctx context.Context, w io.Writer, sizeText string, pairs int, sinkName string) (float64, error) {
	size, err := unit.ParseByteSize(sizeText)
	if err != nil {
		return 0, err
	}
	if pairs < 1 {
		return 0, fmt.Errorf("pairs: found %d, want at least 1", pairs)
	}
	b, err := newBench(int64(size), sinkName)
	if err != nil {
		return 0, err
	}
	defer b.close()
	fmt.Fprintf(w, "%s each, %d pairs, %s sink, %d processors, %s\n\n", size, pairs, sinkName, runtime.GOMAXPROCS(0), runtime.Version())
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "pair\tinstall MB/s\tbare TLS MB/s\tratio\tinstall CPU s\tbare CPU s\tratio\t")
	var ours, bare, ratios, oursCPU, bareCPU, ratiosCPU []float64
	if _, err := b.measure(ctx); err != nil { // once to warm up, not counted
		return 0, err
	}
	for i := range pairs {
		p, err := b.measure(ctx)
		if err != nil {
			return 0, err
		}
		fmt.Fprintf(t, "%d\t%.0f\t%.0f\t%.3f\t%.2f\t%.2f\t%.3f\t\n", i+1, p.ours, p.bare, p.ours/p.bare, p.oursCPU, p.bareCPU, p.bareCPU/p.oursCPU)
		ours, bare, ratios = append(ours, p.ours), append(bare, p.bare), append(ratios, p.ours/p.bare)
		oursCPU, bareCPU, ratiosCPU = append(oursCPU, p.oursCPU), append(bareCPU, p.bareCPU), append(ratiosCPU, p.bareCPU/p.oursCPU)
	}
	fmt.Fprintf(t, "median\t%.0f\t%.0f\t%.3f\t%.2f\t%.2f\t%.3f\t\n", median(ours), median(bare), median(ratios), median(oursCPU), median(bareCPU), median(ratiosCPU))
	if err := t.Flush(); err != nil {
		return 0, err
	}
	fmt.Fprintf(w, "\nboth: TLS 1.3, %s, SHA-256 at both ends, 1 MiB writes; 1 MB is 10^6 octets\n", b.cipher())
	return median(ratios), nil
}

// median is the middle value, or the mean of the two in the middle.
func median(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	s := slices.SortedFunc(slices.Values(v), cmp.Compare[float64])
	return (s[(len(s)-1)/2] + s[len(s)/2]) / 2
}
