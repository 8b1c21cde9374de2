package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"towpath/internal/app"
	"towpath/internal/cli"
	"towpath/internal/document"
	"towpath/internal/fleet"
	"towpath/internal/lab"
)

// TestDemoOverConsole does the whole job over the console lines of the two
// controller cards, and has the device fetch its images by HTTPS.
func TestDemoOverConsole(t *testing.T) {
	doc := demoOver(t, "console")
	if len(doc.Transcripts) == 0 {
		t.Error("the evidence names no transcript of the console lines")
	}
}

// otherFleet makes the demo's lab with a fleet file that was changed, and looks at
// the lab before it ends.
type otherFleet struct {
	app.LabMaker
	change func(*runningLab, *fleet.Fleet)
	look   func(*runningLab)
}

// watchedLab is looked at before it ends.
type watchedLab struct {
	*runningLab
	look func(*runningLab)
}

// Close looks, and ends the lab.
func (w *watchedLab) Close() error {
	w.look(w.runningLab)
	return w.runningLab.Close()
}

// Start implements [app.LabMaker].
func (o otherFleet) Start(ctx context.Context, spec app.LabSpec) (app.Lab, error) {
	made, err := o.LabMaker.Start(ctx, spec)
	if err != nil {
		return nil, err
	}
	l := made.(*runningLab)
	name := filepath.Join(l.Dir(), "fleet.yaml")
	b, err := os.ReadFile(name)
	if err != nil {
		return nil, err
	}
	f, err := fleet.Read(name, b)
	if err != nil {
		return nil, err
	}
	o.change(l, f)
	if b, err = document.Marshal(f); err != nil {
		return nil, err
	}
	return &watchedLab{l, o.look}, os.WriteFile(name, b, 0o600)
}

// TestImagesThatDoNotArrive begins runs whose device cannot fetch its image: each
// says why, and leaves nothing half done.
func TestImagesThatDoNotArrive(t *testing.T) {
	if raceDetector {
		t.Skip("real time means nothing under the race detector")
	}
	images := func(f *fleet.Fleet) *fleet.ImageServer { return f.Devices[0].Access.ImageServer }
	for name, c := range map[string]struct {
		change func(t *testing.T, l *runningLab, f *fleet.Fleet)
		fault  string
		words  []string
	}{
		"not reached": {func(_ *testing.T, _ *runningLab, f *fleet.Fleet) { images(f).Host = "127.0.0.1:9" }, "",
			[]string{"the device never asked for the file at https://127.0.0.1:9", "connection refused"}},
		"not trusted": {func(t *testing.T, l *runningLab, f *fleet.Fleet) {
			stranger := httptest.NewTLSServer(nil)
			stranger.Close()
			pair := stranger.TLS.Certificates[0]
			key, err := x509.MarshalPKCS8PrivateKey(pair.PrivateKey)
			if err != nil {
				t.Error(err)
			}
			for name, b := range map[string]*pem.Block{"tower.pem": {Type: "CERTIFICATE", Bytes: pair.Certificate[0]}, "tower-key.pem": {Type: "PRIVATE KEY", Bytes: key}} {
				if err := os.WriteFile(filepath.Join(l.Dir(), "tls", name), pem.EncodeToMemory(b), 0o600); err != nil {
					t.Error(err)
				}
			}
		}, "", []string{"the device does not accept the server of images (access.image-server)", "unknown authority"}},
		"cut off": {func(t *testing.T, _ *runningLab, f *fleet.Fleet) {
			images(f).Host = cutting(t, images(f).Listen, 3<<20)
		}, "", []string{"the device did not fetch", "of 12582912 octets came"}},
		"fetched by somebody before": {func(t *testing.T, l *runningLab, f *fleet.Fleet) {
			images(f).Host = looksIntoFiles(t, l, images(f).Listen)
		}, "", []string{"all of the file was fetched, and not by the device", "404 Not Found"}},
		"full disk": {func(*testing.T, *runningLab, *fleet.Fleet) {}, "no-space-during-transfer",
			[]string{"no space", "no space left on device"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			a := adapters()
			looked := false
			a.Lab = otherFleet{a.Lab, func(l *runningLab, f *fleet.Fleet) { c.change(t, l, f) }, func(l *runningLab) {
				looked = true
				if left := l.lab.Chassis(lab.ScenarioDevice).Incoming(); len(left) > 0 {
					t.Errorf("the device keeps %q", left)
				}
				for _, act := range l.lab.Chassis(lab.ScenarioDevice).Acts() {
					if act.Changed && act.Kind == lab.ActInstall {
						t.Errorf("it was installed: %+v", act)
					}
				}
			}}
			args := []string{"demo", "--format", "json", "--brisk", "--fast", "240", "--evidence", t.TempDir(), "--over", "console"}
			if c.fault != "" {
				args = append(args, "--fault", c.fault)
			}
			var out, errOut bytes.Buffer
			status := cli.Main(t.Context(), args, strings.NewReader(""), &out, &errOut, a)
			var e ending
			if err := json.Unmarshal(out.Bytes(), &e); err != nil {
				t.Fatalf("%v: %v\n%s\n%s", args, err, out.String(), errOut.String())
			}
			if e.Verdict != "refused" || status != 1 || !looked {
				t.Errorf("verdict %q, status %d: %s", e.Verdict, status, e.Reason)
			}
			for _, w := range c.words {
				if !strings.Contains(e.Reason, w) {
					t.Errorf("the reason lacks %q: %s", w, e.Reason)
				}
			}
		})
	}
}

