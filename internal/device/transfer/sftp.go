package transfer

import (
	"bytes"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"os"
	"path"
	"sync"
	"sync/atomic"
	"time"

	"github.com/pkg/sftp"
	"golang.org/x/crypto/ssh"

	"towpath/internal/device"
	"towpath/internal/device/sshlink"
)

// The sizes of one write. Source: OpenSSH sftp-common.h takes messages of 256
// KiB, of which 255 KiB are left for content; draft-ietf-secsh-filexfer-02 §3
// asks every server to take 32 KiB.
const (
	largePacket = 255 << 10
	smallPacket = 32 << 10
)

// The octets that are under way at once. Source: measured by bench/transfer;
// more than the window of 2 MiB that OpenSSH opens brings nothing.
const underWay = 4 << 20

// probeTime is how long a device may think about the first large write.
const probeTime = 20 * time.Second

// SFTP puts f on the device at the other end of c. It needs nothing but the
// subsystem "sftp" there; extensions are used where they are offered: statvfs
// to see that the file fits, fsync, and posix-rename so that it takes its name
// in one step. Without a command for it, the far end's hash is found by reading
// the file back.
//
// Kinds of failure: NoSpace and Refused (read-only) before anything is sent
// where the device tells; Unreachable where the connection broke, which may be
// tried again; Damaged where a hash differs; Missing where the folder is not
// there; Unable where there is no SFTP.
//
// No wait is without an end. Where the device answers nothing for two minutes,
// or for ten while it writes to its medium, c is closed, since nothing less ends
// what waits, and the failure is Unreachable and says what the device was to do.
func SFTP(ctx context.Context, c *sshlink.Client, f File, o Options) (Result, error) {
	if err := f.check(); err != nil {
		return Result{}, err
	}
	s := &sending{ctx: ctx, ssh: c, f: f, o: o, meter: &meter{f: o.Progress, total: f.Size}, watch: newWatch(c, o)}
	err := s.run()
	if err != nil {
		err = explained(c, s.tidy(err), s.result.Offset+s.result.Sent, f.Size)
	}
	s.shut()
	return s.result, err
}

// sending is one transfer over SFTP.
type sending struct {
	ctx    context.Context
	ssh    *sshlink.Client
	f      File
	o      Options
	meter  *meter
	watch  *watch
	client *subsystem
	result Result

	file   *sftp.File // the part, while it is open
	made   bool       // the part may exist
	wrong  bool       // what the part holds is no good
	naming bool       // the part may have its name already
	good   int64      // octets of the part that the device has confirmed
}

// subsystem is an SFTP session.
type subsystem struct {
	*sftp.Client
	session *ssh.Session
}

var errNoSubsystem = errors.New("it has no such subsystem")

// subsystemOn opens an SFTP session on a connection; w sees what goes over it.
func subsystemOn(c *sshlink.Client, w *watch, o ...sftp.ClientOption) (_ *subsystem, err error) {
	session, err := c.NewSession()
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			_ = session.Close() // there is a better error
		}
	}()
	in, err := session.StdinPipe()
	if err != nil {
		return nil, err
	}
	out, err := session.StdoutPipe()
	if err != nil {
		return nil, err
	}
	prose, err := session.StderrPipe()
	if err != nil {
		return nil, err
	}
	// Source: RFC 4254 §6.5. A refusal is an answer, after which nobody need ask
	// whether the connection is gone.
	yes, err := session.SendRequest("subsystem", true, ssh.Marshal(struct{ Name string }{"sftp"}))
	if err == nil && !yes {
		err = errNoSubsystem
	}
	if err != nil {
		return nil, err
	}
	go func() { _, _ = io.Copy(io.Discard, prose) }() // so that it does not fill the channel
	client, err := sftp.NewClientPipe(&heard{out, w}, &told{in, w}, o...)
	if err != nil {
		return nil, err
	}
	return &subsystem{client, session}, nil
}

