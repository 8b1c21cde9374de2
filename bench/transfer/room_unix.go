//go:build unix

package main

import (
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// room is how many octets fit into a folder; zero where it is not known.
func room(dir string) int64 {
	var s unix.Statfs_t
	if unix.Statfs(dir, &s) != nil {
		return 0
	}
	return int64(s.Bavail) * int64(s.Bsize)
}

// cpuTime is the processor time of this process and of the children that it
// has waited for.
func cpuTime() time.Duration {
	var sum time.Duration
	for _, who := range []int{syscall.RUSAGE_SELF, syscall.RUSAGE_CHILDREN} {
		var r syscall.Rusage
		if syscall.Getrusage(who, &r) == nil {
			sum += time.Duration(r.Utime.Nano() + r.Stime.Nano())
		}
	}
	return sum
}
