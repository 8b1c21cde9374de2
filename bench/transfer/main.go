// Command transfer measures how fast a file reaches a device over SSH: our SFTP
// and copy protocol beside OpenSSH's own clients scp and sftp, in rounds of one
// run to one OpenSSH server on loopback, so that whatever else the machine does
// falls on all.
//
// Read [run] first. Every row connects, logs in, sends and ends. OpenSSH's
// clients hash nothing; ours hash the file here while they send it and compare
// it with the hash at the far end. That part has columns of its own, and a row
// shows what OpenSSH's client takes when sha256sum runs at both ends around it.
package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"golang.org/x/crypto/ssh"

	"towpath/internal/device/sshlink"
	"towpath/internal/device/sshlink/opensshd"
	"towpath/internal/device/transfer"
	"towpath/internal/unit"
)

func main() {
	size := flag.String("size", "512MiB", "octets of each transfer")
	rounds := flag.Int("rounds", 7, "rounds; each transfers once in every way")
	dir := flag.String("dir", "", "folder for both ends; one in memory shows the protocols and not the disk (default: /dev/shm where it has room, else the temporary folder)")
	least := flag.Float64("least", 0, "ratio of the transfer rates below which the exit status is 1")
	flag.Parse()
	ratio, err := run(context.Background(), os.Stdout, *size, *rounds, *dir)
	switch {
	case err != nil:
		fmt.Fprintln(os.Stderr, "transfer:", err)
		os.Exit(2)
	case ratio < *least:
		fmt.Fprintf(os.Stderr, "transfer: the ratio is %.3f, want at least %.3f\n", ratio, *least)
		os.Exit(1)
	}
}

// way is one way to send the file. It returns the time that sending and
// verifying took of the whole; zero where it cannot be told apart.
type way struct {
	name   string
	hashes string
	send   func(ctx context.Context) (sending, verifying time.Duration, err error)
	cpu    []float64 // seconds of processor time on the sending side
	far    []float64 // seconds of processor time of the server
	total  []float64 // MB/s of the whole
	rate   []float64 // MB/s of connecting and sending
}

// bench is what all ways share.
type bench struct {
	server *opensshd.Server
	source string
	target string
	size   int64
	digest string
}

// run measures and prints. It returns the ratio of our SFTP's rate to that of
// OpenSSH's clients, see [report].
func run(ctx context.Context, w io.Writer, sizeText string, rounds int, dir string) (ratio float64, err error) {
	size, err := unit.ParseByteSize(sizeText)
	if err != nil {
		return 0, err
	}
	if rounds < 1 || size < 1 {
		return 0, fmt.Errorf("found %d rounds of %s, want at least one of something", rounds, size)
	}
	if why := opensshd.Missing(); why != "" {
		return 0, errors.New(why)
	}
	if dir == "" && room("/dev/shm") > 3*int64(size) {
		dir = "/dev/shm"
	}
	if dir, err = os.MkdirTemp(dir, "towpath-bench-"); err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	b := &bench{source: filepath.Join(dir, "image"), target: filepath.Join(dir, "arrived"), size: int64(size)}
	if err := b.fill(); err != nil {
		return 0, err
	}
	if b.server, err = opensshd.Start(dir, opensshd.Options{}); err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, b.server.Stop()) }()
	ways := b.ways()
	fmt.Fprintf(w, "%s each, %d rounds, %d processors, %s, %s, in %s\n\n", size, rounds, runtime.GOMAXPROCS(0), runtime.Version(), version(), dir)
	for i := range rounds + 1 {
		for k := range ways { // in another order each round, which evens out what one leaves to the next
			way := ways[(k+i)%len(ways)]
			if err := b.measure(ctx, way, i > 0); err != nil { // the first round warms up
				return 0, fmt.Errorf("%s: %w", way.name, err)
			}
		}
	}
	return report(w, ways)
}