// shut ends the session. A device that does not end it too is not waited for
// long: what still waits for it ends with the connection.
func (c *subsystem) shut(w *watch) {
	ended, late := make(chan struct{}), make(chan struct{})
	t := w.after(shutTime, func() { close(late) })
	defer t.Stop()
	go func() {
		defer close(ended)
		_ = c.Close()         // what was to be done is done or has failed
		_ = c.session.Close() // likewise
	}()
	select {
	case <-ended:
	case <-late:
		go func() { _ = c.session.Close() }() // it may take even that no more
	}
}

// shut ends the session, where there is one.
func (s *sending) shut() {
	if s.client != nil {
		s.client.shut(s.watch)
		s.client = nil
	}
}

// ask has the device do what f asks of it, and closes the connection where it
// answers nothing for a time.
func (s *sending) ask(limit time.Duration, what string, f func() error) error {
	defer s.watch.wait(s.ctx, limit, what)()
	return f()
}

// session opens the subsystem afresh, for writes of a size.
func (s *sending) session(packet int) error {
	s.shut() // it failed, or is not wanted any more
	err := s.ask(answerTime, "open an SFTP session", func() (err error) {
		s.client, err = subsystemOn(s.ssh, s.watch, sftp.MaxPacketUnchecked(packet), sftp.MaxConcurrentRequestsPerFile(64))
		return err
	})
	if err == nil {
		s.result.Packet = packet
		return nil
	}
	return notOpened(s.ctx, s.ssh, s.watch, op, err)
}

func (s *sending) has(extension string) bool {
	_, ok := s.client.HasExtension(extension)
	return ok
}

func (s *sending) run() error {
	if err := s.session(largePacket); err != nil {
		return err
	}
	var there fs.FileInfo
	err := s.ask(answerTime, "look at "+s.f.Path, func() (err error) {
		there, err = s.client.Stat(s.f.Path)
		return err
	})
	switch {
	case err == nil && there.IsDir():
		return &device.Fault{Kind: device.Refused, Op: op, Text: s.f.Path + " is a folder"}
	case err == nil && there.Size() == s.f.Size && s.f.SHA256 != "":
		same, err := s.farHash(s.f.Path)
		if err != nil {
			return err
		}
		if same == s.f.SHA256 {
			s.result.AlreadyThere, s.result.SHA256, s.result.Atomic = true, same, true
			return nil
		}
		s.result.FarSHA256, s.result.FarBy = "", ""
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return s.fault("look at "+s.f.Path, err)
	}
	sum := newSum()
	if err := s.takeUp(sum); err != nil {
		return err
	}
	if err := s.room(s.f.Size - s.result.Offset); err != nil {
		return err
	}
	start := time.Now()
	if err := s.send(sum); err != nil {
		return err
	}
	s.result.Sending = time.Since(start)
	s.result.SHA256 = hex.EncodeToString(sum.Sum(nil))
	if err := s.f.finish(s.result.SHA256); err != nil {
		s.wrong = true
		return err
	}
	start = time.Now()
	far := ""
	if s.has("fsync@openssh.com") {
		early := s.hashEarly()
		err := s.ask(syncTime, "write "+s.f.part()+" to its medium", s.file.Sync)
		far = early()
		if err != nil {
			return s.fault("write "+s.f.part()+" to its medium", err)
		}
		s.result.Synced = true
	}
	err = s.ask(syncTime, "close "+s.f.part(), s.file.Close)
	s.file = nil
	if err != nil {
		return s.fault("close "+s.f.part(), err)
	}
	if far == s.result.SHA256 {
		s.result.FarSHA256, s.result.FarBy = far, "command"
	} else if far, err = s.farHash(s.f.part()); err != nil {
		return err
	}
	s.result.Verifying = time.Since(start)
	if err := compare(s.f.part(), s.result.SHA256, far, s.result.FarBy); err != nil {
		s.wrong = true
		return err
	}
	if s.f.Mode != 0 {
		what := "set the permissions of " + s.f.part()
		if err := s.ask(answerTime, what, func() error { return s.client.Chmod(s.f.part(), s.f.Mode) }); err != nil {
			return s.fault(what, err)
		}
	}
	if err := s.rename(); err != nil {
		return err
	}
	s.made = false
	s.meter.end(s.f.Size)
	return nil
}

