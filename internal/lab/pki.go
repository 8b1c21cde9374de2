package lab

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"time"
)

// PKI is the lab's certificate authority and the client certificate that it
// made for the operator, as PEM.
type PKI struct {
	Authority  []byte
	ClientCert []byte
	ClientKey  []byte

	ca    *x509.Certificate
	caKey *ecdsa.PrivateKey
	from  time.Time
	until time.Time
}

// newPKI makes an authority and a client certificate. Certificates hold from
// an hour before the earlier of now and ours, because a peer may check them
// against either clock.
func newPKI(now time.Time, life time.Duration) (*PKI, error) {
	real := time.Now()
	p := &PKI{from: now.Add(-time.Hour), until: now.Add(life)}
	if real.Before(now) {
		p.from = real.Add(-time.Hour)
	} else {
		p.until = real.Add(life)
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, fmt.Errorf("lab authority: %w", err)
	}
	p.caKey = key
	tmpl := &x509.Certificate{
		SerialNumber: serial(), Subject: pkix.Name{CommonName: "lab authority"},
		NotBefore: p.from, NotAfter: p.until.Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &key.PublicKey, key)
	if err != nil {
		return nil, fmt.Errorf("lab authority: %w", err)
	}
	if p.ca, err = x509.ParseCertificate(der); err != nil {
		return nil, fmt.Errorf("lab authority: %w", err)
	}
	p.Authority = pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	cert, err := p.issue("operator", x509.ExtKeyUsageClientAuth, p.from, p.until)
	if err != nil {
		return nil, err
	}
	p.ClientCert = pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: cert.Certificate[0]})
	k, err := x509.MarshalPKCS8PrivateKey(cert.PrivateKey)
	if err != nil {
		return nil, fmt.Errorf("lab client key: %w", err)
	}
	p.ClientKey = pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: k})
	return p, nil
}

func serial() *big.Int {
	n, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 120))
	if err != nil {
		panic("lab: no randomness: " + err.Error()) // crypto/rand does not fail on supported systems
	}
	return n
}

// issue makes a certificate for the name.
func (p *PKI) issue(name string, use x509.ExtKeyUsage, from, until time.Time) (tls.Certificate, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return tls.Certificate{}, fmt.Errorf("certificate of %s: %w", name, err)
	}
	tmpl := &x509.Certificate{
		SerialNumber: serial(), Subject: pkix.Name{CommonName: name}, DNSNames: []string{name},
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1), net.IPv6loopback},
		NotBefore:   from, NotAfter: until,
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{use},
	}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, p.ca, &key.PublicKey, p.caKey)
	if err != nil {
		return tls.Certificate{}, fmt.Errorf("certificate of %s: %w", name, err)
	}
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}, nil
}

// server is the TLS configuration of a device: TLS 1.3, and only clients that
// the authority knows.
func (p *PKI) server(name string, expired bool) (*tls.Config, error) {
	from, until := p.from, p.until
	if expired {
		from, until = p.from.Add(-48*time.Hour), p.from
	}
	cert, err := p.issue(name, x509.ExtKeyUsageServerAuth, from, until)
	if err != nil {
		return nil, err
	}
	pool := x509.NewCertPool()
	pool.AddCert(p.ca)
	return &tls.Config{
		MinVersion: tls.VersionTLS13, Certificates: []tls.Certificate{cert},
		ClientAuth: tls.RequireAndVerifyClientCert, ClientCAs: pool,
	}, nil
}

// Client is a TLS configuration for reaching the device of the given name.
func (p *PKI) Client(device string) (*tls.Config, error) {
	cert, err := tls.X509KeyPair(p.ClientCert, p.ClientKey)
	if err != nil {
		return nil, fmt.Errorf("lab client certificate: %w", err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(p.ca)
	return &tls.Config{
		MinVersion: tls.VersionTLS13, Certificates: []tls.Certificate{cert},
		RootCAs: pool, ServerName: device,
	}, nil
}

// Server makes a certificate for a server on loopback that devices of the lab
// fetch from, with its key, as PEM.
func (p *PKI) Server(name string) (certificate, key []byte, err error) {
	cert, err := p.issue(name, x509.ExtKeyUsageServerAuth, p.from, p.until)
	if err != nil {
		return nil, nil, err
	}
	k, err := x509.MarshalPKCS8PrivateKey(cert.PrivateKey)
	if err != nil {
		return nil, nil, fmt.Errorf("key of %s: %w", name, err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: cert.Certificate[0]}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: k}), nil
}
