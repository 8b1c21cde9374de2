package sshlink

import (
	"fmt"
	"net"
	"regexp"
	"strings"

	"golang.org/x/crypto/ssh"
	"golang.org/x/crypto/ssh/agent"
)

// QuestionError is a question of the device that nobody could answer. A
// [*device.Fault] of kind Denied wraps it.
type QuestionError struct {
	Name        string // both of them as the device said, often empty
	Instruction string
	Questions   []string
	Err         error // why the answerer gave none; nil where there is no answerer
}

// Error is one line for people.
func (e *QuestionError) Error() string {
	q := fmt.Sprintf("%q", strings.Join(e.Questions, " "))
	if s := strings.TrimSpace(e.Name + " " + e.Instruction); s != "" {
		q += fmt.Sprintf(" (%q)", s)
	}
	if e.Err != nil {
		return "the device asks " + q + " at the log-in, and no answer was given: " + e.Err.Error()
	}
	return "the device asks " + q + " at the log-in, and nobody is there to answer: log in where a person can type the answer, or have the device let this account in by a key alone"
}

// Unwrap returns the answerer's error.
func (e *QuestionError) Unwrap() error { return e.Err }

// login is the log-in of one attempt. Each secret is shown once at most: a
// device that locks an account after three wrong passwords sees one.
type login struct {
	a      *attempt
	clock  *clock
	agent  net.Conn
	banner string

	offered     int            // keys that were made ready to be offered
	offers      bool           // the device was asked to accept one of them
	allowed     string         // methods that the device still allows
	passwordOut bool           // the password went out
	accepted    bool           // a method was accepted after it, so it was not wrong
	question    *QuestionError // nobody could answer it
	answered    *QuestionError // the last that was answered
	failure     error          // of ours, which ends the log-in
	agentError  error
	sawPassword bool // the device asked for a password that we do not have
}

func (l *login) prepare(a *attempt, c *clock) { l.a, l.clock = a, c }

func (l *login) end() {
	if l.agent != nil {
		_ = l.agent.Close() // only asked, nothing to lose
	}
}

func (l *login) hear(message string) error {
	if len(l.banner) < maxBanner {
		l.banner += message
	}
	return nil
}

const maxBanner = 64 << 10

// methods are the ways to log in, in the order in which they are tried among
// those that the device allows. Source: OpenSSH ssh_config(5),
// PreferredAuthentications.
func (l *login) methods() []ssh.AuthMethod {
	var out []ssh.AuthMethod
	if len(l.a.cfg.Signers) > 0 || l.a.cfg.AgentSocket != "" {
		out = append(out, ssh.PublicKeysCallback(l.signers))
	}
	// Keyboard-interactive is there even without a password or an answerer, so
	// that the error can tell what the device wanted to know.
	out = append(out, ssh.KeyboardInteractive(l.challenge))
	if l.a.cfg.Password != nil {
		out = append(out, ssh.PasswordCallback(l.password))
	}
	return out
}

// next is asked before each further attempt; its error ends the log-in.
func (l *login) next(ctx *ssh.ClientAuthContext) (ssh.AuthMethod, error) {
	l.allowed = strings.Join(ctx.AllowedMethods, ", ")
	if len(ctx.PartialSuccessMethods) > 0 {
		l.accepted = l.passwordOut && ctx.PartialSuccessMethods[len(ctx.PartialSuccessMethods)-1] != "publickey"
	}
	if l.failure == nil && l.passwordOut && !l.accepted {
		l.failure = errPassword
	}
	return nil, l.failure
}

// signers are the keys to offer.
func (l *login) signers() ([]ssh.Signer, error) {
	out := append([]ssh.Signer(nil), l.a.cfg.Signers...)
	if l.a.cfg.AgentSocket != "" {
		conn, err := net.Dial("unix", l.a.cfg.AgentSocket)
		if err == nil {
			l.agent = conn
			var more []ssh.Signer
			more, err = agent.NewClient(conn).Signers()
			out = append(out, more...)
		}
		if err != nil {
			l.agentError = fmt.Errorf("the agent at %s: %w", l.a.cfg.AgentSocket, err)
			if len(out) == 0 {
				return nil, l.agentError
			}
		}
	}
	l.offered, l.offers = len(out), true
	return out, nil
}

// password is called when the device allows the method "password".
func (l *login) password() (string, error) {
	if l.passwordOut {
		return "", errPassword
	}
	var s string
	err := l.clock.halted(func() (err error) {
		s, err = l.a.cfg.Password()
		return err
	})
	if err != nil {
		l.failure = fmt.Errorf("the password is not available: %w", err)
		return "", l.failure
	}
	l.passwordOut, l.accepted = true, false
	return s, nil
}

// asksPassword matches the question for the account's password. Devices word it
// in their own way; all have the word. Source: common practice.
var asksPassword = regexp.MustCompile(`(?i)\bpass(word|phrase|code)?\b`)

// oneTime matches questions for what is not the account's password although
// the word may occur.
var oneTime = regexp.MustCompile(`(?i)one[- ]?time|\botp\b|token|verification|\bcode\b|passcode|second|factor|new password|retype|old password`)

// challenge answers the device's questions (RFC 4256 §3.4).
func (l *login) challenge(name, instruction string, questions []string, echo []bool) ([]string, error) {
	if len(questions) == 0 {
		return nil, nil // Source: RFC 4256 §3.4, only something to read
	}
	if len(questions) == 1 && !echo[0] && asksPassword.MatchString(questions[0]) && !oneTime.MatchString(questions[0]) {
		switch {
		case l.passwordOut && !l.accepted:
			l.failure = errPassword
			return nil, l.failure
		case l.a.cfg.Password != nil && !l.passwordOut:
			s, err := l.password()
			return []string{s}, err
		case l.a.cfg.Password == nil:
			l.sawPassword = true
		}
	}
	if l.passwordOut {
		l.accepted = true // it asks on
	}
	q := &QuestionError{Name: name, Instruction: instruction, Questions: questions}
	if l.a.cfg.Answer == nil {
		l.question = q
		return nil, q
	}
	var answers []string
	q.Err = l.clock.halted(func() (err error) {
		answers, err = l.a.cfg.Answer(name, instruction, questions, echo)
		return err
	})
	if q.Err == nil && len(answers) != len(questions) {
		q.Err = fmt.Errorf("%d answers to %d questions", len(answers), len(questions))
	}
	if q.Err != nil {
		l.question, l.failure = q, q
		return nil, q
	}
	l.answered = q
	return answers, nil
}
