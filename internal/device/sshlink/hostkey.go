package sshlink

import (
	"bufio"
	"bytes"
	"crypto/ed25519"
	"errors"
	"fmt"
	"net"
	"os"
	"slices"
	"strings"

	"golang.org/x/crypto/ssh"
	"golang.org/x/crypto/ssh/knownhosts"
)

// HostKeyError is a host key that is not accepted. A [*device.Fault] of kind
// Denied wraps it.
type HostKeyError struct {
	Address string        // host:port that was asked for
	Shown   ssh.PublicKey // key that the other side showed
	Known   []KnownKey    // keys that the lines hold for the address
	Revoked *KnownKey     // line that revokes the key; nil where none does
	Broken  []int         // numbers of lines that could not be read
}

// KnownKey is a key from a known_hosts line.
type KnownKey struct {
	Key       ssh.PublicKey
	Line      int // number of the line, from 1
	Authority bool
}

// Line is the known_hosts line that would make the shown key known. It may be
// added only when its fingerprint has been compared by another way.
func (e *HostKeyError) Line() string { return knownhosts.Line([]string{e.Address}, plain(e.Shown)) }

// Changed says whether a key of the same kind is known for the address.
func (e *HostKeyError) Changed() bool {
	return slices.ContainsFunc(e.Known, func(k KnownKey) bool { return !k.Authority && k.Key.Type() == plain(e.Shown).Type() })
}

// Error is one line for people.
func (e *HostKeyError) Error() string {
	shown := keyText(plain(e.Shown))
	var known, authority []string
	for _, k := range e.Known {
		at := fmt.Sprintf("line %d of known_hosts: %s", k.Line, keyText(k.Key))
		if k.Authority {
			authority = append(authority, at)
		} else {
			known = append(known, at)
		}
	}
	switch {
	case e.Revoked != nil:
		return fmt.Sprintf("line %d of known_hosts revokes the host key that it shows, %s; do not use this device until somebody at it has explained how it came by that key", e.Revoked.Line, shown)
	case e.Changed():
		return fmt.Sprintf("its host key has changed: it shows %s, but %s. Either its software or controller card was replaced, or something else answers in its place: find out by another way (console, colleague on site) before you replace the line", shown, strings.Join(known, ", "))
	case len(known) > 0:
		return fmt.Sprintf("it shows a host key of a kind that is not known for it, %s, but %s. Compare the fingerprint by another way (console, colleague on site); if it is the same there, add this line to known_hosts: %s", shown, strings.Join(known, ", "), e.Line())
	}
	text := fmt.Sprintf("its host key is not known: %s. Compare the fingerprint by another way (console, colleague on site); if it is the same there, add this line to known_hosts: %s", shown, e.Line())
	if len(authority) > 0 {
		text += fmt.Sprintf(" (it showed no certificate of the authority in %s)", strings.Join(authority, ", "))
	}
	if len(e.Broken) > 0 {
		text += fmt.Sprintf(" (known_hosts has lines that cannot be read: %s)", strings.Trim(fmt.Sprint(e.Broken), "[]"))
	}
	return text
}

// keyText is a key as it is read out over the telephone.
func keyText(k ssh.PublicKey) string { return k.Type() + " " + ssh.FingerprintSHA256(k) }

// plain is the key itself where k is a certificate of one.
func plain(k ssh.PublicKey) ssh.PublicKey {
	if c, ok := k.(*ssh.Certificate); ok {
		return c.Key
	}
	return k
}

// knownHosts are known_hosts lines.
type knownHosts struct {
	check     ssh.HostKeyCallback
	authority map[int]bool // lines that name a certificate authority
	broken    []int
}

