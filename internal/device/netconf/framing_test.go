package netconf_test

import (
	"bytes"
	"errors"
	"io"
	"strconv"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"towpath/internal/device/netconf"
)

// take reads all messages of a stream; the error is nil where the stream ended
// between two messages.
func take(r *netconf.Reader) ([]string, error) {
	var out []string
	for {
		err := r.Next()
		if errors.Is(err, io.EOF) {
			return out, nil
		}
		if err != nil {
			return out, err
		}
		b, err := io.ReadAll(r)
		if err != nil {
			return out, err
		}
		out = append(out, string(b))
	}
}

// twin is the slow reader: it looks at one octet after the other of a stream
// that lies there as a whole. ok is false where the framing is broken.
func twin(in string, f netconf.Framing) (out []string, ok bool) {
	if f == netconf.EndOfMessage {
		parts := strings.Split(in, "]]>]]>")
		return parts[:len(parts)-1], parts[len(parts)-1] == ""
	}
	for in != "" {
		message, chunks := "", 0
		for {
			rest, has := strings.CutPrefix(in, "\n#")
			if !has {
				return out, false
			}
			if end, last := strings.CutPrefix(rest, "#\n"); last && chunks > 0 {
				in = end
				break
			}
			line, rest, has := strings.Cut(rest, "\n")
			if !has || line == "" || line[0] == '0' || strings.Trim(line, "0123456789") != "" || len(line) > 10 {
				return out, false
			}
			n, err := strconv.ParseInt(line, 10, 64)
			if err != nil || n > 4294967295 || n > int64(len(rest)) {
				return out, false
			}
			message, in = message+rest[:n], rest[n:]
			chunks++
		}
		out = append(out, message)
	}
	return out, true
}

// TestChunkExample is the example of the standard: the same rpc in three
// chunks.
func TestChunkExample(t *testing.T) {
	// Source: from memory, RFC 6242 §4.2, the example of a chunked message.
	const in = "\n#4\n<rpc\n#18\n message-id=\"102\"\n\n#79\n     xmlns=\"urn:ietf:params:xml:ns:netconf:base:1.0\">\n  <close-session/>\n</rpc>\n##\n"
	const want = "<rpc message-id=\"102\"\n     xmlns=\"urn:ietf:params:xml:ns:netconf:base:1.0\">\n  <close-session/>\n</rpc>"
	for name, r := range map[string]io.Reader{"at once": strings.NewReader(in), "octet by octet": iotest.OneByteReader(strings.NewReader(in))} {
		x := netconf.NewReader(r)
		x.Use(netconf.Chunked)
		got, err := take(x)
		if err != nil || len(got) != 1 || got[0] != want {
			t.Errorf("%s: got %q, %v", name, got, err)
		}
	}
}

func TestBrokenChunksAreNamed(t *testing.T) {
	for in, want := range map[string]struct {
		offset int64
		text   string
	}{
		"\n#0\n":                 {2, "digit from 1 to 9"}, // Source: from memory, RFC 6242 §4.2: no leading zero
		"\n#04\nabcd\n##\n":      {2, "digit from 1 to 9"},
		"\n##\n":                 {2, "size"}, // Source: from memory, RFC 6242 §4.2: 1*chunk
		"#4\n":                   {0, "line feed"},
		"\n4\n":                  {1, "#"},
		"\n#4x":                  {3, "digit"},
		"\n#4294967296\n":        {11, "4294967295"},
		"\n#4\nabcd##\n":         {8, "line feed"},
		"\n#4\nabcd\n##x":        {11, "line feed after"},
		"\n#4\nab":               {6, "2 octets more"},
		"\n#4\nabcd":             {8, "line feed"},
		"\n#4\nabcd\n#":          {10, "size"},
		"\n#99999999999999999\n": {11, "4294967295"},
	} {
		x := netconf.NewReader(strings.NewReader(in))
		x.Use(netconf.Chunked)
		_, err := take(x)
		var f *netconf.FramingError
		if !errors.As(err, &f) || f.Offset != want.offset || !strings.Contains(f.Error(), want.text) {
			t.Errorf("%q: got %v, want an error at octet %d with %q", in, err, want.offset, want.text)
		}
		if again := x.Next(); again == nil {
			t.Errorf("%q: a stream whose framing is broken was read on", in)
		}
	}
}

func TestStreamThatEndsInAMessage(t *testing.T) {
	x := netconf.NewReader(strings.NewReader("<a/>]]>]]><b>]]>]"))
	got, err := take(x)
	if !errors.Is(err, io.ErrUnexpectedEOF) || !cmp.Equal(got, []string{"<a/>"}) {
		t.Errorf("got %q, %v; want <a/> and an unexpected end", got, err)
	}
}

func TestWriterRefuses(t *testing.T) {
	var b bytes.Buffer
	w := netconf.NewWriter(&b)
	if err := w.Write(nil); err == nil {
		t.Error("an empty message was written")
	}
	// Source: from memory, RFC 6242 §4.3: the sequence must not stand in a message.
	if err := w.Write([]byte(`<a b="]]>]]>"/>`)); err == nil || b.Len() > 0 {
		t.Errorf("an end of message inside a message: got %v, written %q", err, b.String())
	}
	w.Use(netconf.Chunked)
	if err := w.Write([]byte(`<a b="]]>]]>"/>`)); err != nil || b.String() != "\n#15\n<a b=\"]]>]]>\"/>\n##\n" {
		t.Errorf("chunked: got %v, written %q", err, b.String())
	}
}

