// Package opensshd runs the OpenSSH server as a process of its own, with its
// own configuration, host keys and accounts, on a loopback port: the other side
// that nobody here wrote, for tests and benchmarks. The machine's own service,
// its keys and its accounts are not touched.
//
// Read [Start] first, and [Missing] before it.
package opensshd

import (
	"bytes"
	"crypto/ed25519"
	"crypto/rand"
	"encoding/pem"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"golang.org/x/crypto/ssh"
	"golang.org/x/crypto/ssh/knownhosts"
)

// binary is where Debian puts the server; it has to be started by its whole
// path. Source: sshd(8).
const binary = "/usr/sbin/sshd"

// Missing says why no server can be run here; empty where one can.
func Missing() string {
	if _, err := os.Stat(binary); err != nil {
		return "the OpenSSH server is not installed (Debian: openssh-server)"
	}
	if os.Geteuid() != 0 {
		return "the OpenSSH server needs root to run with accounts of its own"
	}
	return ""
}

// Options say how the server differs from the usual one.
type Options struct {
	Lines []string // of sshd_config, before all others, so that they win
	// PasswordHash, for crypt(3), gives the account a password; the account then
	// lives in the server's own mount namespace.
	PasswordHash string
	// PAM is the content of /etc/pam.d/sshd in that namespace; it switches PAM on.
	PAM string
	// HostFiles are private host keys; nil makes one of Ed25519.
	HostFiles []string
}

// Server is a server that runs.
type Server struct {
	Address    string
	User       string // the account to log in to
	Signer     ssh.Signer
	KeyFile    string // private key of Signer, for OpenSSH's own clients
	KnownHosts []byte
	KnownFile  string
	Host       ssh.Signer // the host key; nil where Options gave some

	cmd    *exec.Cmd
	exited chan struct{} // closed when it has ended
	ended  error         // valid then
	log    bytes.Buffer
}

// errTaken says that somebody took the port between its choice and the server's
// start.
var errTaken = errors.New("the port was taken meanwhile")

// Start runs a server with its files in dir. Stop ends it.
func Start(dir string, o Options) (*Server, error) {
	for tries := 10; ; tries-- {
		s, err := start(dir, o)
		if tries == 1 || !errors.Is(err, errTaken) {
			return s, err
		}
	}
}

func start(dir string, o Options) (*Server, error) {
	if why := Missing(); why != "" {
		return nil, errors.New(why)
	}
	s := &Server{User: "root", exited: make(chan struct{})}
	var err error
	if s.Signer, s.KeyFile, err = newKey(dir, "client"); err != nil {
		return nil, err
	}
	write := func(name, content string, mode os.FileMode) string {
		name = filepath.Join(dir, name)
		if werr := os.WriteFile(name, []byte(content), mode); werr != nil && err == nil {
			err = werr
		}
		return name
	}
	var config []string
	config = append(config, o.Lines...)
	if o.HostFiles == nil {
		host, file, kerr := newKey(dir, "host")
		if kerr != nil {
			return nil, kerr
		}
		s.Host = host
		o.HostFiles = append(o.HostFiles, file)
	}
	for _, f := range o.HostFiles {
		config = append(config, "HostKey "+f)
	}
	s.Address, err = freeAddress(err)
	if err != nil {
		return nil, err
	}
	host, port, err := net.SplitHostPort(s.Address)
	if err != nil {
		return nil, err
	}
	config = append(config, "ListenAddress "+host, "Port "+port, "StrictModes no", "PidFile none",
		// Not from a file: other accounts than root may not enter dir.
		"AuthorizedKeysFile none", "AuthorizedKeysCommandUser root",
		"AuthorizedKeysCommand /bin/echo "+strings.TrimSpace(string(ssh.MarshalAuthorizedKey(s.Signer.PublicKey()))),
		"PermitRootLogin yes", "PasswordAuthentication no", "KbdInteractiveAuthentication no",
		"UseDNS no", "PrintMotd no", "PrintLastLog no", "AcceptEnv NONE", "LogLevel VERBOSE")
	// The account's shell is told that it is not the first, so that it does not
	// read the machine's own start-up files, which may do anything.
	// Source: from memory, bash, run_startup_files; where Lines set another
	// environment, that wins.
	config = append(config, "SetEnv SHLVL=1")
	if !strings.Contains(strings.Join(o.Lines, "\n"), "Subsystem") { // which may be given once only
		config = append(config, "Subsystem sftp internal-sftp")
	}
	if o.PAM != "" {
		config = append(config, "UsePAM yes")
	} else {
		config = append(config, "UsePAM no")
	}
	file := write("sshd_config", strings.Join(config, "\n")+"\n", 0o600)
	if err != nil {
		return nil, err
	}
	// Source: sshd(8), the folder that the unprivileged part of it changes its
	// root to; Debian's service makes it.
	if err := os.MkdirAll("/run/sshd", 0o755); err != nil {
		return nil, err
	}
	args := []string{binary, "-D", "-e", "-f", file}
	if o.PasswordHash != "" || o.PAM != "" {
		s.User = "tow"
		passwd := write("passwd", "root:x:0:0::/root:/bin/sh\nsshd:x:105:65534::/run/sshd:/usr/sbin/nologin\ntow:x:4711:65534::/tmp:/bin/sh\n", 0o644)
		shadow := write("shadow", "root:*:19000:0:99999:7:::\nsshd:*:19000:0:99999:7:::\ntow:"+o.PasswordHash+":19000:0:99999:7:::\n", 0o600)
		script := "mount --bind " + passwd + " /etc/passwd && mount --bind " + shadow + " /etc/shadow"
		if o.PAM != "" {
			script += " && mount --bind " + write("pam", o.PAM, 0o644) + " /etc/pam.d/sshd"
		}
		if err != nil {
			return nil, err
		}
		// unshare makes the mounts private to this process.
		args = append([]string{"unshare", "--mount", "sh", "-c", script + ` && exec "$@"`, "sh"}, args...)
	}
	s.cmd = exec.Command(args[0], args[1:]...) // #nosec G204 -- fixed programs
	s.cmd.Stderr = &s.log
	s.cmd.Stdout = &s.log
	s.cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := s.cmd.Start(); err != nil {
		return nil, err
	}
	go func() {
		defer close(s.exited)
		s.ended = s.cmd.Wait()
	}()
	if err := s.ready(); err != nil {
		return nil, errors.Join(err, s.Stop())
	}
	if s.Host != nil {
		s.KnownHosts = []byte(knownhosts.Line([]string{s.Address}, s.Host.PublicKey()) + "\n")
		s.KnownFile = write("known_hosts", string(s.KnownHosts), 0o600)
	}
	return s, err
}

