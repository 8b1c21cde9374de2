package lab

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"net"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/gliderlabs/ssh"
	gossh "golang.org/x/crypto/ssh"
	"golang.org/x/crypto/ssh/knownhosts"
)

// ConsoleUser is who may log in to the console server, with the password of
// [Chassis.ConsolePassword]. On the device behind a line it is [ShellUser] with
// the password of [Chassis.ShellPassword].
const ConsoleUser = "tow"

// consolePlane is a console server with a line for each controller card. A line
// is what a serial line is: it neither begins nor ends with those who listen,
// what is said to nobody is lost, one person at a time is let on it, and what the
// card says it says in the midst of everything else.
//
// The card that leads takes commands, from when its management plane is up. The
// other one says that it follows. A card that starts says how far it is, and hears
// nothing.
type consolePlane struct {
	c        *Chassis
	host     gossh.Signer
	password string
	lines    []*cardLine

	mu   sync.Mutex
	life context.Context // of the management plane; nil before it was up

	// As last told; the chassis's lock guards them.
	parts  map[string]string
	alarms []string
}

// cardLine is the line of one controller card.
type cardLine struct {
	p     *consolePlane
	k     *controller
	addr  string
	srv   *ssh.Server
	state string // as last told, with percent; the chassis's lock guards both
	done  int

	mu     sync.Mutex
	change chan struct{} // closed at the next change of anything below
	in     []byte        // keys that nobody has taken
	urgent []byte        // what the card says by itself and has not gone over the line
	rest   []byte        // likewise of what it was asked for
	who    string
	out    ssh.Session
	awake  bool // asks for a name by itself
	closed bool
}

// newConsoles serves the lines from now on.
func newConsoles(c *Chassis) (*consolePlane, error) {
	host, err := hostKey()
	if err != nil {
		return nil, err
	}
	p := &consolePlane{c: c, host: host, password: password("line")}
	for _, k := range c.controllers {
		ln, err := net.Listen("tcp", c.cfg.ConsoleListen)
		if err != nil {
			p.close()
			return nil, fmt.Errorf("device %s: console of %s: %w", c.cfg.ID, k.Name, err)
		}
		l := &cardLine{p: p, k: k, addr: ln.Addr().String(), change: make(chan struct{})}
		l.srv = &ssh.Server{
			Handler:         l.serve,
			PasswordHandler: func(ctx ssh.Context, w string) bool { return ctx.User() == ConsoleUser && w == p.password },
			HostSigners:     []ssh.Signer{p.host},
		}
		p.lines = append(p.lines, l)
		go func() { _ = l.srv.Serve(ln) }() // ends by Close
		c.spawn(l.send)
		c.spawn(l.run)
	}
	return p, nil
}

func (p *consolePlane) close() {
	for _, l := range p.lines {
		_ = l.srv.Close()
		l.set(func() { l.closed = true })
	}
}

// opened says that the management plane is up.
func (p *consolePlane) opened(life context.Context) {
	p.mu.Lock()
	p.life = life
	p.mu.Unlock()
	for _, l := range p.lines {
		l.set(func() {})
	}
}

// look tells the lines what has changed. The chassis's lock is held.
func (p *consolePlane) look() {
	c := p.c
	for _, l := range p.lines {
		k, was := l.k, l.state
		switch {
		case k.power != powerEnabled:
			l.state = "off"
		case k.failure:
			l.state = "stopped"
		case k.booting:
			l.state = "starts"
		case k.role == rolePrimary:
			l.state = "leads"
		default:
			l.state = "follows"
		}
		switch {
		case l.state == "starts" && (was != "starts" || l.done != k.bootPercent):
			l.done = k.bootPercent
			l.say(fmt.Sprintf("\r\n%s starts: %d of 100\r\n", k.Name, k.bootPercent))
		case l.state == was:
		case was == "":
		case l.state == "leads" && was == "follows":
			l.say(fmt.Sprintf("\r\n** %s leads now\r\n", k.Name))
		case l.state == "leads" || l.state == "follows":
			l.say(fmt.Sprintf("\r\n%s is up with release %s and %s\r\n", k.Name, k.version, l.state))
		case l.state == "stopped":
			l.say(fmt.Sprintf("\r\n%s stopped\r\n", k.Name))
		}
		if l.state != was {
			l.set(func() { l.awake = l.awake || was != "" && l.state == "leads" })
		}
	}
	parts := map[string]string{}
	for _, k := range c.allComponents() {
		if c.controller(k.Name) == nil {
			parts[k.Name] = word(k.oper)
		}
	}
	alarms := slices.Sorted(maps.Keys(c.alarms))
	if p.parts != nil {
		for _, n := range slices.Sorted(maps.Keys(parts)) {
			if parts[n] != p.parts[n] {
				p.tell("%s is %s", n, parts[n])
			}
		}
		for _, a := range alarms {
			if !slices.Contains(p.alarms, a) {
				p.tell("alarm %s: %s", a, c.alarms[a].text)
			}
		}
		for _, a := range p.alarms {
			if !slices.Contains(alarms, a) {
				p.tell("no more alarm %s", a)
			}
		}
	}
	p.parts, p.alarms = parts, alarms
}

