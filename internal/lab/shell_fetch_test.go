package lab

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/pem"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"towpath/internal/lab/labtime"
)

// fakeTerminal is somebody at the command line.
type fakeTerminal struct {
	ctx context.Context
	io.Reader
	mu   sync.Mutex
	out  bytes.Buffer
	seen func(said string) // after each write
}

func (f *fakeTerminal) Context() context.Context { return f.ctx }

func (f *fakeTerminal) Write(b []byte) (int, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.out.Write(b)
	if f.seen != nil {
		f.seen(f.out.String())
	}
	return len(b), nil
}

// enter has somebody type lines, and returns what is said until they have left.
func enter(t *testing.T, c *Chassis, lines ...string) string {
	t.Helper()
	f := &fakeTerminal{ctx: t.Context(), Reader: strings.NewReader("page off\n" + strings.Join(lines, "\n") + "\nleave\n")}
	c.shell.talk(c.ctx, f, func(int) {})
	return f.out.String()
}

// fetcher is a chassis that may fetch.
func fetcher(t *testing.T, change func(*DeviceConfig)) *Chassis {
	t.Helper()
	cfg := Scenario("")
	cfg.Devices = cfg.Devices[:1]
	d := &cfg.Devices[0]
	d.ShellListen, d.TransferRate = "127.0.0.1:0", 0
	if change != nil {
		change(d)
	}
	cfg.Clock = labtime.New(time.Now(), fast)
	l, err := Start(cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := l.Close(); err != nil {
			t.Error(err)
		}
		cfg.Clock.Close()
	})
	return l.chassis[0]
}

// TestFetch fetches by HTTPS from a server of the standard library, well and in
// trouble.
// Source: RFC 9110 §14.2 (ranges), §15.3.7, §15.4, §15.5.5; RFC 8446 §4.4.2.4.
func TestFetch(t *testing.T) {
	c := fetcher(t, nil)
	content := bytes.Repeat([]byte("towpath "), 50_000)
	sum := fmt.Sprintf("sha256 %x", sha256.Sum256(content))
	var mu sync.Mutex
	var ranges []string // asked for
	breaks, ignores := 0, false
	mux := http.NewServeMux()
	mux.HandleFunc("/image", func(w http.ResponseWriter, r *http.Request) {
		mu.Lock()
		ranges = append(ranges, r.Header.Get("Range"))
		cut := breaks != 0
		if breaks > 0 {
			breaks--
		}
		whole := ignores
		mu.Unlock()
		w.Header().Set("ETag", `"v1"`)
		switch {
		case whole && r.Header.Get("Range") != "":
			r.Header.Del("Range")
			_, _ = w.Write(content)
		case cut && r.Header.Get("Range") == "":
			w.Header().Set("Content-Length", fmt.Sprint(len(content)))
			_, _ = w.Write(content[:100_000])
			panic(http.ErrAbortHandler)
		case cut:
			panic(http.ErrAbortHandler)
		default:
			http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(content))
		}
	})
	mux.Handle("/moved", http.RedirectHandler("/image", http.StatusFound))
	served := func(certificate, key []byte) *httptest.Server {
		s := httptest.NewUnstartedServer(mux)
		s.Config.ErrorLog = nil
		if certificate != nil {
			pair, err := tls.X509KeyPair(certificate, key)
			if err != nil {
				t.Fatal(err)
			}
			s.TLS = &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
		}
		s.StartTLS()
		t.Cleanup(s.Close)
		return s
	}
	certificate, key, err := c.lab.pki.Server("tower")
	if err != nil {
		t.Fatal(err)
	}
	good, own := served(certificate, key), served(nil, nil)
	dead, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := dead.Close(); err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		name    string
		url     string
		breaks  int
		ignores bool
		says    string
		asked   []string
	}{
		{"well", good.URL + "/image", 0, false, "fetched 400000 octets", []string{""}},
		{"broken once", good.URL + "/image", 1, false, "fetched 400000 octets", []string{"", "bytes=100000-"}},
		{"broken twice", good.URL + "/image", 2, false, "fetched 400000 octets", []string{"", "bytes=100000-", "bytes=100000-"}},
		{"a server without ranges", good.URL + "/image", 1, true, "fetched 400000 octets", []string{"", "bytes=100000-"}},
		{"broken for good", good.URL + "/image", -1, false, "broken off: 100000 of 400000 octets came", nil},
		{"no such file", good.URL + "/other", 0, false, "not served: 404 Not Found", nil},
		{"elsewhere", good.URL + "/moved", 0, false, "not served: 302 Found", nil},
		{"nobody there", "https://" + dead.Addr().String() + "/image", 0, false, "not reached: ", nil},
		{"a stranger's certificate", own.URL + "/image", 0, false, "not trusted: the certificate of " + strings.TrimPrefix(own.URL, "https://"), nil},
		{"no URL", "image", 0, false, "not understood: want fetch URL as PATH", nil},
	} {
		t.Run(x.name, func(t *testing.T) {
			mu.Lock()
			breaks, ignores, ranges = x.breaks, x.ignores, nil
			mu.Unlock()
			out := enter(t, c, "fetch "+x.url+" as /incoming/a.pkg", "tell sum of /incoming/a.pkg", "forget file /incoming/a.pkg")
			if !strings.Contains(out, x.says) {
				t.Errorf("got %s, want %s", out, x.says)
			}
			if x.asked != nil {
				if got := strings.Join(ranges, "|"); got != strings.Join(x.asked, "|") || !strings.Contains(out, sum) {
					t.Errorf("asked for %q, want %q; %s", ranges, x.asked, out)
				}
			}
			if left := c.Incoming(); len(left) > 0 {
				t.Errorf("%q are left", left)
			}
		})
	}
	if out := enter(t, c, "fetch "+good.URL+"/image as /images/a.pkg"); !strings.Contains(out, "not allowed: /images/a.pkg") {
		t.Errorf("outside the folder: %s", out)
	}
	// The certificate alone is trusted where it is pinned, and then no other.
	pinned := fetcher(t, func(d *DeviceConfig) {
		d.FetchTrust = pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: own.Certificate().Raw})
	})
	for url, says := range map[string]string{own.URL: "fetched 400000 octets", good.URL: "not trusted: "} {
		if out := enter(t, pinned, "fetch "+url+"/image as /incoming/a.pkg"); !strings.Contains(out, says) {
			t.Errorf("pinned: got %s, want %s", out, says)
		}
	}
	pinned.do(func() { v := pinned.primary().volume; v.reserved += v.available() - 150_000 })
	if out := enter(t, pinned, "fetch "+own.URL+"/image as /incoming/b.pkg"); !strings.Contains(out, "no room: /CTL-A/flash: no space left on device") {
		t.Errorf("a full disk: %s", out)
	}
}

// TestFetchIsInterrupted presses ctrl-c while a server says nothing.
func TestFetchIsInterrupted(t *testing.T) {
	c := fetcher(t, nil)
	asked := make(chan struct{})
	s := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		close(asked)
		<-r.Context().Done()
	}))
	defer s.Close()
	in, keys := io.Pipe()
	f := &fakeTerminal{ctx: t.Context(), Reader: in}
	go func() {
		_, _ = io.WriteString(keys, "page off\nfetch "+s.URL+"/x as /incoming/a.pkg\n")
		<-asked
		_, _ = io.WriteString(keys, "\x03leave\n")
	}()
	c.shell.talk(c.ctx, f, func(int) {})
	if out := f.out.String(); !strings.Contains(out, "stopped: by ctrl-c") {
		t.Errorf("got %s", out)
	}
}