// pieces hands out a stream in the sizes that were drawn.
type pieces struct {
	in    []byte
	sizes []int
}

func (p *pieces) Read(b []byte) (int, error) {
	if len(p.in) == 0 {
		return 0, io.EOF
	}
	n := len(p.in)
	if len(p.sizes) > 0 {
		n, p.sizes = min(n, p.sizes[0]), p.sizes[1:]
	}
	n = copy(b, p.in[:n])
	p.in = p.in[n:]
	return n, nil
}

// TestReaderIsTheTwin reads streams of both framings that were drawn, whole and
// spoilt, in pieces of any size.
func TestReaderIsTheTwin(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.SampledFrom([]netconf.Framing{netconf.EndOfMessage, netconf.Chunked}).Draw(t, "framing")
		var b bytes.Buffer
		for _, m := range rapid.SliceOf(rapid.StringMatching(`[\]>#\n1a]{1,30}`)).Draw(t, "messages") {
			if f == netconf.EndOfMessage {
				b.WriteString(m + "]]>]]>")
				continue
			}
			for rest := m; rest != ""; {
				n := rapid.IntRange(1, len(rest)).Draw(t, "chunk")
				b.WriteString("\n#" + strconv.Itoa(n) + "\n" + rest[:n])
				rest = rest[n:]
			}
			b.WriteString("\n##\n")
		}
		in := b.Bytes()
		if len(in) > 0 && rapid.Bool().Draw(t, "spoil") {
			in[rapid.IntRange(0, len(in)-1).Draw(t, "where")] = rapid.SampledFrom([]byte("\n#]>019a")).Draw(t, "with")
		}
		want, ok := twin(string(in), f)
		x := netconf.NewReader(&pieces{bytes.Clone(in), rapid.SliceOf(rapid.IntRange(1, 9)).Draw(t, "sizes")})
		x.Use(f)
		got, err := take(x)
		if ok != (err == nil) || !cmp.Equal(append([]string{}, got...), append([]string{}, want...)) {
			t.Fatalf("%q: got %q, %v; the twin %q, %v", in, got, err, want, ok)
		}
	})
}

// TestWrittenReadsTheSame sends messages of every size through both framings.
func TestWrittenReadsTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.SampledFrom([]netconf.Framing{netconf.EndOfMessage, netconf.Chunked}).Draw(t, "framing")
		var b bytes.Buffer
		w := netconf.NewWriter(&b)
		w.Use(f)
		var want []string
		for _, m := range rapid.SliceOfN(rapid.StringMatching(`[a-z\]>]{1,40}`), 1, 5).Draw(t, "messages") {
			m = strings.ReplaceAll(m, "]]>]]>", "")
			// A message may end in the beginning of an end only where chunks
			// tell it apart; XML ends in > after a name.
			m = strings.Repeat(m, rapid.SampledFrom([]int{1, 3000}).Draw(t, "times")) + "/>"
			if strings.Contains(m, "]]>]]>") {
				continue
			}
			if err := w.Write([]byte(m)); err != nil {
				t.Fatal(err)
			}
			want = append(want, m)
		}
		x := netconf.NewReader(&b)
		x.Use(f)
		got, err := take(x)
		if err != nil || !cmp.Equal(append([]string{}, got...), append([]string{}, want...)) {
			t.Fatalf("%d messages written, %d read, %v", len(want), len(got), err)
		}
	})
}

func FuzzFraming(f *testing.F) {
	for _, s := range []string{
		"", "<a/>]]>]]>", "<a/>]]>]]>]]>]]>", "]]>]]]>]]>", "\n#1\na\n##\n", "\n#3\n<a>\n#4\n</a>\n##\n\n#1\nx\n##\n",
		"\n#0\n", "\n#04\nabcd\n##\n", "\n##\n", "\n#4294967295\nx", "\n#4294967296\n", "\n#2\n\n#\n##\n", "\n#1\na\n##", "\n#1\na\n#\n",
	} {
		f.Add([]byte(s), true, uint8(3))
		f.Add([]byte(s), false, uint8(1))
	}
	f.Fuzz(func(t *testing.T, in []byte, chunked bool, size uint8) {
		framing := netconf.EndOfMessage
		if chunked {
			framing = netconf.Chunked
		}
		sizes := make([]int, len(in))
		for i := range sizes {
			sizes[i] = int(size%16) + 1
		}
		x := netconf.NewReader(&pieces{bytes.Clone(in), sizes})
		x.Use(framing)
		got, err := take(x)
		want, ok := twin(string(in), framing)
		if ok != (err == nil) || !cmp.Equal(append([]string{}, got...), append([]string{}, want...)) {
			t.Fatalf("%q: got %q, %v; the twin %q, %v", in, got, err, want, ok)
		}
	})
}
