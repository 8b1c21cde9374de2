package openconfig

import (
	"bytes"
	"context"
	"crypto/md5"
	"crypto/sha256"
	"crypto/sha512"
	"encoding/hex"
	"errors"
	"io"
	"testing"

	filepb "github.com/openconfig/gnoi/file"
	systempb "github.com/openconfig/gnoi/system"
	typespb "github.com/openconfig/gnoi/types"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"towpath/internal/device"
)

// gnoiText is a path as people write it.
func gnoiText(p *typespb.Path) string {
	s := ""
	for _, e := range p.GetElem() {
		s += "/" + e.GetName()
		for k, v := range e.GetKey() {
			s += "[" + k + "=" + v + "]"
		}
	}
	return s
}

func TestHashFile(t *testing.T) {
	// Source: FIPS 180-4 and NIST's example vectors: SHA-256 of "abc".
	const abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
	s256, s512, m := sha256.Sum256([]byte("abc")), sha512.Sum512([]byte("abc")), md5.Sum([]byte("abc"))
	cases := []struct {
		name string
		hash *typespb.HashType // nil: none is sent
		ok   bool
	}{
		{"sha-256", &typespb.HashType{Method: typespb.HashType_SHA256, Hash: s256[:]}, true},
		{"sha-512", &typespb.HashType{Method: typespb.HashType_SHA512, Hash: s512[:]}, true},
		{"md5", &typespb.HashType{Method: typespb.HashType_MD5, Hash: m[:]}, true},
		{"another content", &typespb.HashType{Method: typespb.HashType_SHA256, Hash: s512[:32]}, false},
		// Source: gNOI types.proto: the hash is raw octets, not hexadecimal.
		{"hexadecimal", &typespb.HashType{Method: typespb.HashType_SHA256, Hash: []byte(abc)}, false},
		{"unspecified method", &typespb.HashType{Hash: s256[:]}, false},
		{"none", nil, false},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			var asked string
			_, d := start(t, &fake{fileGet: func(r *filepb.GetRequest, s filepb.File_GetServer) error {
				asked = r.GetRemoteFile()
				for _, piece := range []string{"a", "", "bc"} {
					if err := s.Send(&filepb.GetResponse{Response: &filepb.GetResponse_Contents{Contents: []byte(piece)}}); err != nil {
						return err
					}
				}
				if c.hash == nil {
					return nil
				}
				return s.Send(&filepb.GetResponse{Response: &filepb.GetResponse_Hash{Hash: c.hash}})
			}})
			got, err := d.HashFile(context.Background(), "CTL-B", "/flash/images/x")
			if asked != "/CTL-B/flash/images/x" {
				t.Errorf("asked for %s", asked)
			}
			if !c.ok {
				wantKind(t, err, device.Damaged)
				return
			}
			if err != nil || got != abc {
				t.Errorf("got %s, %v", got, err)
			}
		})
	}
	_, d := start(t, &fake{fileGet: func(*filepb.GetRequest, filepb.File_GetServer) error {
		return status.Error(codes.NotFound, "no such file")
	}})
	_, err := d.HashFile(context.Background(), "CTL-B", "/flash/none")
	wantKind(t, err, device.Missing)
}

func TestPathsOfControllers(t *testing.T) {
	for _, c := range [][3]string{
		{"CTL-A", "/flash/x", "/CTL-A/flash/x"}, {"CTL-A", "flash/x", "/CTL-A/flash/x"}, {"CTL-A", "/CTL-A/flash/x", "/CTL-A/flash/x"},
		{"CTL-A", "/CTL-AB/x", "/CTL-A/CTL-AB/x"}, {"CTL-A", "/CTL-A", "/CTL-A"}, {"", "/flash/x", "/flash/x"},
	} {
		if got := onController(c[0], c[1]); got != c[2] {
			t.Errorf("%s %s: got %s, want %s", c[0], c[1], got, c[2])
		}
	}
}

