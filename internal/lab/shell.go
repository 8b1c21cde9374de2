package lab

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"sync"
	"time"

	"github.com/gliderlabs/ssh"
	gossh "golang.org/x/crypto/ssh"
	"golang.org/x/crypto/ssh/knownhosts"
)

// ShellUser is who may log in to the command line, with the operator's key of
// [PKI.ClientKey] or the password of [Chassis.ShellPassword].
const ShellUser = "operator"

// shellPlane is the command line of a chassis over SSH. Like the rest of the
// management plane it follows the PRIMARY: while that is down the port refuses
// connections, and every session ends with it.
type shellPlane struct {
	c        *Chassis
	addr     string
	hold     func()
	host     gossh.Signer
	operator gossh.PublicKey
	password string

	mu   sync.Mutex
	l    net.Listener // of srv
	srv  *ssh.Server
	now  *shellConns // of srv
	life context.Context
	stop context.CancelFunc
}

// shellConns are the connections of the command line from when it opens to when
// it goes down; its lock is that of the plane.
type shellConns struct {
	busy map[net.Conn]int // commands under way on each
	down bool
}

// shellConn is one of them.
type shellConn struct {
	net.Conn
	of *shellConns
}

// newShell prepares the command line. Its port is held from now on.
func newShell(c *Chassis) (*shellPlane, error) {
	addr, hold, err := reserve(c.cfg.ShellListen)
	if err != nil {
		return nil, fmt.Errorf("device %s: command line: %w", c.cfg.ID, err)
	}
	p := &shellPlane{c: c, addr: addr, hold: hold}
	if err := p.keys(); err != nil {
		hold()
		return nil, fmt.Errorf("device %s: command line: %w", c.cfg.ID, err)
	}
	return p, nil
}

func (p *shellPlane) keys() error {
	var err error
	if p.host, err = hostKey(); err != nil {
		return err
	}
	operator, err := p.c.lab.pki.SSHSigner()
	if err != nil {
		return err
	}
	p.operator = operator.PublicKey()
	p.password = password("lab")
	return nil
}

// open starts to serve. It does nothing where it serves already.
func (p *shellPlane) open() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.srv != nil {
		return nil
	}
	l, err := listen(p.addr)
	if err != nil {
		return fmt.Errorf("device %s: command line: %w", p.c.cfg.ID, err)
	}
	p.life, p.stop = context.WithCancel(context.Background())
	now := &shellConns{busy: map[net.Conn]int{}}
	life := p.life
	srv := &ssh.Server{
		Handler: func(s ssh.Session) { p.session(life, s) },
		PublicKeyHandler: func(ctx ssh.Context, k ssh.PublicKey) bool {
			return ctx.User() == ShellUser && ssh.KeysEqual(k, p.operator)
		},
		PasswordHandler:   func(ctx ssh.Context, w string) bool { return ctx.User() == ShellUser && w == p.password },
		SubsystemHandlers: map[string]ssh.SubsystemHandler{"sftp": func(s ssh.Session) { p.files(life, s) }},
		ConnCallback: func(ctx ssh.Context, conn net.Conn) net.Conn {
			ctx.SetValue(connKey{}, shellConn{conn, now})
			p.mu.Lock()
			defer p.mu.Unlock()
			if now.down {
				return nil // it came at the last moment
			}
			now.busy[conn] = 0
			return conn
		},
		HostSigners: []ssh.Signer{p.host},
		Version:     "lab",
	}
	p.l, p.srv, p.now = l, srv, now
	go func() {
		_ = srv.Serve(l) // ends when l is closed
	}()
	if p.c.consoles != nil {
		p.c.consoles.opened(life)
	}
	return nil
}

// connKey finds the connection of a session.
type connKey struct{}

