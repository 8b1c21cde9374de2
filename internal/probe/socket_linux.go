//go:build linux

package probe

import (
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"runtime"
	"syscall"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// kernelTimestamps says that messages carry the time at which the kernel
// received them.
const kernelTimestamps = true

// configure sets the options of a probe socket. Those that only make a
// measurement finer, and which an old kernel or a sandbox may not know, are not
// required; receive timestamps and the time to live are.
func configure(c *net.UDPConn, o socketOptions) error {
	raw, err := c.SyscallConn()
	if err != nil {
		return err
	}
	v6 := isV6(c)
	var bad error
	must := func(what string, err error) {
		if err != nil && bad == nil {
			bad = fmt.Errorf("probe: socket option %s: %w", what, err)
		}
	}
	err = raw.Control(func(fdp uintptr) {
		fd := int(fdp)
		must("SO_TIMESTAMPNS", unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_TIMESTAMPNS, 1))
		// Drop counts came with Linux 2.6.33.
		_ = unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RXQ_OVFL, 1)
		if o.receiveBuffer > 0 {
			if unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUFFORCE, o.receiveBuffer) != nil {
				_ = unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUF, o.receiveBuffer)
			}
		}
		// The TTL leaves as 255 on both ways, so that the far end can tell how
		// many hops there were. Source: from memory, RFC 5357 §4.1.2, §4.2.1.
		if v6 {
			must("IPV6_UNICAST_HOPS", unix.SetsockoptInt(fd, unix.IPPROTO_IPV6, unix.IPV6_UNICAST_HOPS, 255))
			must("IPV6_RECVHOPLIMIT", unix.SetsockoptInt(fd, unix.IPPROTO_IPV6, unix.IPV6_RECVHOPLIMIT, 1))
			must("IPV6_TCLASS", unix.SetsockoptInt(fd, unix.IPPROTO_IPV6, unix.IPV6_TCLASS, int(o.dscp)<<2))
			if o.packetInfo {
				must("IPV6_RECVPKTINFO", unix.SetsockoptInt(fd, unix.IPPROTO_IPV6, unix.IPV6_RECVPKTINFO, 1))
			}
		}
		// A socket for both families needs the options of both; one for IPv6
		// alone may refuse these.
		ipv4 := func(what string, opt, value int) {
			if err := unix.SetsockoptInt(fd, unix.IPPROTO_IP, opt, value); !v6 {
				must(what, err)
			}
		}
		ipv4("IP_TTL", unix.IP_TTL, 255)
		ipv4("IP_RECVTTL", unix.IP_RECVTTL, 1)
		ipv4("IP_TOS", unix.IP_TOS, int(o.dscp)<<2)
		if o.packetInfo && !v6 {
			ipv4("IP_PKTINFO", unix.IP_PKTINFO, 1)
		}
	})
	return errors.Join(err, bad)
}

// unread reports how many octets wait in the socket; zero when that cannot be
// told.
func unread(c *net.UDPConn) int {
	n := 0
	raw, err := c.SyscallConn()
	if err != nil {
		return 0
	}
	_ = raw.Control(func(fd uintptr) {
		if v, err := unix.IoctlGetInt(int(fd), unix.SIOCINQ); err == nil {
			n = v
		}
	})
	return n
}

// clockQuality asks the kernel whether its clock is synchronised and how far it
// may be off.
func clockQuality() (synchronised bool, err time.Duration) {
	var tx unix.Timex
	state, e := unix.Adjtimex(&tx)
	if e != nil {
		return false, 16 * time.Second
	}
	return state != unix.TIME_ERROR && tx.Status&unix.STA_UNSYNC == 0, time.Duration(tx.Maxerror) * time.Microsecond
}

