package forward

import (
	"net"
	"net/netip"
	"runtime"
	"syscall"
	"unsafe"

	"golang.org/x/sys/unix"
)

// reader reads packets of a UDP socket in batches into its own memory.
type reader struct {
	raw   syscall.RawConn
	msgs  []mmsghdr
	names []unix.RawSockaddrAny
	iovs  []unix.Iovec
	bufs  [][]byte
	n     int
	errno syscall.Errno
	poll  func(fd uintptr) bool // made once, so that reading allocates nothing
}

// mmsghdr is struct mmsghdr. Source: Linux recvmmsg(2).
type mmsghdr struct {
	hdr unix.Msghdr
	len uint32
}

// newReader makes a reader of at most batch packets at once, each of at most
// size octets.
func newReader(conn *net.UDPConn, batch, size int) (*reader, error) {
	raw, err := conn.SyscallConn()
	if err != nil {
		return nil, err
	}
	r := &reader{
		raw:   raw,
		msgs:  make([]mmsghdr, batch),
		names: make([]unix.RawSockaddrAny, batch),
		iovs:  make([]unix.Iovec, batch),
		bufs:  make([][]byte, batch),
	}
	for i := range batch {
		r.bufs[i] = make([]byte, size)
		r.iovs[i].Base = &r.bufs[i][0]
		r.iovs[i].SetLen(size)
		r.msgs[i].hdr.Name = (*byte)(unsafe.Pointer(&r.names[i]))
		r.msgs[i].hdr.Iov = &r.iovs[i]
		r.msgs[i].hdr.SetIovlen(1)
	}
	r.poll = func(fd uintptr) bool {
		for {
			n, _, errno := unix.Syscall6(unix.SYS_RECVMMSG, fd, uintptr(unsafe.Pointer(&r.msgs[0])), uintptr(len(r.msgs)), unix.MSG_DONTWAIT, 0, 0)
			if errno == unix.EINTR {
				continue
			}
			r.n, r.errno = int(n), errno
			return errno != unix.EAGAIN
		}
	}
	return r, nil
}

// read waits for at least one packet and returns how many there are. After
// the socket has been closed the error is net.ErrClosed.
func (r *reader) read() (int, error) {
	for i := range r.msgs {
		r.msgs[i].hdr.Namelen = uint32(unsafe.Sizeof(r.names[i]))
		r.msgs[i].hdr.Flags = 0
	}
	if err := r.raw.Read(r.poll); err != nil {
		return 0, err
	}
	runtime.KeepAlive(r)
	if r.errno != 0 {
		return 0, r.errno
	}
	return r.n, nil
}

// packet returns the i-th packet of the last read, its sender, and whether it
// fitted. The octets are good until the next read.
func (r *reader) packet(i int) (pkt []byte, from netip.AddrPort, whole bool) {
	m := &r.msgs[i]
	whole = m.hdr.Flags&unix.MSG_TRUNC == 0
	pkt = r.bufs[i][:min(int(m.len), len(r.bufs[i]))]
	switch r.names[i].Addr.Family {
	case unix.AF_INET:
		sa := (*unix.RawSockaddrInet4)(unsafe.Pointer(&r.names[i]))
		from = netip.AddrPortFrom(netip.AddrFrom4(sa.Addr), swap(sa.Port))
	case unix.AF_INET6:
		sa := (*unix.RawSockaddrInet6)(unsafe.Pointer(&r.names[i]))
		from = netip.AddrPortFrom(netip.AddrFrom16(sa.Addr).Unmap(), swap(sa.Port))
	}
	return pkt, from, whole
}

// swap reads a port that is in network order in memory.
func swap(port uint16) uint16 {
	b := (*[2]byte)(unsafe.Pointer(&port))
	return uint16(b[0])<<8 | uint16(b[1])
}

// enlarge asks for big buffers, beyond the system's limit where we may.
func enlarge(conn *net.UDPConn) {
	raw, err := conn.SyscallConn()
	if err != nil {
		return
	}
	_ = raw.Control(func(fd uintptr) {
		if unix.SetsockoptInt(int(fd), unix.SOL_SOCKET, unix.SO_RCVBUFFORCE, socketBuffer) != nil {
			_ = unix.SetsockoptInt(int(fd), unix.SOL_SOCKET, unix.SO_RCVBUF, socketBuffer) // what we get is told by Truth.ReceiveBuffer
		}
		if unix.SetsockoptInt(int(fd), unix.SOL_SOCKET, unix.SO_SNDBUFFORCE, socketBuffer) != nil {
			_ = unix.SetsockoptInt(int(fd), unix.SOL_SOCKET, unix.SO_SNDBUF, socketBuffer)
		}
	})
}

// receiveBuffer is the size of the socket's receive buffer in octets.
func receiveBuffer(conn *net.UDPConn) (size int) {
	raw, err := conn.SyscallConn()
	if err != nil {
		return 0
	}
	_ = raw.Control(func(fd uintptr) {
		size, _ = unix.GetsockoptInt(int(fd), unix.SOL_SOCKET, unix.SO_RCVBUF)
	})
	return size
}

// kernelDrops is how many packets the kernel dropped at the socket. It reads
// the counter that SO_RXQ_OVFL reports beside received packets, through
// SO_MEMINFO, which needs no packet to be received after the drop.
// Source: Linux include/uapi/linux/sock_diag.h, SK_MEMINFO_DROPS.
func kernelDrops(conn *net.UDPConn) (n uint64, known bool) {
	const drops, vars = 8, 9
	raw, err := conn.SyscallConn()
	if err != nil {
		return 0, false
	}
	_ = raw.Control(func(fd uintptr) {
		var info [vars]uint32
		size := uint32(unsafe.Sizeof(info))
		_, _, errno := unix.Syscall6(unix.SYS_GETSOCKOPT, fd, unix.SOL_SOCKET, unix.SO_MEMINFO,
			uintptr(unsafe.Pointer(&info)), uintptr(unsafe.Pointer(&size)), 0)
		if errno == 0 && size >= (drops+1)*4 {
			n, known = uint64(info[drops]), true
		}
	})
	return n, known
}