// cutting is the address of a way to a server that breaks after so many octets, and
// is then gone.
func cutting(t *testing.T, to string, after int64) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	go func() {
		left := after
		for left > 0 {
			c, err := l.Accept()
			if err != nil {
				return
			}
			s, err := net.Dial("tcp", to)
			if err != nil {
				_ = c.Close()
				continue
			}
			go func() { _, _ = io.Copy(s, c) }()
			n, _ := io.CopyN(c, s, left)
			left -= n
			_, _ = c.Close(), s.Close()
		}
		_ = l.Close()
	}()
	return l.Addr().String()
}

// looksIntoFiles is the address of a proxy that fetches everything by itself before
// it passes a request on.
func looksIntoFiles(t *testing.T, l *runningLab, to string) string {
	t.Helper()
	certificate, key, err := l.lab.PKI().Server("proxy")
	if err != nil {
		t.Error(err)
	}
	pair, err := tls.X509KeyPair(certificate, key)
	if err != nil {
		t.Error(err)
	}
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}, DisableKeepAlives: true}} // #nosec G402 -- the proxy looks at files, not at us
	s := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		for range 2 {
			resp, err := client.Get("https://" + to + r.URL.Path)
			if err != nil {
				http.Error(w, err.Error(), http.StatusBadGateway)
				return
			}
			if resp.StatusCode != http.StatusOK {
				w.WriteHeader(resp.StatusCode)
			}
			_, _ = io.Copy(io.Discard, resp.Body)
			_ = resp.Body.Close()
		}
	}))
	s.TLS = &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
	s.StartTLS()
	t.Cleanup(s.Close)
	return s.Listener.Addr().String()
}

// TestConsoleMarkIsKept is the mark of a device's console sessions: kept for the
// next driver, and no other driver's while one lives.
func TestConsoleMarkIsKept(t *testing.T) {
	dir := t.TempDir()
	first, err := markOf(dir, "mere-agg-1")
	if err != nil {
		t.Fatal(err)
	}
	first.Learned("CTL-A", "[mere-agg-1 x] ")
	second, err := markOf(dir, "mere-agg-1")
	if err != nil {
		t.Fatal(err)
	}
	other, err := markOf(dir, "mere-agg-2")
	if err != nil {
		t.Fatal(err)
	}
	if second.Word == first.Word || other.Word == first.Word || len(second.Left) > 0 || second.Learned != nil {
		t.Errorf("while %q lives, another has %+v, and another device's is %q", first.Word, second.Mark, other.Word)
	}
	for _, m := range []*mark{first, second, other} {
		if err := m.close(); err != nil {
			t.Error(err)
		}
	}
	third, err := markOf(dir, "mere-agg-1")
	if err != nil {
		t.Fatal(err)
	}
	defer third.close()
	if third.Word != first.Word || third.Left["CTL-A"] != "[mere-agg-1 x] " {
		t.Errorf("kept %+v of %+v", third.Mark, first.Mark)
	}
}
