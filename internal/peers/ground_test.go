package peers

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// full asks for all pairs and the restarts.
var full = os.Getenv("TOWPATH_PEERS") == "full"

// helperRole in the environment makes the test binary one end of a probe
// instead.
const helperRole = "TOWPATH_PEERS_HELPER"

func TestMain(m *testing.M) {
	if role := os.Getenv(helperRole); role != "" {
		os.Exit(helper(role))
	}
	os.Exit(m.Run())
}

// prefix begins the names of all namespaces of these tests; the number of the
// process that made one follows, so that what a dead run left can be told from
// what a living one uses.
const prefix = "tp-peer-"

// ground is where daemons of one test stand.
type ground struct {
	dir   string
	start chan struct{} // rooms to start daemons in

	mu     sync.Mutex
	n      int
	places []*place
}

// newGround prepares for daemons, and skips the test where that is impossible.
// What it makes is gone when the test ends.
func newGround(t *testing.T) *ground {
	t.Helper()
	switch {
	case testing.Short():
		t.Skip("skipped real daemons: -short was given")
	case runtime.GOOS != "linux":
		t.Skipf("skipped real daemons: network namespaces need Linux, this is %s", runtime.GOOS)
	case os.Geteuid() != 0:
		t.Skip("skipped real daemons: making network namespaces needs root")
	}
	if _, err := exec.LookPath("ip"); err != nil {
		t.Skip("skipped real daemons: no program ip; apt-get install iproute2")
	}
	onlyOne(t)
	removeStale(t)
	g := &ground{start: make(chan struct{}, runtime.NumCPU())}
	dir, err := os.MkdirTemp("", fmt.Sprintf("%s%d-", prefix, os.Getpid()))
	if err != nil {
		t.Fatal(err)
	}
	g.dir = dir
	t.Cleanup(func() {
		g.close(t)
		if t.Failed() && os.Getenv("TOWPATH_PEERS_KEEP") != "" {
			t.Logf("logs are kept in %s", dir)
			return
		}
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	if err := os.Chmod(dir, 0o755); err != nil { // daemons give up root
		t.Fatal(err)
	}
	p, err := g.place("probe")
	if err != nil {
		t.Skipf("skipped real daemons: no network namespace can be made here: %v", err)
	}
	p.close()
	return g
}

// onlyOne lets one test at a time use the machine's daemons: FRR keeps the
// state of OSPF restarts in one file for all of it, and a second load spoils
// the first one's timing.
func onlyOne(t *testing.T) {
	t.Helper()
	path := filepath.Join(os.TempDir(), prefix+"lock")
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = f.Close() })
	for end := time.Now().Add(5 * time.Minute); ; {
		err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
		switch {
		case err == nil:
			return
		case !errors.Is(err, unix.EWOULDBLOCK):
			t.Fatalf("locking %s: %v", path, err)
		case time.Now().After(end):
			t.Skipf("skipped real daemons: another run has held %s for five minutes", path)
		}
		time.Sleep(200 * time.Millisecond)
	}
}

// removeStale deletes the namespaces and folders of runs that died, with what
// still runs there.
func removeStale(t *testing.T) {
	t.Helper()
	// dead tells whether a name is ours and its process is no more.
	dead := func(name string) bool {
		rest, ours := strings.CutPrefix(name, prefix)
		owner, _, _ := strings.Cut(rest, "-")
		pid, err := strconv.Atoi(owner)
		return ours && err == nil && pid != os.Getpid() && errors.Is(syscall.Kill(pid, 0), syscall.ESRCH)
	}
	out, err := exec.Command("ip", "netns", "list").Output()
	if err != nil {
		t.Fatalf("ip netns list: %v", err)
	}
	for _, line := range strings.Split(string(out), "\n") {
		if name, _, _ := strings.Cut(line, " "); dead(name) {
			t.Logf("deleting %s, which a run that died has left", name)
			empty(name)
		}
	}
	old, err := filepath.Glob(filepath.Join(os.TempDir(), prefix+"*"))
	if err != nil {
		t.Fatal(err)
	}
	for _, dir := range old {
		if dead(filepath.Base(dir)) {
			if err := os.RemoveAll(dir); err != nil {
				t.Error(err)
			}
		}
	}
}