// tell says something on the line of the card that leads.
func (p *consolePlane) tell(format string, args ...any) {
	for _, l := range p.lines {
		if l.state == "leads" {
			l.say("\r\n** " + fmt.Sprintf(format, args...) + "\r\n")
		}
	}
}

// set changes the line and wakes who waits for it.
func (l *cardLine) set(f func()) {
	l.mu.Lock()
	defer l.mu.Unlock()
	f()
	close(l.change)
	l.change = make(chan struct{})
}

// say is what the card says by itself: before whatever it has not got rid of.
func (l *cardLine) say(text string) {
	l.set(func() { l.urgent = append(l.urgent, text...) })
}

// Write says something after all else.
func (l *cardLine) Write(b []byte) (int, error) {
	l.set(func() { l.rest = append(l.rest, b...) })
	return len(b), nil
}

// linePiece is how much goes over a quick line at once.
const linePiece = 512

// send puts on the line what is said, as quickly as it takes it.
func (l *cardLine) send() {
	speed := l.p.c.cfg.ConsoleSpeed
	for {
		l.mu.Lock()
		if l.closed {
			l.mu.Unlock()
			return
		}
		from := &l.rest
		if len(l.urgent) > 0 {
			from = &l.urgent
		}
		n := min(len(*from), linePiece)
		if speed > 0 {
			n = min(n, max(speed/50, 1))
		}
		if n == 0 {
			change := l.change
			l.mu.Unlock()
			<-change
			continue
		}
		piece, out := slices.Clone((*from)[:n]), l.out
		*from = (*from)[n:]
		l.mu.Unlock()
		if out != nil {
			_, _ = out.Write(piece) // who left has nobody to tell
		}
		if speed > 0 && !l.p.c.sleepReal(time.Duration(n)*time.Second/time.Duration(speed)) {
			return
		}
	}
}

// serve puts one person on the line.
func (l *cardLine) serve(x ssh.Session) {
	by := ""
	l.set(func() {
		if by = l.who; by == "" {
			l.who, l.out = x.User(), x
		}
	})
	if by != "" {
		fmt.Fprintf(x, "the line of %s is in use by %s\r\n", l.k.Name, by)
		_ = x.Exit(1)
		return
	}
	defer l.set(func() {
		if l.out == x {
			l.who, l.out = "", nil
		}
	})
	fmt.Fprintf(l, "Console server of Mere, the line of %s.\r\n", l.k.Name)
	b := make([]byte, 256)
	for {
		n, err := x.Read(b)
		l.set(func() { l.in = append(l.in, b[:n]...) })
		if err != nil {
			return
		}
	}
}

// run is the card's side of the line.
func (l *cardLine) run() {
	for {
		life := l.await()
		if life == nil {
			return
		}
		for life.Err() == nil && l.login(life) {
			_, _ = io.WriteString(l, "\r\n")
			ctx, end := context.WithCancel(life)
			keys := l.p.c.shell.talk(life, &lineTerminal{l, ctx}, func(int) {})
			end()
			ahead := keys.unread()
			l.set(func() { l.awake, l.in = true, append(slices.Clone(ahead), l.in...) })
		}
	}
}

// await waits until the card takes commands, and answers keys meanwhile. It
// returns nil when the line ends.
func (l *cardLine) await() context.Context {
	c := l.p.c
	for {
		l.mu.Lock()
		change := l.change // whatever changes from here on is looked at
		l.mu.Unlock()
		l.p.mu.Lock()
		life := l.p.life
		l.p.mu.Unlock()
		c.mu.Lock()
		leads := life != nil && life.Err() == nil && c.primary() == l.k
		follows := l.state == "follows"
		c.mu.Unlock()
		if leads {
			return life
		}
		l.mu.Lock()
		closed, pressed := l.closed, len(l.in) > 0
		l.in = nil
		l.mu.Unlock()
		switch {
		case closed:
			return nil
		case pressed && follows:
			fmt.Fprintf(l, "\r\n%s follows and takes no commands\r\n", l.k.Name)
		default:
			<-change
		}
	}
}

