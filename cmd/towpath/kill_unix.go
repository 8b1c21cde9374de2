package main

import (
	"os"
	"syscall"
)

// killSelf ends this process at once, with nothing flushed and nothing closed.
func killSelf() {
	_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
	select {} // the signal is on its way
}
