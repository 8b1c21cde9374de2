package lab

import (
	"fmt"
	"net"
	"strconv"
	"syscall"
)

// listen listens on an address that this process may just have closed. A child
// that was forked meanwhile and has not become its program yet still has the
// closed socket; it is waited for. Source: close-on-exec of fcntl(2), which acts
// when the program starts and not before.
func listen(addr string) (net.Listener, error) {
	syscall.ForkLock.RLock()
	defer syscall.ForkLock.RUnlock()
	return net.Listen("tcp", addr)
}

// reserve binds an address without listening on it, so that it keeps its port
// while the management plane is away and yet refuses connections. Listeners
// bind it again: both sides set SO_REUSEADDR, as package net does.
func reserve(address string) (addr string, release func(), err error) {
	tcp, err := net.ResolveTCPAddr("tcp", address)
	if err != nil {
		return "", nil, err
	}
	family := syscall.AF_INET
	if tcp.IP.To4() == nil {
		family = syscall.AF_INET6
	}
	fd, err := syscall.Socket(family, syscall.SOCK_STREAM|syscall.SOCK_CLOEXEC, 0)
	if err != nil {
		return "", nil, fmt.Errorf("hold port %d: %w", tcp.Port, err)
	}
	var sa syscall.Sockaddr
	if ip4 := tcp.IP.To4(); ip4 != nil {
		sa = &syscall.SockaddrInet4{Port: tcp.Port, Addr: [4]byte(ip4)}
	} else {
		sa = &syscall.SockaddrInet6{Port: tcp.Port, Addr: [16]byte(tcp.IP.To16())}
	}
	// The option is set after the address, so that a port that the system picks
	// is shared with nobody.
	err = syscall.Bind(fd, sa)
	if err == nil {
		err = syscall.SetsockoptInt(fd, syscall.SOL_SOCKET, syscall.SO_REUSEADDR, 1)
	}
	if err == nil {
		sa, err = syscall.Getsockname(fd)
	}
	if err != nil {
		_ = syscall.Close(fd)
		return "", nil, fmt.Errorf("hold port %d: %w", tcp.Port, err)
	}
	port := tcp.Port
	switch sa := sa.(type) {
	case *syscall.SockaddrInet4:
		port = sa.Port
	case *syscall.SockaddrInet6:
		port = sa.Port
	}
	return net.JoinHostPort(tcp.IP.String(), strconv.Itoa(port)), func() { _ = syscall.Close(fd) }, nil
}