// readyThread asks for timers without slack and for real-time scheduling, or
// where that is not allowed for precedence over ordinary threads, and reports
// whether it got the former. It is for a thread that ends with its goroutine;
// what it starts inherits nothing.
func readyThread() (realTime bool) {
	_ = unix.Prctl(unix.PR_SET_TIMERSLACK, 1, 0, 0, 0)
	attr := unix.SchedAttr{Size: unix.SizeofSchedAttr, Policy: unix.SCHED_FIFO, Priority: 1, Flags: unix.SCHED_FLAG_RESET_ON_FORK}
	if unix.SchedSetAttr(0, &attr, 0) == nil {
		return true
	}
	_ = unix.Setpriority(unix.PRIO_PROCESS, unix.Gettid(), -15)
	return false
}

// nap sleeps in the kernel for d, or less when a signal comes. The last stretch
// is slept without telling Go's scheduler, which would give the processor slot
// away and make the sender queue for another one when it wakes. The scheduler's
// own signal ends such a sleep, so that nobody waits long for this thread.
func nap(d time.Duration) {
	const last = 2 * time.Millisecond
	if d > 2*last {
		ts := unix.NsecToTimespec(int64(d - last))
		_ = unix.Nanosleep(&ts, nil)
		return
	}
	ts := unix.NsecToTimespec(int64(d))
	_, _, _ = unix.RawSyscall(unix.SYS_NANOSLEEP, uintptr(unsafe.Pointer(&ts)), 0, 0)
}

// sendOn writes datagrams to a connected socket without waiting. It is not for
// concurrent use.
type sendOn struct {
	raw syscall.RawConn
	buf []byte
	err error
	do  func(fd uintptr) bool
}

func newSendOn(c *net.UDPConn) (*sendOn, error) {
	raw, err := c.SyscallConn()
	if err != nil {
		return nil, err
	}
	s := &sendOn{raw: raw}
	s.do = func(fd uintptr) bool {
		_, s.err = unix.Write(int(fd), s.buf)
		return true
	}
	return s, nil
}

func (s *sendOn) send(b []byte) error {
	s.buf = b
	if err := s.raw.Write(s.do); err != nil {
		return err
	}
	return s.err
}

func troubleOf(err error) sendTrouble {
	switch {
	case err == nil:
		return troubleNone
	case errors.Is(err, unix.ECONNREFUSED):
		return troublePending
	case errors.Is(err, unix.ENETUNREACH), errors.Is(err, unix.EHOSTUNREACH), errors.Is(err, unix.ENETDOWN),
		errors.Is(err, unix.EHOSTDOWN), errors.Is(err, unix.ENODEV), errors.Is(err, unix.EADDRNOTAVAIL):
		return troubleUnreachable
	default:
		return troubleHost
	}
}

// transient reports whether a failed receive says something of one packet only.
func transient(err error) bool {
	return errors.Is(err, unix.ECONNREFUSED) || errors.Is(err, unix.EHOSTUNREACH) || errors.Is(err, unix.ENETUNREACH) ||
		errors.Is(err, unix.EHOSTDOWN) || errors.Is(err, unix.ENETDOWN) || errors.Is(err, unix.EMSGSIZE) || errors.Is(err, unix.EINTR)
}

// mmsghdr is struct mmsghdr of recvmmsg(2).
type mmsghdr struct {
	hdr unix.Msghdr
	n   uint32
}

// oobSize holds the control messages of one datagram: a timestamp, a drop
// count, a TTL and a destination, each in its header.
const oobSize = 256

// batch moves datagrams many at a time. It is not for concurrent use.
type batch struct {
	raw  syscall.RawConn
	v6   bool
	msgs []message

	headers []mmsghdr
	vectors []unix.Iovec
	names   []unix.RawSockaddrInet6 // large enough for both families
	oob     [][oobSize]byte
	buffers [][]byte

	outHeaders []mmsghdr
	outVectors []unix.Iovec
	outOOB     [][oobSize]byte
	outFrom    []int

	n       int
	errno   syscall.Errno
	readFD  func(uintptr) bool
	sent    int
	writeFD func(uintptr) bool
}

