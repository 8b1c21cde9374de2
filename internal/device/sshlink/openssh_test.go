package sshlink

import (
	"crypto/ed25519"
	"crypto/rand"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/crypto/ssh"
	"golang.org/x/crypto/ssh/agent"
	"golang.org/x/crypto/ssh/knownhosts"

	"towpath/internal/device"
	"towpath/internal/device/sshlink/opensshd"
	"towpath/internal/device/sshlink/sshpeer"
)

// passwordHash is of "Hello world!" with the salt "saltstring".
// Source: Unix crypt using SHA-256 and SHA-512, test vectors; openssl passwd -6.
const passwordHash = "$6$saltstring$svn8UoSVapNtMuq1ukKS4tPQd8iKwSMHWjl/O817G3uBnIFNjnQJuesI68u4OTLiBFdcbYEdFCoEOfaS35inz1"

func to(s *opensshd.Server) Config {
	return Config{Address: s.Address, User: s.User, KnownHosts: s.KnownHosts}
}

func keyed(s *opensshd.Server) Config {
	cfg := to(s)
	cfg.Signers = []ssh.Signer{s.Signer}
	return cfg
}

// says logs in and returns what a command prints.
func says(t *testing.T, cfg Config, command string) string {
	t.Helper()
	c, err := Dial(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	s, err := c.NewSession()
	if err != nil {
		t.Fatal(err)
	}
	out, err := s.Output(command)
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSpace(string(out))
}

// hostKeys makes host keys of several kinds with OpenSSH's own program.
func hostKeys(t *testing.T, kinds ...string) []string {
	t.Helper()
	if _, err := exec.LookPath("ssh-keygen"); err != nil {
		t.Skip("not checked against OpenSSH: ssh-keygen is not installed (Debian: openssh-client)")
	}
	dir := t.TempDir()
	var out []string
	bits := map[string]string{"rsa": "2048", "ecdsa": "256", "ed25519": "256"}
	for _, k := range kinds {
		file := filepath.Join(dir, k)
		if b, err := exec.Command("ssh-keygen", "-q", "-t", k, "-b", bits[k], "-N", "", "-f", file).CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, b)
		}
		out = append(out, file)
	}
	return out
}

