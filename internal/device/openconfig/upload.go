package openconfig

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"sync"
	"sync/atomic"

	ospb "github.com/openconfig/gnoi/os"
	"google.golang.org/grpc/encoding"
	"google.golang.org/grpc/encoding/proto"
	"google.golang.org/grpc/mem"
	"google.golang.org/protobuf/encoding/protowire"

	"towpath/internal/device"
)

// upload sends a package over an open installation. Reading and hashing run
// beside sending, and the octets of a chunk are never copied on their way from
// the reader to the record layer.
type upload struct {
	sent   atomic.Int64
	total  int64
	ended  chan struct{}
	err    error  // valid once ended is closed
	digest string // valid once ended is closed and err is nil
	done   atomic.Bool
}

func (u *upload) complete() bool { return u.done.Load() }

// startUpload starts sending; ended is closed when it has stopped for whatever
// reason and no longer touches the caller's Content.
func startUpload(ctx context.Context, stream ospb.OS_InstallClient, req device.InstallRequest) *upload {
	u := &upload{total: req.Size, ended: make(chan struct{})}
	go func() {
		defer close(u.ended)
		u.err = u.run(ctx, stream, req)
	}()
	return u
}

func (u *upload) run(ctx context.Context, stream ospb.OS_InstallClient, req device.InstallRequest) error {
	const op = "install"
	content, err := req.Content(0)
	if err != nil {
		return ours(op, err)
	}
	defer func() { _ = content.Close() }() // it was only read
	digest, err := u.chunks(ctx, content, func(c *chunk) error {
		err := stream.SendMsg(&contentMessage{c})
		if err == nil {
			u.sent.Add(int64(len(c.data)))
		}
		return err
	})
	if err != nil {
		return err
	}
	if err := checkLength(op, req.Size, u.sent.Load()); err != nil {
		return err
	}
	if err := checkDigest(op, req.SHA256, digest); err != nil {
		return err
	}
	u.digest = digest
	u.done.Store(true)
	if err := stream.Send(&ospb.InstallRequest{Request: &ospb.InstallRequest_TransferEnd{TransferEnd: &ospb.TransferEnd{}}}); err != nil {
		return err
	}
	return stream.CloseSend()
}

// chunks reads r to its end, at most one octet past what was announced, hands
// each chunk to send and returns the SHA-256 of all. Reading and hashing run
// two chunks ahead of sending.
func (u *upload) chunks(ctx context.Context, r io.Reader, send func(*chunk) error) (string, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	ready := make(chan *chunk, 2)
	var (
		digest  string
		readErr error
		wait    sync.WaitGroup
	)
	wait.Add(1)
	go func() {
		defer wait.Done()
		defer close(ready)
		h := sha256.New()
		r := io.LimitReader(r, u.total+1)
		for {
			c := newChunk()
			n, err := io.ReadFull(r, c.data)
			c.data = c.data[:n]
			if n > 0 {
				h.Write(c.data)
				select {
				case ready <- c:
				case <-ctx.Done():
					c.Free()
					readErr = ctx.Err()
					return
				}
			} else {
				c.Free()
			}
			switch {
			case errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF):
				digest = hex.EncodeToString(h.Sum(nil))
				return
			case err != nil:
				readErr = ours("install", err)
				return
			}
		}
	}()
	var sendErr error
	for c := range ready {
		if sendErr == nil {
			if sendErr = send(c); sendErr != nil {
				cancel()
			}
		}
		c.Free()
	}
	wait.Wait()
	if sendErr != nil {
		return "", sendErr
	}
	return digest, readErr
}

// chunk is a piece of a package that several parties hold until each has
// freed it.
type chunk struct {
	whole []byte
	data  []byte
	refs  atomic.Int32
}

var chunkPool = sync.Pool{New: func() any { return &chunk{whole: make([]byte, installChunk)} }}

// newChunk returns a chunk of full size with one reference.
func newChunk() *chunk {
	c := chunkPool.Get().(*chunk)
	c.data = c.whole
	c.refs.Store(1)
	return c
}

// Ref adds a holder.
func (c *chunk) Ref() { c.refs.Add(1) }

// Free drops a holder; the last one gives the memory back.
func (c *chunk) Free() {
	if c.refs.Add(-1) == 0 {
		chunkPool.Put(c)
	}
}

// lease lends a chunk to gRPC, which puts it back once it is on the wire.
type lease struct{ chunk *chunk }

// Get is not used; a lease lends only what it was made for.
func (lease) Get(n int) *[]byte {
	b := make([]byte, n)
	return &b
}

// Put ends the lease.
func (l lease) Put(*[]byte) { l.chunk.Free() }

// contentMessage is an InstallRequest that carries a chunk. Only contentCodec
// knows it.
type contentMessage struct{ chunk *chunk }

// contentCodec is the protobuf codec, but writes a contentMessage without
// copying its content: the bytes on the wire are those of an InstallRequest
// with transfer_content.
type contentCodec struct{}

var _ encoding.CodecV2 = contentCodec{}

// contentField is the number of InstallRequest.transfer_content.
// Source: OpenConfig gNOI os.proto.
const contentField protowire.Number = 2

// Marshal returns the wire form of v.
func (contentCodec) Marshal(v any) (mem.BufferSlice, error) {
	m, ok := v.(*contentMessage)
	if !ok {
		return encoding.GetCodecV2(proto.Name).Marshal(v)
	}
	head := protowire.AppendTag(make([]byte, 0, 16), contentField, protowire.BytesType)
	head = protowire.AppendVarint(head, uint64(len(m.chunk.data)))
	m.chunk.Ref()
	return mem.BufferSlice{mem.SliceBuffer(head), mem.NewBuffer(&m.chunk.data, lease{m.chunk})}, nil
}

// Unmarshal reads the wire form of an ordinary message.
func (contentCodec) Unmarshal(data mem.BufferSlice, v any) error {
	return encoding.GetCodecV2(proto.Name).Unmarshal(data, v)
}

// Name is that of the protobuf codec, so that the other side sees nothing new.
func (contentCodec) Name() string { return proto.Name }

// buffers is the pool for gRPC's temporary buffers. The default one clears
// every buffer that it hands out, which for a transfer costs as much as a copy;
// gRPC overwrites them all.
type buffers struct{ sizes [3]*sync.Pool }

// bufferSizes are those that gRPC asks for most: small messages, HTTP/2 frames
// of 16 KiB with their head, and chunks.
var bufferSizes = [3]int{4 << 10, 32 << 10, installChunk + 4<<10}

func newBuffers() *buffers {
	b := &buffers{}
	for i, n := range bufferSizes {
		b.sizes[i] = &sync.Pool{New: func() any {
			p := make([]byte, n)
			return &p
		}}
	}
	return b
}

// Get returns a buffer of n octets with any content.
func (b *buffers) Get(n int) *[]byte {
	for i, size := range bufferSizes {
		if n <= size {
			p := b.sizes[i].Get().(*[]byte)
			*p = (*p)[:n]
			return p
		}
	}
	p := make([]byte, n)
	return &p
}

// Put takes a buffer back.
func (b *buffers) Put(p *[]byte) {
	for i, size := range bufferSizes {
		if cap(*p) == size {
			b.sizes[i].Put(p)
			return
		}
	}
}
