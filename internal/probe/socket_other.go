//go:build !linux

package probe

import (
	"errors"
	"net"
	"net/netip"
	"syscall"
	"time"
)

// kernelTimestamps says that messages carry the time at which the kernel
// received them; here they carry the time at which they were read.
const kernelTimestamps = false

func configure(c *net.UDPConn, o socketOptions) error {
	if o.receiveBuffer > 0 {
		return c.SetReadBuffer(o.receiveBuffer)
	}
	return nil
}

func unread(*net.UDPConn) int { return 0 }

func clockQuality() (synchronised bool, err time.Duration) { return false, 16 * time.Second }

func readyThread() bool { return false }

func nap(d time.Duration) { time.Sleep(d) }

type sendOn struct{ c *net.UDPConn }

func newSendOn(c *net.UDPConn) (*sendOn, error) { return &sendOn{c}, nil }

func (s *sendOn) send(b []byte) error {
	_, err := s.c.Write(b)
	return err
}

func troubleOf(err error) sendTrouble {
	switch {
	case err == nil:
		return troubleNone
	case errors.Is(err, syscall.ECONNREFUSED):
		return troublePending
	case errors.Is(err, syscall.ENETUNREACH), errors.Is(err, syscall.EHOSTUNREACH), errors.Is(err, syscall.ENETDOWN):
		return troubleUnreachable
	default:
		return troubleHost
	}
}

func transient(err error) bool {
	return errors.Is(err, syscall.ECONNREFUSED) || errors.Is(err, syscall.EHOSTUNREACH) || errors.Is(err, syscall.ENETUNREACH)
}

// batch reads and writes one datagram at a time.
type batch struct {
	c      *net.UDPConn
	buffer []byte
	msgs   []message
}

func newBatch(c *net.UDPConn, _, octets int) (*batch, error) {
	return &batch{c: c, buffer: make([]byte, octets), msgs: make([]message, 1)}, nil
}

func (b *batch) read() ([]message, error) {
	n, _, _, from, err := b.c.ReadMsgUDPAddrPort(b.buffer, nil)
	if err != nil {
		return nil, err
	}
	b.msgs[0] = message{data: b.buffer[:n], peer: netip.AddrPortFrom(from.Addr().WithZone(""), from.Port()), stamp: time.Now(), reply: b.msgs[0].reply[:0]}
	return b.msgs[:1], nil
}

func (b *batch) write(msgs []message) error {
	for i := range msgs {
		if len(msgs[i].reply) == 0 {
			continue
		}
		if _, err := b.c.WriteToUDPAddrPort(msgs[i].reply, msgs[i].peer); err != nil {
			if errors.Is(err, net.ErrClosed) {
				return err
			}
			msgs[i].failed = true
		}
	}
	return nil
}
