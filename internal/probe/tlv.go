package probe

import (
	"encoding/binary"
	"errors"
)

// TLVFlags is the first octet of an extension. Bits other than the three named
// ones are sent as zero and ignored on receipt.
// Source: RFC 8972 §4.
type TLVFlags uint8

// The flags of an extension.
const (
	// Unrecognised is set by the sender in every extension; the reflector
	// clears it in those that it understood and sets it in the others.
	Unrecognised TLVFlags = 0x80
	// Malformed is set by the reflector where the length cannot be right.
	Malformed TLVFlags = 0x40
	// IntegrityFailed is set by the reflector where the HMAC does not match.
	IntegrityFailed TLVFlags = 0x20
)

// TLVType says what an extension is.
// Source: RFC 8972 §5.1.
type TLVType uint8

// The extensions of RFC 8972. This reflector understands ExtraPadding; it
// copies all others and flags them as not understood. HMAC belongs to the
// authenticated mode, for which this reflector has no key.
const (
	ExtraPadding      TLVType = 1
	Location          TLVType = 2
	TimestampInfo     TLVType = 3
	ClassOfService    TLVType = 4
	DirectMeasurement TLVType = 5
	AccessReport      TLVType = 6
	FollowUpTelemetry TLVType = 7
	HMAC              TLVType = 8
)

// tlvHeader is flags, type and length.
const tlvHeader = 4

// ErrMalformedTLV is an extension that is longer than what is left of its
// packet.
var ErrMalformedTLV = errors.New("probe: extension is longer than the rest of its packet")

// TLV is one extension. Value aliases the packet it was read from.
type TLV struct {
	Flags TLVFlags
	Type  TLVType
	Value []byte
}

// NextTLV reads the first extension in b, which is a packet from [BaseSize] on
// or the rest that an earlier call returned. An empty b has none: check its
// length before. The error is [ErrMalformedTLV]; the standard then forbids to
// read on.
func NextTLV(b []byte) (tlv TLV, rest []byte, err error) {
	if len(b) < tlvHeader {
		return TLV{}, b, ErrMalformedTLV
	}
	end := tlvHeader + int(binary.BigEndian.Uint16(b[2:]))
	if end > len(b) {
		return TLV{Flags: TLVFlags(b[0]), Type: TLVType(b[1])}, b, ErrMalformedTLV
	}
	return TLV{Flags: TLVFlags(b[0]), Type: TLVType(b[1]), Value: b[tlvHeader:end]}, b[end:], nil
}

// AppendTLV appends an extension as a sender writes it, with the U flag set, to
// a packet and returns the extended packet. Values of more than 65,535 octets
// do not fit and panic.
func AppendTLV(packet []byte, kind TLVType, value []byte) []byte {
	if len(value) > 0xffff {
		panic("probe: extension value does not fit its length field")
	}
	packet = append(packet, byte(Unrecognised), byte(kind), byte(len(value)>>8), byte(len(value)))
	return append(packet, value...)
}

// Arrival is what a reflector knows of a request besides its octets.
type Arrival struct {
	Receive  Timestamp // T2, when it came
	Transmit Timestamp // T3, when the reply leaves
	Estimate ErrorEstimate
	TTL      uint8 // TTL or hop limit on arrival
	// Stateful replies carry Own as their sequence number; stateless ones copy
	// the request's.
	Stateful bool
	Own      uint32
}

// Reflect appends to dst the reply to request and returns the extended slice.
// The reply is as long as the request, and [BaseSize] octets for a shorter
// one, so that nobody can use a reflector to send more than that to a third
// party. What follows the base packet is copied; extensions get their flags.
// It does not allocate when dst has the room, and dst must not overlap request.
//
// The errors are [ErrShort] and [ErrCorrupt]; such a request gets no answer.
// Source: RFC 8762 §4.3, §4.6, RFC 8972 §4.
func Reflect(dst, request []byte, a Arrival) ([]byte, error) {
	req, err := ParseSender(request)
	if err != nil {
		return dst, err
	}
	if !req.Estimate.Valid() {
		return dst, ErrCorrupt
	}
	reply := ReflectorPacket{
		Sequence:        req.Sequence,
		Timestamp:       a.Transmit,
		Estimate:        a.Estimate,
		SSID:            req.SSID,
		Receive:         a.Receive,
		SenderSequence:  req.Sequence,
		SenderTimestamp: req.Timestamp,
		SenderEstimate:  req.Estimate,
		SenderTTL:       a.TTL,
	}
	if a.Stateful {
		reply.Sequence = a.Own
	}
	var base [BaseSize]byte
	reply.Put(base[:])
	dst = append(dst, base[:]...)
	if len(request) > BaseSize {
		from := len(dst)
		dst = append(dst, request[BaseSize:]...)
		flagTLVs(dst[from:])
	}
	return dst, nil
}

// flagTLVs sets the flags of the extensions in b as a reflector must: U in
// those not understood, M in the first malformed one, after which it stops and
// leaves the rest as it came.
// Source: RFC 8972 §4.
func flagTLVs(b []byte) {
	for len(b) > 0 {
		tlv, rest, err := NextTLV(b)
		switch {
		case err != nil:
			b[0] = byte(Malformed)
			if tlv.Type != ExtraPadding || len(b) < tlvHeader {
				b[0] |= byte(Unrecognised)
			}
			return
		case tlv.Type == ExtraPadding:
			b[0] = 0
		default:
			b[0] = byte(Unrecognised)
		}
		b = rest
	}
}
