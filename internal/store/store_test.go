package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"
)

func fresh(t *testing.T, run string) *Store {
	t.Helper()
	s, err := Open(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	if err := s.Create(t.Context(), Run{ID: run, Device: "mere-agg-1", Begun: time.Now(), Input: json.RawMessage(`{}`)}); err != nil {
		t.Fatal(err)
	}
	return s
}

// TestStoppedRunIsTakenUp stops a run after every move in turn and takes it up
// again; each move's function must have been called exactly once in the end.
func TestStoppedRunIsTakenUp(t *testing.T) {
	const moves = 6
	s := fresh(t, "r1")
	errStop := errors.New("stop here")
	var did []string
	sessions := 0
	body := func(upTo int) func(context.Context, *Journal) (string, error) {
		return func(ctx context.Context, j *Journal) (string, error) {
			sessions++
			for i := 1; i <= moves; i++ {
				if i > upTo {
					return "", errStop
				}
				rec, err := j.Do(ctx, i, fmt.Sprintf("move %d", i), func(context.Context) ([]byte, error) {
					did = append(did, fmt.Sprint(i))
					return fmt.Appendf(nil, "record %d", i), nil
				})
				if err != nil {
					return "", err
				}
				if string(rec) != fmt.Sprintf("record %d", i) {
					return "", fmt.Errorf("move %d returned %q", i, rec)
				}
			}
			return "accepted", nil
		}
	}
	for upTo := 0; upTo < moves; upTo++ {
		if _, err := s.Conduct(t.Context(), "r1", body(upTo)); !errors.Is(err, errStop) {
			t.Fatalf("stopped after %d moves: got error %v, want the stop", upTo, err)
		}
	}
	v, err := s.Conduct(t.Context(), "r1", body(moves))
	if err != nil || v != "accepted" {
		t.Fatalf("last session: %q, %v", v, err)
	}
	if want := []string{"1", "2", "3", "4", "5", "6"}; !slices.Equal(did, want) {
		t.Errorf("moves done: %v, want each once: %v", did, want)
	}
	if sessions != moves+1 {
		t.Errorf("%d sessions, want %d: some were never taken up", sessions, moves+1)
	}
	recs, err := s.Journal(t.Context(), "r1")
	if err != nil || len(recs) != moves {
		t.Errorf("journal has %d records (%v), want %d", len(recs), err, moves)
	}
	if r, err := s.Get(t.Context(), "r1"); err != nil || r.Verdict != "accepted" {
		t.Errorf("verdict kept: %q, %v", r.Verdict, err)
	}
}

func TestErrorOfAMoveIsNotKept(t *testing.T) {
	s := fresh(t, "r1")
	boom := errors.New("cable out")
	calls := 0
	try := func(fail bool) error {
		_, err := s.Conduct(t.Context(), "r1", func(ctx context.Context, j *Journal) (string, error) {
			_, err := j.Do(ctx, 1, "move", func(context.Context) ([]byte, error) {
				calls++
				if fail {
					return nil, boom
				}
				return []byte("ok"), nil
			})
			return "accepted", err
		})
		return err
	}
	if err := try(true); !errors.Is(err, boom) {
		t.Fatalf("got %v, want the move's own error", err)
	}
	if err := try(false); err != nil {
		t.Fatal(err)
	}
	if calls != 2 {
		t.Errorf("the move was tried %d times, want 2", calls)
	}
}

func TestOneProcessAtATime(t *testing.T) {
	s := fresh(t, "r1")
	_, err := s.Conduct(t.Context(), "r1", func(ctx context.Context, _ *Journal) (string, error) {
		_, err := s.Conduct(ctx, "r1", func(context.Context, *Journal) (string, error) { return "accepted", nil })
		if !errors.Is(err, ErrInUse) {
			return "", fmt.Errorf("second conductor got %w, want ErrInUse", err)
		}
		return "accepted", nil
	})
	if err != nil {
		t.Error(err)
	}
}

func TestMessagesWaitAndAreTakenOnce(t *testing.T) {
	s := fresh(t, "r1")
	for _, b := range []string{"first", "second"} {
		if err := s.Send(t.Context(), "r1", "consent", []byte(b)); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Send(t.Context(), "nobody", "consent", nil); !errors.Is(err, ErrNoRun) {
		t.Errorf("message to a run that is not there: %v, want ErrNoRun", err)
	}
	var got []string
	_, err := s.Conduct(t.Context(), "r1", func(ctx context.Context, j *Journal) (string, error) {
		for {
			id, body, ok, err := j.Take(ctx, "consent")
			if err != nil || !ok {
				return "accepted", err
			}
			got = append(got, string(body))
			if err := j.Taken(ctx, id); err != nil {
				return "", err
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	if want := []string{"first", "second"}; !slices.Equal(got, want) {
		t.Errorf("messages: %v, want %v", got, want)
	}
}

func TestDamagedArtefactIsFound(t *testing.T) {
	s := fresh(t, "r1")
	ctx := t.Context()
	if err := s.SetArtefact(ctx, "r1", "capture/before", []byte("state")); err != nil {
		t.Fatal(err)
	}
	b, ok, err := s.Artefact(ctx, "r1", "capture/before")
	if err != nil || !ok || string(b) != "state" {
		t.Fatalf("read back: %q %v %v", b, ok, err)
	}
	if _, err := s.db.Exec(`UPDATE artefact SET body = x'00'`); err != nil {
		t.Fatal(err)
	}
	if _, _, err := s.Artefact(ctx, "r1", "capture/before"); err == nil {
		t.Error("a changed artefact was read without complaint")
	}
	if names, err := s.Artefacts(ctx, "r1", "capture/"); err != nil || len(names) != 1 {
		t.Errorf("names: %v %v", names, err)
	}
}

// Two runs of one device are never conducted at once, and two of different
// devices may be.
func TestDeviceIsWorkedOnOnce(t *testing.T) {
	s := fresh(t, "r1")
	for id, dev := range map[string]string{"r2": "mere-agg-1", "r3": "mere/agg-2"} {
		if err := s.Create(t.Context(), Run{ID: id, Device: dev, Begun: time.Now(), Input: json.RawMessage(`{}`)}); err != nil {
			t.Fatal(err)
		}
	}
	_, err := s.Conduct(t.Context(), "r1", func(ctx context.Context, _ *Journal) (string, error) {
		_, err := s.Conduct(ctx, "r2", func(context.Context, *Journal) (string, error) { return "accepted", nil })
		if !errors.Is(err, ErrInUse) {
			t.Errorf("second run of the device: %v, want ErrInUse", err)
		}
		v, err := s.Conduct(ctx, "r3", func(context.Context, *Journal) (string, error) { return "accepted", nil })
		if err != nil || v != "accepted" {
			t.Errorf("run of another device: %q, %v", v, err)
		}
		return "accepted", nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// A run that has ended gives its verdict again, and its body is not called.
func TestEndedRunIsNotRunAgain(t *testing.T) {
	s := fresh(t, "r1")
	called := 0
	for range 3 {
		v, err := s.Conduct(t.Context(), "r1", func(ctx context.Context, j *Journal) (string, error) {
			called++
			_, err := j.Do(ctx, 1, "only", func(context.Context) ([]byte, error) { return []byte("{}"), nil })
			return "accepted", err
		})
		if err != nil || v != "accepted" {
			t.Fatalf("%q, %v, want accepted", v, err)
		}
	}
	if called != 1 {
		t.Errorf("the body was called %d times, want once", called)
	}
}

// A folder may be called what a URI gives a meaning to, and others may read it.
// Source: RFC 3986 §2.2, reserved characters; SQLite, URI filenames, from memory.
func TestFolderOfAnyName(t *testing.T) {
	for _, name := range []string{"w?s#1", "w%41 b", "w&mode=ro", "plain"} {
		dir := filepath.Join(t.TempDir(), name)
		s, err := Open(dir)
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Create(t.Context(), Run{ID: "r-1", Device: "mere-agg-1"}); err != nil {
			t.Error(err)
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
		found, err := os.ReadDir(dir)
		if err != nil || len(found) == 0 || found[0].Name() != "towpath.db" {
			t.Errorf("in %q: %v, %v", name, found, err)
		}
		for _, f := range found {
			if i, err := f.Info(); err != nil || i.Mode().Perm() != 0o600 {
				t.Errorf("%s in %q: %v, %v, want 0600", f.Name(), name, i.Mode(), err)
			}
		}
	}
}