// takeUp finds out how much of an earlier part is good, and leaves its hash in
// sum. Without Keep an earlier part is removed.
func (s *sending) takeUp(sum hash.Hash) error {
	part := s.f.part()
	var there fs.FileInfo
	err := s.ask(answerTime, "look at "+part, func() (err error) {
		there, err = s.client.Lstat(part)
		return err
	})
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return s.fault("look at "+part, err)
	}
	good := int64(0)
	if s.o.Keep && s.f.SHA256 != "" && there.Mode().IsRegular() {
		if good, err = s.prefix(part, min(there.Size(), s.f.Size)); err != nil {
			return err
		}
	}
	if good == 0 {
		what := "remove the earlier part " + part
		if err := s.ask(answerTime, what, func() error { return s.client.Remove(part) }); err != nil {
			return s.fault(what, err)
		}
		return nil
	}
	if err := sumOf(s.ctx, s.f, good, sum); err != nil {
		return err
	}
	s.made, s.good, s.result.Offset = true, good, good
	if good < there.Size() {
		if err := s.ask(answerTime, "shorten "+part, func() error { return s.client.Truncate(part, good) }); err != nil {
			return s.fault("shorten "+part, err)
		}
	}
	return nil
}

// prefix returns how many of the first n octets of a part are those of the
// file: all by the far end's hash where it has a command, else by reading back
// up to the first difference.
func (s *sending) prefix(part string, n int64) (int64, error) {
	if s.o.Far.Hash != nil && n > 0 {
		here := newSum()
		if err := sumOf(s.ctx, s.f, n, here); err != nil {
			return 0, err
		}
		far, err := s.o.Far.Hash(s.ctx, part)
		if err == nil && clean(far) == hex.EncodeToString(here.Sum(nil)) {
			return n, nil
		}
	}
	r, err := s.f.Content(0)
	if err != nil {
		return 0, ours(err)
	}
	defer func() { _ = r.Close() }() // it was only read
	good := int64(0)
	own := make([]byte, largePacket)
	err = s.readBack(part, n, func(b []byte) error {
		own := own[:len(b)]
		if _, err := io.ReadFull(r, own); err != nil {
			return ours(err)
		}
		if !bytes.Equal(own, b) {
			for i := range b {
				if own[i] != b[i] {
					break
				}
				good++
			}
			return errStop
		}
		good += int64(len(b))
		return nil
	})
	if errors.Is(err, errStop) {
		err = nil
	}
	return good, err
}

// errStop ends a reading early.
var errStop = errors.New("stop")

// room sees that need octets fit, where the device tells.
func (s *sending) room(need int64) error {
	dir := path.Dir(s.f.Path)
	free, err := int64(-1), error(nil)
	switch {
	case s.has("statvfs@openssh.com"):
		var v *sftp.StatVFS
		if err = s.ask(answerTime, "look at the space in "+dir, func() (err error) {
			v, err = s.client.StatVFS(dir)
			return err
		}); err != nil {
			return s.fault("look at the space in "+dir, err)
		}
		if v.Flag&1 != 0 { // Source: OpenSSH PROTOCOL §4.5, SSH_FXE_STATVFS_ST_RDONLY
			return &device.Fault{Kind: device.Refused, Op: op, Text: dir + " is read-only on the device"}
		}
		free = int64(min(v.Bavail*v.Frsize, 1<<62))
	case s.o.Far.Free != nil:
		if free, err = s.o.Far.Free(s.ctx, dir); err != nil {
			return s.fault("look at the space in "+dir, err)
		}
	}
	return noRoom(dir, need, free)
}

// noRoom is the failure of what does not fit; free is below zero where it is
// not known.
func noRoom(dir string, need, free int64) error {
	if free >= 0 && free < need {
		return &device.Fault{Kind: device.NoSpace, Op: op, Text: fmt.Sprintf("%s has %d octets free, %d are needed", dir, free, need)}
	}
	return nil
}

