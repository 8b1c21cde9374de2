package main

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"math/big"
	mathrand "math/rand/v2"
	"net"
	"sync"
	"time"

	"towpath/internal/device"
	"towpath/internal/device/openconfig"
)

// chunk is the size of the writes of the bare connection, that of the driver's
// chunks.
const chunk = 1 << 20

// pair is one transfer each: the throughput in 10^6 octets a second, and the
// processor time that both ends together took, in seconds.
type pair struct{ ours, bare, oursCPU, bareCPU float64 }

// bench holds both receiving ends and the way to them.
type bench struct {
	size    int64
	digest  string
	source  func() io.Reader
	version func(context.Context) (string, error)

	driver *openconfig.Driver
	sink   sink

	listener net.Listener
	client   *tls.Config
	accepted sync.WaitGroup
	suite    uint16
	next     string // version of the next installation
	flip     bool
}

// sink is the receiving end of the driver's transfers.
type sink interface {
	// target says how the driver reaches it.
	target() openconfig.Config
	// received is the SHA-256 of the last package, empty where the sink proves
	// it otherwise, and the cipher suite of its connection, zero where unknown.
	received() (digest string, suite uint16)
	close() error
}

func newBench(size int64, sinkName string) (*bench, error) {
	pki, err := newPKI()
	if err != nil {
		return nil, err
	}
	b := &bench{size: size}
	switch sinkName {
	case "standard", "direct":
		block := make([]byte, chunk)
		seed := [32]byte{1}
		_, _ = mathrand.NewChaCha8(seed).Read(block) // never fails
		b.source = func() io.Reader { return &repeated{block: block, left: size} }
		n := 0
		b.version = func(context.Context) (string, error) { n++; return fmt.Sprintf("1.0.%d", n), nil }
		b.sink, err = newServer(pki, sinkName == "direct")
	case "lab":
		var l *labSink
		if l, err = newLab(size); err == nil {
			b.source, b.version, b.sink = l.open, l.next, l
		}
	default:
		return nil, fmt.Errorf("sink: found %q, want standard, direct or lab", sinkName)
	}
	if err != nil {
		return nil, err
	}
	h := sha256.New()
	n, err := io.Copy(h, b.source())
	if err != nil || n != size {
		return nil, fmt.Errorf("source: %d octets, want %d: %w", n, size, err)
	}
	b.digest = hex.EncodeToString(h.Sum(nil))
	if b.driver, err = openconfig.Dial(context.Background(), b.sink.target()); err != nil {
		return nil, errors.Join(err, b.sink.close())
	}
	if err := b.listen(pki); err != nil {
		return nil, errors.Join(err, b.sink.close())
	}
	return b, nil
}

// repeated is a block over and over.
type repeated struct {
	block []byte
	at    int
	left  int64
}

// Read copies from the block.
func (r *repeated) Read(p []byte) (int, error) {
	if r.left == 0 {
		return 0, io.EOF
	}
	n := copy(p[:min(int64(len(p)), r.left)], r.block[r.at:])
	r.at = (r.at + n) % len(r.block)
	r.left -= int64(n)
	return n, nil
}

// prepare makes the receiving end ready for another installation. It is not
// measured.
func (b *bench) prepare(ctx context.Context) (err error) {
	b.next, err = b.version(ctx)
	return err
}

// measure runs one transfer of each kind, in turn the one or the other first.
func (b *bench) measure(ctx context.Context) (pair, error) {
	var p pair
	if err := b.prepare(ctx); err != nil {
		return p, err
	}
	steps := []func() error{
		func() (err error) {
			p.oursCPU, err = processorTime(func() (err error) { p.ours, err = b.install(ctx); return err })
			return err
		},
		func() (err error) {
			p.bareCPU, err = processorTime(func() (err error) { p.bare, err = b.transfer(ctx); return err })
			return err
		},
	}
	if b.flip {
		steps[0], steps[1] = steps[1], steps[0]
	}
	b.flip = !b.flip
	for _, s := range steps {
		if err := s(); err != nil {
			return p, err
		}
	}
	return p, nil
}

func (b *bench) rate(took time.Duration) float64 { return float64(b.size) / 1e6 / took.Seconds() }

// install sends the package by the driver.
func (b *bench) install(ctx context.Context) (float64, error) {
	req := device.InstallRequest{Version: b.next, Size: b.size, SHA256: b.digest,
		Content: func(int64) (io.ReadCloser, error) { return io.NopCloser(b.source()), nil }}
	start := time.Now()
	done, err := b.driver.Install(ctx, req, func(device.Progress) {})
	took := time.Since(start)
	if err != nil {
		return 0, err
	}
	got, suite := b.sink.received()
	if done.SHA256 != b.digest || done.Sent != b.size || got != "" && got != b.digest {
		return 0, fmt.Errorf("install: sent %+v, received %s, want %s", done, got, b.digest)
	}
	if suite != 0 && b.suite != 0 && suite != b.suite {
		return 0, fmt.Errorf("install used %s, the bare connection %s", tls.CipherSuiteName(suite), tls.CipherSuiteName(b.suite))
	}
	return b.rate(took), nil
}

