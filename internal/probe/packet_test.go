package probe

import (
	"bytes"
	"encoding/hex"
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// The first vector of the sender's packet: sequence 1, half a second after the
// Unix epoch, S=1 Z=0 Scale=10 Multiplier=1.
// Source: RFC 8762 §4.2.1 (layout); from memory, RFC 5905 (offset of the epochs).
const senderVector = "00000001 83AA7E80 80000000 8A01" + "000000000000000000000000000000000000000000000000000000000000"

func TestSenderPacketVector(t *testing.T) {
	p := SenderPacket{Sequence: 1, Timestamp: NTP(time.Unix(0, 5e8)), Estimate: 0x8A01}
	got := bytes.Repeat([]byte{0xff}, BaseSize)
	p.Put(got)
	if want := unhex(t, senderVector); !bytes.Equal(got, want) {
		t.Fatalf("Put:\n got %x\nwant %x", got, want)
	}
	back, err := ParseSender(got)
	if err != nil || back != p {
		t.Fatalf("ParseSender = %+v, %v; want %+v", back, err, p)
	}
	if !p.Estimate.Synchronised() || p.Estimate.PTP() || !p.Estimate.Valid() {
		t.Errorf("flags of %04x read as S=%v Z=%v", uint16(p.Estimate), p.Estimate.Synchronised(), p.Estimate.PTP())
	}
	if z := ErrorEstimate(0xCA01); !z.PTP() || !z.Synchronised() {
		t.Errorf("CA01 must have S and Z set")
	}
}

// Each field is put alone, filled with ones, and must fill exactly its octets.
// Source: RFC 8762 §4.2.1 and §4.3.1, tables of the unauthenticated packets;
// RFC 8972 §3 for the octets 14 and 15.
func TestLayoutTables(t *testing.T) {
	const ones32, ones16 = math.MaxUint32, math.MaxUint16
	all := Timestamp(math.MaxUint64)
	for _, c := range []struct {
		field   string
		put     func([]byte)
		at, len int
	}{
		{"sender Sequence Number", SenderPacket{Sequence: ones32}.Put, 0, 4},
		{"sender Timestamp", SenderPacket{Timestamp: all}.Put, 4, 8},
		{"sender Error Estimate", SenderPacket{Estimate: ones16}.Put, 12, 2},
		{"sender SSID", SenderPacket{SSID: ones16}.Put, 14, 2},
		{"reflector Sequence Number", ReflectorPacket{Sequence: ones32}.Put, 0, 4},
		{"reflector Timestamp", ReflectorPacket{Timestamp: all}.Put, 4, 8},
		{"reflector Error Estimate", ReflectorPacket{Estimate: ones16}.Put, 12, 2},
		{"reflector SSID", ReflectorPacket{SSID: ones16}.Put, 14, 2},
		{"Receive Timestamp", ReflectorPacket{Receive: all}.Put, 16, 8},
		{"Session-Sender Sequence Number", ReflectorPacket{SenderSequence: ones32}.Put, 24, 4},
		{"Session-Sender Timestamp", ReflectorPacket{SenderTimestamp: all}.Put, 28, 8},
		{"Session-Sender Error Estimate", ReflectorPacket{SenderEstimate: ones16}.Put, 36, 2},
		{"Session-Sender TTL", ReflectorPacket{SenderTTL: 255}.Put, 40, 1},
	} {
		got := bytes.Repeat([]byte{0xaa}, BaseSize+1)
		c.put(got[:BaseSize])
		want := make([]byte, BaseSize, BaseSize+1)
		for i := c.at; i < c.at+c.len; i++ {
			want[i] = 0xff
		}
		want = append(want, 0xaa) // beyond the packet nothing is written
		if !bytes.Equal(got, want) {
			t.Errorf("%s:\n got %x\nwant %x", c.field, got, want)
		}
	}
}

func TestPacketsRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := SenderPacket{
			Sequence: rapid.Uint32().Draw(t, "seq"), Timestamp: Timestamp(rapid.Uint64().Draw(t, "t1")),
			Estimate: ErrorEstimate(rapid.Uint16().Draw(t, "ee")), SSID: rapid.Uint16().Draw(t, "ssid"),
		}
		var b [BaseSize]byte
		s.Put(b[:])
		if got, err := ParseSender(b[:]); err != nil || got != s {
			t.Fatalf("got %+v, %v; want %+v", got, err, s)
		}
		r := ReflectorPacket{
			Sequence: s.Sequence, Timestamp: s.Timestamp, Estimate: s.Estimate, SSID: s.SSID,
			Receive: Timestamp(rapid.Uint64().Draw(t, "t2")), SenderSequence: rapid.Uint32().Draw(t, "sseq"),
			SenderTimestamp: Timestamp(rapid.Uint64().Draw(t, "st1")), SenderEstimate: ErrorEstimate(rapid.Uint16().Draw(t, "see")),
			SenderTTL: rapid.Uint8().Draw(t, "ttl"),
		}
		r.Put(b[:])
		if got, err := ParseReflector(b[:]); err != nil || got != r {
			t.Fatalf("got %+v, %v; want %+v", got, err, r)
		}
	})
}

