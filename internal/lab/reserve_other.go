//go:build !linux

package lab

import "net"

// listen listens on an address that may just have been closed.
func listen(addr string) (net.Listener, error) { return net.Listen("tcp", addr) }

// reserve picks the port where none is given. Nothing holds it while the
// management plane is away.
func reserve(address string) (addr string, release func(), err error) {
	l, err := net.Listen("tcp", address)
	if err != nil {
		return "", nil, err
	}
	addr = l.Addr().String()
	return addr, func() {}, l.Close()
}
