//go:build !unix

package main

import "time"

// room is how many octets fit into a folder; zero where it is not known.
func room(string) int64 { return 0 }

// cpuTime is not known here.
func cpuTime() time.Duration { return 0 }
