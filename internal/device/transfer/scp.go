package transfer

import (
	"bufio"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"path"
	"strings"
	"time"

	"golang.org/x/crypto/ssh"

	"towpath/internal/device"
	"towpath/internal/device/sshlink"
)

// SCP puts f on the device at the other end of c by the copy protocol of rcp,
// which scp used before it used SFTP, and which many devices still have alone.
// It cannot go on from a part. The far end's hash comes from Far.Hash, or the
// file is read back by the same protocol.
//
// With Far.Rename the file is sent under another name first. Without it, the
// protocol leaves no choice but to write to the name itself: what fails is then
// removed by Far.Remove, and Atomic in the result is false.
//
// Source: OpenSSH scp.c (sink and source); the protocol is written down nowhere
// else. The kinds of failure are those of [SFTP], and a stalled device is given
// up as there.
func SCP(ctx context.Context, c *sshlink.Client, f File, o Options) (Result, error) {
	if err := f.check(); err != nil {
		return Result{}, err
	}
	if already(ctx, f, o.Far) {
		return Result{AlreadyThere: true, SHA256: f.SHA256, FarSHA256: f.SHA256, FarBy: "command", Atomic: true}, nil
	}
	s := &copying{ctx: ctx, ssh: c, f: f, o: o, name: f.Path, meter: &meter{f: o.Progress, total: f.Size}, watch: newWatch(c, o)}
	if o.Far.Rename != nil {
		s.name = f.part()
		s.result.Atomic = true
	}
	err := s.run()
	if err != nil && s.made {
		err = s.tidy(err)
	}
	if err != nil {
		err = explained(c, err, s.result.Sent, f.Size)
	}
	return s.result, err
}

// copying is one transfer by the copy protocol.
type copying struct {
	ctx    context.Context
	ssh    *sshlink.Client
	f      File
	o      Options
	meter  *meter
	watch  *watch
	name   string // what is written to
	made   bool   // it may exist
	result Result
}

func (s *copying) run() error {
	if s.o.Far.Free != nil {
		dir := path.Dir(s.f.Path)
		free, err := s.o.Far.Free(s.ctx, dir)
		if err != nil {
			return s.fault("look at the space in "+dir, err)
		}
		if err := noRoom(dir, s.f.Size, free); err != nil {
			return err
		}
	}
	start := time.Now()
	if err := s.send(); err != nil {
		return err
	}
	s.result.Sending = time.Since(start)
	start = time.Now()
	if err := s.verify(); err != nil {
		return err
	}
	s.result.Verifying = time.Since(start)
	if s.o.Far.Rename != nil {
		if err := s.o.Far.Rename(s.ctx, s.name, s.f.Path); err != nil {
			return s.fault("rename "+s.name, err)
		}
	}
	s.made = false
	s.meter.end(s.f.Size)
	return nil
}

// rcp is the far end's scp, as it runs.
type rcp struct {
	session *ssh.Session
	in      io.WriteCloser
	out     *bufio.Reader
	prose   strings.Builder // standard error
	stop    func() bool
}

// start runs the far end's scp.
func (s *copying) start(option, name string) (*rcp, error) {
	defer s.watch.wait(s.ctx, answerTime, "start scp")()
	session, err := s.ssh.NewSession()
	if err != nil {
		return nil, s.fault("start scp", err)
	}
	r := &rcp{session: session}
	session.Stderr = &limited{w: &r.prose, n: 4 << 10}
	r.in, err = session.StdinPipe()
	if err == nil {
		var out io.Reader
		if out, err = session.StdoutPipe(); err == nil {
			r.in = &told{r.in, s.watch}
			r.out = bufio.NewReaderSize(&heard{out, s.watch}, largePacket)
			err = session.Start("scp " + option + " " + quote(name))
		}
	}
	if err != nil {
		_ = session.Close() // it did not start
		if why := s.watch.stall(); why != nil {
			return nil, why
		}
		if f := s.ssh.Fault(s.ctx, op, lostKind, err); device.KindOf(f) != device.Refused {
			return nil, f
		}
		return nil, &device.Fault{Kind: device.Unable, Op: op, Text: "the device starts no scp", Err: err}
	}
	r.stop = context.AfterFunc(s.ctx, func() { _ = session.Close() }) // what waits then fails
	return r, nil
}

func (r *rcp) close() {
	r.stop()
	_ = r.session.Close() // it has ended, or is to end
}

// limited keeps the beginning of what is written and drops the rest.
type limited struct {
	w io.Writer
	n int
}