// key waits for a key.
func (l *cardLine) key(ctx context.Context) (byte, error) {
	for {
		l.mu.Lock()
		if len(l.in) > 0 && ctx.Err() == nil {
			b := l.in[0]
			l.in = l.in[1:]
			l.mu.Unlock()
			return b, nil
		}
		closed, change := l.closed, l.change
		l.mu.Unlock()
		if closed {
			return 0, io.EOF
		}
		select {
		case <-change:
		case <-ctx.Done():
			return 0, context.Cause(ctx)
		}
	}
}

// login lets somebody in; false: the management plane went down first.
func (l *cardLine) login(life context.Context) bool {
	l.mu.Lock()
	awake := l.awake
	l.mu.Unlock()
	if !awake { // it sleeps
		if _, err := l.key(life); err != nil {
			return false
		}
	}
	for {
		_, _ = io.WriteString(l, "\r\nName? ")
		name, err := l.answer(life, true)
		if err == nil && name != "" {
			_, _ = io.WriteString(l, "Password? ")
			var word string
			word, err = l.answer(life, false)
			if err == nil && name == ShellUser && word == l.p.c.shell.password {
				return true
			}
			if err == nil {
				_, _ = io.WriteString(l, "\r\nnot let in: name or password is wrong\r\n")
			}
		}
		if err != nil && !errors.Is(err, errInterrupted) {
			return false
		}
	}
}

// answer reads a line.
func (l *cardLine) answer(life context.Context, seen bool) (string, error) {
	var line strings.Builder
	for {
		b, err := l.key(life)
		switch {
		case err != nil:
			return "", err
		case b == 3:
			return "", errInterrupted
		case b == '\r' || b == '\n':
			_, _ = io.WriteString(l, "\r\n")
			return line.String(), nil
		}
		line.WriteByte(b)
		if seen {
			_, _ = l.Write([]byte{b})
		}
	}
}

// lineTerminal is a line from a log-in to its end.
type lineTerminal struct {
	*cardLine
	ctx context.Context
}

// Context ends with the session.
func (t *lineTerminal) Context() context.Context { return t.ctx }

// Read takes keys.
func (t *lineTerminal) Read(b []byte) (int, error) {
	k, err := t.key(t.ctx)
	if err != nil {
		return 0, err
	}
	b[0] = k
	return 1, nil
}

// Write ends lines as a terminal wants them.
func (t *lineTerminal) Write(b []byte) (int, error) {
	_, err := io.WriteString(t.cardLine, strings.ReplaceAll(strings.ReplaceAll(string(b), "\r\n", "\n"), "\n", "\r\n"))
	return len(b), err
}

// line is the console line of a controller card; nil where there is none.
func (c *Chassis) line(card string) *cardLine {
	if c.consoles == nil {
		return nil
	}
	for _, l := range c.consoles.lines {
		if l.k.Name == card {
			return l
		}
	}
	return nil
}

// Cards returns the names of the controller cards.
func (c *Chassis) Cards() []string {
	out := make([]string, len(c.controllers))
	for i, k := range c.controllers {
		out[i] = k.Name
	}
	return out
}

// ConsoleAddress returns host:port of the console line of a controller card,
// empty where there is none.
func (c *Chassis) ConsoleAddress(card string) string {
	if l := c.line(card); l != nil {
		return l.addr
	}
	return ""
}

// ConsolePassword returns the password of [ConsoleUser].
func (c *Chassis) ConsolePassword() string {
	if c.consoles == nil {
		return ""
	}
	return c.consoles.password
}

// ConsoleKnownHosts returns the lines that let clients verify the host key of the
// console server.
func (c *Chassis) ConsoleKnownHosts() string {
	var out strings.Builder
	if c.consoles != nil {
		for _, l := range c.consoles.lines {
			out.WriteString(knownhosts.Line([]string{knownhosts.Normalize(l.addr)}, c.consoles.host.PublicKey()) + "\n")
		}
	}
	return out.String()
}

// CutConsole ends the connection of whoever is on the console line of a controller
// card. The device does not notice.
func (c *Chassis) CutConsole(card string) {
	l := c.line(card)
	if l == nil {
		return
	}
	var out ssh.Session
	l.set(func() { out, l.who, l.out = l.out, "", nil })
	if out != nil {
		_ = out.Close()
	}
}

// TypeOnConsole is somebody at the keyboard that hangs on the controller card
// itself.
func (c *Chassis) TypeOnConsole(card, keys string) {
	if l := c.line(card); l != nil {
		l.set(func() { l.in = append(l.in, keys...) })
	}
}
