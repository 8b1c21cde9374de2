package transfer

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/crypto/ssh"

	"towpath/internal/device"
	"towpath/internal/device/sshlink"
	"towpath/internal/device/sshlink/sshpeer"
)

// sftpServer is OpenSSH's program behind the subsystem, where Debian puts it.
const sftpServer = "/usr/lib/openssh/sftp-server"

// hand is a clock whose timers run out when the test says so.
type hand struct {
	mu      sync.Mutex
	pending map[*handTimer]bool
	more    *sync.Cond    // of pending
	grace   chan struct{} // gets one when a wait is shortened since the caller gave up
}

func newHand() *hand {
	h := &hand{pending: map[*handTimer]bool{}, grace: make(chan struct{}, 1)}
	h.more = sync.NewCond(&h.mu)
	return h
}

type handTimer struct {
	h *hand
	f func()
}

func (h *hand) after(_ time.Duration, f func()) timer {
	t := &handTimer{h, f}
	t.Reset(0)
	return t
}

// Reset implements timer.
func (t *handTimer) Reset(d time.Duration) bool {
	if d == graceTime {
		select {
		case t.h.grace <- struct{}{}:
		default:
		}
	}
	t.h.mu.Lock()
	defer t.h.mu.Unlock()
	was := t.h.pending[t]
	t.h.pending[t] = true
	t.h.more.Broadcast()
	return was
}

// Stop implements timer.
func (t *handTimer) Stop() bool {
	t.h.mu.Lock()
	defer t.h.mu.Unlock()
	was := t.h.pending[t]
	delete(t.h.pending, t)
	return was
}

// fire has every timer run out that runs now, once there is one.
func (h *hand) fire() {
	h.mu.Lock()
	for len(h.pending) == 0 {
		h.more.Wait()
	}
	due := h.pending
	h.pending = map[*handTimer]bool{}
	h.mu.Unlock()
	for t := range due {
		t.f()
	}
}

// The messages of SFTP. Source: draft-ietf-secsh-filexfer-02 §3.
const (
	msgInit     = 1
	msgOpen     = 3
	msgClose    = 4
	msgRead     = 5
	msgWrite    = 6
	msgLstat    = 7
	msgRemove   = 13
	msgStat     = 17
	msgExtended = 200
	// Not of SFTP: what the SSH connection is asked before and after.
	msgSubsystem = -1
	msgEnd       = -2
	msgOctets    = -3 // of a program that is run, so many octets go in
)

// silence is where a device falls silent.
type silence struct {
	message   int
	extension string // of msgExtended
	count     int32  // which of such messages it is, from 1
	done      bool   // it does what it is asked, and only does not say so
}

// staller is a device whose SFTP is OpenSSH's, and which falls silent on its
// first connections.
type staller struct {
	silence
	whole bool  // the whole device stalls, not only its SFTP
	sick  int32 // connections that stall; the later ones do not

	address string
	stalled chan struct{} // gets one for each connection that has fallen silent
	conns   atomic.Int32
}

func (s *staller) stall(c *freezing) {
	if s.whole {
		c.freeze()
	}
	c.told.Do(func() { s.stalled <- struct{}{} })
}

// freezing is a connection that can be frozen: nothing comes, and what is sent
// is lost.
type freezing struct {
	net.Conn
	frozen, closed chan struct{}
	once, end      sync.Once
	told           sync.Once
	seen           atomic.Int32 // messages at which the device stalls
}

func (f *freezing) freeze() { f.once.Do(func() { close(f.frozen) }) }

// Read implements net.Conn.
func (f *freezing) Read(b []byte) (int, error) {
	n, err := f.Conn.Read(b)
	select {
	case <-f.frozen:
		<-f.closed
		return 0, net.ErrClosed
	default:
		return n, err
	}
}

// Write implements net.Conn.
func (f *freezing) Write(b []byte) (int, error) {
	select {
	case <-f.frozen:
		return len(b), nil
	default:
		return f.Conn.Write(b)
	}
}

// Close implements net.Conn.
func (f *freezing) Close() error {
	f.end.Do(func() { close(f.closed) })
	return f.Conn.Close()
}