// Write implements io.Writer.
func (l *limited) Write(b []byte) (int, error) {
	k := min(len(b), l.n)
	l.n -= k
	if _, err := l.w.Write(b[:k]); err != nil {
		return 0, err
	}
	return len(b), nil
}

// quote makes a path one word for a shell, and leaves plain ones as they are
// for devices that have none.
func quote(name string) string {
	plain := func(r rune) bool {
		return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("/._-+:@%", r)
	}
	if strings.IndexFunc(name, func(r rune) bool { return !plain(r) }) < 0 {
		return name
	}
	return "'" + strings.ReplaceAll(name, "'", `'\''`) + "'"
}

// proseError is what the far end's scp wrote.
type proseError struct{ text string }

// Error is the text.
func (e *proseError) Error() string { return e.text }

// answer reads the far end's answer: an octet zero, or a line that says what is
// wrong.
func (r *rcp) answer() error {
	b, err := r.out.ReadByte()
	if err != nil {
		return err
	}
	if b == 0 {
		return nil
	}
	line, err := r.out.ReadString('\n')
	if b > 2 { // no answer of the protocol, but what a shell says
		line = string(b) + line
	}
	if line = strings.TrimSpace(line); line != "" {
		return &proseError{line}
	}
	return err
}

// send copies the file over.
func (s *copying) send() error {
	r, err := s.start("-t", s.name)
	if err != nil {
		return err
	}
	defer r.close()
	end := s.watch.wait(s.ctx, answerTime, "take "+s.name)
	defer func() { end() }()
	if err := r.answer(); err != nil {
		return s.failed(r, err)
	}
	mode := s.f.Mode.Perm()
	if mode == 0 {
		mode = 0o644
	}
	if _, err := fmt.Fprintf(r.in, "C%04o %d %s\n", mode, s.f.Size, path.Base(s.name)); err != nil {
		return s.failed(r, err)
	}
	if err := r.answer(); err != nil {
		err = s.failed(r, err)
		s.made = device.KindOf(err) == lostKind // it may have been made unseen
		return err
	}
	s.made = true
	// An answer that comes before the end says what is wrong.
	answers := make(chan error, 1)
	go func() { answers <- r.answer() }()
	src, err := read(s.ctx, s.f, 0, s.o.Limit.size(largePacket), 1, newSum())
	if err != nil {
		return err
	}
	defer src.stop()
	s.watch.idle() // our own file may take its time
	for c := range src.chunks {
		if err := s.o.Limit.wait(s.ctx, len(c.data)); err != nil {
			return s.fault("wait", err)
		}
		s.watch.beat()
		_, err := r.in.Write(c.data)
		n := len(c.data)
		src.back(c)
		if err == nil {
			select {
			case err = <-answers:
				if err == nil {
					err = &proseError{"it said that it has the file before it had it"}
				}
			default:
			}
			s.result.Sent += int64(n)
			s.meter.at(s.result.Sent)
		} else if prose, ok := s.late(answers); ok {
			err = prose
		}
		if err != nil {
			return s.failed(r, err)
		}
		s.watch.idle()
	}
	if src.err != nil {
		return s.fault("read", src.err)
	}
	s.result.SHA256 = src.digest()
	if err := s.f.finish(s.result.SHA256); err != nil {
		return err
	}
	end()
	end = s.watch.wait(s.ctx, syncTime, "say that it has "+s.name)
	if _, err := r.in.Write([]byte{0}); err != nil {
		return s.failed(r, err)
	}
	if err := <-answers; err != nil {
		return s.failed(r, err)
	}
	if err := r.in.Close(); err != nil && !errors.Is(err, io.EOF) {
		return s.failed(r, err)
	}
	return s.exit(r)
}

// late is the far end's word on why it takes no more, which may come a moment
// after it stopped.
func (s *copying) late(answers chan error) (error, bool) {
	t := time.NewTimer(3 * time.Second)
	defer t.Stop()
	select {
	case err := <-answers:
		var p *proseError
		return err, errors.As(err, &p)
	case <-t.C:
		return nil, false
	}
}

// exit waits for the far end's scp and reads its exit status. Devices that send
// none have said what they had to say in the protocol.
func (s *copying) exit(r *rcp) error {
	err := r.session.Wait()
	var (
		missing *ssh.ExitMissingError
		status  *ssh.ExitError
	)
	if errors.As(err, &missing) && s.ctx.Err() == nil {
		return nil
	}
	if errors.As(err, &status) {
		return s.failed(r, err)
	}
	if err != nil {
		return s.fault("wait for its scp", err)
	}
	return nil
}