// empty kills what runs in a namespace and deletes it.
func empty(name string) {
	if out, err := exec.Command("ip", "netns", "pids", name).Output(); err == nil {
		for _, f := range strings.Fields(string(out)) {
			if pid, err := strconv.Atoi(f); err == nil {
				_ = syscall.Kill(pid, syscall.SIGKILL)
			}
		}
	}
	_ = exec.Command("ip", "netns", "delete", name).Run()
}

// place is one namespace: the device, its neighbour, or a host.
type place struct {
	ns  string
	dir string // of its daemons
	who string
	num int // 1 for the device, 2 for the neighbour

	mu        sync.Mutex
	processes []*process
}

// place makes a namespace.
func (g *ground) place(who string) (*place, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.n++
	p := &place{ns: fmt.Sprintf("%s%d-%d", prefix, os.Getpid(), g.n), who: who, dir: filepath.Join(g.dir, strconv.Itoa(g.n))}
	if _, err := command("ip", "netns", "add", p.ns); err != nil {
		return nil, err
	}
	g.places = append(g.places, p)
	if err := os.Mkdir(p.dir, 0o755); err != nil {
		return nil, err
	}
	if u, err := user.Lookup("frr"); err == nil {
		uid, _ := strconv.Atoi(u.Uid)
		gid, _ := strconv.Atoi(u.Gid)
		if err := os.Chown(p.dir, uid, gid); err != nil {
			return nil, err
		}
	}
	return p, p.ip("link", "set", "lo", "up")
}

// joined makes the device's and the neighbour's namespace with a link between
// them: interface v, addresses 10.0.0.1 and 10.0.0.2.
func (g *ground) joined(title string) (dev, nbr *place, err error) {
	if dev, err = g.place(title + ", device"); err != nil {
		return nil, nil, err
	}
	if nbr, err = g.place(title + ", neighbour"); err != nil {
		return nil, nil, err
	}
	dev.num, nbr.num = 1, 2
	return dev, nbr, join(dev, "v", "10.0.0.1/24", nbr, "v", "10.0.0.2/24")
}

// join lays a link between two namespaces.
func join(a *place, aName, aAddr string, b *place, bName, bAddr string) error {
	if _, err := command("ip", "link", "add", aName, "netns", a.ns, "type", "veth", "peer", "name", bName, "netns", b.ns); err != nil {
		return err
	}
	return errors.Join(
		a.ip("addr", "add", aAddr, "dev", aName), a.ip("link", "set", aName, "up"),
		b.ip("addr", "add", bAddr, "dev", bName), b.ip("link", "set", bName, "up"),
	)
}

func (g *ground) close(t *testing.T) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for _, p := range g.places {
		p.close()
	}
	out, err := exec.Command("ip", "netns", "list").Output()
	if own := fmt.Sprintf("%s%d-", prefix, os.Getpid()); err != nil || strings.Contains(string(out), own) {
		t.Errorf("namespaces are left: %s %v", out, err)
	}
}

func (p *place) close() {
	p.mu.Lock()
	ps := p.processes
	p.processes = nil
	p.mu.Unlock()
	for _, x := range ps {
		x.kill()
	}
	if _, err := os.Stat("/run/netns/" + p.ns); err == nil {
		empty(p.ns)
	}
}

func (p *place) ip(args ...string) error {
	_, err := command("ip", append([]string{"-n", p.ns}, args...)...)
	return err
}

func (p *place) path(name string) string { return filepath.Join(p.dir, name) }

// write writes a configuration that daemons without root can read.
func (p *place) write(name, text string) error {
	//nolint:gosec // daemons that gave up root read it, and it holds no secret
	return os.WriteFile(p.path(name), []byte(text), 0o644)
}

// read returns a file's text so far, and none while it does not exist.
func (p *place) read(name string) (string, error) {
	b, err := os.ReadFile(p.path(name))
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	return string(b), err
}

// process is a daemon with its children, which stay in its process group.
type process struct {
	name  string
	cmd   *exec.Cmd
	done  chan struct{}
	ended atomic.Bool
}

// run starts a program in the namespace; what it says goes to name.out.
func (p *place) run(name, program string, args ...string) (*process, error) {
	return p.runWith(name, nil, program, args...)
}

