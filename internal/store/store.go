// Package store keeps what must outlive the process: runs with their journals,
// the pieces of evidence, and messages from people. It runs a conductor
// durably: every move of a run is one step of a durable workflow, and the
// journal is written, with synchronous=FULL, before the step counts as done.
//
// Read [Open] first, then [Store.Conduct]. The database is SQLite, one file. What
// only reads opens it by [OpenReading], which leaves it and its folder alone.
package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"math"
	"net/url"
	"os"
	"path/filepath"
	"time"

	"github.com/dbos-inc/dbos-transact-golang/dbos"
	_ "github.com/dbos-inc/dbos-transact-golang/dbos/driver/sqlite" // the engine's SQLite dialect
	"golang.org/x/sys/unix"
	_ "modernc.org/sqlite" // the driver
)

// Version is the application version that runs are kept under. It is fixed, so
// that a rebuilt binary takes up the runs of the one before it; it changes only
// when a journal could no longer be read.
const Version = "towpath-journal-1"

// Store is an open database. It is safe for concurrent use.
type Store struct {
	dir     string
	db      *sql.DB
	reading bool   // only to be read
	copy    string // folder of a copy that is read, and goes with the store
}

// ErrNoRun says that there is no run with the id.
var ErrNoRun = errors.New("no such run")

// ErrInUse says that another process conducts a run of the same device.
var ErrInUse = errors.New("another process conducts a run of it")

const schema = `
CREATE TABLE IF NOT EXISTS run (
	id      TEXT PRIMARY KEY,
	device  TEXT NOT NULL,
	begun   TEXT NOT NULL,
	input   TEXT NOT NULL,
	verdict TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE TABLE IF NOT EXISTS journal (
	run    TEXT NOT NULL REFERENCES run(id),
	seq    INTEGER NOT NULL CHECK (seq > 0),
	key    TEXT NOT NULL,
	record TEXT NOT NULL,
	PRIMARY KEY (run, seq),
	UNIQUE (run, key)
) STRICT;
CREATE TABLE IF NOT EXISTS artefact (
	run    TEXT NOT NULL REFERENCES run(id),
	name   TEXT NOT NULL,
	sha256 TEXT NOT NULL,
	body   BLOB NOT NULL,
	PRIMARY KEY (run, name)
) STRICT;
CREATE TABLE IF NOT EXISTS message (
	id    INTEGER PRIMARY KEY AUTOINCREMENT,
	run   TEXT NOT NULL REFERENCES run(id),
	topic TEXT NOT NULL,
	body  TEXT NOT NULL,
	taken INTEGER NOT NULL DEFAULT 0
) STRICT;
`

// Open opens the database in the folder and makes it where it is missing.
func Open(dir string) (*Store, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("store: %w", err)
	}
	db, err := open(filepath.Join(dir, "towpath.db"))
	if err != nil {
		return nil, err
	}
	if _, err := db.Exec(schema); err != nil {
		return nil, errors.Join(fmt.Errorf("store: make the tables: %w", err), db.Close())
	}
	return &Store{dir: dir, db: db}, nil
}

// open returns a handle whose commits are on disk before they return: the
// journal is worth nothing if the last record can be lost with the power.
//
// The file is for its owner alone, since the folder may be one that others read:
// it names devices, persons and what was said.
func open(path string) (*sql.DB, error) {
	whole, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("store: %w", err)
	}
	f, err := os.OpenFile(whole, os.O_RDWR|os.O_CREATE, 0o600) //nolint:gosec // the operator's own folder
	if err == nil {
		err = f.Close()
	}
	if err == nil { // the log is made beside it
		if no := unix.Access(filepath.Dir(whole), unix.W_OK); no != nil {
			err = &fs.PathError{Op: "write into", Path: filepath.Dir(whole), Err: no}
		}
	}
	if err != nil {
		return nil, fmt.Errorf("store: %w", err)
	}
	// A name may hold what means something in a URI. Source: RFC 3986 §2.1, RFC 8089 §2.
	at := url.URL{Scheme: "file", Path: whole}
	dsn := at.String() + "?_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_pragma=busy_timeout(10000)&_pragma=foreign_keys(1)&_txlock=immediate"
	db, err := sql.Open("sqlite", dsn)
	if err != nil {
		return nil, fmt.Errorf("store: open %s: %w", path, err)
	}
	db.SetMaxOpenConns(4)
	return db, nil
}

// Close closes the database.
func (s *Store) Close() error {
	err := s.db.Close()
	if s.copy != "" {
		err = errors.Join(err, os.RemoveAll(s.copy))
	}
	return err
}

