package lab

import (
	"bytes"
	"crypto/sha256"
	"crypto/sha512"
	"encoding/hex"
	"errors"
	"io"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Source: FIPS 180-4 by way of crypto/sha256 and crypto/sha512 over the octets
// as they are read; the package computes its sums in another way.
func TestPackageReadsTheSameFromEveryOffset(t *testing.T) {
	p, err := NewPackage(PackageSpec{Platform: "alder-9", Version: "2.5.2", Kind: PackageSystem, Size: 3*packBlock + 77, Seed: 3})
	if err != nil {
		t.Fatal(err)
	}
	all, err := io.ReadAll(p.Open(0))
	if err != nil || int64(len(all)) != p.Size() {
		t.Fatalf("read %d octets, %v; want %d", len(all), err, p.Size())
	}
	a, b := sha256.Sum256(all), sha512.Sum512(all)
	if hex.EncodeToString(a[:]) != p.SHA256() || hex.EncodeToString(b[:]) != p.SHA512() {
		t.Error("the sums are not those of the octets")
	}
	rapid.Check(t, func(t *rapid.T) {
		off := rapid.Int64Range(0, p.Size()+10).Draw(t, "offset")
		n := rapid.IntRange(1, 2*packBlock).Draw(t, "length")
		r := p.Open(off)
		buf := make([]byte, n)
		got, err := io.ReadFull(r, buf)
		want := all[min(off, p.Size()):min(off+int64(n), p.Size())]
		if !bytes.Equal(buf[:got], want) {
			t.Fatalf("at %d: got other octets than from the beginning", off)
		}
		if len(want) < n && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
			t.Fatalf("at %d: got %v, want the end", off, err)
		}
	})
	var w bytes.Buffer
	if err := BuildPackage(&w, "alder-9", "2.5.2", PackageSystem, p.Size(), 3); err != nil || !bytes.Equal(w.Bytes(), all) {
		t.Errorf("BuildPackage wrote something else: %v", err)
	}
	if err := BuildPackage(&w, "alder-9", "2.5.2", PackageSystem, p.Size(), 4); err != nil || bytes.Equal(w.Bytes()[p.Size():], all) {
		t.Errorf("another seed wrote the same: %v", err)
	}
}

func TestPackageRefusesNonsense(t *testing.T) {
	for _, s := range []PackageSpec{
		{Platform: "", Version: "1", Kind: "system", Size: MinPackageSize},
		{Platform: "a b", Version: "1", Kind: "system", Size: MinPackageSize},
		{Platform: "a", Version: "1", Kind: "sys\ntem", Size: MinPackageSize},
		{Platform: "a", Version: "1", Kind: "system", Size: MinPackageSize - 1},
	} {
		if _, err := NewPackage(s); err == nil {
			t.Errorf("%+v: want an error", s)
		}
	}
}

// However a package is cut into pieces, it scans the same; and whatever octet
// is changed, it is found.
func TestPackScan(t *testing.T) {
	p, err := NewPackage(PackageSpec{Platform: "alder-9", Version: "2.5.2", Kind: PackageFirmware, For: "LINECARD", Size: MinPackageSize, Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	all, err := io.ReadAll(p.Open(0))
	if err != nil {
		t.Fatal(err)
	}
	scan := func(t *rapid.T, b []byte) (sum [sha256.Size]byte, h packHeader, err error) {
		s := newPackScan()
		for len(b) > 0 {
			n := rapid.IntRange(1, len(b)).Draw(t, "piece")
			s.Write(b[:n])
			b = b[n:]
		}
		return s.finish()
	}
	rapid.Check(t, func(t *rapid.T) {
		sum, h, err := scan(t, all)
		if err != nil || hexSum(sum) != p.SHA256() || h != (packHeader{"alder-9", "2.5.2", PackageFirmware, "LINECARD"}) {
			t.Fatalf("got %x %+v %v", sum, h, err)
		}
		bad := bytes.Clone(all)
		bad[rapid.IntRange(0, len(bad)-1).Draw(t, "where")] ^= byte(rapid.IntRange(1, 255).Draw(t, "how"))
		if _, _, err := scan(t, bad); !errors.Is(err, errPackIntegrity) && !errors.Is(err, errPackParse) {
			t.Fatalf("a changed octet: got %v", err)
		}
		cut := all[:rapid.IntRange(0, len(all)-1).Draw(t, "cut")]
		if _, _, err := scan(t, cut); !errors.Is(err, errPackIntegrity) && !errors.Is(err, errPackParse) {
			t.Fatalf("cut short: got %v", err)
		}
	})
}

func FuzzPackHeader(f *testing.F) {
	f.Add([]byte("towpath-lab-package platform=alder-9 version=2.5.2 kind=system\nrest"))
	f.Add([]byte("towpath-lab-package platform= version kind=\n"))
	f.Add([]byte(strings.Repeat("x", 600)))
	f.Fuzz(func(t *testing.T, b []byte) {
		h, err := parsePackHeader(b)
		if err == nil && (h.platform == "" || h.version == "" || h.kind == "") {
			t.Errorf("%q: read as %+v without an error", b, h)
		}
		if err != nil && !errors.Is(err, errPackParse) {
			t.Errorf("%q: %v is not a parse error", b, err)
		}
	})
}

// Source: common practice, levels compare field by field as numbers.
func TestCompareLevels(t *testing.T) {
	up := []string{"1.7", "1.9", "1.9.1", "1.10", "2", "2.0", "2.a", "3"}
	for i, a := range up {
		for j, b := range up {
			if got := compareLevels(a, b); (got < 0) != (i < j) || (got > 0) != (i > j) {
				t.Errorf("%s and %s: got %d", a, b, got)
			}
		}
	}
}
