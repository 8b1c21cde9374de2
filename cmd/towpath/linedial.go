package main

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"net/netip"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"golang.org/x/sys/unix"

	"towpath/internal/device"
	"towpath/internal/device/adapter"
	"towpath/internal/device/commandline"
	"towpath/internal/device/dialogue"
	"towpath/internal/device/transfer"
	"towpath/internal/evidence"
	"towpath/internal/fleet"
)

// dialCommandLine makes the driver for a command line, over SSH or over the
// device's console line.
func dialCommandLine(ctx context.Context, d fleet.Device, r wiring) (device.Device, error) {
	op := "connect to " + string(d.ID)
	ad, err := adapterOf(r.dir, d.Access.Adapter)
	if err != nil {
		return nil, &device.Fault{Kind: device.Ours, Op: op, Err: err}
	}
	cfg := commandline.Config{Device: string(d.ID), Adapter: ad, Now: r.now}
	if d.Access.Address != "" {
		if cfg.SSH, err = sshConfig(d, r); err != nil {
			return nil, err
		}
		cfg.User = d.Access.User
	}
	images, err := imageServer(d, r)
	if err != nil {
		return nil, err
	}
	if images != nil {
		if ad.Install != nil && ad.Install.Pull == nil {
			return nil, &device.Fault{Kind: device.Ours, Op: op,
				Text: fmt.Sprintf("the fleet file gives access.image-server, and the adapter %s does not say how the device fetches, in install.pull", ad.Name)}
		}
		cfg.Pull, cfg.PullFrom = images.serve, images.from
	}
	out := &recorded{device: string(d.ID), images: images}
	if d.Access.Console != nil {
		if err := overConsole(d, r, &cfg); err != nil {
			return nil, err
		}
		if out.mark, err = markOf(r.dir, d.ID); err != nil {
			return nil, &device.Fault{Kind: device.Ours, Op: op, Err: err}
		}
		cfg.Mark = out.mark.Mark
	}
	if out.record, err = newRecord(r, d); err != nil {
		return nil, errors.Join(&device.Fault{Kind: device.Ours, Op: op, Err: err}, out.mark.close())
	}
	cfg.Transcript = out.record
	if out.Driver, err = commandline.Dial(ctx, cfg); err != nil {
		return nil, errors.Join(err, out.record.file.Close(), out.mark.close())
	}
	return out, nil
}

// images is the server that a device fetches images from. It listens from the
// first image on, so that a device that is only read opens no port here.
type images struct {
	cfg  transfer.ServerConfig
	from netip.Prefix

	mu     sync.Mutex
	server *transfer.Server
}

// imageServer is the one that the fleet file names; nil where it names none.
func imageServer(d fleet.Device, r wiring) (*images, error) {
	x := d.Access.ImageServer
	if x == nil {
		return nil, nil //nolint:nilnil // none is wanted
	}
	out := &images{cfg: transfer.ServerConfig{Listen: x.Listen, Host: x.Host, Now: r.now}}
	var cert, key []byte
	if err := r.resolve(d, secret{x.Cert, &cert}, secret{x.Key, &key}); err != nil {
		return nil, err
	}
	if cert != nil {
		pair, err := tls.X509KeyPair(cert, key)
		if err != nil {
			return nil, &device.Fault{Kind: device.Denied, Op: "connect to " + string(d.ID), Text: "access.image-server", Err: err}
		}
		out.cfg.TLS = &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
	}
	// An address that is no name says who may fetch; whoever is behind a jump host
	// is seen under another.
	if x.From != "" {
		from, err := fleet.ParseFrom(x.From)
		if err != nil {
			return nil, &device.Fault{Kind: device.Ours, Op: "connect to " + string(d.ID), Text: "access.image-server.from", Err: err}
		}
		out.from = from
	} else if at, err := netip.ParseAddrPort(d.Access.Address); err == nil && len(d.Access.Jump) == 0 {
		out.from = netip.PrefixFrom(at.Addr().Unmap(), at.Addr().Unmap().BitLen())
	}
	return out, nil
}

func (x *images) serve() (*transfer.Server, error) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.server == nil {
		s, err := transfer.Serve(x.cfg)
		if err != nil {
			return nil, err
		}
		x.server = s
	}
	return x.server, nil
}

func (x *images) close() error {
	if x == nil {
		return nil
	}
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.server == nil {
		return nil
	}
	err := x.server.Close()
	x.server = nil
	return err
}