func (s *staller) start(t *testing.T) {
	t.Helper()
	if _, err := os.Stat(sftpServer); err != nil {
		t.Skip("not checked: OpenSSH's sftp-server is not installed (Debian: openssh-sftp-server)")
	}
	if s.count == 0 {
		s.count = 1
	}
	if s.sick == 0 {
		s.sick = 1
	}
	s.stalled = make(chan struct{}, 10)
	cfg := sshpeer.Open(t)
	ctx, cancel := context.WithCancel(context.Background())
	s.address = sshpeer.Listen(t, func(conn net.Conn) {
		f := &freezing{Conn: conn, frozen: make(chan struct{}), closed: make(chan struct{})}
		context.AfterFunc(ctx, func() { f.Close() })
		sick := s.conns.Add(1) <= s.sick
		s.connection(ctx, t, f, cfg, sick)
	})
	t.Cleanup(cancel) // before the connections are waited for
}

func (s *staller) connection(ctx context.Context, t *testing.T, f *freezing, cfg *ssh.ServerConfig, sick bool) {
	var wait sync.WaitGroup
	defer wait.Wait()
	sshpeer.Sessions(f, cfg, func(nc ssh.NewChannel) {
		ch, rs, err := nc.Accept()
		if err != nil {
			return
		}
		wait.Go(func() {
			defer ch.Close()
			var command string
			r, ok := <-rs
			if !ok {
				return
			}
			if r.Type == "exec" { // Source: RFC 4254 §6.5, a string follows
				command = string(r.Payload[4:])
			}
			if sick && s.message == msgSubsystem {
				s.stall(f)
				<-ctx.Done()
				return
			}
			_ = r.Reply(r.Type == "subsystem" || command != "", nil)
			go ssh.DiscardRequests(rs)
			if command != "" {
				s.program(ctx, t, f, ch, command, sick)
				return
			}
			s.session(ctx, t, f, ch, sick)
		})
	})
}

// session runs sftp-server and hands it message by message.
func (s *staller) session(ctx context.Context, t *testing.T, f *freezing, ch ssh.Channel, sick bool) {
	cmd := exec.CommandContext(ctx, sftpServer)
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Error(err)
		return
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Error(err)
		return
	}
	if err := cmd.Start(); err != nil {
		t.Error(err)
		return
	}
	var mute atomic.Bool
	var answers sync.WaitGroup
	answers.Go(func() {
		b := make([]byte, 64<<10)
		for {
			n, err := out.Read(b)
			if err != nil {
				return
			}
			if mute.Load() {
				s.stall(f)
				continue
			}
			if _, err := ch.Write(b[:n]); err != nil {
				return
			}
		}
	})
	end := func() {
		in.Close()
		answers.Wait()
		_ = cmd.Wait() // killed, perhaps
	}
	defer end()
	_, err = io.Copy(in, &sshpeer.Messages{From: ch, Take: func(body []byte) (bool, error) {
		if !sick || !s.is(body) || f.seen.Add(1) != s.count {
			return true, nil
		}
		if !s.done {
			s.stall(f)
			<-ctx.Done()
			return false, ctx.Err()
		}
		mute.Store(true)
		return true, nil
	}})
	if err == nil && sick && s.message == msgEnd {
		s.stall(f)
		<-ctx.Done()
	}
}

// program runs a command and hands it the first octets.
func (s *staller) program(ctx context.Context, t *testing.T, f *freezing, ch ssh.Channel, command string, sick bool) {
	cmd := exec.CommandContext(ctx, "sh", "-c", command)
	answers := &muted{w: ch}
	cmd.Stdout = answers
	in, err := cmd.StdinPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		t.Error(err)
		return
	}
	if !sick {
		_, _ = io.Copy(in, ch) // it ends with the client
	} else {
		_, err := io.CopyN(in, ch, int64(s.count-1))
		answers.mute.Store(s.count > 1) // the first octet comes after an answer
		if err == nil {
			_, err = io.CopyN(in, ch, 1)
		}
		if err != nil {
			t.Error(err)
		}
		s.stall(f)
		<-ctx.Done()
	}
	in.Close()
	_ = cmd.Wait() // killed, perhaps
}

// muted loses what is written from some time on.
type muted struct {
	w    io.Writer
	mute atomic.Bool
}

// Write implements io.Writer.
func (m *muted) Write(b []byte) (int, error) {
	if m.mute.Load() {
		return len(b), nil
	}
	return m.w.Write(b)
}

// is says whether a message is the one. Source: draft-ietf-secsh-filexfer-02 §8,
// an extended request begins with its name.
func (s *staller) is(body []byte) bool {
	if int(body[0]) != s.message {
		return false
	}
	return s.message != msgExtended || len(body) > 9 && strings.HasPrefix(string(body[9:]), s.extension)
}