// open opens the part.
func (s *sending) open() error {
	flags := os.O_RDWR | os.O_CREATE
	if s.good == 0 {
		flags |= os.O_TRUNC
	}
	err := s.ask(answerTime, "open "+s.f.part(), func() (err error) {
		s.file, err = s.client.OpenFile(s.f.part(), flags)
		return err
	})
	if err != nil {
		s.file = nil
		err = s.fault("open "+s.f.part(), err)
		s.made = s.made || device.KindOf(err) == lostKind // it may have been made unseen
		return err
	}
	s.made = true
	return nil
}

// send writes what is missing and hashes it.
func (s *sending) send(sum hash.Hash) error {
	if err := s.open(); err != nil {
		return err
	}
	size := s.o.Limit.size(largePacket)
	many := max(underWay/size, 1)
	src, err := read(s.ctx, s.f, s.good, size, many, sum)
	if err != nil {
		return err
	}
	defer src.stop()
	first, ok := <-src.chunks
	if !ok {
		return s.readFailed(src.err)
	}
	if err := s.first(first); err != nil {
		return err
	}
	if err := s.confirm(src, []chunk{first}); err != nil {
		return err
	}
	if s.result.Packet == smallPacket && size > smallPacket {
		many = min(underWay/smallPacket, 64) // the library cuts the chunks
	}
	return s.rest(src, min(many, 64))
}

func (s *sending) confirm(src *source, cs []chunk) error {
	for _, c := range cs {
		s.good += int64(len(c.data))
		s.result.Sent += int64(len(c.data))
		src.back(c)
	}
	s.meter.at(s.good)
	return nil
}

// first writes the first chunk, which finds out whether the device takes large
// writes; where it does not, the session is opened again for small ones.
func (s *sending) first(c chunk) error {
	if err := s.o.Limit.wait(s.ctx, len(c.data)); err != nil {
		return s.fault("wait", err)
	}
	write := func() error {
		_, err := s.file.WriteAt(c.data, c.offset)
		return err
	}
	err := s.ask(answerTime, "write "+s.f.part(), func() error { return s.probe(write) })
	if err == nil {
		return nil
	}
	if len(c.data) <= smallPacket || s.ctx.Err() != nil || s.ended() {
		return s.writeFailed(err)
	}
	_ = s.ask(answerTime, "close "+s.f.part(), s.file.Close) // its session may be gone
	s.file = nil
	if err := s.session(smallPacket); err != nil {
		return err
	}
	if err := s.open(); err != nil {
		return err
	}
	if err := s.ask(answerTime, "write "+s.f.part(), write); err != nil {
		return s.writeFailed(err)
	}
	return nil
}

// probe ends the session that f waits for when the device thinks too long; f
// then fails.
func (s *sending) probe(f func() error) error {
	session := s.client.session
	t := s.watch.after(probeTime, func() { _ = session.Close() }) // a failure is that of f too
	defer t.Stop()
	return f()
}

// rest writes the chunks that follow, many of them at once.
func (s *sending) rest(src *source, many int) error {
	var (
		wait   sync.WaitGroup
		work   = make(chan chunk)
		acks   = make(chan chunk, many) // confirmed, in any order
		fail   atomic.Pointer[error]
		failed = make(chan struct{})
		once   sync.Once
	)
	for range many {
		wait.Add(1)
		go func() {
			defer wait.Done()
			for c := range work {
				if fail.Load() == nil {
					if _, err := s.file.WriteAt(c.data, c.offset); err != nil {
						fail.CompareAndSwap(nil, &err)
						once.Do(func() { close(failed) })
					}
				}
				acks <- c
			}
		}()
	}
	defer s.watch.wait(s.ctx, answerTime, "write "+s.f.part())()
	order := newOrder(s.good)
	took := func(c chunk) {
		if fail.Load() == nil { // which of those after a failure were written is not known
			s.good = order.add(c.offset, int64(len(c.data)))
			s.result.Sent += int64(len(c.data))
		}
		src.back(c)
		s.meter.at(s.good)
	}
	held := 0
	var err error
loop:
	for err == nil {
		if held == 0 {
			s.watch.idle() // our own file may take its time
		}
		select {
		case c := <-acks:
			held--
			took(c)
		case <-failed:
			break loop
		case c, ok := <-src.chunks:
			if !ok {
				break loop
			}
			if err = s.o.Limit.wait(s.ctx, len(c.data)); err != nil {
				src.back(c)
				break loop
			}
			s.watch.beat()
			for sent := false; !sent; {
				select {
				case work <- c:
					held++
					sent = true
				case a := <-acks:
					held--
					took(a)
				}
			}
		}
	}
	close(work)
	for ; held > 0; held-- {
		took(<-acks)
	}
	wait.Wait() // of workers that have nothing more to do
	switch p := fail.Load(); {
	case p != nil:
		return s.writeFailed(*p)
	case err != nil:
		return s.fault("wait", err)
	}
	src.stop()
	return s.readFailed(src.err)
}