// readKnownHosts reads lines; those that cannot be read are left out, as
// OpenSSH does, and remembered.
func readKnownHosts(lines []byte) (*knownHosts, error) {
	k := &knownHosts{authority: map[int]bool{}}
	sc := bufio.NewScanner(bytes.NewReader(lines))
	for n := 1; sc.Scan(); n++ {
		line := bytes.TrimSpace(sc.Bytes())
		if len(line) == 0 || line[0] == '#' {
			continue
		}
		marker, _, _, _, _, err := ssh.ParseKnownHosts(line)
		if err != nil {
			k.broken = append(k.broken, n)
		}
		k.authority[n] = marker == "cert-authority"
	}
	if err := sc.Err(); err != nil {
		return nil, err
	}
	// The library reads files only; these are public keys, and the file is gone
	// when this returns.
	f, err := os.CreateTemp("", "towpath-known-hosts-*")
	if err != nil {
		return nil, err
	}
	_, err = f.Write(lines)
	if err = errors.Join(err, f.Close()); err == nil {
		k.check, err = knownhosts.New(f.Name())
	}
	return k, errors.Join(err, os.Remove(f.Name()))
}

// keys returns what is known for an address.
func (k *knownHosts) keys(address string) []KnownKey {
	probe, err := ssh.NewPublicKey(ed25519.PublicKey(make([]byte, ed25519.PublicKeySize))) // nobody's key
	if err != nil {
		return nil
	}
	var ke *knownhosts.KeyError
	if !errors.As(k.check(address, &net.TCPAddr{}, probe), &ke) {
		return nil
	}
	var out []KnownKey
	for _, w := range ke.Want {
		out = append(out, KnownKey{w.Key, w.Line, k.authority[w.Line]})
	}
	return out
}

// plainAlgorithms are the algorithms for host keys that are offered, those that
// OpenSSH prefers first. SHA-1 signatures come last: old devices have no other.
var plainAlgorithms = []string{
	ssh.KeyAlgoED25519, ssh.KeyAlgoECDSA256, ssh.KeyAlgoECDSA384, ssh.KeyAlgoECDSA521,
	ssh.KeyAlgoRSASHA512, ssh.KeyAlgoRSASHA256, ssh.KeyAlgoRSA,
}

// certificateAlgorithms are those for host certificates.
var certificateAlgorithms = []string{
	ssh.CertAlgoED25519v01, ssh.CertAlgoECDSA256v01, ssh.CertAlgoECDSA384v01, ssh.CertAlgoECDSA521v01,
	ssh.CertAlgoRSASHA512v01, ssh.CertAlgoRSASHA256v01,
}

// algorithms returns the host key algorithms to offer to the address: first
// those of the keys known for it, so that it shows one of them if it has any.
func (k *knownHosts) algorithms(address string) []string {
	var out []string
	kinds := map[string]bool{}
	for _, key := range k.keys(address) {
		if key.Authority {
			out = certificateAlgorithms
		} else {
			kinds[key.Key.Type()] = true
		}
	}
	out = slices.Clone(out)
	kind := func(algorithm string) string {
		if algorithm == ssh.KeyAlgoRSASHA256 || algorithm == ssh.KeyAlgoRSASHA512 {
			return ssh.KeyAlgoRSA // Source: RFC 8332 §3
		}
		return algorithm
	}
	for _, known := range []bool{true, false} {
		for _, a := range plainAlgorithms {
			if kinds[kind(a)] == known {
				out = append(out, a)
			}
		}
	}
	return out
}

// hostKey is what an attempt learned of the host key.
type hostKey struct {
	shown   ssh.PublicKey
	refused error
}

// verify is the library's question whether a host key is accepted.
func (a *attempt) verify(address string, remote net.Addr, key ssh.PublicKey) error {
	a.hosts.shown = key
	a.reach(stageKeyShown)
	err := a.known.check(address, remote, key)
	var revoked *knownhosts.RevokedError
	if !errors.As(err, &revoked) && a.cfg.InsecureReason != "" {
		err = nil
	}
	if err == nil {
		a.reach(stageLogin)
		return nil
	}
	e := &HostKeyError{Address: address, Shown: key, Known: a.known.keys(address), Broken: a.known.broken}
	if revoked != nil {
		e.Revoked = &KnownKey{revoked.Revoked.Key, revoked.Revoked.Line, false}
	}
	var unknown *knownhosts.KeyError
	if revoked == nil && !errors.As(err, &unknown) { // a certificate that is not valid
		a.hosts.refused = fmt.Errorf("its host certificate %s is not accepted: %w", keyText(plain(key)), err)
		return err
	}
	a.hosts.refused = e
	return e
}