// overConsole has the commands go over the device's console lines.
func overConsole(d fleet.Device, r wiring, cfg *commandline.Config) error {
	x := d.Access.Console
	for _, l := range x.Lines() {
		link, err := consoleConfig(d, l, r)
		if err != nil {
			return err
		}
		cfg.Lines = append(cfg.Lines, commandline.ConsoleLine{Card: l.Controller,
			Open: func(ctx context.Context) (io.ReadWriteCloser, error) { return commandline.Terminal(ctx, link) }})
	}
	cfg.User, cfg.Password, cfg.Settle = x.Login.User, "", x.Settle
	var err error
	if x.Login.Password != "" {
		if cfg.Password, err = r.password(x.Login.Password); err != nil {
			return &device.Fault{Kind: device.Denied, Op: "connect to " + string(d.ID), Err: err}
		}
	}
	if x.Login != (fleet.ConsoleLogin{}) && len(cfg.Adapter.Session.Login) == 0 {
		return &device.Fault{Kind: device.Ours, Op: "connect to " + string(d.ID),
			Text: fmt.Sprintf("the fleet file gives access.console.login, and the adapter %s does not say what the line asks, in session.login", cfg.Adapter.Name)}
	}
	ways := map[string]commandline.OpenSession{
		"": commandline.RefuseOpen, fleet.OpenSessionRefuse: commandline.RefuseOpen,
		fleet.OpenSessionLogOut: commandline.LogOutOpen, fleet.OpenSessionUse: commandline.UseOpen,
	}
	cfg.OpenSession = ways[x.OpenSession]
	return nil
}

// lines lends the drivers of devices that are reached over console lines. One
// person at a time is let on a line, and so is one driver of a process: all who
// want the device have it together.
type lines struct {
	mu   sync.Mutex
	open map[fleet.DeviceID]*shared
}

// shared is a driver with how many have it.
type shared struct {
	*recorded
	users int
}

// lent is a driver that somebody has.
type lent struct {
	*recorded
	give func() error // back
}

// Close gives it back; the last one ends it.
func (l *lent) Close() error { return l.give() }

func (x *lines) dial(id fleet.DeviceID, dial func() (device.Device, error)) (device.Device, error) {
	x.mu.Lock()
	defer x.mu.Unlock()
	s := x.open[id]
	if s == nil {
		dev, err := dial()
		if err != nil {
			return nil, err
		}
		r, ok := dev.(*recorded)
		if !ok {
			return dev, nil // no driver of ours for lines
		}
		s = &shared{recorded: r}
		if x.open == nil {
			x.open = map[fleet.DeviceID]*shared{}
		}
		x.open[id] = s
	}
	s.users++
	return &lent{s.recorded, sync.OnceValue(func() error {
		x.mu.Lock()
		defer x.mu.Unlock()
		if s.users--; s.users > 0 {
			return nil
		}
		delete(x.open, id)
		return s.Close()
	})}, nil
}

// adapterOf reads an adapter: a file of the workspace, or one that comes with
// Towpath.
func adapterOf(dir, name string) (*adapter.Adapter, error) {
	if name == "" {
		return nil, errors.New("the fleet file gives no access.adapter")
	}
	if slices.Contains(adapter.BuiltinNames(), name) {
		return adapter.Builtin(name)
	}
	file := filepath.Join(dir, filepath.FromSlash(name))
	src, err := os.ReadFile(file) // #nosec G304 -- the fleet file's own word, below the workspace
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("there is no adapter file %s, and none called %s comes with Towpath, but %s", file, name, strings.Join(adapter.BuiltinNames(), ", "))
	}
	if err != nil {
		return nil, err
	}
	return adapter.Read(file, src)
}

// record is the transcript of a device's sessions, a file of its own for each
// connection of this process.
type record struct {
	*dialogue.Transcript
	file *os.File
}

