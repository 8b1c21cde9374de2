package probe

import (
	"encoding/binary"
	"errors"
	"math"
	"math/bits"
	"time"
)

// Port is the UDP port that a reflector listens on unless told otherwise.
// Source: RFC 8762 §4.1.
const Port = 862

// BaseSize is the length in octets of the sender's and the reflector's packet
// in unauthenticated mode without extensions.
// Source: RFC 8762 §4.2.1, §4.3.1.
const BaseSize = 44

// MinRequest is the shortest request that a reflector answers: sequence number,
// timestamp and error estimate, which is all that the older light test
// protocol sends before its padding.
// Source: RFC 8762 §4.6, RFC 5357 §4.1.2.
const MinRequest = 14

// The mistakes that a packet can have. They are returned as they are, without
// an allocation, because they may be met once per packet.
var (
	// ErrShort is a packet that ends before its fixed fields do.
	ErrShort = errors.New("probe: packet is shorter than the fixed fields of its kind")
	// ErrCorrupt is a request whose error estimate has a multiplier of zero,
	// which the standard calls corrupt (RFC 4656 §4.1.2).
	ErrCorrupt = errors.New("probe: error estimate has multiplier 0")
)

// Timestamp is a 64-bit time on the wire, in the NTP format unless the Z bit of
// its [ErrorEstimate] says otherwise: seconds since 1900 in the upper 32 bits
// and the binary fraction below. The zero value means that no time was given.
// Source: RFC 8762 §4.2.1; from memory, RFC 5905 §6.
type Timestamp uint64

// ntpEpoch is the number of seconds from 1 January 1900 to 1 January 1970: 70
// years of 365 days and 17 leap days.
// Source: from memory, RFC 5905 (2,208,988,800).
const ntpEpoch = (70*365 + 17) * 86400

// NTP returns t in the NTP format. The fraction is rounded down to 2^-32 s, so
// that [Timestamp.Near] gives the same nanosecond back.
func NTP(t time.Time) Timestamp {
	sec := uint64(t.Unix()+ntpEpoch) & math.MaxUint32
	frac := uint64(t.Nanosecond()) << 32 / 1e9
	return Timestamp(sec<<32 | frac)
}

// Near returns the instant that an NTP timestamp means. The format wraps every
// 136 years, next in 2036; of all instants it can mean, Near takes the one
// nearest to ref.
func (ts Timestamp) Near(ref time.Time) time.Time {
	return ref.Add(ts.Sub(NTP(ref)))
}

// Sub returns ts − earlier for two timestamps in the NTP format, to the nearest
// nanosecond; it is right across the wrap while the two are within 68
// years of each other.
func (ts Timestamp) Sub(earlier Timestamp) time.Duration {
	d := int64(ts - earlier)
	neg := d < 0
	if neg {
		d = -d
	}
	hi, lo := bits.Mul64(uint64(d), 1e9)
	lo, carry := bits.Add64(lo, 1<<31, 0)
	ns := int64((hi+carry)<<32 | lo>>32)
	if neg {
		ns = -ns
	}
	return time.Duration(ns)
}

// FromPTP turns a timestamp in the truncated PTP format (seconds and
// nanoseconds, 32 bits each) into the NTP format with the same zero point, so
// that two of them can be subtracted. It is not a change of time scale: PTP
// counts TAI seconds since 1970.
// Source: RFC 8762 §4.2.1; from memory, RFC 8186.
func (ts Timestamp) FromPTP() Timestamp {
	return Timestamp(uint64(ts)>>32<<32 | (uint64(ts)&math.MaxUint32)%1e9<<32/1e9)
}

// ErrorEstimate tells how far a timestamp can be wrong: a bit S, set when the
// clock is synchronised to an outside source; a bit Z, clear for the NTP format
// and set for truncated PTP; a 6-bit scale; and an 8-bit multiplier.
// Source: RFC 4656 §4.1.2, RFC 8762 §4.2.1.
type ErrorEstimate uint16

// NewErrorEstimate returns the smallest estimate that is not below e; less than
// 2^-32 s, and nothing at all, become 2^-32 s, because a multiplier of zero
// would make the packet corrupt.
func NewErrorEstimate(e time.Duration, synchronised bool) ErrorEstimate {
	// e in units of 2^-32 s, rounded up. The cap, 126 years, keeps the quotient
	// below 2^64.
	hi, lo := bits.Mul64(uint64(min(max(e, 0), 4e18)), 1<<32)
	units, rest := bits.Div64(hi, lo, 1e9)
	if rest > 0 {
		units++
	}
	scale := 0
	for units > math.MaxUint8 {
		units = units>>1 + units&1
		scale++
	}
	est := ErrorEstimate(scale)<<8 | ErrorEstimate(max(units, 1))
	if synchronised {
		est |= 1 << 15
	}
	return est
}

// Synchronised reports the S bit.
func (e ErrorEstimate) Synchronised() bool { return e&(1<<15) != 0 }

