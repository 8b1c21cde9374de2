// Package consoletest is a console server with one line, over SSH, and the
// console of a device behind it; for tests.
//
// Read [Start] first. The line is what a serial line is: it neither begins nor
// ends with those who are connected, what the device says to nobody is lost, and
// one person at a time is let on it.
package consoletest

import (
	"crypto/ed25519"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"sync"

	"github.com/gliderlabs/ssh"
	gossh "golang.org/x/crypto/ssh"
	"golang.org/x/crypto/ssh/knownhosts"
)

// Server is a console server.
type Server struct {
	Line *Line
	// User and Password are the account on the console server.
	User, Password string

	listener net.Listener
	server   *ssh.Server
	host     gossh.Signer
	done     chan struct{}
}

// Start serves a line on loopback. greeting is what the console server says to
// those who connect; device is the device's side of the line, which ends when its
// reads fail.
func Start(greeting string, device func(*Line)) (*Server, error) {
	_, key, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return nil, err
	}
	s := &Server{Line: newLine(), User: "tow", Password: "over-the-line", done: make(chan struct{})}
	if s.host, err = gossh.NewSignerFromKey(key); err != nil {
		return nil, err
	}
	if s.listener, err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
		return nil, err
	}
	s.server = &ssh.Server{
		Handler:         func(x ssh.Session) { s.serve(x, greeting) },
		PasswordHandler: func(ctx ssh.Context, w string) bool { return ctx.User() == s.User && w == s.Password },
		HostSigners:     []ssh.Signer{s.host},
	}
	go func() { _ = s.server.Serve(s.listener) }() // ends by Close
	go func() {
		defer close(s.done)
		device(s.Line)
	}()
	return s, nil
}

// Close ends the server, and the device's side.
func (s *Server) Close() error {
	err := s.server.Close()
	s.Line.close()
	<-s.done
	return err
}

// Address is host:port of the line.
func (s *Server) Address() string { return s.listener.Addr().String() }

// KnownHosts is the line that lets clients verify the host key.
func (s *Server) KnownHosts() string {
	return knownhosts.Line([]string{knownhosts.Normalize(s.Address())}, s.host.PublicKey()) + "\n"
}

// serve puts one person on the line.
func (s *Server) serve(x ssh.Session, greeting string) {
	if by := s.Line.attach(x, x.User()); by != "" {
		fmt.Fprintf(x, "line 3 is in use by %s\r\n", by)
		_ = x.Exit(1)
		return
	}
	defer s.Line.detach(x)
	if _, err := io.WriteString(x, greeting); err != nil {
		return
	}
	b := make([]byte, 256)
	for {
		n, err := x.Read(b)
		s.Line.typed(b[:n])
		if err != nil {
			return
		}
	}
}

// Line is the line, as the device has it.
type Line struct {
	mu     sync.Mutex
	more   *sync.Cond
	in     []byte
	keys   int // typed in all
	closed bool
	who    string
	out    ssh.Session
}

var errHungUp = errors.New("the line is gone")

func newLine() *Line {
	l := &Line{}
	l.more = sync.NewCond(&l.mu)
	return l
}

func (l *Line) attach(x ssh.Session, who string) (by string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.who != "" {
		return l.who
	}
	l.who, l.out = who, x
	return ""
}

func (l *Line) detach(x ssh.Session) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.out == x {
		l.who, l.out = "", nil
	}
}

// Take puts somebody on the line who is not served here, or takes them off it
// where who is empty.
func (l *Line) Take(who string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.who, l.out = who, nil
}

// Cut ends the connection of whoever is on the line.
func (l *Line) Cut() {
	l.mu.Lock()
	out := l.out
	l.who, l.out = "", nil
	l.mu.Unlock()
	if out != nil {
		_ = out.Close()
	}
}

func (l *Line) typed(b []byte) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.in = append(l.in, b...)
	l.keys += len(b)
	l.more.Broadcast()
}