// newRecord opens a transcript beside the runs of a workspace. It is readable by
// its owner only: a device's configuration may stand in it.
func newRecord(r wiring, d fleet.Device) (*record, error) {
	name := fmt.Sprintf("%s-%s-*.jsonl", d.ID, r.now().UTC().Format("20060102T150405Z"))
	in := func(dir string) (*os.File, error) {
		if err := os.MkdirAll(dir, 0o700); err != nil {
			return nil, err
		}
		return os.CreateTemp(dir, name)
	}
	f, err := in(filepath.Join(r.dir, ".towpath", "transcripts"))
	if errors.Is(err, unix.EROFS) || errors.Is(err, fs.ErrPermission) {
		// A workspace that cannot be written may be read all the same, and so may its
		// devices; what is said to them is kept wherever it can be.
		beside := err
		var dir string
		if dir, err = os.MkdirTemp("", "towpath-transcripts-"); err == nil {
			if f, err = in(dir); err == nil {
				fmt.Fprintf(os.Stderr, "towpath: warning: the transcript of %s is kept in %s: %v\n", d.ID, f.Name(), beside)
			}
		}
	}
	if err != nil {
		return nil, fmt.Errorf("transcript: %w", err)
	}
	return &record{dialogue.NewTranscript(f), f}, nil
}

// mark is the mark of our sessions on a device's console lines. It is kept in the
// workspace, so that a session which a process of ours left there when it died is
// known again. A mark that lives is used by nobody else: the kernel gives up the
// lock on its file when the process dies, however it dies.
type mark struct {
	commandline.Mark
	file *os.File // nil where another driver that lives has the device's mark

	mu   sync.Mutex
	kept keptMark
}

// keptMark is what the file of a mark holds.
type keptMark struct {
	Word string            `json:"word"`
	Left map[string]string `json:"prompts"` // of the sessions that bear it, by controller card
}

func markOf(dir string, id fleet.DeviceID) (*mark, error) {
	m := &mark{Mark: commandline.Mark{Word: commandline.NewMark()}}
	folder := filepath.Join(dir, ".towpath", "consoles")
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return nil, fmt.Errorf("mark of console sessions: %w", err)
	}
	f, err := os.OpenFile(filepath.Join(folder, url.PathEscape(string(id))+".json"), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("mark of console sessions: %w", err)
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		return m, f.Close() // another driver's; ours is a fresh one that is not kept
	}
	m.file, m.Learned = f, m.learn
	b, err := io.ReadAll(f)
	if err == nil && json.Unmarshal(b, &m.kept) == nil && m.kept.Word != "" {
		m.Word, m.Left = m.kept.Word, maps.Clone(m.kept.Left)
		return m, nil
	}
	m.kept = keptMark{Word: m.Word, Left: map[string]string{}}
	return m, err
}

// learn keeps the prompt of a session that bears the mark. Where it cannot be kept,
// the session counts as somebody else's should this process die.
func (m *mark) learn(card, prompt string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.file == nil || m.kept.Left[card] == prompt {
		return
	}
	if m.kept.Left == nil {
		m.kept.Left = map[string]string{}
	}
	m.kept.Left[card] = prompt
	b, err := json.Marshal(m.kept)
	if err == nil {
		err = m.file.Truncate(0)
	}
	if err == nil {
		_, err = m.file.WriteAt(b, 0)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "towpath: warning: the mark of console sessions is not kept:", err)
	}
}

func (m *mark) close() error {
	if m == nil {
		return nil
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.file == nil {
		return nil
	}
	err := m.file.Close()
	m.file = nil
	return err
}

// recorded is a driver whose transcript is closed with it.
type recorded struct {
	*commandline.Driver
	record *record
	device string
	images *images // nil where there is none
	mark   *mark   // nil where there is none
}

// Transcript implements [app.Transcribed].
func (r *recorded) Transcript() (evidence.Transcript, error) {
	name := r.record.file.Name()
	st, err := os.Stat(name)
	if err != nil {
		return evidence.Transcript{}, err
	}
	sum, _ := r.record.Digest()
	return evidence.Transcript{Device: r.device, File: filepath.Base(name), Octets: st.Size(), SHA256: sum}, nil
}

// Close ends the sessions and the transcript, and leaves the transcript's
// digest beside it.
func (r *recorded) Close() error {
	err := errors.Join(r.Driver.Close(), r.images.close(), r.mark.close())
	sum, _ := r.record.Digest()
	name := r.record.file.Name()
	if cerr := errors.Join(r.record.file.Sync(), r.record.file.Close(), os.WriteFile(name+".sha256", []byte(sum+"  "+filepath.Base(name)+"\n"), 0o600)); cerr != nil && !errors.Is(cerr, os.ErrClosed) {
		err = errors.Join(err, &device.Fault{Kind: device.Ours, Op: "close the transcript", Err: cerr})
	}
	return err
}
