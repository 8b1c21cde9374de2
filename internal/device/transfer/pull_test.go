package transfer

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"towpath/internal/device"
)

func server(t *testing.T, cfg ServerConfig) *Server {
	t.Helper()
	cfg.Listen = "127.0.0.1:0"
	s, err := Serve(cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// get asks for a URL; want is the status. Headers come in pairs.
func get(t *testing.T, url string, want int, headers ...string) []byte {
	t.Helper()
	b, err := try(url, want, headers...)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func try(url string, want int, headers ...string) ([]byte, error) {
	req, err := http.NewRequest(http.MethodGet, url, nil)
	if err != nil {
		return nil, err
	}
	for i := 0; i < len(headers); i += 2 {
		req.Header.Set(headers[i], headers[i+1])
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return nil, err
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if resp.StatusCode != want {
		return nil, fmt.Errorf("status %d, want %d: %.80q", resp.StatusCode, want, b)
	}
	return b, err
}

func TestOfferOnce(t *testing.T) {
	s := server(t, ServerConfig{})
	b := content(1<<20+3, 1)
	f := fileOf("/flash/alder 9.img", b)
	o, err := s.Offer(f, OfferOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if u := o.URL(); !strings.HasSuffix(u, "/alder%209.img") || len(u) < 32+len("http://127.0.0.1:1/") {
		t.Errorf("URL %s", u)
	}
	resp, err := http.Head(o.URL())
	if err != nil || resp.StatusCode != http.StatusOK || resp.ContentLength != f.Size || resp.Header.Get("Accept-Ranges") != "none" {
		t.Errorf("HEAD: %+v, %v", resp, err)
	}
	resp.Body.Close()
	resp, err = http.Post(o.URL(), "", nil)
	if err != nil || resp.StatusCode != http.StatusMethodNotAllowed {
		t.Errorf("POST: %+v, %v", resp, err)
	}
	resp.Body.Close()
	get(t, o.URL()+"x", http.StatusNotFound)
	get(t, strings.TrimSuffix(o.URL(), "alder%209.img"), http.StatusNotFound)
	// A server may ignore a range. Source: RFC 9110 §14.2
	if got := get(t, o.URL(), http.StatusOK, "Range", "bytes=5-"); !bytes.Equal(got, b) {
		t.Error("another content")
	}
	<-o.Done()
	get(t, o.URL(), http.StatusNotFound)
	if sum, err := o.digest(t.Context()); err != nil || sum != f.SHA256 {
		t.Errorf("digest %s, %v", sum, err)
	}
}

func TestOfferRanges(t *testing.T) {
	s := server(t, ServerConfig{})
	b := content(1<<20, 1)
	f := fileOf("/flash/image", b)
	o, err := s.Offer(f, OfferOptions{Ranges: true})
	if err != nil {
		t.Fatal(err)
	}
	// Source: RFC 9110 §14.1.2, §14.4, §15.5.17
	if got := get(t, o.URL(), http.StatusPartialContent, "Range", "bytes=0-99"); !bytes.Equal(got, b[:100]) {
		t.Error("first hundred differ")
	}
	get(t, o.URL(), http.StatusRequestedRangeNotSatisfiable, "Range", "bytes=1048576-")
	if got := get(t, o.URL(), http.StatusPartialContent, "Range", "bytes=-6", "If-Range", `"`+f.SHA256+`"`); !bytes.Equal(got, b[len(b)-6:]) {
		t.Error("last six differ")
	}
	if o.Sent() != 106 {
		t.Errorf("sent %d, want 106", o.Sent())
	}
	select {
	case <-o.Done():
		t.Fatal("over before all was sent")
	default:
	}
	if got := get(t, o.URL(), http.StatusPartialContent, "Range", "bytes=50-"); !bytes.Equal(got, b[50:]) {
		t.Error("the rest differs")
	}
	<-o.Done()
	if o.err != nil {
		t.Error(o.err)
	}
	get(t, o.URL(), http.StatusNotFound)
	if sum, err := o.digest(t.Context()); err != nil || sum != f.SHA256 {
		t.Errorf("digest %s, %v", sum, err)
	}

	// A file that is asked for too often is not given any more.
	o, err = s.Offer(f, OfferOptions{Ranges: true})
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for ; n < 10; n++ {
		if _, err := try(o.URL(), http.StatusPartialContent, "Range", "bytes=0-1048574"); err != nil {
			break
		}
	}
	if n != 4 { // 2 · 1 MiB + 1 MiB are passed by the fourth
		t.Errorf("given %d times", n)
	}
	if !errors.Is(o.err, errTooMuch) {
		t.Errorf("ended with %v", o.err)
	}

	// Another version's range is not mixed in. Source: RFC 9110 §13.1.5
	o, err = s.Offer(f, OfferOptions{Ranges: true})
	if err != nil {
		t.Fatal(err)
	}
	if got := get(t, o.URL(), http.StatusOK, "Range", "bytes=5-", "If-Range", `"old"`); !bytes.Equal(got, b) {
		t.Error("not the whole file")
	}
}

func TestOfferBounds(t *testing.T) {
	var now atomic.Int64
	s := server(t, ServerConfig{Host: "192.0.2.7", Now: func() time.Time { return time.Unix(now.Load(), 0) }})
	f := fileOf("/flash/image", []byte("x"))
	u := func(o *Offer) string {
		p, err := url.Parse(o.URL())
		if err != nil {
			t.Fatal(err)
		}
		if p.Hostname() != "192.0.2.7" {
			t.Errorf("host %s", p.Host)
		}
		p.Host = s.ln.Addr().String()
		return p.String()
	}
	o, err := s.Offer(f, OfferOptions{From: netip.MustParsePrefix("192.0.2.0/24")})
	if err != nil {
		t.Fatal(err)
	}
	get(t, u(o), http.StatusNotFound)
	if !strings.Contains(o.refused, "127.0.0.1") {
		t.Errorf("refused: %q", o.refused)
	}
	o, err = s.Offer(f, OfferOptions{From: netip.MustParsePrefix("127.0.0.0/8"), Expires: time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	now.Add(60)
	get(t, u(o), http.StatusGone)
	o, err = s.Offer(f, OfferOptions{From: netip.MustParsePrefix("127.0.0.0/8"), Expires: time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	now.Add(59)
	get(t, u(o), http.StatusOK)
	o, err = s.Offer(f, OfferOptions{})
	if err != nil {
		t.Fatal(err)
	}
	o.Withdraw()
	get(t, u(o), http.StatusNotFound)
}

// fetcher is a device that fetches with this process's HTTP client into its own
// folder; it breaks the first tries after some octets.
func fetcher(client *http.Client, breaks int) func(context.Context, string, string) error {
	return func(ctx context.Context, url, path string) error {
		f, err := os.OpenFile(path, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
		if err != nil {
			return err
		}
		defer f.Close()
		at := int64(0)
		for try := 0; ; try++ {
			req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
			if err != nil {
				return err
			}
			if at > 0 {
				req.Header.Set("Range", fmt.Sprintf("bytes=%d-", at))
			}
			resp, err := client.Do(req)
			if err != nil {
				return err
			}
			if resp.StatusCode == http.StatusServiceUnavailable {
				resp.Body.Close()
				continue // the server has not seen yet that the last one broke
			}
			if resp.StatusCode/100 != 2 {
				resp.Body.Close()
				return fmt.Errorf("the server says %s", resp.Status)
			}
			r := io.Reader(resp.Body)
			if try < breaks {
				r = io.LimitReader(r, 100000)
			}
			n, err := io.Copy(f, r)
			resp.Body.Close()
			at += n
			if try < breaks {
				continue
			}
			return err
		}
	}
}

// disk are the commands of a device whose disk is this machine's.
func disk() Far {
	return Far{
		Hash: func(_ context.Context, name string) (string, error) {
			b, err := os.ReadFile(name)
			sum := sha256.Sum256(b)
			return hex.EncodeToString(sum[:]), err
		},
		Rename: func(_ context.Context, from, to string) error { return os.Rename(from, to) },
		Remove: func(_ context.Context, name string) error { return os.Remove(name) },
	}
}

func TestPull(t *testing.T) {
	b := content(8<<20, 2)
	plain := server(t, ServerConfig{})
	// The certificate of httptest, valid for 127.0.0.1.
	ts := httptest.NewUnstartedServer(nil)
	ts.StartTLS()
	defer ts.Close()
	secure := server(t, ServerConfig{TLS: &tls.Config{Certificates: ts.TLS.Certificates}})
	for _, c := range []struct {
		name  string
		s     *Server
		fetch func(context.Context, string, string) error
		o     PullOptions
		kind  device.Kind
		words string
	}{
		{"HTTP", plain, fetcher(http.DefaultClient, 0), PullOptions{}, 0, ""},
		{"HTTPS", secure, fetcher(ts.Client(), 0), PullOptions{}, 0, ""},
		{"taken up", plain, fetcher(http.DefaultClient, 3), PullOptions{OfferOptions: OfferOptions{Ranges: true}}, 0, ""},
		{"broken, for one fetch only", plain, fetcher(http.DefaultClient, 1), PullOptions{}, device.Refused, "the server says 4"}, // 404 or 410,
		{"HTTPS to a device that knows the authority not", secure, fetcher(http.DefaultClient, 0), PullOptions{}, device.Unreachable, "never asked"},
		{"never asks", plain, func(context.Context, string, string) error { return nil }, PullOptions{}, device.Unreachable, "never asked for the file at http://127.0.0.1:"},
		{"from elsewhere", plain, fetcher(http.DefaultClient, 0), PullOptions{OfferOptions: OfferOptions{From: netip.MustParsePrefix("192.0.2.1/32")}}, device.Refused, "want 192.0.2.1/32"},
		{"says that it has it all", plain, func(ctx context.Context, url, path string) error {
			_, err := try(url, http.StatusPartialContent, "Range", "bytes=0-9")
			return errors.Join(err, os.WriteFile(path, b[:10], 0o600))
		}, PullOptions{OfferOptions: OfferOptions{Ranges: true}}, device.Damaged, "took 10 of 8388608"},
		{"damages it", plain, func(ctx context.Context, url, path string) error {
			return errors.Join(fetcher(http.DefaultClient, 0)(ctx, url, path), os.Truncate(path, 77))
		}, PullOptions{}, device.Damaged, "arrived damaged"},
		{"has no space", plain, func(ctx context.Context, url, path string) error {
			resp, err := http.Get(url)
			if err != nil {
				return err
			}
			resp.Body.Close()
			os.WriteFile(path, nil, 0o600)
			return errors.New("copy failed: No space left on device")
		}, PullOptions{}, device.NoSpace, "No space left"},
		{"has no space, known before", plain, fetcher(http.DefaultClient, 0), PullOptions{Options: Options{Far: Far{Free: func(context.Context, string) (int64, error) { return 5, nil }}}}, device.NoSpace, "has 5 octets free"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			f := fileOf(filepath.Join(dir, "image"), b)
			free := c.o.Far.Free
			c.o.Far = disk()
			c.o.Far.Free = free
			c.o.Fetch = c.fetch
			r, err := Pull(t.Context(), c.s, f, c.o)
			if c.words != "" {
				wantFault(t, err, c.kind, c.words)
				only(t, dir)
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			r.Sending, r.Verifying = 0, 0
			if want := (Result{Sent: f.Size, SHA256: f.SHA256, FarSHA256: f.SHA256, FarBy: "command", Atomic: true}); r != want {
				t.Errorf("got %+v\nwant %+v", r, want)
			}
			holds(t, f.Path, b)
			only(t, dir, "image")
			r, err = Pull(t.Context(), c.s, f, c.o)
			if err != nil || !r.AlreadyThere {
				t.Errorf("second time: %+v, %v", r, err)
			}
		})
	}
	t.Run("our own file breaks", func(t *testing.T) {
		dir := t.TempDir()
		f := fileOf(filepath.Join(dir, "image"), b)
		f.Content = func(int64) (io.ReadCloser, error) {
			return io.NopCloser(io.MultiReader(bytes.NewReader(b[:100]), broken{})), nil
		}
		_, err := Pull(t.Context(), plain, f, PullOptions{Options: Options{Far: disk()}, Fetch: fetcher(http.DefaultClient, 0)})
		if err == nil || !errors.Is(err, io.ErrNoProgress) {
			t.Errorf("got %v", err)
		}
		only(t, dir)
	})
}

// TestLimiter measures under a clock of the test's own.
func TestLimiter(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for _, rate := range []float64{64e3, 10e6, 1e9} {
			l := NewLimiter(rate)
			start, n := time.Now(), l.size(largePacket)
			sent := 0
			for sent < 1<<20 {
				if err := l.wait(t.Context(), n); err != nil {
					t.Fatal(err)
				}
				sent += n
			}
			// The first one goes at once.
			want := time.Duration(float64(sent-n) * 8 / rate * float64(time.Second))
			if got := time.Since(start); got < want-time.Millisecond || got > want+time.Millisecond {
				t.Errorf("%g bit/s: %d octets in chunks of %d took %v, want %v", rate, sent, n, got, want)
			}
			ctx, cancel := context.WithTimeout(t.Context(), time.Nanosecond)
			if err := l.wait(ctx, 1<<30); err == nil {
				err = l.wait(ctx, 1)
				if !errors.Is(err, context.DeadlineExceeded) {
					t.Errorf("a wait of seconds ended with %v", err)
				}
			}
			cancel()
		}
		if NewLimiter(0) != nil || NewLimiter(0).wait(t.Context(), 1<<40) != nil || NewLimiter(0).size(7) != 7 {
			t.Error("none limits")
		}
	})
}

// TestSpans compares with a set of octets.
func TestSpans(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var s spans
		var set [40]bool
		for range rapid.IntRange(0, 12).Draw(t, "n") {
			from := rapid.IntRange(0, 39).Draw(t, "from")
			to := rapid.IntRange(from, 39).Draw(t, "to")
			s.add(int64(from), int64(to))
			for i := from; i < to; i++ {
				set[i] = true
			}
		}
		n := 0
		for i, v := range set {
			in := false
			for _, r := range s {
				in = in || r[0] <= int64(i) && int64(i) < r[1]
			}
			if in != v {
				t.Fatalf("octet %d: %v, want %v in %v", i, in, v, s)
			}
			if v {
				n++
			}
		}
		for i := 1; i < len(s); i++ {
			if s[i][0] <= s[i-1][1] {
				t.Fatalf("not in order or touching: %v", s)
			}
		}
		if s.total() != int64(n) {
			t.Fatalf("total %d, want %d", s.total(), n)
		}
	})
}

// TestOrder compares with marking every octet.
func TestOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		start := rapid.IntRange(0, 5).Draw(t, "start")
		lengths := rapid.SliceOfN(rapid.IntRange(1, 4), 1, 10).Draw(t, "lengths")
		type piece struct{ at, n int }
		var pieces []piece
		end := start
		for _, n := range lengths {
			pieces = append(pieces, piece{end, n})
			end += n
		}
		o := newOrder(int64(start))
		have := make([]bool, end)
		for i := range start {
			have[i] = true
		}
		for _, p := range rapid.Permutation(pieces).Draw(t, "order") {
			for i := range p.n {
				have[p.at+i] = true
			}
			want := 0
			for want < end && have[want] {
				want++
			}
			if got := o.add(int64(p.at), int64(p.n)); got != int64(want) {
				t.Fatalf("up to %d, want %d", got, want)
			}
		}
	})
}

func TestWordsOfDevices(t *testing.T) {
	for text, want := range map[string]device.Kind{
		// Source: POSIX.1-2017 strerror texts as glibc has them.
		"scp: /flash/x: No space left on device": device.NoSpace,
		"Disk quota exceeded":                    device.NoSpace,
		"scp: /flash/x: Read-only file system":   device.Refused,
		"Permission denied":                      device.Denied,
		"No such file or directory":              device.Missing,
		"sh: 1: scp: not found":                  device.Unable,
		// Source: from memory, phrases that network elements use.
		"%Error writing bootflash:/x (Not enough space on device)": device.NoSpace,
		"something else": device.Refused,
	} {
		if got := kindOfWords(text); got != want {
			t.Errorf("%q: %v, want %v", text, got, want)
		}
	}
}

// TestLimitsHold looks at what transfers have reserved of their limit, which
// does not depend on how fast the machine is.
func TestLimitsHold(t *testing.T) {
	const rate = 2e9
	b := content(2<<20, 12)
	web := server(t, ServerConfig{})
	o := &old{limit: 1 << 30}
	c := o.serve(t)
	for name, send := range map[string]func(File, *Limiter) error{
		"SFTP": func(f File, l *Limiter) error {
			_, err := SFTP(t.Context(), c, f, Options{Limit: l})
			return err
		},
		"HTTP": func(f File, l *Limiter) error {
			_, err := Pull(t.Context(), web, f, PullOptions{Options: Options{Limit: l}, Fetch: fetcher(http.DefaultClient, 0)})
			return err
		},
	} {
		l := NewLimiter(rate)
		start := time.Now()
		if err := send(fileOf(filepath.Join(t.TempDir(), "image"), b), l); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if took, least := l.next.Sub(start), time.Duration(float64(len(b))*8/rate*1e9); took < least {
			t.Errorf("%s: %d octets reserved %v, want at least %v", name, len(b), took, least)
		}
	}
}

// TestPathAsTheDeviceWritesIt has a device fetch to paths that are none of this
// side's. Source: common practice, file systems with names such as flash: and
// names alone.
func TestPathAsTheDeviceWritesIt(t *testing.T) {
	s := server(t, ServerConfig{})
	b := content(4096, 3)
	for to, last := range map[string]string{"flash:/images/quarry.img": "/quarry.img", "flash:quarry.img": "/quarry.img", "quarry.img": "/quarry.img", "disk0:": "/disk0:"} {
		var got []byte
		r, err := Pull(t.Context(), s, fileOf(to, b), PullOptions{Fetch: func(_ context.Context, url, path string) error {
			if path != to || !strings.HasSuffix(url, last) {
				t.Errorf("asked to fetch %s to %q, want it to end in %s, to %q", url, path, last, to)
			}
			var err error
			got, err = try(url, http.StatusOK)
			return err
		}})
		if err != nil || !bytes.Equal(got, b) || r.Sent != int64(len(b)) {
			t.Errorf("%s: %d octets, %+v, %v", to, len(got), r, err)
		}
	}
	for _, to := range []string{"", " ", "flash:\nquarry.img"} {
		if _, err := Pull(t.Context(), s, fileOf(to, b), PullOptions{Fetch: func(context.Context, string, string) error { return nil }}); device.KindOf(err) != device.Ours {
			t.Errorf("%q: %v, want %s", to, err, device.Ours)
		}
	}
	// What is sent over SSH needs a path of the standard's file systems.
	if err := (&File{Path: "flash:quarry.img", Content: fileOf("/x", b).Content}).check(); device.KindOf(err) != device.Ours {
		t.Errorf("got %v", err)
	}
}
