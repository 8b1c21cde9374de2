// Command transfer measures how fast a file reaches a device over SSH: our SFTP
// and copy protocol beside OpenSSH's own clients scp and sftp, pair by pair, to
// one OpenSSH server on loopback. The two of a pair run one right after the
// other, and change places in each round, so that whatever else the machine
// does falls on both.
//
// Read [run] first. Every row connects, logs in, sends and ends. Like is
// compared with like: the copy alone with scp and sftp, which prove nothing,
// and the copy that is proven at both ends with what an engineer does by hand,
// scp and then sha256sum at both ends.
package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
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
	"golang.org/x/sync/errgroup"

	"towpath/internal/device/sshlink"
	"towpath/internal/device/sshlink/opensshd"
	"towpath/internal/device/transfer"
	"towpath/internal/unit"
)

func main() {
	size := flag.String("size", "192MiB", "octets of each transfer")
	rounds := flag.Int("rounds", 7, "rounds; each transfers once in every way")
	only := flag.String("only", "", "only pairs whose names have this in them, as in \"our copy protocol beside scp -O\"")
	dir := flag.String("dir", "", "folder for both ends; one in memory shows the protocols and not the disk (default: /dev/shm where it has room, else the temporary folder)")
	least := flag.Float64("least", 0, "ratio of the rates, of any pair, below which the exit status is 1")
	flag.Parse()
	ratio, err := run(context.Background(), os.Stdout, os.Stderr, *size, *rounds, *dir, *only)
	switch {
	case err != nil:
		fmt.Fprintln(os.Stderr, "transfer:", err)
		os.Exit(2)
	case ratio < *least:
		fmt.Fprintf(os.Stderr, "transfer: the ratio is %.3f, want at least %.3f\n", ratio, *least)
		os.Exit(1)
	}
}

// way is one way to send the file. It returns the time of the whole that went
// into finding the hash at the far end.
type way struct {
	name string
	send func(ctx context.Context) (verifying time.Duration, err error)
}

// pair is a way of ours beside one of OpenSSH's clients.
type pair struct {
	proven       bool // the whole is compared, else connecting and sending
	ours, theirs side
}

// side is a way with what was measured of it, round by round.
type side struct {
	way
	rate []float64 // MB/s
	here []float64 // seconds of processor time on the sending side
	far  []float64 // seconds of processor time of the server
}

// bench is what all ways share.
type bench struct {
	server *opensshd.Server
	source string
	target string
	size   int64
	digest string
}

// run measures and prints to w; tell is told which round runs. It returns the
// smallest ratio of one of our rates to that of OpenSSH's clients, see [report].
func run(ctx context.Context, w, tell io.Writer, sizeText string, rounds int, dir, only string) (ratio float64, err error) {
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
	pairs := slices.DeleteFunc(b.pairs(), func(p *pair) bool { return !strings.Contains(p.ours.name+" beside "+p.theirs.name, only) })
	if len(pairs) == 0 {
		return 0, fmt.Errorf("found no pair with %q in its name", only)
	}
	fmt.Fprintf(w, "%s each, %d rounds, %d processors, %s, %s, in %s\n\n", size, rounds, runtime.GOMAXPROCS(0), runtime.Version(), version(), dir)
	start := time.Now()
	for i := range rounds + 1 {
		if i == 0 {
			fmt.Fprintf(tell, "transfer: warming up, then %d rounds of %d transfers of %s\n", rounds, 2*len(pairs), size)
		} else {
			fmt.Fprintf(tell, "transfer: round %d of %d, after %s\n", i, rounds, time.Since(start).Round(time.Second))
		}
		for k := range pairs {
			p := pairs[(k+i)%len(pairs)]
			order := []*side{&p.ours, &p.theirs}
			if i%2 == 0 {
				slices.Reverse(order)
			}
			for _, s := range order {
				if err := b.measure(ctx, s, p.proven, i > 0); err != nil {
					return 0, fmt.Errorf("%s: %w", s.name, err)
				}
			}
			if i == 0 {
				break // one pair warms up
			}
		}
	}
	return report(w, pairs)
}

// measure sends once.
func (b *bench) measure(ctx context.Context, s *side, whole, count bool) error {
	if err := os.Remove(b.target); err != nil && !os.IsNotExist(err) {
		return err
	}
	runtime.GC()
	far, err := b.server.Spent()
	if err != nil {
		return err
	}
	start, cpu := time.Now(), cpuTime()
	verifying, err := s.send(ctx)
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
	if !count {
		return nil
	}
	if !whole {
		took -= verifying
	}
	s.rate = append(s.rate, float64(b.size)/1e6/took.Seconds())
	s.here = append(s.here, cpu.Seconds())
	s.far = append(s.far, (spent - far).Seconds())
	return nil
}

