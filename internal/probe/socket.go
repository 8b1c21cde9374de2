package probe

import (
	"net"
	"net/netip"
	"time"
)

// maxPacket is the longest UDP payload there is.
const maxPacket = 65507

// message is one datagram of a batch, received or to be sent.
type message struct {
	data   []byte         // what came
	reply  []byte         // what to send back; none when empty
	peer   netip.AddrPort // where it came from, without a zone
	scope  uint32         // the zone's number, for link-local peers
	local  netip.Addr     // where it was sent to, when the system tells
	ttl    uint8          // on arrival, zero when unknown
	stamp  time.Time      // kernel receive time, zero when there is none
	drops  uint32         // datagrams this socket has dropped so far, modulo 2^32
	cut    bool           // longer than the buffer
	failed bool           // the reply could not be sent
}

// socketOptions are those of both ends; errors name the option.
type socketOptions struct {
	receiveBuffer int  // octets
	packetInfo    bool // tell where a packet was sent to, and answer from there
	dscp          uint8
}

// isV6 reports whether the socket is of the IPv6 family, which includes one
// that serves both.
func isV6(c *net.UDPConn) bool {
	a, ok := c.LocalAddr().(*net.UDPAddr)
	return ok && a.IP.To4() == nil
}

// sendTrouble is what a failed send means for the measurement.
type sendTrouble int

const (
	troubleNone        sendTrouble = iota
	troublePending                 // an earlier packet's ICMP error: try again at once
	troubleUnreachable             // the network is not there: counts as loss
	troubleHost                    // the own host has no room or will not: void
)