func TestRemoveFile(t *testing.T) {
	for code, want := range map[codes.Code]device.Kind{codes.OK: -1, codes.NotFound: -1, codes.PermissionDenied: device.Denied} {
		f := &fake{remove: func(*filepb.RemoveRequest) (*filepb.RemoveResponse, error) {
			return &filepb.RemoveResponse{}, status.Error(code, "says the device")
		}}
		_, d := start(t, f)
		err := d.RemoveFile(context.Background(), "CTL-A", "/flash/x")
		if want < 0 {
			if err != nil {
				t.Errorf("%s: %v", code, err)
			}
		} else {
			wantKind(t, err, want)
		}
		if f.history() != "remove /CTL-A/flash/x" {
			t.Errorf("asked %s", f.history())
		}
	}
}

func TestPutComponentImage(t *testing.T) {
	content := bytes.Repeat([]byte("firmware "), 30000) // 270 000 octets
	sum := sha256.Sum256(content)
	req := device.ComponentImageRequest{
		Component: "LC-3", File: "lc-1.9.bin", Version: "1.9", Size: int64(len(content)), SHA256: hex.EncodeToString(sum[:]),
		Content: func(int64) (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(content)), nil },
	}
	var named *systempb.Package
	var got []byte
	var hash *typespb.HashType
	var answer error
	ended := make(chan struct{}, 8)
	f := &fake{pkg: func(s systempb.System_SetPackageServer) error {
		defer func() { ended <- struct{}{} }()
		named, got, hash = nil, nil, nil
		for {
			m, err := s.Recv()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				return err
			}
			switch r := m.GetRequest().(type) {
			case *systempb.SetPackageRequest_Package:
				named = r.Package
			case *systempb.SetPackageRequest_Contents:
				if len(r.Contents) > 64000 { // Source: gNOI system.proto: at most 64 KB
					t.Errorf("a piece of %d octets", len(r.Contents))
				}
				got = append(got, r.Contents...)
			case *systempb.SetPackageRequest_Hash:
				hash = r.Hash
			}
		}
		if answer != nil {
			return answer
		}
		return s.SendAndClose(&systempb.SetPackageResponse{})
	}}
	_, d := start(t, f)
	reports := 0
	if err := d.PutComponentImage(context.Background(), req, func(p device.Progress) {
		reports++
		if p.Total != req.Size || p.Sent < 1 || p.Sent > p.Total {
			t.Errorf("progress %+v", p)
		}
	}); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, content) || named.GetFilename() != "/LC-3/firmware/lc-1.9.bin" || named.GetVersion() != "1.9" || !named.GetActivate() || named.GetRemoteDownload() != nil {
		t.Errorf("received %d octets of %v", len(got), named)
	}
	if hash.GetMethod() != typespb.HashType_SHA256 || !bytes.Equal(hash.GetHash(), sum[:]) {
		t.Errorf("hash %v", hash)
	}
	if reports == 0 {
		t.Error("no progress was reported")
	}
	<-ended

	bad := req
	bad.SHA256 = "00" + bad.SHA256[2:]
	wantKind(t, d.PutComponentImage(context.Background(), bad, nil), device.Damaged)
	<-ended
	if hash != nil {
		t.Error("a hash completed a transfer of other content")
	}
	bad = req
	bad.Size--
	wantKind(t, d.PutComponentImage(context.Background(), bad, nil), device.Damaged)
	<-ended

	answer = status.Error(codes.ResourceExhausted, "full")
	wantKind(t, d.PutComponentImage(context.Background(), req, nil), device.NoSpace)
	<-ended

	// There already: good only where it is the same.
	answer = status.Error(codes.AlreadyExists, "there already")
	there := content
	f.fileGet = func(_ *filepb.GetRequest, s filepb.File_GetServer) error {
		sum := sha256.Sum256(there)
		if err := s.Send(&filepb.GetResponse{Response: &filepb.GetResponse_Contents{Contents: there}}); err != nil {
			return err
		}
		return s.Send(&filepb.GetResponse{Response: &filepb.GetResponse_Hash{Hash: &typespb.HashType{Method: typespb.HashType_SHA256, Hash: sum[:]}}})
	}
	if err := d.PutComponentImage(context.Background(), req, nil); err != nil {
		t.Errorf("the same file is there: %v", err)
	}
	<-ended
	there = []byte("something else")
	wantKind(t, d.PutComponentImage(context.Background(), req, nil), device.Refused)
	<-ended
}