// readFailed is the failure of our own reading, if any.
func (s *sending) readFailed(err error) error {
	if err == nil {
		return nil
	}
	if s.ctx.Err() == nil {
		s.wrong = true // it was not the file that it should be
	}
	return s.fault("read", err)
}

// order keeps how far a file is written without a gap.
type order struct {
	upTo  int64
	ready map[int64]int64 // offset to length, of what lies beyond a gap
}

func newOrder(at int64) *order { return &order{at, map[int64]int64{}} }

// add takes a piece that is written and returns how far there is no gap.
func (o *order) add(offset, n int64) int64 {
	o.ready[offset] = n
	for {
		n, ok := o.ready[o.upTo]
		if !ok {
			return o.upTo
		}
		delete(o.ready, o.upTo)
		o.upTo += n
	}
}

// writeFailed finds out why a write failed: the protocol's version that devices
// speak has one word for everything.
// Source: draft-ietf-secsh-filexfer-02 §7, SSH_FX_FAILURE.
func (s *sending) writeFailed(err error) error {
	var status *sftp.StatusError
	if s.ctx.Err() != nil || s.ended() || !errors.As(err, &status) {
		return s.fault("write "+s.f.part(), err)
	}
	if why := s.room(s.f.Size - s.good); why != nil && (device.KindOf(why) == device.NoSpace || device.KindOf(why) == device.Refused) {
		return why
	}
	return s.fault("write "+s.f.part(), err)
}

func (s *sending) ended() bool {
	if s.watch.over() {
		return true // it is about to end
	}
	select {
	case <-s.ssh.Done():
		return true
	default:
		return false
	}
}

// The codes of later versions that some servers send all the same.
// Source: draft-ietf-secsh-filexfer-13 §9.1.
const (
	statusWriteProtect = 12
	statusNoSpace      = 14
	statusQuota        = 15
)

// fault is err, met while doing what, as a failure of the transfer.
func (s *sending) fault(what string, err error) error {
	var (
		f      *device.Fault
		status *sftp.StatusError
	)
	if why := s.watch.stall(); why != nil {
		return why
	}
	switch {
	case errors.As(err, &f):
		return err
	case s.ctx.Err() != nil:
		return &device.Fault{Kind: lostKind, Op: op, Text: "ended while about to " + what, Err: context.Cause(s.ctx)}
	case errors.Is(err, fs.ErrNotExist):
		return &device.Fault{Kind: device.Missing, Op: op, Text: "the device cannot " + what + ": no such file or folder", Err: err}
	case errors.Is(err, fs.ErrPermission):
		return &device.Fault{Kind: device.Denied, Op: op, Text: "the device does not permit us to " + what, Err: err}
	case errors.As(err, &status):
		kind := kindOfWords(status.Error())
		switch status.Code {
		case statusWriteProtect:
			kind = device.Refused
		case statusNoSpace, statusQuota:
			kind = device.NoSpace
		}
		return &device.Fault{Kind: kind, Op: op, Text: "the device failed to " + what, Err: err}
	case errors.Is(err, sftp.ErrSSHFxConnectionLost) && !s.ssh.Gone():
		return &device.Fault{Kind: lostKind, Op: op, Text: "the device ended the SFTP session while it was to " + what, Err: err}
	}
	return s.ssh.Fault(s.ctx, op, lostKind, err)
}

