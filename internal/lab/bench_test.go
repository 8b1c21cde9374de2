package lab

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"errors"
	"io"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"

	ospb "github.com/openconfig/gnoi/os"
)

const (
	benchSize  = 256 << 20
	benchPiece = 1 << 20
)

// BenchmarkInstall transfers a package to the lab over mutual TLS, hashed on
// both ends. Compare with BenchmarkTLSAndHash.
func BenchmarkInstall(b *testing.B) {
	cfg := Scenario("")
	cfg.DiscardContent = true
	d := &cfg.Devices[0]
	d.TransferRate, d.Adjacencies, d.Installed, d.Volume.Size = 0, nil, nil, 1<<40
	d.Durations.Validation = 0
	cfg.Devices = cfg.Devices[:1]
	l, err := Start(cfg)
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	tc, err := l.PKI().Client(ScenarioDevice)
	if err != nil {
		b.Fatal(err)
	}
	conn, err := grpc.NewClient(l.Address(), grpc.WithTransportCredentials(credentials.NewTLS(tc)))
	if err != nil {
		b.Fatal(err)
	}
	defer conn.Close()
	p, err := NewPackage(PackageSpec{Platform: ScenarioPlatform, Version: "9.0.0", Kind: PackageSystem, Size: benchSize})
	if err != nil {
		b.Fatal(err)
	}
	c := l.Devices()[0]
	b.SetBytes(benchSize)
	for b.Loop() {
		s, err := ospb.NewOSClient(conn).Install(context.Background())
		if err != nil {
			b.Fatal(err)
		}
		send := func(r *ospb.InstallRequest) {
			if err := s.Send(r); err != nil && !errors.Is(err, io.EOF) {
				b.Fatal(err)
			}
		}
		send(&ospb.InstallRequest{Request: &ospb.InstallRequest_TransferRequest{TransferRequest: &ospb.TransferRequest{Version: "9.0.0", PackageSize: benchSize}}})
		sum, in, buf := sha256.New(), p.Open(0), make([]byte, benchPiece)
		for {
			n, err := in.Read(buf)
			if err != nil {
				break
			}
			sum.Write(buf[:n])
			send(&ospb.InstallRequest{Request: &ospb.InstallRequest_TransferContent{TransferContent: buf[:n]}})
		}
		send(&ospb.InstallRequest{Request: &ospb.InstallRequest_TransferEnd{TransferEnd: &ospb.TransferEnd{}}})
		version := ""
		for {
			r, err := s.Recv()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				b.Fatal(err)
			}
			version = r.GetValidated().GetVersion()
		}
		if version != "9.0.0" {
			b.Fatal("not validated")
		}
		c.do(func() { c.primary().volume.remove("/images/" + c.packageFile("9.0.0")) })
	}
}

// BenchmarkTLSAndHash sends the same octets over TLS with nothing of ours
// around them, hashed on both ends.
func BenchmarkTLSAndHash(b *testing.B) {
	pki, err := newPKI(time.Now(), time.Hour)
	if err != nil {
		b.Fatal(err)
	}
	server, err := pki.server(ScenarioDevice, false)
	if err != nil {
		b.Fatal(err)
	}
	tc, err := pki.Client(ScenarioDevice)
	if err != nil {
		b.Fatal(err)
	}
	ln, err := tls.Listen("tcp", "127.0.0.1:0", server)
	if err != nil {
		b.Fatal(err)
	}
	defer ln.Close()
	p, err := NewPackage(PackageSpec{Platform: ScenarioPlatform, Version: "9.0.0", Kind: PackageSystem, Size: benchSize})
	if err != nil {
		b.Fatal(err)
	}
	done := make(chan error)
	go func() {
		for {
			conn, err := ln.Accept()
			if err != nil {
				return
			}
			_, err = io.CopyBuffer(sha256.New(), struct{ io.Reader }{conn}, make([]byte, benchPiece))
			conn.Close()
			done <- err
		}
	}()
	b.SetBytes(benchSize)
	for b.Loop() {
		conn, err := tls.Dial("tcp", ln.Addr().String(), tc)
		if err != nil {
			b.Fatal(err)
		}
		sum, in, buf := sha256.New(), p.Open(0), make([]byte, benchPiece)
		for {
			n, err := in.Read(buf)
			if err != nil {
				break
			}
			sum.Write(buf[:n])
			if _, err := conn.Write(buf[:n]); err != nil {
				b.Fatal(err)
			}
		}
		conn.Close()
		if err := <-done; err != nil {
			b.Fatal(err)
		}
	}
}