func newBatch(c *net.UDPConn, size, octets int) (*batch, error) {
	raw, err := c.SyscallConn()
	if err != nil {
		return nil, err
	}
	b := &batch{
		raw: raw, v6: isV6(c),
		msgs:    make([]message, size),
		headers: make([]mmsghdr, size), vectors: make([]unix.Iovec, size), names: make([]unix.RawSockaddrInet6, size),
		oob: make([][oobSize]byte, size), buffers: make([][]byte, size),
		outHeaders: make([]mmsghdr, size), outVectors: make([]unix.Iovec, size), outOOB: make([][oobSize]byte, size),
		outFrom: make([]int, size),
	}
	for i := range b.headers {
		b.buffers[i] = make([]byte, octets)
		b.vectors[i].Base = &b.buffers[i][0]
		b.vectors[i].SetLen(octets)
		h := &b.headers[i].hdr
		h.Name = (*byte)(unsafe.Pointer(&b.names[i]))
		h.Iov = &b.vectors[i]
		h.SetIovlen(1)
		h.Control = &b.oob[i][0]
	}
	b.readFD = func(fd uintptr) bool {
		n, _, errno := unix.Syscall6(unix.SYS_RECVMMSG, fd, uintptr(unsafe.Pointer(&b.headers[0])), uintptr(len(b.headers)), unix.MSG_DONTWAIT, 0, 0)
		b.n, b.errno = int(n), errno
		if errno != 0 {
			b.n = 0
		}
		return errno != unix.EAGAIN
	}
	b.writeFD = func(fd uintptr) bool {
		at := b.sent
		n, _, errno := unix.Syscall6(unix.SYS_SENDMMSG, fd, uintptr(unsafe.Pointer(&b.outHeaders[at])), uintptr(b.n-at), unix.MSG_DONTWAIT, 0, 0)
		b.errno = errno
		if errno == 0 {
			b.sent += int(n)
		}
		return errno != unix.EAGAIN
	}
	return b, nil
}

// read waits for at least one datagram and returns those that are there. The
// messages and their data are good until the next read.
func (b *batch) read() ([]message, error) {
	for i := range b.headers {
		h := &b.headers[i].hdr
		h.Namelen = unix.SizeofSockaddrInet6
		h.SetControllen(oobSize)
		h.Flags = 0
	}
	if err := b.raw.Read(b.readFD); err != nil {
		return nil, err
	}
	if b.errno != 0 {
		return nil, b.errno
	}
	for i := range b.n {
		h := &b.headers[i]
		m := &b.msgs[i]
		*m = message{data: b.buffers[i][:h.n], cut: h.hdr.Flags&unix.MSG_TRUNC != 0, reply: m.reply[:0]}
		m.peer, m.scope = peerOf(&b.names[i])
		b.parseControl(m, b.oob[i][:h.hdr.Controllen])
	}
	runtime.KeepAlive(b)
	return b.msgs[:b.n], nil
}

func peerOf(name *unix.RawSockaddrInet6) (netip.AddrPort, uint32) {
	switch name.Family {
	case unix.AF_INET:
		v4 := (*unix.RawSockaddrInet4)(unsafe.Pointer(name))
		return netip.AddrPortFrom(netip.AddrFrom4(v4.Addr), netPort(v4.Port)), 0
	case unix.AF_INET6:
		return netip.AddrPortFrom(netip.AddrFrom16(name.Addr), netPort(name.Port)), name.Scope_id
	default:
		return netip.AddrPort{}, 0
	}
}

// netPort turns a port as the kernel keeps it, in network order, into a number.
func netPort(p uint16) uint16 {
	var b [2]byte
	binary.NativeEndian.PutUint16(b[:], p)
	return binary.BigEndian.Uint16(b[:])
}