func (s *staller) dial(ctx context.Context) (*sshlink.Client, error) {
	return sshlink.Dial(ctx, sshlink.Config{Address: s.address, User: "tow", InsecureReason: "test"})
}

// against runs a transfer, and lets the time run out whenever the device has
// fallen silent, after what before does.
func (s *staller) against(t *testing.T, send func(context.Context, *sshlink.Client, File, Options) (Result, error), f File, o Options, before ...func(*hand)) (*sshlink.Client, Result, error) {
	t.Helper()
	c, err := s.dial(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	h := newHand()
	o.after = h.after
	type outcome struct {
		r   Result
		err error
	}
	ended := make(chan outcome, 1)
	go func() {
		r, err := send(t.Context(), c, f, o)
		ended <- outcome{r, err}
	}()
	late := time.After(time.Minute) // so that a failure is seen at all
	for stalled := false; ; {
		select {
		case <-s.stalled:
			for _, f := range before {
				f(h)
			}
			stalled = true
			h.fire()
		case x := <-ended:
			if !stalled {
				t.Fatalf("it ended before the device stalled: %+v, %v", x.r, x.err)
			}
			return c, x.r, x.err
		case <-late:
			t.Fatal("the device stalls, and the transfer does not end")
		}
	}
}

// TestSFTPStalled meets devices that fall silent at each stage of a transfer.
func TestSFTPStalled(t *testing.T) {
	b := content(13*largePacket+11, 13)
	const fsync, rename, statvfs = "fsync@openssh.com", "posix-rename@openssh.com", "statvfs@openssh.com"
	for _, stage := range []struct {
		name  string
		at    silence
		old   bool   // a part of an earlier transfer is there
		part  bool   // a part stays where there is no other connection
		words string // PART stands for its name
	}{
		{"before the session", silence{message: msgSubsystem}, false, false, "2m0s when it was to open an SFTP session"},
		{"greeting", silence{message: msgInit}, false, false, "2m0s when it was to open an SFTP session"},
		{"first look", silence{message: msgStat}, false, false, "2m0s when it was to look at FILE"},
		{"look at the part", silence{message: msgLstat}, false, false, "2m0s when it was to look at PART"},
		{"removal of an earlier part", silence{message: msgRemove}, true, true, "2m0s when it was to remove the earlier part PART"},
		{"space", silence{message: msgExtended, extension: statvfs}, false, false, "2m0s when it was to look at the space in"},
		{"open", silence{message: msgOpen}, false, false, "2m0s when it was to open PART"},
		{"open, done", silence{message: msgOpen, done: true}, false, true, "2m0s when it was to open PART"},
		{"after the opening", silence{message: msgWrite}, false, true, "2m0s when it was to write PART"},
		{"in the middle of writes", silence{message: msgWrite, count: 12}, false, true, "2m0s when it was to write PART"},
		{"fsync", silence{message: msgExtended, extension: fsync}, false, true, "10m0s when it was to write PART to its medium"},
		{"close", silence{message: msgClose}, false, true, "10m0s when it was to close PART"},
		{"reading back", silence{message: msgRead, count: 9}, false, true, "2m0s when it was to read PART back"},
		{"rename", silence{message: msgExtended, extension: rename}, false, true, "2m0s when it was to rename PART; the connection to ADDRESS was closed; whether the file has its name FILE is not known"},
	} {
		for _, whole := range []bool{false, true} {
			again := !whole // each stage meets both of both
			t.Run(fmt.Sprintf("%s, whole device %v, another connection %v", stage.name, whole, again), func(t *testing.T) {
				s := &staller{silence: stage.at, whole: whole}
				s.start(t)
				dir := t.TempDir()
				f := fileOf(filepath.Join(dir, "image"), b)
				if stage.old {
					if err := os.WriteFile(f.part(), []byte("old"), 0o600); err != nil {
						t.Fatal(err)
					}
				}
				var o Options
				if again {
					o.Reconnect = s.dial
				}
				c, r, err := s.against(t, SFTP, f, o)
				words := strings.NewReplacer("PART", f.part(), "FILE", f.Path, "ADDRESS", s.address).Replace(stage.words)
				wantFault(t, err, device.Unreachable, "transfer to "+s.address+": unreachable: the device answered nothing for "+words, "the connection to "+s.address+" was closed")
				<-c.Done() // or it waits until the test's end
				if r.Atomic || r.AlreadyThere {
					t.Errorf("what failed claims to be there: %+v", r)
				}
				switch mentioned := strings.Contains(err.Error(), "left as "+f.part()); {
				case stage.part && (!again || stage.old):
					only(t, dir, filepath.Base(f.part()))
					if !mentioned && !stage.old { // the earlier one is named as it is
						t.Errorf("the part that stays is not named: %v", err)
					}
				default:
					only(t, dir)
					if mentioned && again {
						t.Errorf("a part is named that is not there: %v", err)
					}
				}
				// The next transfer makes it good.
				next, err := s.dial(t.Context())
				if err != nil {
					t.Fatal(err)
				}
				defer next.Close()
				if r, err := SFTP(t.Context(), next, f, Options{}); err != nil || r.Sent != f.Size {
					t.Errorf("the next transfer: %+v, %v", r, err)
				}
				holds(t, f.Path, b)
				only(t, dir, "image")
			})
		}
	}
}

// TestSFTPStalledAfterRenaming loses the answer to the last step.
func TestSFTPStalledAfterRenaming(t *testing.T) {
	b := content(1<<20, 14)
	for _, again := range []bool{false, true} {
		s := &staller{silence: silence{message: msgExtended, extension: "posix-rename@openssh.com", done: true}}
		s.start(t)
		dir := t.TempDir()
		f := fileOf(filepath.Join(dir, "image"), b)
		var o Options
		if again {
			o.Reconnect = s.dial
		}
		_, r, err := s.against(t, SFTP, f, o)
		wantFault(t, err, device.Unreachable, "rename "+f.part(), "whether the file has its name "+f.Path+" is not known")
		if r.Atomic {
			t.Errorf("it claims to know: %+v", r)
		}
		if strings.Contains(err.Error(), "is left as") {
			t.Errorf("it claims that the part is there: %v", err)
		}
		only(t, dir, "image")
		next, err := s.dial(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if r, err := SFTP(t.Context(), next, f, Options{}); err != nil || !r.AlreadyThere {
			t.Errorf("the next transfer: %+v, %v", r, err)
		}
		next.Close()
	}
}

// TestSFTPStalledWhileTidying meets devices that fall silent when a transfer
// that failed for another reason clears away.
func TestSFTPStalledWhileTidying(t *testing.T) {
	b := content(1<<20, 15)
	for _, c := range []struct {
		name    string
		message int
		sick    int32 // connections
		again   bool
		left    bool
	}{
		{"removing", msgRemove, 1, false, true},
		{"removing, then by another connection", msgRemove, 1, true, false},
		{"removing, by another connection too", msgRemove, 2, true, true},
		{"closing, then by another connection", msgClose, 1, true, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := &staller{silence: silence{message: c.message}, whole: true, sick: c.sick}
			s.start(t)
			dir := t.TempDir()
			f := fileOf(filepath.Join(dir, "image"), b)
			f.SHA256 = strings.Repeat("5", 64) // our own file is another one
			var o Options
			if c.again {
				o.Reconnect = s.dial
			}
			_, _, err := s.against(t, SFTP, f, o)
			if !c.left {
				wantFault(t, err, device.Damaged, "has the SHA-256")
				only(t, dir)
				return
			}
			wantFault(t, err, device.Damaged, "has the SHA-256", "is left as "+f.part())
			only(t, dir, filepath.Base(f.part()))
		})
	}
}

// TestSFTPStalledAtTheEnd has a device that does everything and then does not
// end the session: the file is there, and nobody waits for ever.
func TestSFTPStalledAtTheEnd(t *testing.T) {
	b := content(1<<20, 16)
	for _, whole := range []bool{false, true} {
		s := &staller{silence: silence{message: msgEnd}, whole: whole}
		s.start(t)
		dir := t.TempDir()
		f := fileOf(filepath.Join(dir, "image"), b)
		c, r, err := s.against(t, SFTP, f, Options{})
		if err != nil || !r.Atomic || r.FarSHA256 != f.SHA256 {
			t.Errorf("%+v, %v", r, err)
		}
		holds(t, f.Path, b)
		only(t, dir, "image")
		select {
		case <-c.Done():
			t.Error("the connection was closed, and the driver may need it")
		default:
		}
	}
}

// TestSFTPStalledKept keeps what came across.
func TestSFTPStalledKept(t *testing.T) {
	b := content(13*largePacket, 17)
	s := &staller{silence: silence{message: msgWrite, count: 12}, whole: true}
	s.start(t)
	dir := t.TempDir()
	f := fileOf(filepath.Join(dir, "image"), b)
	_, _, err := s.against(t, SFTP, f, Options{Keep: true, Reconnect: s.dial})
	wantFault(t, err, device.Unreachable, "answered nothing for 2m0s", "what came across is kept as "+f.part())
	only(t, dir, filepath.Base(f.part()))
	next, err := s.dial(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer next.Close()
	r, err := SFTP(t.Context(), next, f, Options{Keep: true})
	if err != nil || r.Offset == 0 || r.Offset+r.Sent != f.Size {
		t.Errorf("%+v, %v", r, err)
	}
	holds(t, f.Path, b)
	only(t, dir, "image")
}

// TestSFTPStalledAndGivenUp has the caller give up first: the reason is the
// caller's.
func TestSFTPStalledAndGivenUp(t *testing.T) {
	s := &staller{silence: silence{message: msgWrite, count: 12}, whole: true}
	s.start(t)
	dir := t.TempDir()
	f := fileOf(filepath.Join(dir, "image"), content(13*largePacket, 17))
	ctx, cancel := context.WithCancelCause(t.Context())
	send := func(_ context.Context, c *sshlink.Client, f File, o Options) (Result, error) {
		return SFTP(ctx, c, f, o)
	}
	_, r, err := s.against(t, send, f, Options{Reconnect: s.dial}, func(h *hand) {
		cancel(errors.New("the window ends"))
		<-h.grace
	})
	wantFault(t, err, device.Unreachable, "ended while about to write "+f.part(), "the window ends")
	if r.Atomic {
		t.Errorf("%+v", r)
	}
	only(t, dir)
}

// TestSCPStalled meets devices that fall silent at each stage of a copy.
func TestSCPStalled(t *testing.T) {
	if _, err := exec.LookPath("scp"); err != nil {
		t.Skip("not checked: scp is not installed (Debian: openssh-client)")
	}
	// Beyond the 1 MiB that is taken and the 2 MiB of the session's window something
	// is left to send.
	const size = 5 << 20
	b := content(size, 18)
	head := int32(len(fmt.Sprintf("C0644 %d image\n", size)))
	for _, stage := range []struct {
		name  string
		at    silence
		left  string // "", or how sure it is that something stays
		words string
	}{
		{"before it starts", silence{message: msgSubsystem}, "", "2m0s when it was to start scp"},
		{"at its name", silence{message: msgOctets, count: 1}, "may be", "2m0s when it was to take FILE"},
		{"in the middle", silence{message: msgOctets, count: head + 1<<20}, "is", "2m0s when it was to take FILE"},
		{"at the end", silence{message: msgOctets, count: head + size + 1}, "is", "10m0s when it was to say that it has FILE"},
	} {
		for _, whole := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s, whole device %v", stage.name, whole), func(t *testing.T) {
				s := &staller{silence: stage.at, whole: whole}
				s.start(t)
				dir := t.TempDir()
				f := fileOf(filepath.Join(dir, "image"), b)
				c, r, err := s.against(t, SCP, f, Options{})
				wantFault(t, err, device.Unreachable, "transfer to "+s.address+": unreachable: the device answered nothing for "+strings.ReplaceAll(stage.words, "FILE", f.Path), "the connection to "+s.address+" was closed")
				<-c.Done()
				if r.Atomic || r.FarSHA256 != "" || r.AlreadyThere {
					t.Errorf("what failed claims to be there: %+v", r)
				}
				if want := "a part of it " + stage.left + " left as " + f.Path; stage.left != "" != strings.Contains(err.Error(), want) {
					t.Errorf("want %q in %v", want, err)
				}
				if stage.left != "is" {
					only(t, dir)
				}
				// With the far end's command, what stays is removed.
				s = &staller{silence: stage.at, whole: whole}
				s.start(t)
				_, _, err = s.against(t, SCP, f, Options{Far: Far{Remove: func(_ context.Context, name string) error { return os.RemoveAll(name) }}})
				wantFault(t, err, device.Unreachable, "answered nothing")
				if strings.Contains(err.Error(), "left as") {
					t.Errorf("what was removed is said to be left: %v", err)
				}
				only(t, dir)
			})
		}
	}
}