func (l *Line) close() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.closed = true
	l.more.Broadcast()
}

// Keys is how many keys were pressed so far.
func (l *Line) Keys() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.keys
}

// Closed says whether the line is gone.
func (l *Line) Closed() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.closed
}

// Key waits for the next key. stop, when not nil, is asked at every [Line.Nudge]
// whether to give up.
func (l *Line) Key(stop func() bool) (byte, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for len(l.in) == 0 {
		if l.closed || stop != nil && stop() {
			return 0, errHungUp
		}
		l.more.Wait()
	}
	b := l.in[0]
	l.in = l.in[1:]
	return b, nil
}

// Nudge has those who wait for a key look whether they should.
func (l *Line) Nudge() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.more.Broadcast()
}

// Write says something on the line; nobody may hear it.
func (l *Line) Write(b []byte) (int, error) {
	l.mu.Lock()
	out := l.out
	l.mu.Unlock()
	if out != nil {
		_, _ = out.Write(b) // who left has nobody to tell
	}
	return len(b), nil
}

// Console is the console of a device that sleeps until a key is pressed, asks
// for name and password, and then hands over to its command line.
type Console struct {
	Name, Password string
	// Shell opens a command line. It fails while the device is down.
	Shell func() (io.ReadWriteCloser, error)
	// Open has a session open from the start that somebody left.
	Open bool
	// Awake has it ask for the name before a key is pressed.
	Awake bool
	// Boot says what comes over the line between two looks whether the device is
	// up; it may wait. Nil: nothing.
	Boot func(*Line)
}

// Run is the device's side of the line.
func (c *Console) Run(l *Line) {
	if c.Open {
		c.session(l)
	} else if !c.Awake {
		if _, err := l.Key(nil); err != nil { // it sleeps
			return
		}
	}
	for !l.Closed() {
		if !c.login(l) {
			continue
		}
		c.session(l)
	}
}

func (c *Console) login(l *Line) bool {
	fmt.Fprint(l, "\r\nName? ")
	name, err := readLine(l, true)
	if err != nil || name == "" {
		return false
	}
	fmt.Fprint(l, "Password? ")
	word, err := readLine(l, false)
	switch {
	case err != nil:
		return false
	case name != c.Name || word != c.Password:
		fmt.Fprint(l, "\r\nnot let in: name or password is wrong\r\n")
		return false
	}
	return true
}

// errDropped says that somebody pressed ctrl-c.
var errDropped = errors.New("dropped")

func readLine(l *Line, seen bool) (string, error) {
	var line strings.Builder
	for {
		b, err := l.Key(nil)
		switch {
		case err != nil:
			return "", err
		case b == 3:
			return "", errDropped
		case b == '\r' || b == '\n':
			fmt.Fprint(l, "\r\n")
			return line.String(), nil
		}
		line.WriteByte(b)
		if seen {
			_, _ = l.Write([]byte{b})
		}
	}
}

// session is one at the command line, and the restart where it ends by one.
func (c *Console) session(l *Line) {
	sh, err := c.Shell()
	if err != nil {
		c.boot(l)
		return
	}
	var mu sync.Mutex
	ended := false
	over := func() bool {
		mu.Lock()
		defer mu.Unlock()
		return ended
	}
	var wg sync.WaitGroup
	wg.Go(func() {
		_, _ = io.Copy(l, sh)
		mu.Lock()
		ended = true
		mu.Unlock()
		l.Nudge()
	})
	for {
		b, err := l.Key(over)
		if err != nil {
			break
		}
		if _, err := sh.Write([]byte{b}); err != nil {
			break
		}
	}
	_ = sh.Close()
	wg.Wait()
	c.boot(l)
}

// boot waits until the device is up.
func (c *Console) boot(l *Line) {
	for !l.Closed() {
		sh, err := c.Shell()
		if err == nil {
			_ = sh.Close()
			return
		}
		if c.Boot != nil {
			c.Boot(l)
		}
	}
}