// parseControl reads the control messages of one datagram. Every length is
// checked: what does not fit is not looked at.
func (b *batch) parseControl(m *message, oob []byte) {
	for len(oob) >= unix.SizeofCmsghdr {
		h := (*unix.Cmsghdr)(unsafe.Pointer(&oob[0]))
		size := int(h.Len)
		if size < unix.CmsgLen(0) || size > len(oob) {
			return
		}
		data := oob[unix.CmsgLen(0):size]
		switch {
		case h.Level == unix.SOL_SOCKET && h.Type == unix.SCM_TIMESTAMPNS && len(data) >= int(unsafe.Sizeof(unix.Timespec{})):
			ts := (*unix.Timespec)(unsafe.Pointer(&data[0]))
			m.stamp = time.Unix(ts.Unix())
		case h.Level == unix.SOL_SOCKET && h.Type == unix.SO_RXQ_OVFL && len(data) >= 4:
			m.drops = binary.NativeEndian.Uint32(data)
		case h.Level == unix.IPPROTO_IP && h.Type == unix.IP_TTL && len(data) >= 4,
			h.Level == unix.IPPROTO_IPV6 && h.Type == unix.IPV6_HOPLIMIT && len(data) >= 4:
			m.ttl = uint8(binary.NativeEndian.Uint32(data))
		case h.Level == unix.IPPROTO_IP && h.Type == unix.IP_PKTINFO && len(data) >= unix.SizeofInet4Pktinfo:
			m.local = netip.AddrFrom4((*unix.Inet4Pktinfo)(unsafe.Pointer(&data[0])).Spec_dst)
		case h.Level == unix.IPPROTO_IPV6 && h.Type == unix.IPV6_PKTINFO && len(data) >= unix.SizeofInet6Pktinfo:
			m.local = netip.AddrFrom16((*unix.Inet6Pktinfo)(unsafe.Pointer(&data[0])).Addr)
		}
		next := unix.CmsgSpace(size - unix.CmsgLen(0))
		if next > len(oob) {
			return
		}
		oob = oob[next:]
	}
}

// write sends the replies of the messages that the last read returned, each
// from the address that its request was sent to. It waits while the socket is
// full, and marks the messages whose reply the system refused.
func (b *batch) write(msgs []message) error {
	n := 0
	for i := range msgs {
		m := &msgs[i]
		if len(m.reply) == 0 {
			continue
		}
		v := &b.outVectors[n]
		v.Base = &m.reply[0]
		v.SetLen(len(m.reply))
		h := &b.outHeaders[n].hdr
		*h = unix.Msghdr{Name: b.headers[i].hdr.Name, Namelen: b.headers[i].hdr.Namelen, Iov: v}
		h.SetIovlen(1)
		if size := b.putSource(b.outOOB[n][:], m); size > 0 {
			h.Control = &b.outOOB[n][0]
			h.SetControllen(size)
		}
		b.outFrom[n] = i
		n++
	}
	b.n, b.sent = n, 0
	for b.sent < b.n {
		if err := b.raw.Write(b.writeFD); err != nil {
			return err
		}
		if b.errno != 0 && b.errno != unix.EINTR {
			msgs[b.outFrom[b.sent]].failed = true
			b.sent++
		}
	}
	runtime.KeepAlive(msgs)
	return nil
}

// putSource writes the control message that makes the reply leave from the
// address its request came to.
func (b *batch) putSource(oob []byte, m *message) int {
	if !m.local.IsValid() || m.local.IsUnspecified() || m.local.IsMulticast() {
		return 0
	}
	h := (*unix.Cmsghdr)(unsafe.Pointer(&oob[0]))
	if !b.v6 {
		h.Level, h.Type = unix.IPPROTO_IP, unix.IP_PKTINFO
		h.SetLen(unix.CmsgLen(unix.SizeofInet4Pktinfo))
		*(*unix.Inet4Pktinfo)(unsafe.Pointer(&oob[unix.CmsgLen(0)])) = unix.Inet4Pktinfo{Spec_dst: m.local.As4()}
		return unix.CmsgSpace(unix.SizeofInet4Pktinfo)
	}
	info := unix.Inet6Pktinfo{Addr: m.local.As16()}
	if m.local.IsLinkLocalUnicast() {
		info.Ifindex = m.scope
	}
	h.Level, h.Type = unix.IPPROTO_IPV6, unix.IPV6_PKTINFO
	h.SetLen(unix.CmsgLen(unix.SizeofInet6Pktinfo))
	*(*unix.Inet6Pktinfo)(unsafe.Pointer(&oob[unix.CmsgLen(0)])) = info
	return unix.CmsgSpace(unix.SizeofInet6Pktinfo)
}