func TestShortPackets(t *testing.T) {
	b := unhex(t, senderVector)
	for n := range BaseSize {
		_, err := ParseSender(b[:n])
		if want := n < 14; (err == ErrShort) != want { //nolint:errorlint // returned as it is, by contract
			t.Errorf("ParseSender of %d octets: %v", n, err)
		}
		_, err = ParseReflector(b[:n])
		if want := n < 41; (err == ErrShort) != want { //nolint:errorlint // returned as it is, by contract
			t.Errorf("ParseReflector of %d octets: %v", n, err)
		}
	}
	// A request that ends before the SSID has none; one that has half of it too.
	// Source: RFC 8762 §4.6.
	long := SenderPacket{SSID: 0x1234, Estimate: 1}
	long.Put(b)
	for n, want := range map[int]uint16{14: 0, 15: 0, 16: 0x1234, 44: 0x1234} {
		if p, err := ParseSender(b[:n]); err != nil || p.SSID != want {
			t.Errorf("%d octets: SSID %04x, %v; want %04x", n, p.SSID, err, want)
		}
	}
}

// Source: RFC 4656 §4.1.2: Multiplier × 2^(−32) × 2^Scale seconds.
func TestErrorEstimateValues(t *testing.T) {
	for _, c := range []struct {
		e    ErrorEstimate
		want float64
	}{
		{0x8A01, 238.4e-9}, // 2^−22 s
		{0x9403, 732.4e-6}, // Scale 20, Multiplier 3
		{0x0001, math.Ldexp(1, -32)},
		{0x3FFF, 255 * math.Ldexp(1, 31)},
		{0x8A00, 0},
	} {
		if got := c.e.Seconds(); math.Abs(got-c.want) > c.want*1e-3 {
			t.Errorf("%04x is %g s, want %g s", uint16(c.e), got, c.want)
		}
	}
	if ErrorEstimate(0x8A00).Valid() {
		t.Error("multiplier 0 must not be valid")
	}
}

// The estimate is never below what was asked for, never zero, and no smaller
// one would do.
// Source: RFC 4656 §4.1.2.
func TestNewErrorEstimate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := time.Duration(rapid.Int64Range(-5, 1<<50).Draw(t, "ns"))
		sync := rapid.Bool().Draw(t, "sync")
		e := NewErrorEstimate(d, sync)
		if !e.Valid() || e.PTP() || e.Synchronised() != sync {
			t.Fatalf("%v: %04x", d, uint16(e))
		}
		if e.Seconds() < d.Seconds()*(1-1e-12) {
			t.Fatalf("%v: %04x is only %g s", d, uint16(e), e.Seconds())
		}
		// One less in the multiplier is below d.
		if m := e & 0xff; m > 1 {
			if less := (e - 1).Seconds(); less >= d.Seconds() && d > 0 {
				t.Fatalf("%v: %04x is not the smallest", d, uint16(e))
			}
		}
		if e&0xff < 128 && e>>8&0x3f > 0 {
			t.Fatalf("%v: %04x does not use its multiplier", d, uint16(e))
		}
	})
	if e := NewErrorEstimate(math.MaxInt64, false); e.Seconds() < 4e9 {
		t.Errorf("the longest duration became %g s", e.Seconds())
	}
}