func (b *bench) measure(ctx context.Context, way *way, count bool) error {
	if err := os.Remove(b.target); err != nil && !os.IsNotExist(err) {
		return err
	}
	runtime.GC()
	far, err := b.server.Spent()
	if err != nil {
		return err
	}
	start, cpu := time.Now(), cpuTime()
	_, verifying, err := way.send(ctx)
	took := time.Since(start)
	cpu = cpuTime() - cpu
	spent, serr := b.server.Spent()
	if serr != nil {
		return serr
	}
	if err != nil {
		return err
	}
	got, err := digest(b.target) // not timed
	if err != nil {
		return err
	}
	if got != b.digest {
		return errors.New("another file arrived")
	}
	if count {
		way.cpu = append(way.cpu, cpu.Seconds())
		way.far = append(way.far, (spent - far).Seconds())
		way.total = append(way.total, float64(b.size)/1e6/took.Seconds())
		way.rate = append(way.rate, float64(b.size)/1e6/(took-verifying).Seconds())
	}
	return nil
}

// report prints the medians, and of each way the medians of the ratios to
// OpenSSH's clients in the same rounds. It returns the smaller one of our SFTP.
func report(w io.Writer, ways []*way) (float64, error) {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "way\tMB/s\tlowest..highest\tto scp\tto sftp\tverified MB/s\tto scp\tto sftp\tCPU s here\tthere\thash")
	var ours float64
	for _, way := range ways {
		scp, sftp := ratios(way.rate, ways[0].rate), ratios(way.rate, ways[1].rate)
		fmt.Fprintf(t, "%s\t%.0f\t%.0f..%.0f\t%.3f\t%.3f\t%.0f\t%.3f\t%.3f\t%.2f\t%.2f\t%s\n", way.name, median(way.rate), slices.Min(way.rate), slices.Max(way.rate), scp, sftp,
			median(way.total), ratios(way.total, ways[0].total), ratios(way.total, ways[1].total), median(way.cpu), median(way.far), way.hashes)
		if way.name == "our SFTP" {
			ours = min(scp, sftp)
		}
	}
	if err := t.Flush(); err != nil {
		return 0, err
	}
	fmt.Fprintln(w, `
MB/s: connecting, logging in and sending; verified: with finding the hash at the far end. All are
medians, and the ratios medians of those to OpenSSH's scp and sftp in the same round; 1 MB is 10^6
octets. CPU s: processor time of the sending side with its programs, and of the server.`)
	return ours, nil
}

func ratios(of, to []float64) float64 {
	r := make([]float64, len(of))
	for i := range of {
		r[i] = of[i] / to[i]
	}
	return median(r)
}

func median(v []float64) float64 {
	v = slices.Sorted(slices.Values(v))
	n := len(v)
	return (v[(n-1)/2] + v[n/2]) / 2
}

// ways are all ways; OpenSSH's clients come first.
func (b *bench) ways() []*way {
	options := []string{"-q", "-F", "none", "-i", b.server.KeyFile, "-o", "IdentitiesOnly=yes", "-o", "BatchMode=yes", "-o", "UserKnownHostsFile=" + b.server.KnownFile, "-o", "GlobalKnownHostsFile=none"}
	host, port, _ := strings.Cut(b.server.Address, ":")
	there := b.server.User + "@" + host
	scp := func(more ...string) func(context.Context) error {
		return func(ctx context.Context) error {
			return command(ctx, "", "scp", slices.Concat(more, options, []string{"-P", port, b.source, there + ":" + b.target})...)
		}
	}
	return []*way{
		{name: "OpenSSH scp", hashes: "none", send: untimed(scp())},
		{name: "OpenSSH sftp", hashes: "none", send: untimed(func(ctx context.Context) error {
			return command(ctx, "put "+b.source+" "+b.target+"\n", "sftp", append(slices.Clone(options), "-P", port, "-b", "-", there)...)
		})},
		{name: "our SFTP", hashes: "here, and sha256sum there", send: b.ours(transfer.SFTP, true)},
		{name: "our SFTP, reads back", hashes: "here, and of what is read back", send: b.ours(transfer.SFTP, false)},
		{name: "OpenSSH scp -O", hashes: "none; the same protocol as the next", send: untimed(scp("-O"))},
		{name: "our copy protocol", hashes: "here, and sha256sum there", send: b.ours(transfer.SCP, true)},
		{name: "OpenSSH scp, then hashes", hashes: "sha256sum here and there", send: func(ctx context.Context) (time.Duration, time.Duration, error) {
			start := time.Now()
			if err := scp()(ctx); err != nil {
				return 0, 0, err
			}
			sent := time.Now()
			for _, f := range []string{b.source, b.target} {
				if err := command(ctx, "", "sha256sum", f); err != nil {
					return 0, 0, err
				}
			}
			return sent.Sub(start), time.Since(sent), nil
		}},
	}
}

