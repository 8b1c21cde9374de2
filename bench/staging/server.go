package main

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"net"
	"sync"

	ospb "github.com/openconfig/gnoi/os"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/encoding"
	"google.golang.org/grpc/encoding/proto"
	"google.golang.org/grpc/mem"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protowire"

	"towpath/internal/device/openconfig"
)

// server receives packages by gNOI OS.Install, hashes them and keeps nothing.
type server struct {
	ospb.UnimplementedOSServer
	cfg  openconfig.Config
	grpc *grpc.Server
	done chan struct{}

	mu     sync.Mutex
	digest string
	suite  uint16
}

// newServer starts one. direct hashes what arrives where it lies, without
// copying it into a message first.
func newServer(p *pki, direct bool) (*server, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	s := &server{done: make(chan struct{})}
	options := []grpc.ServerOption{grpc.Creds(credentials.NewTLS(p.server.Clone()))}
	if direct {
		// The windows stay as gRPC chooses them while it runs: fixed large ones
		// were a sixth slower here.
		options = append(options, grpc.ForceServerCodecV2(hashingCodec{}))
	}
	s.grpc = grpc.NewServer(options...)
	if direct {
		s.grpc.RegisterService(&grpc.ServiceDesc{
			ServiceName: ospb.OS_ServiceDesc.ServiceName, HandlerType: (*any)(nil),
			Streams: []grpc.StreamDesc{{StreamName: "Install", ServerStreams: true, ClientStreams: true,
				Handler: func(_ any, stream grpc.ServerStream) error { return s.receive(stream, true) }}},
		}, s)
	} else {
		ospb.RegisterOSServer(s.grpc, s)
	}
	s.cfg = openconfig.Config{Target: l.Addr().String(), ServerName: serverName, CA: p.authority, Cert: p.cert, Key: p.key}
	go func() {
		defer close(s.done)
		_ = s.grpc.Serve(l) // ends by Stop
	}()
	return s, nil
}

func (s *server) target() openconfig.Config { return s.cfg }

func (s *server) received() (string, uint16) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.digest, s.suite
}

func (s *server) close() error {
	s.grpc.Stop()
	<-s.done
	return nil
}

// Install receives one package.
func (s *server) Install(stream ospb.OS_InstallServer) error { return s.receive(stream, false) }

func (s *server) receive(stream grpc.ServerStream, direct bool) error {
	sum := sha256.New()
	var first ospb.InstallRequest
	if err := stream.RecvMsg(&first); err != nil {
		return err
	}
	req := first.GetTransferRequest()
	if req == nil {
		return status.Error(codes.InvalidArgument, "want a transfer request first")
	}
	if err := stream.SendMsg(&ospb.InstallResponse{Response: &ospb.InstallResponse_TransferReady{TransferReady: &ospb.TransferReady{}}}); err != nil {
		return err
	}
	var got uint64
	var err error
	if direct {
		got, err = receiveDirect(stream, sum)
	} else {
		got, err = receiveStandard(stream, sum)
	}
	if err != nil {
		return err
	}
	if got != req.GetPackageSize() {
		return status.Errorf(codes.DataLoss, "received %d octets, announced were %d", got, req.GetPackageSize())
	}
	s.mu.Lock()
	s.digest = hex.EncodeToString(sum.Sum(nil))
	if p, ok := peer.FromContext(stream.Context()); ok {
		if info, ok := p.AuthInfo.(credentials.TLSInfo); ok {
			s.suite = info.State.CipherSuite
		}
	}
	s.mu.Unlock()
	return stream.SendMsg(&ospb.InstallResponse{Response: &ospb.InstallResponse_Validated{Validated: &ospb.Validated{Version: req.GetVersion()}}})
}

func receiveStandard(stream grpc.ServerStream, sum hash.Hash) (uint64, error) {
	var got uint64
	for {
		var m ospb.InstallRequest
		if err := stream.RecvMsg(&m); err != nil {
			return got, err
		}
		switch r := m.GetRequest().(type) {
		case *ospb.InstallRequest_TransferContent:
			sum.Write(r.TransferContent)
			got += uint64(len(r.TransferContent))
		case *ospb.InstallRequest_TransferEnd:
			return got, nil
		default:
			return got, status.Error(codes.InvalidArgument, "want content or its end")
		}
	}
}

func receiveDirect(stream grpc.ServerStream, sum hash.Hash) (uint64, error) {
	m := hashed{sum: sum}
	for {
		if err := stream.RecvMsg(&m); err != nil {
			return m.got, err
		}
		if m.end {
			return m.got, nil
		}
	}
}

// hashed is what hashingCodec decodes an InstallRequest of the content phase
// into: its content goes straight into the hash.
type hashed struct {
	sum hash.Hash
	got uint64
	end bool
}

// hashingCodec is the protobuf codec, and for hashed one that copies nothing.
type hashingCodec struct{}

// Marshal writes an ordinary message.
func (hashingCodec) Marshal(v any) (mem.BufferSlice, error) {
	return encoding.GetCodecV2(proto.Name).Marshal(v)
}

// Unmarshal reads an ordinary message, or content.
func (hashingCodec) Unmarshal(data mem.BufferSlice, v any) error {
	m, ok := v.(*hashed)
	if !ok {
		return encoding.GetCodecV2(proto.Name).Unmarshal(data, v)
	}
	if len(data) == 0 {
		return errors.New("an empty message")
	}
	// The head of the message, tag and length, lies in the first buffers.
	head := make([]byte, 0, 32)
	for _, b := range data {
		head = append(head, b.ReadOnlyData()[:min(b.Len(), cap(head)-len(head))]...)
	}
	num, _, n := protowire.ConsumeTag(head)
	if n < 0 {
		return protowire.ParseError(n)
	}
	length, k := protowire.ConsumeVarint(head[n:])
	if k < 0 {
		return protowire.ParseError(k)
	}
	// Source: OpenConfig gNOI os.proto, InstallRequest: transfer_content is
	// field 2, transfer_end field 3.
	switch num {
	case 2:
	case 3:
		m.end = true
		return nil
	default:
		return fmt.Errorf("field %d, want content or its end", num)
	}
	skip := n + k
	if uint64(data.Len()-skip) != length {
		return fmt.Errorf("content of %d octets in a message of %d", length, data.Len())
	}
	for _, b := range data {
		d := b.ReadOnlyData()
		cut := min(skip, len(d))
		skip -= cut
		m.sum.Write(d[cut:])
	}
	m.got += length
	return nil
}

// Name is that of the protobuf codec.
func (hashingCodec) Name() string { return proto.Name }
