package sshlink

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"syscall"
	"time"

	"golang.org/x/crypto/ssh"

	"towpath/internal/device"
)

var (
	errClosed   = errors.New("the connection was closed on this side")
	errTimeout  = errors.New("no answer in time")
	errPassword = errors.New("the password is wrong")
)

// silentError is a connection that was given up.
type silentError struct{ after time.Duration }

// Error is one line for people.
func (e *silentError) Error() string {
	return fmt.Sprintf("nothing was heard from it for %s, although it was asked whether it is there; the connection was given up", e.after)
}

// Explained is an error of the transport in words that say what to look at.
type Explained struct {
	Text string
	Err  error // as the transport gave it
}

// Error is Text.
func (e *Explained) Error() string { return e.Text }

// Unwrap returns the transport's error.
func (e *Explained) Unwrap() error { return e.Err }

// fault is a failure of the attempt, with its explanation.
func (a *attempt) fault(kind device.Kind, text string, err error) error {
	return &device.Fault{Kind: kind, Op: a.op, Err: &Explained{text, err}}
}

// jumpFailed is the failure of the jump host's own connection.
func (a *attempt) jumpFailed(err error) error {
	return &device.Fault{Kind: device.KindOf(err), Op: a.op, Text: "the jump host cannot be used", Err: err}
}

// notConnected says why there is no connection below SSH.
func (a *attempt) notConnected(ctx context.Context, jump *Client, err error) error {
	var (
		refused *ssh.OpenChannelError
		dns     *net.DNSError
		timeout net.Error
	)
	switch {
	case errors.Is(context.Cause(ctx), errTimeout):
		return a.fault(device.Unreachable, fmt.Sprintf("no connection within %s: it is down, the address is wrong, or a filter drops what is sent to the port", a.cfg.Timeout), err)
	case ctx.Err() != nil:
		return a.fault(device.Unreachable, "the attempt was ended: "+context.Cause(ctx).Error(), context.Cause(ctx))
	case jump != nil && errors.As(err, &refused) && refused.Reason == ssh.Prohibited:
		return a.fault(device.Denied, fmt.Sprintf("the jump host %s does not forward connections: %s", jump.address, refused.Message), err)
	case jump != nil && errors.As(err, &refused):
		return a.fault(device.Unreachable, fmt.Sprintf("the jump host %s gets no connection to it: %s", jump.address, refused.Message), err)
	case jump != nil:
		return a.fault(device.Unreachable, fmt.Sprintf("the connection to the jump host %s broke: %v", jump.address, err), err)
	case errors.Is(err, syscall.ECONNREFUSED):
		return a.fault(device.Unreachable, "connection refused: the host is there and nothing listens on the port (SSH is off, still starting, or on another port)", err)
	case errors.Is(err, syscall.EHOSTUNREACH) || errors.Is(err, syscall.ENETUNREACH):
		return a.fault(device.Unreachable, "there is no route to it", err)
	case errors.As(err, &dns):
		return a.fault(device.Unreachable, fmt.Sprintf("its name %q cannot be looked up: %s", dns.Name, dns.Err), err)
	case errors.As(err, &timeout) && timeout.Timeout():
		return a.fault(device.Unreachable, "no connection in time: it is down, the address is wrong, or a filter drops what is sent to the port", err)
	}
	return a.fault(device.Unreachable, err.Error(), err)
}

// failed says why a connection did not become one of SSH.
func (a *attempt) failed(ctx context.Context, err error) error {
	var algorithms *ssh.AlgorithmNegotiationError
	at := a.at()
	switch {
	case a.hosts.refused != nil:
		return &device.Fault{Kind: device.Denied, Op: a.op, Err: a.hosts.refused}
	case errors.Is(context.Cause(ctx), errTimeout):
		return a.fault(device.Unreachable, a.late(at), errors.Join(context.DeadlineExceeded, err))
	case ctx.Err() != nil:
		return a.fault(device.Unreachable, "the attempt was ended: "+context.Cause(ctx).Error(), context.Cause(ctx))
	case errors.As(err, &algorithms):
		return a.fault(device.Unable, fmt.Sprintf("no common algorithm for the %s: it has %s; we have %s",
			algorithms.What, list(algorithms.RequestedAlgorithms), list(algorithms.SupportedAlgorithms)), err)
	case at == stageLogin:
		return a.loginFailed(err)
	case at == stageGreeting && lost(err):
		return a.fault(device.Unreachable, "it took the connection and closed it without a word: it has no free session, or a filter does not let this host in", err)
	case at == stageExchange && !greeted(a.wire.heard()):
		return a.fault(device.Refused, fmt.Sprintf("what answers there is not SSH; it says %q", a.wire.heard()), err)
	case lost(err):
		return a.fault(device.Unreachable, "the connection broke during the key exchange", err)
	}
	return a.fault(device.Refused, "the key exchange failed: "+trim(err), err)
}

// late says what had not come when the time was over.
func (a *attempt) late(at stage) string {
	switch at {
	case stageConnect:
		return fmt.Sprintf("no connection within %s", a.cfg.Timeout)
	case stageGreeting:
		return fmt.Sprintf("it took the connection and said nothing for %s: not SSH, too busy, or a console port that waits for a key", a.cfg.Timeout)
	case stageExchange, stageKeyShown:
		return fmt.Sprintf("the key exchange was not done within %s", a.cfg.Timeout)
	case stageLogin:
		return fmt.Sprintf("the log-in was not done within %s: the device waits for its own authentication server, perhaps", a.cfg.Timeout)
	}
	return errTimeout.Error()
}

