//go:build !linux

package forward

import (
	"net"
	"net/netip"
)

// reader reads packets of a UDP socket one by one, where the system has no call
// for a batch.
type reader struct {
	conn *net.UDPConn
	buf  []byte
	size int
	n    int
	from netip.AddrPort
}

func newReader(conn *net.UDPConn, _, size int) (*reader, error) {
	// One octet more than is allowed tells a packet that is too long.
	return &reader{conn: conn, buf: make([]byte, size+1), size: size}, nil
}

func (r *reader) read() (int, error) {
	n, from, err := r.conn.ReadFromUDPAddrPort(r.buf)
	if err != nil {
		return 0, err
	}
	r.n, r.from = n, netip.AddrPortFrom(from.Addr().Unmap(), from.Port())
	return 1, nil
}

func (r *reader) packet(int) (pkt []byte, from netip.AddrPort, whole bool) {
	return r.buf[:min(r.n, r.size)], r.from, r.n <= r.size
}

func enlarge(conn *net.UDPConn) {
	_ = conn.SetReadBuffer(socketBuffer)
	_ = conn.SetWriteBuffer(socketBuffer)
}

func receiveBuffer(*net.UDPConn) int { return 0 }

func kernelDrops(*net.UDPConn) (uint64, bool) { return 0, false }