// listen opens the receiving end of the bare connection: it reads, hashes, and
// answers with the hash.
func (b *bench) listen(p *pki) error {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	b.listener, b.client = l, p.client
	server := p.server.Clone()
	b.accepted.Add(1)
	go func() {
		defer b.accepted.Done()
		for {
			raw, err := l.Accept()
			if err != nil {
				return // closed
			}
			_ = receiveBare(tls.Server(raw, server), b.size) // the sender misses the answer
		}
	}()
	return nil
}

func receiveBare(c *tls.Conn, size int64) error {
	defer func() { _ = c.Close() }() // everything was read and answered
	h := sha256.New()
	buf := make([]byte, chunk)
	for size > 0 {
		n, err := c.Read(buf[:min(int64(len(buf)), size)])
		h.Write(buf[:n])
		size -= int64(n)
		if err != nil {
			return err
		}
	}
	_, err := c.Write(h.Sum(nil))
	return err
}

// transfer sends the same octets over bare TLS. Making the connection counts,
// on neither side: the driver's is open already.
func (b *bench) transfer(ctx context.Context) (float64, error) {
	d := tls.Dialer{Config: b.client}
	conn, err := d.DialContext(ctx, "tcp", b.listener.Addr().String())
	if err != nil {
		return 0, err
	}
	defer func() { _ = conn.Close() }() // the answer is all that counts
	c, ok := conn.(*tls.Conn)
	if !ok {
		return 0, errors.New("no TLS connection")
	}
	b.suite = c.ConnectionState().CipherSuite
	start := time.Now()
	h := sha256.New()
	src := b.source()
	buf := make([]byte, chunk)
	for {
		n, err := io.ReadFull(src, buf)
		if n > 0 {
			h.Write(buf[:n])
			if _, err := c.Write(buf[:n]); err != nil {
				return 0, err
			}
		}
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			break
		}
		if err != nil {
			return 0, err
		}
	}
	answer := make([]byte, sha256.Size)
	if _, err := io.ReadFull(c, answer); err != nil {
		return 0, err
	}
	took := time.Since(start)
	if sum := h.Sum(nil); !bytes.Equal(sum, answer) || hex.EncodeToString(sum) != b.digest {
		return 0, fmt.Errorf("bare TLS: sent %x, received %x, want %s", sum, answer, b.digest)
	}
	return b.rate(took), nil
}

func (b *bench) cipher() string { return tls.CipherSuiteName(b.suite) }

// close ends everything and waits for it.
func (b *bench) close() {
	_ = b.driver.Close() // nothing runs on it any more
	_ = b.listener.Close()
	b.accepted.Wait()
	_ = b.sink.close()
}

// pki is an authority's certificate with both ends' TLS configurations.
type pki struct {
	authority, cert, key []byte
	server, client       *tls.Config
}

const serverName = "mere-agg-1"

func newPKI() (*pki, error) {
	caKey, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, err
	}
	now := time.Now()
	tmpl := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "bench authority"}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: now.Add(-time.Hour), NotAfter: now.Add(24 * time.Hour), KeyUsage: x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &caKey.PublicKey, caKey)
	if err != nil {
		return nil, err
	}
	ca, err := x509.ParseCertificate(der)
	if err != nil {
		return nil, err
	}
	p := &pki{authority: pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})}
	issue := func(name string) (cert, key []byte, pair tls.Certificate, err error) {
		k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
		if err != nil {
			return nil, nil, pair, err
		}
		leaf := &x509.Certificate{
			SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: name}, DNSNames: []string{name},
			NotBefore: now.Add(-time.Hour), NotAfter: now.Add(24 * time.Hour), KeyUsage: x509.KeyUsageDigitalSignature,
			ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
		}
		der, err := x509.CreateCertificate(rand.Reader, leaf, ca, &k.PublicKey, caKey)
		if err != nil {
			return nil, nil, pair, err
		}
		kd, err := x509.MarshalPKCS8PrivateKey(k)
		if err != nil {
			return nil, nil, pair, err
		}
		cert = pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
		key = pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: kd})
		pair, err = tls.X509KeyPair(cert, key)
		return cert, key, pair, err
	}
	pool := x509.NewCertPool()
	pool.AddCert(ca)
	_, _, device, err := issue(serverName)
	if err != nil {
		return nil, err
	}
	cert, key, own, err := issue("towpath")
	if err != nil {
		return nil, err
	}
	p.cert, p.key = cert, key
	p.server = &tls.Config{Certificates: []tls.Certificate{device}, ClientAuth: tls.RequireAndVerifyClientCert, ClientCAs: pool, MinVersion: tls.VersionTLS13}
	p.client = &tls.Config{Certificates: []tls.Certificate{own}, RootCAs: pool, ServerName: serverName, MinVersion: tls.VersionTLS13}
	return p, nil
}