// Source: from memory, RFC 5905 figure 4, interesting historic NTP dates.
func TestNTPDates(t *testing.T) {
	for _, c := range []struct {
		date    string
		seconds uint32
	}{
		{"1970-01-01T00:00:00Z", 2208988800}, // first day UNIX
		{"1972-01-01T00:00:00Z", 2272060800}, // first day UTC
		{"1999-12-31T00:00:00Z", 3155587200}, // last day 20th century
		{"2036-02-08T00:00:00Z", 63104},      // first day NTP era 1
	} {
		at, err := time.Parse(time.RFC3339, c.date)
		if err != nil {
			t.Fatal(err)
		}
		if got := uint32(NTP(at) >> 32); got != c.seconds {
			t.Errorf("%s: %d s, want %d s", c.date, got, c.seconds)
		}
		for _, near := range []time.Duration{-60 * 365 * 24 * time.Hour, 0, 60 * 365 * 24 * time.Hour} {
			if got := NTP(at).Near(at.Add(near)); !got.Equal(at) {
				t.Errorf("%s read near %v is %v", c.date, at.Add(near), got)
			}
		}
	}
}

func TestNTPKeepsNanoseconds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := time.Unix(rapid.Int64Range(-1<<31, 1<<33).Draw(t, "s"), rapid.Int64Range(0, 999999999).Draw(t, "ns"))
		d := time.Duration(rapid.Int64Range(-2e18, 2e18).Draw(t, "d"))
		if got := NTP(at).Near(at.Add(d)); !got.Equal(at) {
			t.Fatalf("%v read near %v is %v", at, at.Add(d), got)
		}
		if got := NTP(at.Add(d)).Sub(NTP(at)); got != d {
			t.Fatalf("difference %v, want %v", got, d)
		}
	})
}

// Source: RFC 8762 §4.2.1 (Z flag); from memory, RFC 8186: truncated PTP is 32 bits of
// seconds and 32 bits of nanoseconds.
func TestPTPDifference(t *testing.T) {
	a, b := Timestamp(100<<32|999_999_999), Timestamp(101<<32|1)
	if got := b.FromPTP().Sub(a.FromPTP()); got != 2 {
		t.Errorf("difference %v, want 2ns", got)
	}
}

// Source: RFC 8972 §4: header of flags, type and length; the sender sets U.
func TestTLVs(t *testing.T) {
	packet := AppendTLV(AppendTLV(nil, ExtraPadding, []byte{1, 2, 3}), 200, nil)
	if want := unhex(t, "80 01 0003 010203 80 C8 0000"); !bytes.Equal(packet, want) {
		t.Fatalf("AppendTLV: %x, want %x", packet, want)
	}
	first, rest, err := NextTLV(packet)
	if err != nil || first.Type != ExtraPadding || first.Flags != Unrecognised || !bytes.Equal(first.Value, []byte{1, 2, 3}) {
		t.Fatalf("first: %+v, %v", first, err)
	}
	second, rest, err := NextTLV(rest)
	if err != nil || second.Type != 200 || len(second.Value) != 0 || len(rest) != 0 {
		t.Fatalf("second: %+v, rest %x, %v", second, rest, err)
	}
}