// busy notes that a command begins or ends on a session's connection. When the
// plane has gone down meanwhile, the end of the last command ends the
// connection, also where another primary has opened the plane again.
func (p *shellPlane) busy(s ssh.Session, by int) {
	c, ok := s.Context().Value(connKey{}).(shellConn)
	if !ok {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	c.of.busy[c.Conn] += by
	if c.of.down && c.of.busy[c.Conn] <= 0 {
		delete(c.of.busy, c.Conn)
		_ = c.Close()
	}
}

// down closes the port and every connection on which nothing is under way; the
// others when their command has been answered, or after flushLimit.
func (p *shellPlane) down() { p.end(false) }

// cut closes everything at once, answers or not.
func (p *shellPlane) cut() { p.end(true) }

func (p *shellPlane) end(atOnce bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	srv := p.srv
	if srv == nil {
		return
	}
	p.srv = nil
	_ = p.l.Close() // here and not later: the next PRIMARY may listen at once
	p.stop()
	now := p.now
	now.down = true
	closeAll := func() {
		_ = srv.Close()
	}
	if atOnce {
		closeAll()
		return
	}
	for conn, n := range now.busy {
		if n == 0 {
			delete(now.busy, conn)
			_ = conn.Close()
		}
	}
	// Shutdown waits for the connections.
	ctx, cancel := context.WithTimeout(context.Background(), flushLimit)
	go func() {
		defer cancel()
		_ = srv.Shutdown(ctx)
		closeAll()
	}()
}

func (p *shellPlane) close() {
	p.cut()
	p.c.do(func() {
		p.c.incoming.taking = false
		p.c.forget()
	})
	p.hold()
}

// ShellAddress returns host:port of the command line, empty where there is
// none.
func (c *Chassis) ShellAddress() string {
	if c.shell == nil {
		return ""
	}
	return c.shell.addr
}

// ShellPassword returns the password of [ShellUser].
func (c *Chassis) ShellPassword() string {
	if c.shell == nil {
		return ""
	}
	return c.shell.password
}

// ShellKnownHosts returns the line that lets clients verify the host key.
func (c *Chassis) ShellKnownHosts() string {
	if c.shell == nil {
		return ""
	}
	return knownhosts.Line([]string{knownhosts.Normalize(c.shell.addr)}, c.shell.host.PublicKey()) + "\n"
}

// terminal is what a session of the command line talks over: an SSH session, or a
// console line from a log-in to its end.
type terminal interface {
	io.ReadWriter
	Context() context.Context
}

// overSSH is a session of SSH as a terminal.
type overSSH struct {
	io.ReadWriter
	session ssh.Session
}

// Context ends with the session.
func (s overSSH) Context() context.Context { return s.session.Context() }

// shellSession is one person at the command line.
type shellSession struct {
	p        *shellPlane
	c        *Chassis
	s        terminal
	life     context.Context
	in       *keyboard
	mark     string // stands in the prompt
	paging   bool
	changing bool
	changes  []turned
}

// pageLines is how many lines the pager lets through.
const pageLines = 40

// errInterrupted says that a person pressed ctrl-c.
var errInterrupted = errors.New("interrupted")

// session serves one person.
func (p *shellPlane) session(life context.Context, s ssh.Session) {
	if _, _, terminal := s.Pty(); !terminal {
		fmt.Fprintln(s, "refused: this command line wants a terminal")
		_ = s.Exit(1)
		return
	}
	p.talk(life, overSSH{s, s}, func(by int) { p.busy(s, by) })
}

// talk is the command line with one person, until they leave or the management
// plane goes down. busy is told when a command begins and ends. It returns what
// they type on.
func (p *shellPlane) talk(life context.Context, s terminal, busy func(by int)) *keyboard {
	ctx, stop := context.WithCancel(s.Context())
	defer stop()
	defer context.AfterFunc(life, stop)()
	x := &shellSession{p: p, c: p.c, s: s, life: life, in: newKeyboard(ctx, s), paging: true}
	fmt.Fprintln(s, "Authorised staff only. Everything is kept.")
	for life.Err() == nil {
		fmt.Fprint(s, x.prompt())
		line, err := x.line()
		if errors.Is(err, errInterrupted) {
			continue
		}
		if err != nil {
			break
		}
		busy(1)
		leave := x.do(strings.TrimSpace(line))
		// The prompt of a plane that goes down never comes.
		busy(-1)
		if leave {
			break
		}
	}
	return x.in
}

func (x *shellSession) prompt() string {
	words := []string{string(x.c.cfg.ID)}
	if x.mark != "" {
		words = append(words, x.mark)
	}
	if x.changing {
		words = append(words, "changing")
	}
	return "[" + strings.Join(words, " ") + "] "
}

// line reads a typed line and echoes it.
func (x *shellSession) line() (string, error) {
	var line, echo []byte
	for {
		b, err := x.in.ReadByte()
		if err != nil {
			return "", err
		}
		switch {
		case b == '\r' || b == '\n':
			if b == '\r' {
				x.in.skip('\n')
			}
			_, err := x.s.Write(append(echo, '\n'))
			return string(line), err
		case b == 3:
			_, err := x.s.Write(append(echo, "^C\n"...))
			return "", errors.Join(errInterrupted, err)
		case b == 4 && len(line) == 0:
			return "", errInterrupted
		case b == 8 || b == 0x7f:
			if len(line) > 0 {
				line = line[:len(line)-1]
				echo = append(echo, "\b \b"...)
			}
		case b >= 0x20:
			line = append(line, b)
			echo = append(echo, b)
		}
		if x.in.waiting() == 0 && len(echo) > 0 {
			if _, err := x.s.Write(echo); err != nil {
				return "", err
			}
			echo = echo[:0]
		}
	}
}

// print writes an output, page by page where paging is on, and slowly where the
// device is slow.
func (x *shellSession) print(text string) {
	if !x.paging {
		x.write([]byte(text))
		return
	}
	lines := strings.SplitAfter(text, "\n")
	for i := 0; i < len(lines); i += pageLines {
		x.write([]byte(strings.Join(lines[i:min(i+pageLines, len(lines))], "")))
		if i+pageLines >= len(lines) || lines[i+pageLines] == "" {
			return
		}
		const question = "-- more: space, or q --"
		fmt.Fprint(x.s, question)
		b, err := x.in.ReadByte()
		fmt.Fprint(x.s, "\r"+strings.Repeat(" ", len(question))+"\r")
		if err != nil || b == 'q' || b == 3 {
			return
		}
	}
}

func (x *shellSession) write(b []byte) {
	pace := x.c.cfg.ShellPace
	if pace <= 0 {
		_, _ = x.s.Write(b) // a person who left has nobody to tell
		return
	}
	const piece = 64
	for len(b) > 0 {
		n := min(piece, len(b))
		if _, err := x.s.Write(b[:n]); err != nil {
			return
		}
		b = b[n:]
		t := time.NewTimer(pace)
		select {
		case <-t.C:
		case <-x.s.Context().Done():
			t.Stop()
			return
		}
	}
}

// confirm asks a question; anything but yes is no.
func (x *shellSession) confirm(what string) bool {
	fmt.Fprintf(x.s, "%s\nGo on, yes or no? ", what)
	line, err := x.line()
	return err == nil && strings.TrimSpace(line) == "yes"
}

// table collects an output.
type table struct{ bytes.Buffer }

func (t *table) line(format string, args ...any) { fmt.Fprintf(&t.Buffer, format+"\n", args...) }
