package main

import (
	"context"
	"errors"
	"os"
	"strconv"
	"strings"

	"towpath/internal/app"
	"towpath/internal/store"
)

// storeAdapter gives the database the shape that the use cases ask for.
type storeAdapter struct{ *store.Store }

// known is an error of the store that the use cases know by another name.
type known struct {
	error
	as error
}

func (k known) Is(target error) bool { return target == k.as }
func (k known) Unwrap() error        { return k.error }

// ours turns the store's errors into those that the use cases know.
func ours(err error) error {
	switch {
	case errors.Is(err, store.ErrNoRun):
		return known{err, app.ErrNoRun}
	case errors.Is(err, store.ErrInUse):
		return known{err, app.ErrInUse}
	}
	return err
}

func (s storeAdapter) Create(ctx context.Context, r app.RunRow) error {
	return s.Store.Create(ctx, store.Run{ID: r.ID, Device: r.Device, Begun: r.Begun, Input: r.Input})
}

func row(r store.Run) app.RunRow {
	return app.RunRow{ID: r.ID, Device: r.Device, Begun: r.Begun, Verdict: r.Verdict, Input: r.Input}
}

func (s storeAdapter) Get(ctx context.Context, id string) (app.RunRow, error) {
	r, err := s.Store.Get(ctx, id)
	return row(r), ours(err)
}

func (s storeAdapter) Runs(ctx context.Context) ([]app.RunRow, error) {
	rs, err := s.Store.Runs(ctx)
	out := make([]app.RunRow, len(rs))
	for i, r := range rs {
		out[i] = row(r)
	}
	return out, err
}

func (s storeAdapter) Send(ctx context.Context, run, topic string, body []byte) error {
	return ours(s.Store.Send(ctx, run, topic, body))
}

func (s storeAdapter) Conduct(ctx context.Context, run string, body func(context.Context, app.Journal) (string, error)) (string, error) {
	v, err := s.Store.Conduct(ctx, run, func(ctx context.Context, j *store.Journal) (string, error) { return body(ctx, j) })
	return v, ours(err)
}

// crashVariable asks this process to end as a kill would, at a journal write:
// "N before" or "N after" the N-th record, or "new before" or "new after" the
// first one that this process writes. It is how the crash tests kill a real
// process at an exact place.
const crashVariable = "TOWPATH_TEST_CRASH"

// crashHook arms the crash that the environment asks for.
func crashHook() {
	at, side, ok := strings.Cut(os.Getenv(crashVariable), " ")
	if !ok {
		return
	}
	n, _ := strconv.Atoi(at)
	store.SetCrashHook(func(m store.Moment, seq int) {
		if at != "new" && seq != n {
			return
		}
		if side == "before" && m == store.Before || side == "after" && m == store.After {
			killSelf()
		}
	})
}