// loginFailed says why the device did not let us in.
func (a *attempt) loginFailed(err error) error {
	l := &a.login
	who := fmt.Sprintf("the user %q", a.cfg.User)
	var tried []string
	if l.offers {
		tried = append(tried, fmt.Sprintf("%d %s", l.offered, plural(l.offered, "key", "keys")))
	}
	if l.passwordOut {
		tried = append(tried, "the password")
	}
	with := strings.Join(tried, " and ")
	switch {
	case l.passwordOut && !l.accepted:
		return a.fault(device.Denied, "it refuses the password of "+who+" (it was sent once and will not be tried again: mind the lock-out)", errors.Join(errPassword, err))
	case l.question != nil && l.sawPassword && with != "":
		return a.fault(device.Denied, "it does not let in "+who+" with "+with+" and then asks for a password, of which none is configured", l.question)
	case l.question != nil && l.sawPassword:
		return a.fault(device.Denied, "it asks for a password of "+who+" and none is configured", l.question)
	case l.question != nil:
		return &device.Fault{Kind: device.Denied, Op: a.op, Err: l.question}
	case l.failure != nil:
		return a.fault(device.Denied, l.failure.Error(), l.failure)
	case l.agentError != nil && errors.Is(err, l.agentError): // one of the network's, but of another connection
	case lost(err):
		return a.fault(device.Unreachable, "the connection broke during the log-in", err)
	}
	text := "it does not let in " + who
	switch {
	case l.answered != nil:
		text += fmt.Sprintf("; the last question that was answered is %q", strings.Join(l.answered.Questions, " "))
	case with != "":
		text += " with " + with
	default:
		text += ", for whom neither a key nor a password that it would take is configured"
	}
	if l.allowed != "" {
		text += "; it takes: " + l.allowed
	}
	if l.agentError != nil {
		text += "; " + l.agentError.Error()
	}
	var serverSaid string
	if s := trim(err); !strings.HasPrefix(s, "unable to authenticate") {
		serverSaid = "; " + s
	}
	return a.fault(device.Denied, text+serverSaid, err)
}

// Fault is err, which using the connection gave, as a failure of the operation
// op. lost is the kind where the connection ended or ctx did: Unreachable where
// nothing can have been done, else OutcomeUnknown. A Fault stays what it is.
func (c *Client) Fault(ctx context.Context, op string, lostKind device.Kind, err error) error {
	if err == nil {
		return nil
	}
	var already *device.Fault
	if errors.As(err, &already) {
		return err
	}
	var (
		refused *ssh.OpenChannelError
		cut     *ssh.ExitMissingError // a command's end without its status
	)
	switch {
	case ctx.Err() != nil:
		return &device.Fault{Kind: lostKind, Op: op, Err: context.Cause(ctx)}
	case errors.As(err, &refused):
		kind := device.Refused
		if refused.Reason == ssh.ResourceShortage {
			kind = device.Busy
		}
		return &device.Fault{Kind: kind, Op: op, Err: &Explained{fmt.Sprintf("%s opens no further session: %s", c.address, refused.Message), err}}
	case (lost(err) || errors.As(err, &cut)) && !c.Gone():
		return &device.Fault{Kind: lostKind, Op: op, Err: &Explained{c.address + " ended the session, but not the connection", err}}
	case c.ended():
		why := c.Err()
		if why == nil {
			why = errClosed
		}
		return &device.Fault{Kind: lostKind, Op: op, Err: why}
	}
	return &device.Fault{Kind: device.Refused, Op: op, Err: err}
}

// Gone says whether the connection has ended. The end of what ran over it and
// its own come one after the other, so it waits a moment for the second.
func (c *Client) Gone() bool {
	t := time.NewTimer(jumpKnows + 2*time.Second)
	defer t.Stop()
	select {
	case <-c.done:
		return true
	case <-t.C:
		return false
	}
}

func (c *Client) ended() bool {
	select {
	case <-c.done:
		return true
	default:
		return false
	}
}

// dropped explains the end of a connection that was in use.
func dropped(err error) error {
	switch {
	case err == nil || errors.Is(err, io.EOF):
		return &Explained{"the connection was closed by the other side", err}
	case errors.Is(err, syscall.ECONNRESET) || errors.Is(err, syscall.EPIPE):
		return &Explained{"the connection was reset: the device restarted, or something on the way forgot it", err}
	}
	return &Explained{"the connection broke: " + trim(err), err}
}

// lost says whether err is the end of the connection, and no answer of the
// other side.
func lost(err error) bool {
	var n net.Error
	return errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, net.ErrClosed) || errors.Is(err, io.ErrClosedPipe) || errors.As(err, &n)
}

// greeted says whether the first octets can be those of an SSH server, which
// may send other lines before. Source: RFC 4253 §4.2.
func greeted(b []byte) bool {
	s := string(b)
	return strings.HasPrefix(s, "SSH-") || strings.Contains(s, "\nSSH-")
}

func trim(err error) string {
	s := strings.TrimPrefix(err.Error(), "ssh: handshake failed: ")
	return strings.TrimPrefix(s, "ssh: ")
}

func list(names []string) string {
	if len(names) == 0 {
		return "none"
	}
	return strings.Join(names, ", ")
}

func plural(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}