// hashEarly has the far end's command hash the part while the device writes it
// to its medium, which takes long on slow ones. The function that it returns
// waits for the hash; empty where there is none. One that differs proves
// nothing yet: devices may hold octets back until the file is closed.
func (s *sending) hashEarly() func() string {
	if s.o.Far.Hash == nil {
		return func() string { return "" }
	}
	found := make(chan string, 1)
	go func() {
		got, err := s.o.Far.Hash(s.ctx, s.f.part())
		if err != nil { // it is asked again
			got = ""
		}
		found <- clean(got)
	}()
	return func() string { return <-found }
}

// farHash is the far end's SHA-256 of a file, by its command or read back.
func (s *sending) farHash(name string) (string, error) {
	if s.o.Far.Hash != nil {
		got, err := s.o.Far.Hash(s.ctx, name)
		if err == nil && digest.MatchString(clean(got)) {
			s.result.FarSHA256, s.result.FarBy = clean(got), "command"
			return clean(got), nil
		}
		if s.ctx.Err() != nil || s.ended() {
			return "", s.fault("hash "+name, err)
		}
	}
	sum := newSum()
	if err := s.readBack(name, s.f.Size+1, func(b []byte) error {
		sum.Write(b)
		return nil
	}); err != nil {
		return "", err
	}
	s.result.FarSHA256, s.result.FarBy = hex.EncodeToString(sum.Sum(nil)), "read back"
	return s.result.FarSHA256, nil
}

// readBack hands the first n octets of a file, or all where it has less, to f
// in order. Several requests are under way at once.
func (s *sending) readBack(name string, n int64, f func([]byte) error) error {
	var file *sftp.File
	err := s.ask(answerTime, "open "+name, func() (err error) {
		file, err = s.client.Open(name)
		return err
	})
	if err != nil {
		return s.fault("open "+name, err)
	}
	defer func() { _ = s.ask(answerTime, "close "+name, file.Close) }() // it was only read
	type piece struct {
		data []byte
		err  error
	}
	size := s.o.Limit.size(s.result.Packet)
	many := max(min(underWay/size, 64), 1)
	queue := make(chan chan piece, many)
	free := make(chan []byte, many+1)
	ctx, cancel := context.WithCancel(s.ctx)
	defer s.watch.wait(s.ctx, answerTime, "read "+name+" back")()
	var wait sync.WaitGroup
	defer wait.Wait()
	defer func() { // leave nothing that still reads
		cancel()
		for range queue {
			continue
		}
	}()
	wait.Add(1)
	go func() {
		defer wait.Done()
		defer close(queue)
		for off := int64(0); off < n; off += int64(size) {
			if s.o.Limit.wait(ctx, size) != nil {
				return
			}
			p := make(chan piece, 1)
			select {
			case queue <- p:
			case <-ctx.Done():
				return
			}
			var b []byte
			select {
			case b = <-free:
			default:
				b = make([]byte, size)
			}
			b = b[:min(int64(size), n-off)]
			wait.Add(1)
			go func() {
				defer wait.Done()
				k, err := file.ReadAt(b, off)
				p <- piece{b[:k], err}
			}()
		}
	}()
	for q := range queue {
		p := <-q
		if len(p.data) > 0 {
			if err := f(p.data); err != nil {
				return err
			}
		}
		if errors.Is(p.err, io.EOF) {
			return nil
		}
		if p.err != nil {
			return s.fault("read "+name, p.err)
		}
		select {
		case free <- p.data[:cap(p.data)]:
		default:
		}
	}
	if err := s.ctx.Err(); err != nil {
		return s.fault("read "+name, err)
	}
	return nil
}

