package probe

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// A request and the reply of a running reflector, read by an independent
// dissector: every field must say there what it says here. The test protocol
// that the dissector knows has the same packets in unauthenticated mode.
// Source: the TWAMP-Test dissector of tshark (RFC 5357 §4.1.2, §4.2.1), and RFC
// 8762 §4.6 for the sameness.
func TestDissectorReadsTheSame(t *testing.T) {
	tshark, err := exec.LookPath("tshark")
	if err != nil {
		t.Skip("tshark is not installed: this outside check of the packet layout is left out")
	}
	r := serve(t, ReflectorConfig{})
	a := ask(t, "udp", r.Addr())
	if err := configure(a.c, socketOptions{}); err != nil {
		t.Fatal(err)
	}
	a.exchange(request(7, 0)) // so that the next reply has number 1
	sent := make([]byte, BaseSize)
	req := SenderPacket{Sequence: 4242, Timestamp: NTP(time.Unix(1700000000, 123456789)), Estimate: 0x9403}
	req.Put(sent)
	a.send(sent)
	answer := a.receive()
	reply, err := ParseReflector(answer)
	if err != nil {
		t.Fatal(err)
	}

	file := filepath.Join(t.TempDir(), "exchange.pcap")
	if err := os.WriteFile(file, capture(sent, answer), 0o600); err != nil {
		t.Fatal(err)
	}
	fields := []string{
		"seq_number", "timestamp", "error_estimate", "receive_timestamp", "sender_seq_number", "sender_timestamp",
		"sender_error_estimate", "sender_ttl", "error_estimate.scale", "error_estimate.multiplier",
	}
	args := []string{"-r", file, "-d", fmt.Sprintf("udp.port==%d,twamp.test", Port), "-T", "fields", "-E", "occurrence=f"}
	for _, f := range fields {
		args = append(args, "-e", "twamp.test."+f)
	}
	cmd := exec.Command(tshark, args...)
	cmd.Env = append(os.Environ(), "TZ=UTC")
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("tshark: %v\n%s", err, stderr.Bytes())
	}
	rows := strings.Split(strings.TrimRight(string(out), "\n"), "\n")
	if len(rows) != 2 {
		t.Fatalf("tshark saw %d packets, want 2:\n%s", len(rows), out)
	}
	clock := func(ts Timestamp) string {
		at := ts.Near(time.Now()).UTC()
		return at.Format("Jan _2, 2006 15:04:05.000000000 UTC")
	}
	for i, want := range [][]string{
		{"4242", clock(req.Timestamp), "37891"},
		{
			"1", clock(reply.Timestamp), strconv.Itoa(int(reply.Estimate)), clock(reply.Receive), "4242",
			clock(req.Timestamp), "37891", strconv.Itoa(int(reply.SenderTTL)),
			strconv.Itoa(int(reply.Estimate >> 8 & 0x3f)), strconv.Itoa(int(reply.Estimate & 0xff)),
		},
	} {
		got := strings.Split(rows[i], "\t")
		for k, w := range want {
			// The dissector knows nanoseconds to one, rounded its own way.
			if g := got[k]; g != w && (!strings.Contains(fields[k], "timestamp") || !near(g, w)) {
				t.Errorf("packet %d, %s: the dissector reads %q, we read %q", i+1, fields[k], g, w)
			}
		}
	}
	if kernelTimestamps && reply.SenderTTL != 255 {
		t.Errorf("TTL %d, want 255", reply.SenderTTL)
	}
}

func near(a, b string) bool {
	const layout = "Jan _2, 2006 15:04:05.999999999 UTC"
	x, err := time.Parse(layout, strings.Join(strings.Fields(a), " "))
	y, err2 := time.Parse(layout, strings.Join(strings.Fields(b), " "))
	return err == nil && err2 == nil && x.Sub(y).Abs() <= time.Nanosecond
}

// capture is a file of two UDP packets over IPv4, to and from the port of the
// standard. Source: from memory, the classic libpcap format, link type 101.
func capture(request, reply []byte) []byte {
	out := binary.LittleEndian.AppendUint32(nil, 0xa1b2c3d4)
	out = append(out, 2, 0, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0xff, 0xff, 0, 0, 101, 0, 0, 0)
	add := func(sport, dport uint16, payload []byte) {
		ip := []byte{0x45, 0, 0, 0, 0, 1, 0, 0, 64, 17, 0, 0, 127, 0, 0, 1, 127, 0, 0, 1}
		binary.BigEndian.PutUint16(ip[2:], uint16(28+len(payload)))
		ip = binary.BigEndian.AppendUint16(ip, sport)
		ip = binary.BigEndian.AppendUint16(ip, dport)
		ip = binary.BigEndian.AppendUint16(ip, uint16(8+len(payload)))
		ip = append(append(ip, 0, 0), payload...)
		out = append(out, 0, 0, 0, 0, 0, 0, 0, 0)
		out = binary.LittleEndian.AppendUint32(out, uint32(len(ip)))
		out = binary.LittleEndian.AppendUint32(out, uint32(len(ip)))
		out = append(out, ip...)
	}
	add(40000, Port, request)
	add(Port, 40000, reply)
	return out
}
