//go:build unix

package main

import (
	"syscall"
	"time"
)

// processorTime is the time in seconds that this process spent on processors
// while f ran.
func processorTime(f func() error) (float64, error) {
	before, err := spent()
	if err != nil {
		return 0, err
	}
	if err := f(); err != nil {
		return 0, err
	}
	after, err := spent()
	return (after - before).Seconds(), err
}

func spent() (time.Duration, error) {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0, err
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano()), nil
}
