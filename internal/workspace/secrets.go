package workspace

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"filippo.io/age"
	armour "filippo.io/age/armor" //nolint:misspell // the library spells it so

	"towpath/internal/fleet"
)

// ErrSecret is wrapped by every error about a reference that cannot be
// resolved. None of them quotes what was found.
var ErrSecret = errors.New("secret not available")

// ErrEmpty is wrapped beside [ErrSecret] where what a reference leads to is
// there and has nothing in it.
var ErrEmpty = errors.New("it is empty")

// maxSecret bounds a secret, encrypted or not.
const maxSecret = 1 << 20

// Secret is the content that a reference leads to. However it is printed,
// logged or marshalled, it shows only that there is one.
type Secret struct {
	content []byte
}

// Reveal returns the content. The caller does not keep it longer than needed
// and never prints it.
func (s Secret) Reveal() []byte { return bytes.Clone(s.content) }

// String hides the content.
func (Secret) String() string { return "[secret]" }

// GoString hides the content.
func (Secret) GoString() string { return "[secret]" }

// Format hides the content from every verb.
func (s Secret) Format(f fmt.State, _ rune) { fmt.Fprint(f, s.String()) }

// MarshalJSON hides the content.
func (s Secret) MarshalJSON() ([]byte, error) { return json.Marshal(s.String()) }

// MarshalText hides the content.
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// Resolver turns a reference into the secret.
type Resolver func(ref fleet.SecretRef) (Secret, error)

// Secrets resolves references with what the caller hands in; the zero value
// resolves nothing. [Secrets.Resolve] is a [Resolver].
type Secrets struct {
	// Dir is the workspace's folder, where relative paths begin.
	Dir string
	// LookupEnv returns an environment variable and whether it is set.
	LookupEnv func(name string) (string, bool)
	// Open opens a file for reading.
	Open func(path string) (fs.File, error)
	// Identity returns the text of the age identities that decrypt files whose
	// name ends in ".age", one in a line. It is called when it is needed.
	Identity func() (string, error)
	// Warn, when not nil, is told of private keys that everybody can read.
	Warn func(message string)
}

// SystemSecrets resolves references in this process's environment and file
// system.
func SystemSecrets(dir string, identity func() (string, error), warn func(message string)) Secrets {
	return Secrets{
		Dir: dir, LookupEnv: os.LookupEnv, Identity: identity, Warn: warn,
		Open: func(path string) (fs.File, error) { return os.Open(path) },
	}
}

// Resolve returns what the reference leads to, octet by octet. Errors wrap
// [ErrSecret] and the cause.
func (s Secrets) Resolve(ref fleet.SecretRef) (Secret, error) {
	scheme, name, ok := ref.Reference()
	if !ok {
		return Secret{}, fmt.Errorf("%w: found what is no reference, want env:NAME or file:PATH", ErrSecret)
	}
	var content []byte
	var err error
	if scheme == "env" {
		content, err = s.env(name)
	} else {
		content, err = s.file(ref, name)
	}
	if err != nil {
		return Secret{}, fmt.Errorf("%w: %s: %w", ErrSecret, ref, err)
	}
	if len(content) == 0 {
		return Secret{}, fmt.Errorf("%w: %s: %w", ErrSecret, ref, ErrEmpty)
	}
	return Secret{content}, nil
}

func (s Secrets) env(name string) ([]byte, error) {
	if s.LookupEnv == nil {
		return nil, errors.New("no environment to look in")
	}
	v, ok := s.LookupEnv(name)
	if !ok {
		return nil, fmt.Errorf("the environment variable is not set; set it, as in %s=… towpath …", name)
	}
	return []byte(v), nil
}

func (s Secrets) file(ref fleet.SecretRef, name string) ([]byte, error) {
	if s.Open == nil {
		return nil, errors.New("no file system to look in")
	}
	if name = filepath.FromSlash(name); !filepath.IsAbs(name) {
		name = filepath.Join(s.Dir, name)
	}
	f, err := s.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close() //nolint:errcheck // opened for reading; nothing can be lost
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	content, err := readAll(f)
	if err != nil {
		return nil, err
	}
	if strings.HasSuffix(name, ".age") {
		return s.decrypt(content)
	}
	if mode := info.Mode().Perm(); mode&0o004 != 0 && bytes.Contains(content, []byte("PRIVATE KEY-----")) && s.Warn != nil {
		s.Warn(fmt.Sprintf("%s: every user of this machine can read the private key (%s); want mode 0600", ref, mode))
	}
	return content, nil
}

// decrypt reads an age file, armoured or not.
// Source: C2SP age specification v1.
func (s Secrets) decrypt(content []byte) ([]byte, error) {
	if s.Identity == nil {
		return nil, errors.New("the file is encrypted and there is no age identity")
	}
	text, err := s.Identity()
	if err != nil {
		return nil, fmt.Errorf("age identity: %w", err)
	}
	identities, err := age.ParseIdentities(strings.NewReader(text))
	if err != nil {
		// The cause may quote the identity, so it ends here.
		return nil, errors.New("the age identity cannot be read; want lines that begin with AGE-SECRET-KEY-")
	}
	var r io.Reader = bytes.NewReader(content)
	if bytes.HasPrefix(bytes.TrimSpace(content), []byte(armour.Header)) {
		r = armour.NewReader(r)
	}
	plain, err := age.Decrypt(r, identities...)
	if err != nil {
		return nil, fmt.Errorf("decrypt: %w", err)
	}
	out, err := readAll(plain)
	if err != nil {
		return nil, fmt.Errorf("decrypt: %w", err)
	}
	return out, nil
}

func readAll(r io.Reader) ([]byte, error) {
	out, err := io.ReadAll(io.LimitReader(r, maxSecret+1))
	if err == nil && len(out) > maxSecret {
		err = errors.New("it is larger than 1MiB")
	}
	return out, err
}