// Run is one run as the store knows it.
type Run struct {
	ID      string          `json:"id"`
	Device  string          `json:"device"`
	Begun   time.Time       `json:"begun"`
	Input   json.RawMessage `json:"-"` // what the conductor was given: plan, policy
	Verdict string          `json:"verdict"`
}

// Create keeps a new run. The id must be new.
func (s *Store) Create(ctx context.Context, r Run) error {
	if s.reading {
		return ErrReading
	}
	_, err := s.db.ExecContext(ctx, `INSERT INTO run (id, device, begun, input) VALUES (?, ?, ?, ?)`,
		r.ID, r.Device, r.Begun.UTC().Format(time.RFC3339Nano), string(r.Input))
	if err != nil {
		return fmt.Errorf("store: keep run %s: %w", r.ID, err)
	}
	return nil
}

// Get returns the run with the id, or [ErrNoRun].
func (s *Store) Get(ctx context.Context, id string) (Run, error) {
	runs, err := s.query(ctx, `SELECT id, device, begun, input, verdict FROM run WHERE id = ?`, id)
	if err == nil && len(runs) == 0 {
		err = fmt.Errorf("%w: %s", ErrNoRun, id)
	}
	if err != nil {
		return Run{}, err
	}
	return runs[0], nil
}

// Runs returns all runs, the newest first.
func (s *Store) Runs(ctx context.Context) ([]Run, error) {
	return s.query(ctx, `SELECT id, device, begun, input, verdict FROM run ORDER BY begun DESC, id DESC`)
}