// rename gives the part its name.
func (s *sending) rename() error {
	from, to := s.f.part(), s.f.Path
	named := func(f func(from, to string) error) error {
		s.naming = true
		err := s.ask(answerTime, "rename "+from, func() error { return f(from, to) })
		if err == nil {
			return nil
		}
		err = s.fault("rename "+from, err)
		if s.naming = device.KindOf(err) == lostKind; s.naming {
			err = leftover(err, "whether the file has its name "+to+" is not known, and the next transfer finds it out")
		}
		return err
	}
	if s.has("posix-rename@openssh.com") {
		if err := named(s.client.PosixRename); err != nil {
			return err
		}
		s.result.Atomic = true
		return nil
	}
	err := named(s.client.Rename)
	if err == nil {
		s.result.Atomic = true
		return nil
	}
	if s.naming {
		return err
	}
	// The plain renaming of the protocol replaces nothing.
	// Source: draft-ietf-secsh-filexfer-02 §6.5.
	if rerr := s.ask(answerTime, "remove the earlier "+to, func() error { return s.client.Remove(to) }); rerr != nil {
		if why := s.watch.stall(); why != nil {
			return why
		}
		return err
	}
	if err := named(s.client.Rename); err != nil {
		return leftover(err, "the earlier "+to+" has been removed to make way")
	}
	return nil
}

// tidy removes or keeps the part after a failure; err says what is left.
func (s *sending) tidy(err error) error {
	if !s.made {
		return err
	}
	part := s.f.part()
	keep := s.o.Keep && !s.wrong && s.f.SHA256 != "" && s.good > 0
	if s.ended() || s.ctx.Err() == nil && device.KindOf(err) == lostKind && s.ssh.Gone() {
		return s.tidyElsewhere(err, keep)
	}
	s.ctx = context.WithoutCancel(s.ctx) // each step has its own end
	var tidied error
	if keep {
		tidied = errors.New("the part is not open")
		if s.file != nil {
			tidied = s.ask(tidyTime, "shorten "+part, func() error { return s.file.Truncate(s.good) })
		}
	}
	if s.file != nil {
		_ = s.ask(tidyTime, "close "+part, s.file.Close) // it is removed, or was set to what is good
		s.file = nil
	}
	if keep && tidied == nil {
		return leftover(err, fmt.Sprintf("its first %d octets are kept as %s", s.good, part))
	}
	if keep {
		return leftover(err, fmt.Sprintf("what came across is kept as %s", part))
	}
	removed := func() bool {
		if s.client == nil {
			return false
		}
		err := s.ask(tidyTime, "remove "+part, func() error { return s.client.Remove(part) })
		return err == nil || errors.Is(err, fs.ErrNotExist)
	}
	// The session may be gone where the connection is not.
	if s.made = !removed() && (s.ended() || s.session(smallPacket) != nil || !removed()); !s.made {
		return err
	}
	if s.ended() { // while we tidied up
		return s.tidyElsewhere(err, false)
	}
	return leftover(err, "a part of it is left as "+part)
}

// tidyElsewhere does so after the connection is gone.
func (s *sending) tidyElsewhere(err error, keep bool) error {
	part, verb := s.f.part(), "is"
	if s.naming || s.file == nil && s.good == 0 {
		verb = "may be"
	}
	if keep {
		return leftover(err, fmt.Sprintf("what came across %s kept as %s", verb, part))
	}
	if s.o.Reconnect != nil && s.removeElsewhere(part) {
		return err
	}
	return leftover(err, "a part of it "+verb+" left as "+part+", which the next transfer of this file removes")
}

// removeElsewhere removes the part by another connection.
func (s *sending) removeElsewhere(part string) bool {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(s.ctx), tidyTime)
	defer cancel()
	c, err := s.o.Reconnect(ctx)
	if err != nil {
		return false
	}
	defer func() { _ = c.Close() }() // only for tidying
	w := newWatch(c, s.o)
	defer w.wait(ctx, tidyTime, "remove "+part)()
	client, err := subsystemOn(c, w)
	if err != nil {
		return false
	}
	err = client.Remove(part)
	return err == nil || errors.Is(err, fs.ErrNotExist)
}
