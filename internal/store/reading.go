package store

import (
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"
)

// ErrNone says that no runs are kept in a folder.
var ErrNone = errors.New("no runs are kept")

// ErrReading says that a database was opened only to be read.
var ErrReading = errors.New("store: the kept runs were opened only to be read")

// OpenReading opens the database in the folder to be read and for nothing else:
// nothing is made there, and the folder may be one that cannot be written, as on
// a disk that is mounted read-only. It is [ErrNone] where there is no database.
// What writes returns an error.
//
// A database in WAL mode cannot simply be read where its folder cannot be written:
// its readers share an index of the write-ahead log, which one of them must make,
// and without the log the last records are missing. So, in this order:
//
//  1. Where database and folder can be written, it is opened as for writing, and
//     the connection refuses to write. The last to close tidies up.
//  2. Where somebody has log and index open, or left both, they are read with it.
//  3. Otherwise database and log are copied, and the copy is read. A copy during
//     which they changed is made anew.
//  4. Where there is no room for a copy and no log either, the file is all there is,
//     and it is read as one that does not change.
//
// Source: SQLite, "Write-Ahead Logging", section on read-only databases, and
// "Uniform Resource Identifiers", immutable, from memory.
func OpenReading(dir string) (*Store, error) {
	path, err := filepath.Abs(filepath.Join(dir, "towpath.db"))
	if err != nil {
		return nil, fmt.Errorf("store: %w", err)
	}
	f, err := os.Open(path) //nolint:gosec // the operator's own folder
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("store: %w in %s", ErrNone, dir)
	}
	if err != nil {
		return nil, fmt.Errorf("store: %w", err)
	}
	if err := f.Close(); err != nil {
		return nil, fmt.Errorf("store: %w", err)
	}
	var wrong error
	for _, way := range []func(string) (*Store, error){asForWriting, withLog, copied, alone} {
		s, err := way(path)
		if err == nil || errors.Is(err, ErrNone) {
			return s, err
		}
		if !errors.Is(err, errNotSo) && wrong == nil {
			wrong = err // what the others say follows from it
		}
	}
	return nil, wrong
}

// errNotSo says that a way of opening is for other circumstances.
var errNotSo = errors.New("not under these circumstances")

// logOf and indexOf are the files beside a database in WAL mode.
func logOf(path string) string   { return path + "-wal" }
func indexOf(path string) string { return path + "-shm" }

func asForWriting(path string) (*Store, error) {
	if unix.Access(path, unix.W_OK) != nil || unix.Access(filepath.Dir(path), unix.W_OK) != nil {
		return nil, errNotSo
	}
	return openToRead(path, "mode=rw")
}

func withLog(path string) (*Store, error) {
	for _, beside := range []string{logOf(path), indexOf(path)} {
		if _, err := os.Stat(beside); err != nil {
			return nil, errNotSo
		}
	}
	return openToRead(path, "mode=ro")
}

func alone(path string) (*Store, error) {
	if look(logOf(path)).size > 0 {
		return nil, errNotSo
	}
	return openToRead(path, "mode=ro&immutable=1")
}

// openToRead opens the database and reads from it, since a handle alone does not
// tell whether that is possible.
func openToRead(path, how string) (_ *Store, err error) {
	at := url.URL{Scheme: "file", Path: path}
	db, err := sql.Open("sqlite", at.String()+"?"+how+"&_pragma=busy_timeout(10000)&_pragma=query_only(1)")
	if err != nil {
		return nil, fmt.Errorf("store: open %s: %w", path, err)
	}
	db.SetMaxOpenConns(4)
	var tables int
	if err := db.QueryRow(`SELECT count(*) FROM sqlite_master WHERE type = 'table' AND name IN ('run', 'journal', 'artefact')`).Scan(&tables); err != nil {
		return nil, errors.Join(fmt.Errorf("store: read %s: %w", path, err), db.Close())
	}
	if tables == 0 { // made, and ended before anything was in it
		return nil, errors.Join(fmt.Errorf("store: %w in %s", ErrNone, filepath.Dir(path)), db.Close())
	}
	return &Store{dir: filepath.Dir(path), db: db, reading: true}, nil
}

// copies is how often a copy is tried that the original changed under.
const copies = 5

// copied copies database and log into a folder of our own, which goes with the
// store.
func copied(path string) (_ *Store, err error) {
	dir, err := os.MkdirTemp("", "towpath-read-")
	if err != nil {
		return nil, fmt.Errorf("store: to be read, %s must be copied: %w", path, err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.RemoveAll(dir))
		}
	}()
	to := filepath.Join(dir, filepath.Base(path))
	for range copies {
		was := [2]looks{look(path), look(logOf(path))}
		if err := copyFile(path, to); err != nil {
			return nil, fmt.Errorf("store: to be read, %s must be copied: %w", path, err)
		}
		switch err := copyFile(logOf(path), logOf(to)); {
		case errors.Is(err, fs.ErrNotExist):
			if err := os.Remove(logOf(to)); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return nil, fmt.Errorf("store: %w", err)
			}
		case err != nil:
			return nil, fmt.Errorf("store: to be read, %s must be copied: %w", logOf(path), err)
		}
		if was == [2]looks{look(path), look(logOf(path))} {
			s, err := openToRead(to, "mode=rw")
			if err != nil {
				return nil, err
			}
			s.copy = dir
			return s, nil
		}
	}
	return nil, fmt.Errorf("store: %s is being written and has no index that could be read with it; it changed during each of %d copies", path, copies)
}

// looks is what tells that a file was written.
type looks struct {
	there    bool
	size     int64
	modified time.Time
}

func look(name string) looks {
	info, err := os.Stat(name)
	if err != nil {
		return looks{}
	}
	return looks{true, info.Size(), info.ModTime()}
}

func copyFile(from, to string) (err error) {
	in, err := os.Open(from) //nolint:gosec // the operator's own folder
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, in.Close()) }()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600) //nolint:gosec // a folder of our own
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Close())
}