// failed turns an error of the conversation into a failure, with what the far
// end wrote.
func (s *copying) failed(r *rcp, err error) error {
	var prose *proseError
	if errors.As(err, &prose) && s.ctx.Err() == nil {
		return &device.Fault{Kind: kindOfWords(prose.text), Op: op, Text: fmt.Sprintf("the device says of %s: %s", s.name, prose.text)}
	}
	_ = r.in.Close() // so that it ends
	if errors.Is(err, io.EOF) && s.ctx.Err() == nil {
		// Its scp ended: the exit status and the error text follow, unless the
		// connection is gone.
		werr := r.session.Wait()
		var status *ssh.ExitError
		text := strings.TrimSpace(r.prose.String())
		if errors.As(werr, &status) {
			kind := kindOfWords(text)
			if status.ExitStatus() == 127 { // Source: POSIX.1-2017 XCU §2.8.2, command not found
				kind = device.Unable
			}
			return &device.Fault{Kind: kind, Op: op, Text: fmt.Sprintf("the device's scp ended with %d: %s", status.ExitStatus(), text)}
		}
		if text != "" {
			return &device.Fault{Kind: kindOfWords(text), Op: op, Text: "the device says: " + text}
		}
	}
	return s.fault("copy to "+s.name, err)
}

// verify finds the far end's hash and compares.
func (s *copying) verify() error {
	if s.o.Far.Hash != nil {
		got, err := s.o.Far.Hash(s.ctx, s.name)
		if err == nil && digest.MatchString(clean(got)) {
			s.result.FarSHA256, s.result.FarBy = clean(got), "command"
			return compare(s.name, s.result.SHA256, clean(got), "command")
		}
	}
	got, err := s.readBack()
	if err != nil {
		return err
	}
	s.result.FarSHA256, s.result.FarBy = got, "read back"
	return compare(s.name, s.result.SHA256, got, "read back")
}

// readBack hashes the file by copying it back.
func (s *copying) readBack() (string, error) {
	r, err := s.start("-f", s.name)
	if err != nil {
		return "", err
	}
	defer r.close()
	defer s.watch.wait(s.ctx, answerTime, "send "+s.name+" back")()
	ok := func() error {
		_, err := r.in.Write([]byte{0})
		return err
	}
	if err := ok(); err != nil {
		return "", s.failed(r, err)
	}
	head, err := r.out.ReadString('\n')
	if err != nil {
		return "", s.failed(r, err)
	}
	var (
		mode int
		size int64
	)
	if _, err := fmt.Sscanf(head, "C%o %d ", &mode, &size); err != nil {
		return "", s.failed(r, &proseError{strings.TrimLeft(strings.TrimSpace(head), "\x01\x02")})
	}
	if err := ok(); err != nil {
		return "", s.failed(r, err)
	}
	sum, buf := newSum(), make([]byte, s.o.Limit.size(largePacket))
	for size > 0 {
		n, err := io.ReadFull(r.out, buf[:min(size, int64(len(buf)))])
		if err != nil {
			return "", s.failed(r, err)
		}
		sum.Write(buf[:n])
		size -= int64(n)
		if err := s.o.Limit.wait(s.ctx, n); err != nil {
			return "", s.fault("wait", err)
		}
	}
	if err := r.answer(); err != nil {
		return "", s.failed(r, err)
	}
	if err := ok(); err != nil && !errors.Is(err, io.EOF) {
		return "", s.failed(r, err)
	}
	return hex.EncodeToString(sum.Sum(nil)), nil
}

// fault is err, met while doing what, as a failure of the transfer.
func (s *copying) fault(what string, err error) error {
	if why := s.watch.stall(); why != nil {
		return why
	}
	if s.ctx.Err() != nil {
		return &device.Fault{Kind: lostKind, Op: op, Text: "ended while about to " + what, Err: context.Cause(s.ctx)}
	}
	var f *device.Fault
	if errors.As(err, &f) {
		return &device.Fault{Kind: f.Kind, Op: op, Text: "cannot " + what, Err: err}
	}
	return s.ssh.Fault(s.ctx, op, lostKind, err)
}

// tidy removes what a failed copy left.
func (s *copying) tidy(err error) error {
	verb := "is"
	if s.result.Sent == 0 {
		verb = "may be"
	}
	return removeLeft(s.ctx, s.o.Far, s.name, verb, err)
}

// removeLeft removes what is left under a name by the far end's command; err
// says where it could not, with how sure it is that something is.
func removeLeft(ctx context.Context, far Far, name, verb string, err error) error {
	if far.Remove != nil {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), tidyTime)
		defer cancel()
		if far.Remove(ctx, name) == nil {
			return err
		}
	}
	return leftover(err, "a part of it "+verb+" left as "+name)
}
