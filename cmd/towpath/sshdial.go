package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"sync"

	"golang.org/x/crypto/ssh"
	"golang.org/x/term"

	"towpath/internal/device"
	"towpath/internal/device/sshlink"
	"towpath/internal/fleet"
	"towpath/internal/workspace"
)

// sshConfig is how a device's fleet entry has it reached over SSH; every driver
// that speaks over SSH starts from it.
func sshConfig(d fleet.Device, r wiring) (sshlink.Config, error) {
	x := d.Access
	if x.User == "" {
		return sshlink.Config{}, &device.Fault{Kind: device.Ours, Op: "connect to " + string(d.ID), Text: "the fleet file gives no access.user to log in with over SSH"}
	}
	return sshThrough(d, r, fleet.JumpHost{Address: x.Address, User: x.User, Key: x.Key, Password: x.Password, Agent: x.Agent, KnownHosts: x.KnownHosts, InsecureReason: x.InsecureReason}, x.Jump)
}

// consoleConfig is how the console server of one console line is reached.
func consoleConfig(d fleet.Device, x fleet.ControllerConsole, r wiring) (sshlink.Config, error) {
	return sshThrough(d, r, fleet.JumpHost{Address: x.Address, User: x.User, Key: x.Key, Password: x.Password, Agent: x.Agent, KnownHosts: x.KnownHosts, InsecureReason: x.InsecureReason}, x.Jump)
}

// sshThrough is a host behind jump hosts, the nearest to us first.
func sshThrough(d fleet.Device, r wiring, host fleet.JumpHost, jumps []fleet.JumpHost) (sshlink.Config, error) {
	cfg, err := sshHost(d, r, host)
	if err != nil {
		return sshlink.Config{}, err
	}
	last := &cfg
	for i := len(jumps) - 1; i >= 0; i-- { // the nearest to us is the last here
		jump, err := sshHost(d, r, jumps[i])
		if err != nil {
			return sshlink.Config{}, err
		}
		if jumps[i].KnownHosts == "" {
			jump.KnownHosts = cfg.KnownHosts
		}
		last.Jump = &jump
		last = &jump
	}
	return cfg, nil
}

// sshHost is one host on the way, or the device itself.
func sshHost(d fleet.Device, r wiring, h fleet.JumpHost) (sshlink.Config, error) {
	cfg := sshlink.Config{Address: h.Address, User: h.User, InsecureReason: h.InsecureReason, Answer: askAtTerminal(h)}
	fail := func(err error) (sshlink.Config, error) {
		return sshlink.Config{}, &device.Fault{Kind: device.Denied, Op: "connect to " + string(d.ID), Err: err}
	}
	var key []byte
	if err := r.resolve(d, secret{h.Key, &key}); err != nil {
		return sshlink.Config{}, err
	}
	// A file of known hosts begins empty: the error that follows has its first line.
	if err := r.resolve(d, secret{h.KnownHosts, &cfg.KnownHosts}); err != nil && !errors.Is(err, workspace.ErrEmpty) {
		return sshlink.Config{}, err
	}
	if key != nil {
		signer, err := ssh.ParsePrivateKey(key)
		var locked *ssh.PassphraseMissingError
		switch {
		case errors.As(err, &locked):
			return fail(fmt.Errorf("%s: the private key has a passphrase; give it to an agent and set agent: true, or keep it in a file that age encrypts", h.Key))
		case err != nil:
			return fail(fmt.Errorf("%s: no private key in PEM: %w", h.Key, err))
		}
		cfg.Signers = []ssh.Signer{signer}
	}
	if h.Agent {
		if cfg.AgentSocket = os.Getenv("SSH_AUTH_SOCK"); cfg.AgentSocket == "" {
			return fail(errors.New("the fleet file says agent: true, and the environment variable SSH_AUTH_SOCK names no agent"))
		}
	}
	if h.Password != "" {
		cfg.Password = func() (string, error) { return r.password(h.Password) }
	}
	return cfg, nil
}

// password reads a password that is referred to.
func (r wiring) password(ref fleet.SecretRef) (string, error) {
	v, err := r.secrets.Resolve(ref)
	if err != nil {
		return "", err
	}
	return strings.TrimRight(string(v.Reveal()), "\r\n"), nil // a file ends with a line end
}

// atTerminal lets one device at a time ask.
var atTerminal sync.Mutex

// askAtTerminal asks the person at the terminal what a device wants to know
// beyond the password; nil where nobody is there.
func askAtTerminal(h fleet.JumpHost) func(name, instruction string, questions []string, echo []bool) ([]string, error) {
	if !term.IsTerminal(int(os.Stdin.Fd())) {
		return nil
	}
	return func(name, instruction string, questions []string, echo []bool) ([]string, error) {
		atTerminal.Lock()
		defer atTerminal.Unlock()
		tty, err := os.OpenFile("/dev/tty", os.O_RDWR, 0)
		if err != nil {
			return nil, err
		}
		defer func() { _ = tty.Close() }() // nothing is kept in it
		fmt.Fprintf(tty, "\n%s@%s asks at the log-in:\n", clean(h.User), h.Address)
		for _, s := range []string{name, instruction} {
			if s = clean(s); s != "" {
				fmt.Fprintln(tty, s)
			}
		}
		answers := make([]string, len(questions))
		for i, q := range questions {
			fmt.Fprint(tty, clean(q), " ")
			if answers[i], err = answer(tty, echo[i]); err != nil {
				return nil, err
			}
		}
		return answers, nil
	}
}

// answer reads one line, seen or unseen.
func answer(tty *os.File, seen bool) (string, error) {
	if !seen {
		b, err := term.ReadPassword(int(tty.Fd()))
		fmt.Fprintln(tty)
		return string(b), err
	}
	var line []byte
	for b := make([]byte, 1); ; {
		n, err := tty.Read(b)
		switch {
		case n > 0 && b[0] == '\n':
			return string(line), nil
		case n > 0:
			line = append(line, b[0])
		case errors.Is(err, io.EOF) && len(line) > 0:
			return string(line), nil
		case err != nil:
			return "", err
		}
	}
}

// clean is a device's text without what could steer a terminal.
// Source: RFC 4256 §3.2 asks clients to filter control characters.
func clean(s string) string {
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if r < ' ' && r != '\n' || r >= 0x7f && r < 0xa0 {
			return -1
		}
		return r
	}, s))
}