func publicKey(t *testing.T, file string) ssh.PublicKey {
	t.Helper()
	b, err := os.ReadFile(file + ".pub")
	if err != nil {
		t.Fatal(err)
	}
	k, _, _, _, err := ssh.ParseAuthorizedKey(b)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// fingerprint is what ssh-keygen prints, which is what a colleague reads out.
func fingerprint(t *testing.T, file string) string {
	t.Helper()
	b, err := exec.Command("ssh-keygen", "-l", "-f", file+".pub").Output()
	if err != nil {
		t.Fatal(err)
	}
	return strings.Fields(string(b))[1]
}

func TestOpenSSHHostKeys(t *testing.T) {
	files := hostKeys(t, "rsa", "ecdsa", "ed25519")
	s := opensshd.Run(t, opensshd.Options{HostFiles: files})
	other := hostKeys(t, "ecdsa", "ed25519")
	cfg := keyed(s)
	// A host is known by any one of its keys, whatever it would rather show.
	for _, f := range files {
		cfg.KnownHosts = []byte(knownhosts.Line([]string{s.Address}, publicKey(t, f)))
		if got := says(t, cfg, "echo known"); got != "known" {
			t.Errorf("%s: %q", f, got)
		}
	}
	// Unknown: the fingerprint is that of ssh-keygen, and the line makes it known.
	cfg.KnownHosts = nil
	_, err := Dial(t.Context(), cfg)
	wantFault(t, err, device.Denied, "not known", fingerprint(t, files[2]))
	var e *HostKeyError
	if !errors.As(err, &e) || !strings.Contains(err.Error(), e.Line()) {
		t.Fatalf("no line to add in %v", err)
	}
	cfg.KnownHosts = []byte(e.Line())
	if got := says(t, cfg, "echo added"); got != "added" {
		t.Errorf("%q", got)
	}
	// OpenSSH's client takes the line too.
	known := filepath.Join(t.TempDir(), "known")
	if err := os.WriteFile(known, []byte(e.Line()+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	host, port, _ := net.SplitHostPort(s.Address)
	if out, err := exec.Command("ssh", "-F", "none", "-i", s.KeyFile, "-o", "BatchMode=yes", "-o", "StrictHostKeyChecking=yes", "-o", "UserKnownHostsFile="+known, "-o", "GlobalKnownHostsFile=none", "-p", port, "root@"+host, "true").CombinedOutput(); err != nil {
		t.Errorf("ssh does not take the line: %v: %s", err, out)
	}
	// Changed.
	cfg.KnownHosts = []byte("# kept by hand\n" + knownhosts.Line([]string{s.Address}, publicKey(t, other[1])))
	_, err = Dial(t.Context(), cfg)
	wantFault(t, err, device.Denied, "has changed", "line 2 ", fingerprint(t, files[2]), fingerprint(t, other[1]))

	// A certificate of a host, by ssh-keygen.
	ca := hostKeys(t, "ecdsa")[0]
	if out, err := exec.Command("ssh-keygen", "-q", "-s", ca, "-I", "mere-agg-1", "-h", "-n", host, files[2]+".pub").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	s2 := opensshd.Run(t, opensshd.Options{HostFiles: files[2:], Lines: []string{"HostCertificate " + files[2] + "-cert.pub"}})
	cfg = keyed(s2)
	authority := func(f string) []byte {
		return []byte("@cert-authority " + knownhosts.Line([]string{s2.Address}, publicKey(t, f)))
	}
	cfg.KnownHosts = authority(ca)
	if got := says(t, cfg, "echo certified"); got != "certified" {
		t.Errorf("%q", got)
	}
	cfg.KnownHosts = authority(other[0])
	_, err = Dial(t.Context(), cfg)
	wantFault(t, err, device.Denied, "certificate")
}

func TestOpenSSHPassword(t *testing.T) {
	s := opensshd.Run(t, opensshd.Options{PasswordHash: passwordHash, Lines: []string{"PasswordAuthentication yes"}})
	cfg := to(s)
	cfg.Password = give("Hello world!")
	if got := says(t, cfg, "id -un"); got != "tow" {
		t.Errorf("logged in as %q", got)
	}
	var asked atomic.Int32
	cfg.Password = func() (string, error) {
		asked.Add(1)
		return "hello world", nil
	}
	_, err := Dial(t.Context(), cfg)
	wantFault(t, err, device.Denied, "refuses the password", `"tow"`)
	if asked.Load() != 1 {
		t.Errorf("asked for the password %d times", asked.Load())
	}
	if err := s.Stop(); err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(s.Log(), "Failed password"); n != 1 {
		t.Errorf("the server saw %d wrong passwords, want one:\n%s", n, s.Log())
	}
}

// TestOpenSSHQuestions lets PAM ask, as most servers do.
func TestOpenSSHQuestions(t *testing.T) {
	const pam = "auth required pam_unix.so nodelay\naccount required pam_permit.so\nsession required pam_permit.so\n"
	if _, err := os.Stat("/etc/pam.d"); err != nil {
		t.Skip("not checked: there is no PAM here")
	}
	s := opensshd.Run(t, opensshd.Options{PasswordHash: passwordHash, PAM: pam, Lines: []string{"KbdInteractiveAuthentication yes"}})
	cfg := to(s)
	cfg.Password = give("Hello world!")
	if got := says(t, cfg, "id -un"); got != "tow" {
		t.Errorf("logged in as %q", got)
	}
	cfg.Password = give("wrong")
	_, err := Dial(t.Context(), cfg)
	wantFault(t, err, device.Denied, "refuses the password")
	cfg.Password = nil
	_, err = Dial(t.Context(), cfg)
	wantFault(t, err, device.Denied, "asks for a password", "none is configured")
	var q *QuestionError
	if !errors.As(err, &q) || len(q.Questions) != 1 {
		t.Errorf("no question in %v", err)
	}
	// A person answers.
	cfg.Answer = func(_, _ string, questions []string, echo []bool) ([]string, error) {
		if len(questions) != 1 || echo[0] {
			return nil, fmt.Errorf("asked %q, seen %v", questions, echo)
		}
		return []string{"Hello world!"}, nil
	}
	if got := says(t, cfg, "echo answered"); got != "answered" {
		t.Errorf("%q", got)
	}
}

// TestOpenSSHSecondFactor needs a key and then answers.
func TestOpenSSHSecondFactor(t *testing.T) {
	const pam = "auth required pam_unix.so nodelay\naccount required pam_permit.so\nsession required pam_permit.so\n"
	s := opensshd.Run(t, opensshd.Options{PasswordHash: passwordHash, PAM: pam, Lines: []string{"KbdInteractiveAuthentication yes", "AuthenticationMethods publickey,keyboard-interactive"}})
	cfg := keyed(s)
	_, err := Dial(t.Context(), cfg)
	wantFault(t, err, device.Denied, "with 1 key", "asks for a password")
	cfg.Password = give("Hello world!")
	if got := says(t, cfg, "echo both"); got != "both" {
		t.Errorf("%q", got)
	}
}

// codeModule is a PAM module that asks for a one-time code. The numbers are those
// of PAM's interface: the item of the conversation, a prompt without echo, an
// error of the system, a refusal. Source: from memory, Linux-PAM _pam_types.h.
const codeModule = `
#include <string.h>
struct message { int style; const char *text; };
struct response { char *text; int code; };
struct conversation { int (*talk)(int, const struct message **, struct response **, void *); void *data; };
int pam_get_item(const void *, int, const void **);
int pam_sm_authenticate(void *h, int flags, int argc, const char **argv) {
	const struct conversation *c = 0;
	struct message m = {1, "Verification code: "};
	const struct message *ms = &m;
	struct response *r = 0;
	if (pam_get_item(h, 5, (const void **)&c) != 0) return 4;
	if (c->talk(1, &ms, &r, c->data) != 0 || !r || !r->text) return 7;
	return strcmp(r->text, "492871") ? 7 : 0;
}
int pam_sm_setcred(void *h, int flags, int argc, const char **argv) { return 0; }
`

// TestOpenSSHOneTimeCode has a person, or nobody, answer what a password and a
// key do not.
func TestOpenSSHOneTimeCode(t *testing.T) {
	if _, err := exec.LookPath("cc"); err != nil {
		t.Skip("not checked: there is no C compiler to make a PAM module with")
	}
	dir := t.TempDir()
	source, module := filepath.Join(dir, "code.c"), filepath.Join(dir, "code.so")
	if err := os.WriteFile(source, []byte(codeModule), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("cc", "-shared", "-fPIC", "-o", module, source).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	const after = "account required pam_permit.so\nsession required pam_permit.so\n"
	code := "auth required " + module + "\n"
	answer := func(with string, asked *atomic.Int32) func(string, string, []string, []bool) ([]string, error) {
		return func(_, _ string, questions []string, echo []bool) ([]string, error) {
			asked.Add(1)
			if len(questions) != 1 || questions[0] != "Verification code: " || echo[0] {
				return nil, fmt.Errorf("asked %q, seen %v", questions, echo)
			}
			return []string{with}, nil
		}
	}
	for _, c := range []struct {
		name  string
		o     opensshd.Options
		with  func(*opensshd.Server) Config
		wrong string // what the server says of a wrong code
	}{
		{"password and code", opensshd.Options{PasswordHash: passwordHash, PAM: "auth required pam_unix.so nodelay\n" + code + after, Lines: []string{"KbdInteractiveAuthentication yes"}}, func(s *opensshd.Server) Config {
			cfg := to(s)
			cfg.Password = give("Hello world!")
			return cfg
		}, "Verification code"},
		{"key and code", opensshd.Options{PasswordHash: passwordHash, PAM: code + after, Lines: []string{"KbdInteractiveAuthentication yes", "AuthenticationMethods publickey,keyboard-interactive"}}, keyed, "Verification code"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := opensshd.Run(t, c.o)
			cfg := c.with(s)
			_, err := Dial(t.Context(), cfg)
			wantFault(t, err, device.Denied, s.Address, `"Verification code: "`, "nobody is there to answer")
			var q *QuestionError
			if !errors.As(err, &q) || len(q.Questions) != 1 {
				t.Errorf("no question in %v", err)
			}
			var asked atomic.Int32
			cfg.Answer = answer("492871", &asked)
			if got := says(t, cfg, "id -un"); got != "tow" || asked.Load() != 1 {
				t.Errorf("logged in as %q, asked %d times", got, asked.Load())
			}
			asked.Store(0)
			cfg.Answer = answer("111111", &asked)
			_, err = Dial(t.Context(), cfg)
			wantFault(t, err, device.Denied, `does not let in the user "tow"`, c.wrong)
			if asked.Load() != 1 {
				t.Errorf("a wrong code was asked for %d times", asked.Load())
			}
		})
	}
}

func TestOpenSSHKeys(t *testing.T) {
	s := opensshd.Run(t, opensshd.Options{Lines: []string{"MaxAuthTries 3", "LoginGraceTime 30"}})
	cfg := to(s)
	for range 2 {
		cfg.Signers = append(cfg.Signers, sshpeer.Key(t))
	}
	_, err := Dial(t.Context(), cfg)
	wantFault(t, err, device.Denied, "with 2 keys", "it takes: publickey")
	for range 4 {
		cfg.Signers = append(cfg.Signers, sshpeer.Key(t))
	}
	_, err = Dial(t.Context(), cfg)
	wantFault(t, err, device.Denied, "with 6 keys", "Too many authentication failures")

	// An agent has the key.
	ring := agent.NewKeyring()
	_, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	if err := ring.Add(agent.AddedKey{PrivateKey: private}); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(s.KeyFile)
	if err != nil {
		t.Fatal(err)
	}
	right, err := ssh.ParseRawPrivateKey(b)
	if err != nil {
		t.Fatal(err)
	}
	if err := ring.Add(agent.AddedKey{PrivateKey: right}); err != nil {
		t.Fatal(err)
	}
	socket := filepath.Join(t.TempDir(), "agent")
	ln, err := net.Listen("unix", socket)
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	go func() {
		for {
			conn, err := ln.Accept()
			if err != nil {
				return
			}
			go agent.ServeAgent(ring, conn)
		}
	}()
	cfg = to(s)
	cfg.AgentSocket = socket
	if got := says(t, cfg, "echo agent"); got != "agent" {
		t.Errorf("%q", got)
	}
}

func TestOpenSSHCiphers(t *testing.T) {
	s := opensshd.Run(t, opensshd.Options{Lines: []string{"Ciphers aes256-cbc"}})
	_, err := Dial(t.Context(), keyed(s))
	wantFault(t, err, device.Unable, "no common algorithm", "aes256-cbc", "aes128-gcm@openssh.com")

	s = opensshd.Run(t, opensshd.Options{})
	c, err := Dial(t.Context(), keyed(s))
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	meta, ok := c.Conn.(ssh.AlgorithmsConnMetadata)
	if !ok {
		t.Fatal("the library does not tell what was agreed")
	}
	if got := meta.Algorithms().Write.Cipher; got != Ciphers()[0] {
		t.Errorf("cipher %s, want %s", got, Ciphers()[0])
	}
}

func TestOpenSSHJump(t *testing.T) {
	inner := opensshd.Run(t, opensshd.Options{})
	closed := opensshd.Run(t, opensshd.Options{Lines: []string{"AllowTcpForwarding no"}})
	cfg := keyed(inner)
	hop := keyed(closed)
	cfg.Jump = &hop
	_, err := Dial(t.Context(), cfg)
	wantFault(t, err, device.Denied, "does not forward", closed.Address, inner.Address)

	open := opensshd.Run(t, opensshd.Options{})
	hop = keyed(open)
	if got := says(t, cfg, "echo through"); got != "through" {
		t.Errorf("%q", got)
	}
	// Through two.
	far := keyed(opensshd.Run(t, opensshd.Options{}))
	second := hop
	far.Jump = &second
	cfg.Jump = &far
	if got := says(t, cfg, "echo two"); got != "two" {
		t.Errorf("%q", got)
	}
}

func TestOpenSSHDropped(t *testing.T) {
	s := opensshd.Run(t, opensshd.Options{Lines: []string{"MaxSessions 1"}})
	c, err := Dial(t.Context(), keyed(s))
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	first, err := c.NewSession()
	if err != nil {
		t.Fatal(err)
	}
	_, err = c.NewSession()
	wantFault(t, c.Fault(t.Context(), "read", device.OutcomeUnknown, err), device.Refused, "no further session")
	pids, err := s.Sessions()
	if err != nil || len(pids) != 1 {
		t.Fatal(pids, err)
	}
	if err := first.Start("sleep 60"); err != nil {
		t.Fatal(err)
	}
	p, err := os.FindProcess(pids[0])
	if err != nil {
		t.Fatal(err)
	}
	if err := p.Kill(); err != nil {
		t.Fatal(err)
	}
	err = first.Wait()
	wantFault(t, c.Fault(t.Context(), "read", device.OutcomeUnknown, err), device.OutcomeUnknown, "connection")
	<-c.Done()
	wantFault(t, c.Err(), device.Unreachable, s.Address)
}

// TestOpenSSHKeepAlive has the server answer the questions for a while.
func TestOpenSSHKeepAlive(t *testing.T) {
	s := opensshd.Run(t, opensshd.Options{})
	cfg := keyed(s)
	cfg.KeepAlive = 300 * time.Millisecond // a busy machine may take thrice this for the first answer
	c, err := Dial(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	// It answers: what it sends grows although nobody else asks.
	start := c.wire.received.Load()
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	for c.wire.received.Load() < start+100 {
		select {
		case <-c.Done():
			t.Fatal(c.Err())
		case <-t.Context().Done():
			t.Fatal("no answers")
		case <-tick.C:
		}
	}
}