func untimed(f func(context.Context) error) func(context.Context) (time.Duration, time.Duration, error) {
	return func(ctx context.Context) (time.Duration, time.Duration, error) { return 0, 0, f(ctx) }
}

// ours sends by one of our functions.
func (b *bench) ours(send func(context.Context, *sshlink.Client, transfer.File, transfer.Options) (transfer.Result, error), far bool) func(context.Context) (time.Duration, time.Duration, error) {
	return func(ctx context.Context) (_, _ time.Duration, err error) {
		c, err := sshlink.Dial(ctx, sshlink.Config{Address: b.server.Address, User: b.server.User, Signers: []ssh.Signer{b.server.Signer}, KnownHosts: b.server.KnownHosts})
		if err != nil {
			return 0, 0, err
		}
		defer func() { err = errors.Join(err, c.Close()) }()
		f := transfer.File{Path: b.target, Size: b.size, SHA256: b.digest, Content: func(offset int64) (io.ReadCloser, error) {
			f, err := os.Open(b.source)
			if err == nil {
				_, err = f.Seek(offset, io.SeekStart)
			}
			return f, err
		}}
		var o transfer.Options
		if far {
			o.Far.Hash = func(_ context.Context, name string) (string, error) {
				return remote(c, "sha256sum "+name)
			}
		}
		r, err := send(ctx, c, f, o)
		return r.Sending, r.Verifying, err
	}
}

// remote runs a command on the device and returns its first word.
func remote(c *sshlink.Client, line string) (string, error) {
	s, err := c.NewSession()
	if err != nil {
		return "", err
	}
	defer func() { _ = s.Close() }() // it has ended
	out, err := s.Output(line)
	word, _, _ := strings.Cut(string(out), " ")
	return word, err
}

func command(ctx context.Context, in, name string, args ...string) error {
	cmd := exec.CommandContext(ctx, name, args...) // #nosec G204 -- fixed programs
	cmd.Stdin = strings.NewReader(in)
	if out, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("%w: %s", err, out)
	}
	return nil
}

// fill makes the file; what it holds does not compress.
func (b *bench) fill() error {
	f, err := os.Create(b.source)
	if err != nil {
		return err
	}
	h := sha256.New()
	_, err = io.CopyN(io.MultiWriter(f, h), rand.NewChaCha8([32]byte{1}), b.size)
	b.digest = hex.EncodeToString(h.Sum(nil))
	return errors.Join(err, f.Close())
}

func digest(name string) (string, error) {
	f, err := os.Open(name)
	if err != nil {
		return "", err
	}
	h := sha256.New()
	_, err = io.Copy(h, f)
	return hex.EncodeToString(h.Sum(nil)), errors.Join(err, f.Close())
}

// version is what OpenSSH calls itself.
func version() string {
	out, err := exec.Command("ssh", "-V").CombinedOutput()
	if err != nil {
		return "OpenSSH of unknown version"
	}
	v, _, _ := strings.Cut(string(out), ",")
	return v
}
