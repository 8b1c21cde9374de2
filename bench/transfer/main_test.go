package main

import (
	"bytes"
	"io"
	"strings"
	"testing"

	"towpath/internal/device/sshlink/opensshd"
	"towpath/internal/device/transfer"
)

// TestRun runs the whole on a small file.
func TestRun(t *testing.T) {
	if why := opensshd.Missing(); why != "" {
		t.Skip("not run beside OpenSSH: " + why)
	}
	var out, told bytes.Buffer
	ratio, err := run(t.Context(), &out, &told, "1MiB", 1, t.TempDir(), "")
	if err != nil {
		t.Fatal(err)
	}
	if ratio <= 0 {
		t.Errorf("ratio %v", ratio)
	}
	for _, row := range []string{"the copy alone ", "\ncopied and proven ", "\nour SFTP ", "\nour copy protocol ", "\nour SFTP, reads back ", " 1 of 1\n", "medians"} {
		if !strings.Contains(out.String(), row) {
			t.Errorf("no %q in\n%s", row, out.String())
		}
	}
	if want := "transfer: round 1 of 1, after "; !strings.Contains(told.String(), want) {
		t.Errorf("no %q while it ran in\n%s", want, told.String())
	}
	for _, bad := range []struct {
		size   string
		rounds int
		only   string
	}{{"1MiB", 0, ""}, {"0B", 1, ""}, {"many", 1, ""}, {"1MiB", 1, "pigeon"}} {
		if _, err := run(t.Context(), &out, io.Discard, bad.size, bad.rounds, t.TempDir(), bad.only); err == nil {
			t.Errorf("%+v is taken", bad)
		}
	}
}

// BenchmarkOurs is for the profiler.
func BenchmarkOurs(b *testing.B) {
	if why := opensshd.Missing(); why != "" {
		b.Skip("not run beside OpenSSH: " + why)
	}
	dir := b.TempDir()
	x := &bench{source: dir + "/image", target: dir + "/arrived", size: 256 << 20}
	if err := x.fill(); err != nil {
		b.Fatal(err)
	}
	var err error
	if x.server, err = opensshd.Start(dir, opensshd.Options{}); err != nil {
		b.Fatal(err)
	}
	defer x.server.Stop()
	for name, send := range map[string]sender{"SFTP": transfer.SFTP, "SCP": transfer.SCP} {
		b.Run(name, func(b *testing.B) {
			w := &side{way: way{send: x.ours(send, "sha256sum ")}}
			b.SetBytes(x.size)
			for b.Loop() {
				if err := x.measure(b.Context(), w, false, true); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(median(w.rate), "MB/s-copied")
			b.ReportMetric(median(w.here), "cpu-s-here")
			b.ReportMetric(median(w.far), "cpu-s-there")
		})
	}
}