func (p *place) runWith(name string, env []string, program string, args ...string) (*process, error) {
	out, err := os.OpenFile(p.path(name+".out"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, err
	}
	defer out.Close()
	cmd := exec.Command("ip", append([]string{"netns", "exec", p.ns, program}, args...)...)
	cmd.Stdout, cmd.Stderr, cmd.Dir = out, out, p.dir
	cmd.Env = append(os.Environ(), env...)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if err := cmd.Start(); err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	x := &process{name: name, cmd: cmd, done: make(chan struct{})}
	go func() {
		_ = cmd.Wait()
		x.ended.Store(true)
		close(x.done)
	}()
	p.mu.Lock()
	defer p.mu.Unlock()
	p.processes = append(p.processes, x)
	return x, nil
}

// signal sends a signal to the process and its children.
func (x *process) signal(s syscall.Signal) error {
	if x.ended.Load() {
		return fmt.Errorf("%s has ended", x.name)
	}
	return syscall.Kill(-x.cmd.Process.Pid, s)
}

func (x *process) kill() {
	if !x.ended.Load() {
		_ = syscall.Kill(-x.cmd.Process.Pid, syscall.SIGCONT)
		_ = syscall.Kill(-x.cmd.Process.Pid, syscall.SIGKILL)
	}
	<-x.done
}

// silence stops all daemons of a place, waits, and lets them go on. It returns
// how long they really stood still.
func (p *place) silence(d time.Duration) (time.Duration, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	began := time.Now()
	var errs []error
	for _, x := range p.processes {
		errs = append(errs, x.signal(syscall.SIGSTOP))
	}
	time.Sleep(d - time.Since(began))
	lasted := time.Since(began)
	for _, x := range p.processes {
		errs = append(errs, x.signal(syscall.SIGCONT))
	}
	return lasted, errors.Join(errs...)
}

// alive reports a daemon that has ended, with the end of what it said.
func (p *place) alive() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, x := range p.processes {
		if x.ended.Load() {
			said, _ := p.read(x.name + ".out")
			return fmt.Errorf("%s of the %s has ended: %s", x.name, p.who, tail(said, 600))
		}
	}
	return nil
}

func tail(s string, n int) string {
	s = strings.TrimSpace(s)
	if len(s) > n {
		return "…" + s[len(s)-n:]
	}
	return s
}

// command runs a program to its end, for a minute at most.
func command(program string, args ...string) (string, error) {
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	var out, bad bytes.Buffer
	cmd := exec.CommandContext(ctx, program, args...)
	cmd.Stdout, cmd.Stderr = &out, &bad
	if err := cmd.Run(); err != nil {
		return out.String(), fmt.Errorf("%s %s: %w: %s", program, strings.Join(args, " "), err, tail(bad.String()+out.String(), 300))
	}
	return out.String(), nil
}

// until asks again and again until f agrees.
func until(limit time.Duration, what string, f func() (bool, error)) error {
	var last error
	for end := time.Now().Add(limit); ; {
		ok, err := f()
		if ok && err == nil {
			return nil
		}
		last = err
		if time.Now().After(end) {
			return fmt.Errorf("after %v still not %s (%w)", limit, what, errors.Join(last, errLate))
		}
		time.Sleep(100 * time.Millisecond)
	}
}

var errLate = errors.New("waited long enough")

// missing names the first program that is not there, and its package.
func missing(programs map[string]string) string {
	for program, pkg := range programs {
		if _, err := exec.LookPath(program); err != nil {
			return fmt.Sprintf("no program %s; apt-get install %s", program, pkg)
		}
	}
	return ""
}

// pulse watches the machine itself: a daemon that got no processor for half a
// second proves nothing about its timers.
type pulse struct {
	mu    sync.Mutex
	stops []stop
	end   chan struct{}
	done  chan struct{}
}

type stop struct {
	at     time.Time
	lasted time.Duration
}

// stalled is how long the machine may stand still in a trial.
const stalled = 250 * time.Millisecond

func newPulse() *pulse {
	p := &pulse{end: make(chan struct{}), done: make(chan struct{})}
	go func() {
		defer close(p.done)
		tick := time.NewTicker(20 * time.Millisecond)
		defer tick.Stop()
		last := time.Now()
		for {
			select {
			case <-p.end:
				return
			case <-tick.C:
			}
			now := time.Now()
			if d := now.Sub(last); d > stalled {
				p.mu.Lock()
				p.stops = append(p.stops, stop{now, d})
				p.mu.Unlock()
			}
			last = now
		}
	}()
	return p
}

func (p *pulse) close() {
	close(p.end)
	<-p.done
}

// longest is the longest time from an instant on in which the machine stood
// still; zero when it was never longer than stalled.
func (p *pulse) longest(since time.Time) (d time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, s := range p.stops {
		if s.at.After(since) {
			d = max(d, s.lasted)
		}
	}
	return d
}