// hang is how long is waited for what comes at once, so that who hangs fails.
const hang = 5 * time.Minute

// ready waits until the server greets.
func (s *Server) ready() error {
	end := time.Now().Add(hang)
	for {
		conn, err := net.DialTimeout("tcp", s.Address, hang)
		if err == nil {
			b := make([]byte, 4)
			_ = conn.SetDeadline(end) // where it cannot be set, the read ends with the server
			_, err = conn.Read(b)
			_ = conn.Close() // only asked
			if err == nil && string(b) == "SSH-" {
				return nil
			}
		}
		select {
		case <-s.exited:
			err := fmt.Errorf("sshd ended: %w\n%s", s.ended, s.log.String())
			if strings.Contains(s.log.String(), "Address already in use") {
				err = errors.Join(errTaken, err)
			}
			return err
		case <-time.After(20 * time.Millisecond):
		}
		if time.Now().After(end) {
			return fmt.Errorf("sshd does not answer at %s: %w", s.Address, err)
		}
	}
}

// Sessions returns the processes of the server that serve one connection each.
func (s *Server) Sessions() ([]int, error) {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/task/%[1]d/children", s.cmd.Process.Pid))
	if err != nil {
		return nil, err
	}
	var out []int
	for _, f := range strings.Fields(string(b)) {
		var pid int
		if _, err := fmt.Sscan(f, &pid); err != nil {
			return nil, err
		}
		out = append(out, pid)
	}
	return out, nil
}

// Spent is the processor time of all connections that have ended. It waits
// until those that are ending have.
func (s *Server) Spent() (time.Duration, error) {
	for end := time.Now().Add(hang); ; {
		pids, err := s.Sessions()
		if err != nil {
			return 0, err
		}
		if len(pids) == 0 {
			break
		}
		if time.Now().After(end) {
			return 0, fmt.Errorf("connections of sshd that do not end: processes %v", pids)
		}
		time.Sleep(2 * time.Millisecond)
	}
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", s.cmd.Process.Pid))
	if err != nil {
		return 0, err
	}
	// Source: proc(5), fields 16 and 17 after the name in brackets, in ticks of
	// 1/100 s.
	_, rest, _ := strings.Cut(string(b), ") ")
	f := strings.Fields(rest)
	if len(f) < 15 {
		return 0, fmt.Errorf("/proc/%d/stat has %d fields", s.cmd.Process.Pid, len(f))
	}
	var user, system int64
	if _, err := fmt.Sscan(f[13]+" "+f[14], &user, &system); err != nil {
		return 0, err
	}
	return time.Duration(user+system) * 10 * time.Millisecond, nil
}

// Stop ends the server and waits for it. Connections that it serves go on.
func (s *Server) Stop() error {
	err := s.cmd.Process.Signal(syscall.SIGTERM)
	if errors.Is(err, os.ErrProcessDone) {
		err = nil
	}
	<-s.exited
	return err
}

// Log is what the server wrote, once it has been stopped.
func (s *Server) Log() string { return s.log.String() }

func newKey(dir, name string) (ssh.Signer, string, error) {
	_, key, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return nil, "", err
	}
	block, err := ssh.MarshalPrivateKey(key, "")
	if err != nil {
		return nil, "", err
	}
	file := filepath.Join(dir, name+"_key")
	if err := os.WriteFile(file, pem.EncodeToMemory(block), 0o600); err != nil {
		return nil, "", err
	}
	signer, err := ssh.NewSignerFromKey(key)
	return signer, file, err
}

// freeAddress is a loopback address with a port that was free a moment ago.
func freeAddress(err error) (string, error) {
	if err != nil {
		return "", err
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	return ln.Addr().String(), ln.Close()
}