// Source: RFC 8762 §4.3.1, §4.6; RFC 8972 §3, §4 for the extensions, where the
// rule to stop at a malformed one is from memory.
func TestReflect(t *testing.T) {
	base := "00000007 83AA7E80 80000000 8A01 BEEF" + strings.Repeat("00", 28)
	arrival := Arrival{
		Receive: 0x83AA7E81_00000000, Transmit: 0x83AA7E81_40000000, Estimate: 0x9403, TTL: 61, Stateful: true, Own: 5,
	}
	answer := "00000005 83AA7E8140000000 9403 BEEF 83AA7E8100000000 00000007 83AA7E8080000000 8A01 0000 3D 000000"
	for _, c := range []struct {
		name, request string
		stateless     bool
		want          string
	}{
		{"base packet", base, false, answer},
		{"stateless copies the number", base, true, "00000007" + answer[8:]},
		{"shortest request gets the base packet", base[:len("00000007 83AA7E80 80000000 8A01")], false,
			strings.Replace(answer, "BEEF", "0000", 1)},
		{"octets that must be zero are not copied into fields", strings.Replace(base, strings.Repeat("00", 28), strings.Repeat("EE", 28), 1), false, answer},
		{"extra padding is understood: U cleared", base + "80 01 0004 DEADBEEF", false, answer + "00 01 0004 DEADBEEF"},
		{"unknown extension is copied, U set", base + "80 C8 0002 CAFE", false, answer + "80 C8 0002 CAFE"},
		{"U set even where the sender forgot it", base + "00 C8 0002 CAFE", false, answer + "80 C8 0002 CAFE"},
		{"reserved flags and the sender's M and I are not kept", base + "FF C8 0000", false, answer + "80 C8 0000"},
		{"several", base + "80 01 0001 AA 80 02 0000 80 01 0000", false, answer + "00 01 0001 AA 80 02 0000 00 01 0000"},
		{"longer than the packet: M set, rest as it came", base + "80 02 0000 80 03 0005 01020304", false, answer + "80 02 0000 C0 03 0005 01020304"},
		{"malformed padding is understood and malformed", base + "80 01 0005 01020304", false, answer + "40 01 0005 01020304"},
		{"nothing is read after a malformed one", base + "80 01 00FF 80 01 0000", false, answer + "40 01 00FF 80 01 0000"},
		{"half a header", base + "80 01 00", false, answer + "C0 01 00"},
		{"HMAC needs a key that this mode has not", base + "80 08 0010" + strings.Repeat("11", 16), false, answer + "80 08 0010" + strings.Repeat("11", 16)},
	} {
		a := arrival
		a.Stateful = !c.stateless
		request := unhex(t, c.request)
		kept := bytes.Clone(request)
		prefix := []byte("kept")
		got, err := Reflect(bytes.Clone(prefix), request, a)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if want := append(bytes.Clone(prefix), unhex(t, c.want)...); !bytes.Equal(got, want) {
			t.Errorf("%s:\n got %x\nwant %x", c.name, got, want)
		}
		if !bytes.Equal(request, kept) {
			t.Errorf("%s: the request was changed", c.name)
		}
	}
	for _, c := range []struct {
		request string
		want    error
	}{
		{base[:len("00000007 83AA7E80 80000000 8A")], ErrShort},
		{"", ErrShort},
		{strings.Replace(base, "8A01", "8A00", 1), ErrCorrupt}, // Source: RFC 4656 §4.1.2
	} {
		if got, err := Reflect(nil, unhex(t, c.request), arrival); err != c.want || len(got) != 0 { //nolint:errorlint // returned as it is, by contract
			t.Errorf("%q: %x, %v; want %v", c.request, got, err, c.want)
		}
	}
}

func TestWireAllocatesNothing(t *testing.T) {
	request := AppendTLV(unhex(t, senderVector), ExtraPadding, make([]byte, 80))
	reply := make([]byte, 0, 256)
	var sink uint32
	for name, f := range map[string]func(){
		"Put":              func() { SenderPacket{Sequence: 1, Timestamp: NTP(time.Unix(1, 1))}.Put(request) },
		"ParseSender":      func() { p, _ := ParseSender(request); sink += p.Sequence },
		"ParseReflector":   func() { p, _ := ParseReflector(request); sink += p.Sequence },
		"short":            func() { _, _ = ParseSender(request[:3]) },
		"Reflect":          func() { reply, _ = Reflect(reply[:0], request, Arrival{Estimate: 1}) },
		"NextTLV":          func() { _, _, _ = NextTLV(request[BaseSize:]) },
		"NewErrorEstimate": func() { sink += uint32(NewErrorEstimate(time.Millisecond, true)) },
	} {
		request[13] = 1
		if n := testing.AllocsPerRun(100, f); n != 0 {
			t.Errorf("%s allocates %v times", name, n)
		}
	}
	_ = sink
}

func FuzzParseSender(f *testing.F) {
	f.Add(unhex(f, senderVector))
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := ParseSender(b)
		if (err != nil) != (len(b) < MinRequest) {
			t.Fatalf("%d octets: %v", len(b), err)
		}
		if err != nil {
			return
		}
		out := make([]byte, BaseSize)
		p.Put(out)
		if n := min(len(b), 16); n != 15 && !bytes.Equal(out[:n], b[:n]) {
			t.Fatalf("read and written again: %x became %x", b[:n], out[:n])
		}
	})
}