func (s *Store) query(ctx context.Context, q string, args ...any) (out []Run, err error) {
	rows, err := s.db.QueryContext(ctx, q, args...)
	if err != nil {
		return nil, fmt.Errorf("store: read runs: %w", err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var r Run
		var begun, input string
		if err := rows.Scan(&r.ID, &r.Device, &begun, &input, &r.Verdict); err != nil {
			return nil, fmt.Errorf("store: read runs: %w", err)
		}
		if r.Begun, err = time.Parse(time.RFC3339Nano, begun); err != nil {
			return nil, fmt.Errorf("store: run %s: %w", r.ID, err)
		}
		r.Input = json.RawMessage(input)
		out = append(out, r)
	}
	return out, rows.Err()
}

// SetVerdict keeps the verdict that the run rests at.
func (s *Store) SetVerdict(ctx context.Context, run, verdict string) error {
	if s.reading {
		return ErrReading
	}
	_, err := s.db.ExecContext(ctx, `UPDATE run SET verdict = ? WHERE id = ?`, verdict, run)
	if err != nil {
		return fmt.Errorf("store: verdict of %s: %w", run, err)
	}
	return nil
}

// Journal returns the run's records in order, each as it was written.
func (s *Store) Journal(ctx context.Context, run string) (out []json.RawMessage, err error) {
	rows, err := s.db.QueryContext(ctx, `SELECT record FROM journal WHERE run = ? ORDER BY seq`, run)
	if err != nil {
		return nil, fmt.Errorf("store: journal of %s: %w", run, err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var b string
		if err := rows.Scan(&b); err != nil {
			return nil, fmt.Errorf("store: journal of %s: %w", run, err)
		}
		out = append(out, json.RawMessage(b))
	}
	return out, rows.Err()
}

// SetArtefact keeps a piece of the run's evidence; the same name replaces it.
func (s *Store) SetArtefact(ctx context.Context, run, name string, body []byte) error {
	if s.reading {
		return ErrReading
	}
	sum := sha256.Sum256(body)
	_, err := s.db.ExecContext(ctx, `INSERT INTO artefact (run, name, sha256, body) VALUES (?, ?, ?, ?)
		ON CONFLICT (run, name) DO UPDATE SET sha256 = excluded.sha256, body = excluded.body`,
		run, name, hex.EncodeToString(sum[:]), body)
	if err != nil {
		return fmt.Errorf("store: keep %s of %s: %w", name, run, err)
	}
	return nil
}

// Artefact returns a piece of evidence after checking its digest; ok is false
// where there is none.
func (s *Store) Artefact(ctx context.Context, run, name string) (body []byte, ok bool, err error) {
	var want string
	err = s.db.QueryRowContext(ctx, `SELECT sha256, body FROM artefact WHERE run = ? AND name = ?`, run, name).Scan(&want, &body)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, false, nil
	}
	if err != nil {
		return nil, false, fmt.Errorf("store: read %s of %s: %w", name, run, err)
	}
	sum := sha256.Sum256(body)
	if got := hex.EncodeToString(sum[:]); got != want {
		return nil, false, fmt.Errorf("store: %s of run %s is damaged: SHA-256 %s, kept as %s", name, run, got, want)
	}
	return body, true, nil
}

// Artefacts lists the names of the run's artefacts that begin with the prefix,
// sorted.
func (s *Store) Artefacts(ctx context.Context, run, prefix string) (names []string, err error) {
	rows, err := s.db.QueryContext(ctx, `SELECT name FROM artefact WHERE run = ? AND substr(name, 1, length(?)) = ? ORDER BY name`, run, prefix, prefix)
	if err != nil {
		return nil, fmt.Errorf("store: artefacts of %s: %w", run, err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var n string
		if err := rows.Scan(&n); err != nil {
			return nil, fmt.Errorf("store: artefacts of %s: %w", run, err)
		}
		names = append(names, n)
	}
	return names, rows.Err()
}

// Send leaves a message for the run, whether or not a process conducts it now.
func (s *Store) Send(ctx context.Context, run, topic string, body []byte) error {
	if s.reading {
		return ErrReading
	}
	if _, err := s.Get(ctx, run); err != nil {
		return err
	}
	_, err := s.db.ExecContext(ctx, `INSERT INTO message (run, topic, body) VALUES (?, ?, ?)`, run, topic, string(body))
	if err != nil {
		return fmt.Errorf("store: message to %s: %w", run, err)
	}
	return nil
}

// Conduct runs body as the durable workflow of the run, from its beginning or
// from where an earlier process left it, and returns its result. Only one
// process at a time can work on a device: a second one gets [ErrInUse]. body must be
// deterministic apart from what it does inside [Journal.Do].
//
// When ctx ends, or body returns an error, the run stays open and a later call
// takes it up again.
func (s *Store) Conduct(ctx context.Context, run string, body func(context.Context, *Journal) (string, error)) (verdict string, err error) {
	if s.reading {
		return "", ErrReading
	}
	r, err := s.Get(ctx, run)
	if err != nil {
		return "", err
	}
	// The device is what must not be worked on twice at once, by whatever run.
	unlock, err := s.lock(r.Device)
	if err != nil {
		return "", fmt.Errorf("run %s: %w", run, err)
	}
	defer unlock()

	db, err := open(filepath.Join(s.dir, "durable.db"))
	if err != nil {
		return "", err
	}
	shut := make(chan struct{}) // the database is closed
	defer func() { err = errors.Join(err, db.Close()); close(shut) }()
	// Each run has its own executor id, so that starting one never takes up
	// another that a different process may be conducting.
	engine, err := dbos.NewContext(context.WithoutCancel(ctx), dbos.Config{
		AppName: "towpath", SQLiteSystemDB: db, ExecutorID: "run-" + run, ApplicationVersion: Version,
		Logger: slog.New(slog.NewTextHandler(io.Discard, nil)),
	})
	if err != nil {
		return "", fmt.Errorf("store: durable engine: %w", err)
	}
	type end struct {
		verdict string
		err     error
	}
	ended := make(chan end, 1)
	work := func(dc dbos.Context, id string) (string, error) {
		j := &Journal{store: s, run: id, dc: dc}
		wctx, cancel := context.WithCancel(dc)
		defer cancel()
		defer context.AfterFunc(ctx, cancel)()
		v, err := body(wctx, j)
		ended <- end{v, err}
		if err != nil {
			// A workflow that returns is over for good; this one is to be taken
			// up again. It waits here until nothing can be written of it any more:
			// an engine that shuts down may still keep how a workflow ended.
			<-shut
			return "", err
		}
		return v, nil
	}
	// The engine would give a run up for good after a hundred crashes. How often
	// is a person's business: each time it is taken up, somebody asked for it.
	dbos.RegisterWorkflow(engine, work, dbos.WithWorkflowName("conduct"), dbos.WithMaxRecoveryAttempts(math.MaxInt32))
	if err := dbos.Launch(engine); err != nil {
		return "", fmt.Errorf("store: start the durable engine: %w", err)
	}
	defer func() {
		if e := dbos.Shutdown(engine, 100*time.Millisecond); e != nil && err == nil && verdict == "" {
			err = fmt.Errorf("store: stop the durable engine: %w", e)
		}
	}()
	handle, err := dbos.RunWorkflow(engine, work, run, dbos.WithWorkflowID(run))
	if err != nil {
		return "", fmt.Errorf("store: start run %s: %w", run, err)
	}
	// A workflow that has ended is not run again: the engine gives the result
	// that it kept, and body is never called.
	kept := make(chan end, 1)
	go func() {
		v, err := handle.GetResult()
		kept <- end{v, err}
	}()
	var e end
	select {
	case e = <-ended:
	case e = <-kept:
		select {
		case e = <-ended: // it ended just now
		default:
		}
	}
	if e.err == nil {
		if err := s.SetVerdict(context.WithoutCancel(ctx), run, e.verdict); err != nil {
			return "", err
		}
	}
	return e.verdict, e.err
}

// lock takes the device for this process. The kernel gives it up when the
// process dies, however it dies.
func (s *Store) lock(device string) (unlock func(), err error) {
	f, err := os.OpenFile(filepath.Join(s.dir, "device-"+url.PathEscape(device)+".lock"), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("store: %w", err)
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		return nil, errors.Join(fmt.Errorf("device %s: %w", device, ErrInUse), f.Close())
	}
	return func() { _ = f.Close() }, nil
}

// Journal is the durable side of one run while it is conducted.
type Journal struct {
	store *Store
	run   string
	dc    dbos.Context
}

// Do returns the record kept under key. Where there is none it calls f, keeps
// what f returns and then returns it. The record is on disk before Do returns;
// f is called again only if the process died before that. An error of f is
// returned and nothing is kept.
func (j *Journal) Do(ctx context.Context, seq int, key string, f func(context.Context) ([]byte, error)) ([]byte, error) {
	rec, kept, err := j.kept(ctx, key)
	if err != nil {
		return nil, err
	}
	if !kept {
		// Outside the engine's step: the engine would keep an error for ever,
		// and ours only means that this process must stop.
		if rec, err = f(ctx); err != nil {
			return nil, err
		}
		at(Before, seq)
	}
	out, err := dbos.RunAsStep(j.dc, func(context.Context) (string, error) {
		_, err := j.store.db.ExecContext(context.WithoutCancel(ctx),
			`INSERT INTO journal (run, seq, key, record) VALUES (?, ?, ?, ?) ON CONFLICT (run, key) DO NOTHING`, j.run, seq, key, string(rec))
		if err != nil {
			return "", fmt.Errorf("store: journal of %s: %w", j.run, err)
		}
		if !kept {
			at(After, seq)
		}
		return string(rec), nil
	}, dbos.WithStepName(key))
	if err != nil {
		return nil, fmt.Errorf("store: journal of %s: %w", j.run, err)
	}
	return []byte(out), nil
}

func (j *Journal) kept(ctx context.Context, key string) ([]byte, bool, error) {
	var rec string
	err := j.store.db.QueryRowContext(context.WithoutCancel(ctx), `SELECT record FROM journal WHERE run = ? AND key = ?`, j.run, key).Scan(&rec)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, false, nil
	}
	if err != nil {
		return nil, false, fmt.Errorf("store: journal of %s: %w", j.run, err)
	}
	return []byte(rec), true, nil
}

// Take returns the oldest message of the topic that has not been taken, and
// its number; ok is false where there is none. Taking does not remove it: call
// [Journal.Taken] when what it led to is durable.
func (j *Journal) Take(ctx context.Context, topic string) (id int64, body []byte, ok bool, err error) {
	var b string
	err = j.store.db.QueryRowContext(ctx, `SELECT id, body FROM message WHERE run = ? AND topic = ? AND taken = 0 ORDER BY id LIMIT 1`, j.run, topic).Scan(&id, &b)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, nil, false, nil
	}
	if err != nil {
		return 0, nil, false, fmt.Errorf("store: messages of %s: %w", j.run, err)
	}
	return id, []byte(b), true, nil
}

// Taken marks a message as acted upon.
func (j *Journal) Taken(ctx context.Context, id int64) error {
	if _, err := j.store.db.ExecContext(context.WithoutCancel(ctx), `UPDATE message SET taken = 1 WHERE id = ?`, id); err != nil {
		return fmt.Errorf("store: message %d: %w", id, err)
	}
	return nil
}

// Moment is a side of a journal write.
type Moment int

// The sides of a journal write.
const (
	Before Moment = iota // what it tells has happened, the record is not there yet
	After                // the record is on disk, the writer does not know it yet
)

func at(m Moment, seq int) {
	if crashHook != nil {
		crashHook(m, seq)
	}
}

// crashHook, when set, is called around every journal write.
var crashHook func(m Moment, seq int)

// SetCrashHook has f called at both sides of every journal write of this
// process. It exists so that a test can end the process there.
func SetCrashHook(f func(m Moment, seq int)) { crashHook = f }
