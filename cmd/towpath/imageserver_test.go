package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/x509"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"towpath/internal/device/transfer"
	"towpath/internal/fleet"
)

// TestImageServerFromTheFleetFile: what the fleet file says of the server that a
// device fetches images from, in both forms; it listens from the first image on
// and not after the driver is closed.
// Source: RFC 9110 §4.2.1 and §4.2.2 for the two forms.
func TestImageServerFromTheFleetFile(t *testing.T) {
	dir := t.TempDir()
	put := func(name string, b []byte) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	// The certificate of another server, which a client is told to trust.
	trusted := httptest.NewTLSServer(nil)
	defer trusted.Close()
	pair := trusted.TLS.Certificates[0]
	key, err := x509.MarshalPKCS8PrivateKey(pair.PrivateKey)
	if err != nil {
		t.Fatal(err)
	}
	put("tower.pem", pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: pair.Certificate[0]}))
	put("tower.key", pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: key}))
	put("wrong.key", []byte("no key"))
	read := func(server, address string) (fleet.Device, error) {
		f, err := fleet.Read("fleet.yaml", fmt.Appendf(nil, `operator: Ostermoor Water and Light
devices:
  - id: mere-agg-1
    platform: alder-9
    access: {driver: command-line, adapter: alder-9, user: tow, address: %q, image-server: %s}
`, address, server))
		if err != nil {
			return fleet.Device{}, err
		}
		return f.Devices[0], nil
	}
	r := wiring{dir, secretsOf(dir), time.Now}
	content := bytes.Repeat([]byte("towpath "), 1000)
	digest := sha256.Sum256(content)
	file := transfer.File{Path: "/images/a.img", Size: int64(len(content)), SHA256: hex.EncodeToString(digest[:]),
		Content: func(at int64) (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(content[at:])), nil }}
	for _, c := range []struct {
		name, server, address string
		client                *http.Client
		begins, refused       string
	}{
		{"HTTP", `{listen: "127.0.0.1:PORT"}`, "127.0.0.1:22", http.DefaultClient, "http://127.0.0.1:", ""},
		{"by another name", `{listen: "127.0.0.1:PORT", host: localhost}`, "mere-agg-1.example:22", http.DefaultClient, "http://localhost:", ""},
		{"HTTPS", `{listen: "127.0.0.1:PORT", certificate: "file:tower.pem", key: "file:tower.key"}`, "127.0.0.1:22", trusted.Client(), "https://127.0.0.1:", ""},
		{"for another device", `{listen: "127.0.0.1:PORT"}`, "192.0.2.1:22", http.DefaultClient, "http://127.0.0.1:", "want 192.0.2.1/32"},
	} {
		var x *images
		var s *transfer.Server
		for s == nil {
			d, err := read(strings.Replace(c.server, "PORT", freePort(t), 1), c.address)
			if err != nil {
				t.Fatal(err)
			}
			if x, err = imageServer(d, r); err != nil {
				t.Fatal(err)
			}
			if x.server != nil {
				t.Errorf("%s: it listens before there is an image", c.name)
			}
			// Somebody may have taken the port since.
			if s, err = x.serve(); err != nil && !errors.Is(err, syscall.EADDRINUSE) {
				t.Fatal(err)
			}
		}
		if again, err := x.serve(); err != nil || again != s {
			t.Errorf("%s: another server for a second image, %v", c.name, err)
		}
		var got []byte
		base := ""
		_, err = transfer.Pull(t.Context(), s, file, transfer.PullOptions{OfferOptions: transfer.OfferOptions{From: x.from},
			Fetch: func(_ context.Context, url, _ string) error {
				base, _, _ = strings.Cut(strings.TrimPrefix(url, c.begins), "/")
				if !strings.HasPrefix(url, c.begins) {
					t.Errorf("%s: the URL is %s", c.name, url)
				}
				resp, err := c.client.Get(url)
				if err != nil {
					return err
				}
				defer resp.Body.Close()
				if resp.StatusCode != http.StatusOK {
					return errors.New(resp.Status)
				}
				got, err = io.ReadAll(resp.Body)
				return err
			}})
		switch {
		case c.refused != "":
			if err == nil || !strings.Contains(err.Error(), c.refused) {
				t.Errorf("%s: %v, want %s", c.name, err, c.refused)
			}
		case err != nil || !bytes.Equal(got, content):
			t.Errorf("%s: %d octets, %v", c.name, len(got), err)
		}
		if err := x.close(); err != nil {
			t.Error(err)
		}
		if resp, err := c.client.Get(c.begins + base + "/"); err == nil {
			_ = resp.Body.Close()
			t.Errorf("%s: it answers after its end", c.name)
		}
	}
	for server, says := range map[string]string{
		`{listen: "127.0.0.1"}`: "image-server.listen", `{host: tower}`: "image-server", `{listen: "127.0.0.1:PORT", key: "file:tower.key"}`: "a certificate or a key alone",
	} {
		if _, err := read(strings.Replace(server, "PORT", "8443", 1), "127.0.0.1:22"); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: %v, want %s", server, err, says)
		}
	}
	d, err := read(`{listen: "127.0.0.1:8443", certificate: "file:tower.pem", key: "file:wrong.key"}`, "127.0.0.1:22")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := imageServer(d, r); err == nil || !strings.Contains(err.Error(), "access.image-server") {
		t.Errorf("a key that is none: %v", err)
	}
}

// freePort is a port of loopback that nobody listens on.
func freePort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	_, port, err := net.SplitHostPort(l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	return port
}