func FuzzParseReflector(f *testing.F) {
	f.Add(unhex(f, senderVector))
	f.Add(unhex(f, senderVector)[:41])
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := ParseReflector(b)
		if (err != nil) != (len(b) < 41) {
			t.Fatalf("%d octets: %v", len(b), err)
		}
		if err != nil {
			return
		}
		out := make([]byte, BaseSize)
		p.Put(out)
		if !bytes.Equal(out[:38], b[:38]) || out[40] != b[40] {
			t.Fatalf("read and written again: %x became %x", b[:41], out[:41])
		}
		// Any reply must be safe to take, whatever it claims.
		r := newRecords(func(slot uint32) time.Duration { return time.Duration(slot) * time.Millisecond })
		r.begin(0, 0, false)
		st := &stream{flow: &flow{}, records: r}
		st.take(b, time.Second, 0, 2*time.Second)
		Analyse(r.window(0, 0), Params{Interval: time.Millisecond, Stateful: true})
	})
}

func FuzzReflect(f *testing.F) {
	f.Add(unhex(f, senderVector), true)
	f.Add(unhex(f, senderVector+"80010004DEADBEEF"), false)
	f.Add(unhex(f, senderVector+"80C800FF00"), true)
	f.Fuzz(func(t *testing.T, request []byte, stateful bool) {
		reply, err := Reflect(nil, request, Arrival{Receive: 1, Transmit: 2, Estimate: 0x101, TTL: 9, Stateful: stateful, Own: 77})
		if err != nil {
			if len(reply) != 0 {
				t.Fatalf("error %v with a reply of %d octets", err, len(reply))
			}
			return
		}
		// Source: RFC 8762 §4.6: as long as the request, at least the base packet.
		if len(reply) != max(len(request), BaseSize) {
			t.Fatalf("request of %d octets, reply of %d", len(request), len(reply))
		}
		p, err := ParseReflector(reply)
		req, _ := ParseSender(request)
		if err != nil || p.SenderSequence != req.Sequence || p.SenderTimestamp != req.Timestamp || p.SenderEstimate != req.Estimate || p.SSID != req.SSID {
			t.Fatalf("reply %+v does not answer %+v: %v", p, req, err)
		}
		if want := map[bool]uint32{true: 77, false: req.Sequence}[stateful]; p.Sequence != want {
			t.Fatalf("sequence %d, want %d", p.Sequence, want)
		}
		if len(request) <= BaseSize {
			return
		}
		// Apart from flags the extensions are as they came, and those of the reply
		// say what became of each.
		in, out := request[BaseSize:], reply[BaseSize:]
		for len(out) > 0 {
			a, restIn, errIn := NextTLV(in)
			b, restOut, errOut := NextTLV(out)
			if (errIn == nil) != (errOut == nil) {
				t.Fatalf("extension well-formed in one of %x and %x only", in, out)
			}
			if errOut != nil {
				if out[0]&byte(Malformed) == 0 || !bytes.Equal(in[1:], out[1:]) {
					t.Fatalf("malformed %x reflected as %x", in, out)
				}
				return
			}
			if a.Type != b.Type || !bytes.Equal(a.Value, b.Value) {
				t.Fatalf("%+v reflected as %+v", a, b)
			}
			if want := map[bool]TLVFlags{true: 0, false: Unrecognised}[b.Type == ExtraPadding]; b.Flags != want {
				t.Fatalf("type %d has flags %02x, want %02x", b.Type, b.Flags, want)
			}
			in, out = restIn, restOut
		}
	})
}

func BenchmarkEncodeSender(b *testing.B) {
	var buf [BaseSize]byte
	p := SenderPacket{Timestamp: 1, Estimate: 0x8A01, SSID: 7}
	b.ReportAllocs()
	b.SetBytes(BaseSize)
	for b.Loop() {
		p.Sequence++
		p.Put(buf[:])
	}
}

func BenchmarkDecodeReflector(b *testing.B) {
	buf := make([]byte, BaseSize)
	ReflectorPacket{Sequence: 1, SenderSequence: 2}.Put(buf)
	b.ReportAllocs()
	b.SetBytes(BaseSize)
	var sum uint32
	for b.Loop() {
		p, err := ParseReflector(buf)
		if err != nil {
			b.Fatal(err)
		}
		sum += p.SenderSequence
	}
	_ = sum
}

func BenchmarkReflect(b *testing.B) {
	request := AppendTLV(unhex(b, senderVector), ExtraPadding, make([]byte, 60))
	reply := make([]byte, 0, 128)
	b.ReportAllocs()
	b.SetBytes(int64(len(request)))
	for b.Loop() {
		var err error
		if reply, err = Reflect(reply[:0], request, Arrival{Estimate: 1, Stateful: true}); err != nil {
			b.Fatal(err)
		}
	}
}