// report prints the medians, and the median of the ratios in each pair. It
// returns the smallest of these.
func report(w io.Writer, pairs []*pair) (float64, error) {
	least := math.Inf(1)
	for _, proven := range []bool{false, true} {
		if !slices.ContainsFunc(pairs, func(p *pair) bool { return p.proven == proven }) {
			continue
		}
		t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		title := "the copy alone"
		if proven {
			title = "copied and proven"
		}
		fmt.Fprintf(t, "%s\tMB/s\tCPU s\tbeside\tMB/s\tCPU s\tratio\tlowest..highest\tfaster\n", title)
		for _, p := range pairs {
			if p.proven != proven {
				continue
			}
			r := ratios(p.ours.rate, p.theirs.rate)
			faster := 0
			for _, x := range r {
				if x >= 1 {
					faster++
				}
			}
			fmt.Fprintf(t, "%s\t%.0f\t%.2f+%.2f\t%s\t%.0f\t%.2f+%.2f\t%.3f\t%.2f..%.2f\t%d of %d\n", p.ours.name, median(p.ours.rate), median(p.ours.here), median(p.ours.far),
				p.theirs.name, median(p.theirs.rate), median(p.theirs.here), median(p.theirs.far), median(r), slices.Min(r), slices.Max(r), faster, len(r))
			least = min(least, median(r))
		}
		fmt.Fprintln(t)
		if err := t.Flush(); err != nil {
			return 0, err
		}
	}
	fmt.Fprintln(w, `MB/s: medians; 1 MB is 10^6 octets. ratio: the median of the ratios of the two in each round.
The copy alone is connecting, logging in and sending. Ours hashes the file here all the while, and
its wait for the far end's hash and medium is left out; that our copy protocol asks first, by a
command, whether the file is there counts. Proven is all of it; the hashes by hand run at both ends
at once and need no connection. CPU s: processor time of the sending side with its programs, and of
the server; ours holds the proof in both tables.`)
	return least, nil
}

func ratios(of, to []float64) []float64 {
	r := make([]float64, len(of))
	for i := range of {
		r[i] = of[i] / to[i]
	}
	return r
}

func median(v []float64) float64 {
	v = slices.Sorted(slices.Values(v))
	n := len(v)
	return (v[(n-1)/2] + v[n/2]) / 2
}

const ourSFTP, ourCopy = "our SFTP", "our copy protocol"

// pairs are the ways that are compared.
func (b *bench) pairs() []*pair {
	options := []string{"-q", "-F", "none", "-i", b.server.KeyFile, "-o", "IdentitiesOnly=yes", "-o", "BatchMode=yes", "-o", "UserKnownHostsFile=" + b.server.KnownFile, "-o", "GlobalKnownHostsFile=none"}
	host, port, _ := strings.Cut(b.server.Address, ":")
	there := b.server.User + "@" + host
	back := b.source + ".back"
	copies := func(from, to string, more []string) func(context.Context) error {
		return func(ctx context.Context) error {
			return command(ctx, "", "scp", slices.Concat(more, options, []string{"-P", port, from, to})...)
		}
	}
	scp := func(more ...string) func(context.Context) error { return copies(b.source, there+":"+b.target, more) }
	sftp := func(ctx context.Context) error {
		return command(ctx, "put "+b.source+" "+b.target+"\n", "sftp", append(slices.Clone(options), "-P", port, "-b", "-", there)...)
	}
	hashes := func(ctx context.Context) error {
		var g errgroup.Group
		for _, f := range []string{b.source, b.target} {
			g.Go(func() error { return command(ctx, "", "sha256sum", f) })
		}
		return g.Wait()
	}
	fetch := copies(there+":"+b.target, back, nil)
	same := func(ctx context.Context) error {
		return errors.Join(command(ctx, "", "cmp", b.source, back), os.Remove(back))
	}
	by := func(name string, steps ...func(context.Context) error) side {
		return side{way: way{name: name, send: func(ctx context.Context) (time.Duration, error) {
			for _, s := range steps {
				if err := s(ctx); err != nil {
					return 0, err
				}
			}
			return 0, nil
		}}}
	}
	ours := func(name string, send sender, hash string) side {
		return side{way: way{name: name, send: b.ours(send, hash)}}
	}
	const sum, fast = "sha256sum ", "openssl dgst -sha256 -r "
	return []*pair{
		{false, ours(ourSFTP, transfer.SFTP, sum), by("scp", scp())},
		{false, ours(ourSFTP, transfer.SFTP, sum), by("sftp", sftp)},
		{false, ours(ourSFTP, transfer.SFTP, sum), by("scp, our cipher", scp("-c", sshlink.Ciphers()[0]))},
		{false, ours(ourCopy, transfer.SCP, sum), by("scp -O", scp("-O"))},
		{true, ours(ourSFTP+", sha256sum there", transfer.SFTP, sum), by("scp, sha256sum at both ends", scp(), hashes)},
		{true, ours(ourSFTP+", sha256sum there", transfer.SFTP, sum), by("sftp, sha256sum at both ends", sftp, hashes)},
		{true, ours(ourCopy+", sha256sum there", transfer.SCP, sum), by("scp -O, sha256sum at both ends", scp("-O"), hashes)},
		{true, ours(ourSFTP+", openssl there", transfer.SFTP, fast), by("scp, sha256sum at both ends", scp(), hashes)},
		{true, ours(ourSFTP+", reads back", transfer.SFTP, ""), by("scp there and back, cmp", scp(), fetch, same)},
	}
}

// sender is one of our functions.
type sender func(context.Context, *sshlink.Client, transfer.File, transfer.Options) (transfer.Result, error)

// ours sends by one of our functions. hash is the command at the far end; empty
// where there is none.
func (b *bench) ours(send sender, hash string) func(context.Context) (time.Duration, error) {
	return func(ctx context.Context) (_ time.Duration, err error) {
		c, err := sshlink.Dial(ctx, sshlink.Config{Address: b.server.Address, User: b.server.User, Signers: []ssh.Signer{b.server.Signer}, KnownHosts: b.server.KnownHosts})
		if err != nil {
			return 0, err
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
		if hash != "" {
			o.Far.Hash = func(_ context.Context, name string) (string, error) {
				return remote(c, hash+name)
			}
		}
		r, err := send(ctx, c, f, o)
		if err == nil && (hash != "") != (r.FarBy == "command") {
			err = fmt.Errorf("found the proof by %q", r.FarBy)
		}
		return r.Verifying, err
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