// PTP reports the Z bit: the timestamps beside this estimate are in the
// truncated PTP format.
func (e ErrorEstimate) PTP() bool { return e&(1<<14) != 0 }

// Valid reports that the multiplier is not zero.
func (e ErrorEstimate) Valid() bool { return e&math.MaxUint8 != 0 }

// Seconds returns the estimate, Multiplier × 2^(Scale−32), in seconds.
func (e ErrorEstimate) Seconds() float64 {
	return math.Ldexp(float64(e&math.MaxUint8), int(e>>8&0x3f)-32)
}

// SenderPacket is the fixed part of a request.
// Source: RFC 8762 §4.2.1 and RFC 8972 §3 for SSID.
type SenderPacket struct {
	Sequence  uint32
	Timestamp Timestamp // T1
	Estimate  ErrorEstimate
	SSID      uint16 // zero when the sender has none
}

// Put writes the 44 octets of the packet to the front of b, the ones that must
// be zero included. It panics when b is shorter.
func (p SenderPacket) Put(b []byte) {
	_ = b[BaseSize-1]
	binary.BigEndian.PutUint32(b[0:], p.Sequence)
	binary.BigEndian.PutUint64(b[4:], uint64(p.Timestamp))
	binary.BigEndian.PutUint16(b[12:], uint16(p.Estimate))
	binary.BigEndian.PutUint16(b[14:], p.SSID)
	clear(b[16:BaseSize])
}

// ParseSender reads a request. A packet of at least [MinRequest] octets is
// enough; one that ends before the SSID has none. The octets that must be zero
// are ignored on receipt, as the standard asks. The error is [ErrShort].
func ParseSender(b []byte) (SenderPacket, error) {
	if len(b) < MinRequest {
		return SenderPacket{}, ErrShort
	}
	p := SenderPacket{
		Sequence:  binary.BigEndian.Uint32(b[0:]),
		Timestamp: Timestamp(binary.BigEndian.Uint64(b[4:])),
		Estimate:  ErrorEstimate(binary.BigEndian.Uint16(b[12:])),
	}
	if len(b) >= 16 {
		p.SSID = binary.BigEndian.Uint16(b[14:])
	}
	return p, nil
}

// ReflectorPacket is the fixed part of a reply.
// Source: RFC 8762 §4.3.1 and RFC 8972 §3 for SSID.
type ReflectorPacket struct {
	Sequence        uint32    // the reflector's own count, or a copy of SenderSequence
	Timestamp       Timestamp // T3, when the reply left
	Estimate        ErrorEstimate
	SSID            uint16
	Receive         Timestamp // T2, when the request came
	SenderSequence  uint32
	SenderTimestamp Timestamp // T1
	SenderEstimate  ErrorEstimate
	SenderTTL       uint8 // TTL or hop limit of the request on arrival
}

// Put writes the 44 octets of the reply to the front of b, the ones that must
// be zero included. It panics when b is shorter.
func (p ReflectorPacket) Put(b []byte) {
	_ = b[BaseSize-1]
	binary.BigEndian.PutUint32(b[0:], p.Sequence)
	binary.BigEndian.PutUint64(b[4:], uint64(p.Timestamp))
	binary.BigEndian.PutUint16(b[12:], uint16(p.Estimate))
	binary.BigEndian.PutUint16(b[14:], p.SSID)
	binary.BigEndian.PutUint64(b[16:], uint64(p.Receive))
	binary.BigEndian.PutUint32(b[24:], p.SenderSequence)
	binary.BigEndian.PutUint64(b[28:], uint64(p.SenderTimestamp))
	binary.BigEndian.PutUint16(b[36:], uint16(p.SenderEstimate))
	b[38], b[39] = 0, 0
	b[40] = p.SenderTTL
	b[41], b[42], b[43] = 0, 0, 0
}

// ParseReflector reads a reply. The error is [ErrShort]: every reflector sends
// at least [BaseSize] octets, but the three last are always zero, and the light
// test protocol leaves them out, so that 41 are enough.
// Source: RFC 8762 §4.3.1, RFC 5357 §4.2.1.
func ParseReflector(b []byte) (ReflectorPacket, error) {
	if len(b) < 41 {
		return ReflectorPacket{}, ErrShort
	}
	return ReflectorPacket{
		Sequence:        binary.BigEndian.Uint32(b[0:]),
		Timestamp:       Timestamp(binary.BigEndian.Uint64(b[4:])),
		Estimate:        ErrorEstimate(binary.BigEndian.Uint16(b[12:])),
		SSID:            binary.BigEndian.Uint16(b[14:]),
		Receive:         Timestamp(binary.BigEndian.Uint64(b[16:])),
		SenderSequence:  binary.BigEndian.Uint32(b[24:]),
		SenderTimestamp: Timestamp(binary.BigEndian.Uint64(b[28:])),
		SenderEstimate:  ErrorEstimate(binary.BigEndian.Uint16(b[36:])),
		SenderTTL:       b[40],
	}, nil
}
