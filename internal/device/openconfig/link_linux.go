package openconfig

import (
	"syscall"

	"golang.org/x/sys/unix"
)

// boundUnacknowledged sets the socket option of RFC 5482's user timeout, so
// that an act to a device that has vanished fails in time.
func boundUnacknowledged(_, _ string, c syscall.RawConn) error {
	var inner error
	err := c.Control(func(fd uintptr) {
		inner = unix.SetsockoptInt(int(fd), unix.IPPROTO_TCP, unix.TCP_USER_TIMEOUT, int(unacknowledged.Milliseconds()))
	})
	if err != nil {
		return err
	}
	return inner
}
