package release

import (
	"fmt"
	"math/bits"
	"path"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"towpath/internal/unit"
)

func hash(s string) string { return strings.Repeat("0", 63) + s }

func imageFile(name string, size int64, h string) Image {
	return Image{Kind: ImageSystem, File: name, Size: unit.ByteSize(size), SHA256: h}
}

// drawFit makes a small request with one volume. Names are few, so that they
// collide.
func drawFit(t *rapid.T) FitRequest {
	digit := rapid.SampledFrom([]string{"1", "1", "1", "2"})
	name := rapid.SampledFrom([]string{"a.img", "b.img", "c.img", "d.img"})
	size := map[string]int64{"a.img": 7, "b.img": 4, "c.img": 9, "d.img": 2}
	req := FitRequest{Margin: unit.ByteSize(rapid.IntRange(0, 6).Draw(t, "margin"))}
	for h := range rapid.IntRange(1, 4).Draw(t, "hops") {
		hop := FitHop{From: fmt.Sprint(h), To: fmt.Sprint(h + 1)}
		for range rapid.IntRange(0, 2).Draw(t, "images") {
			n := name.Draw(t, "image")
			hop.Images = append(hop.Images, imageFile(n, size[n], hash("1")))
		}
		if rapid.IntRange(0, 3).Draw(t, "firmware") == 0 {
			hop.Firmware = append(hop.Firmware, imageFile("fw.img", 3, hash("1")))
		}
		req.Hops = append(req.Hops, hop)
	}
	v := FitVolume{Controller: "RP0", Name: "/images"}
	used := int64(0)
	biggest := rapid.SampledFrom([]int{2, 9}).Draw(t, "biggest") // small ones, so that images that have served their time matter
	for i := range rapid.IntRange(0, 8).Draw(t, "files") {
		f := StoredFile{Path: fmt.Sprintf("/images/old-%d.img", i), Size: unit.ByteSize(rapid.IntRange(0, biggest).Draw(t, "size")), SHA256: hash("9")}
		if rapid.IntRange(0, 3).Draw(t, "collides") == 0 {
			n := name.Draw(t, "as image")
			if slices.ContainsFunc(v.Files, func(g StoredFile) bool { return path.Base(g.Path) == n }) {
				continue
			}
			f = StoredFile{Path: "/images/" + n, Size: unit.ByteSize(size[n]), SHA256: hash(digit.Draw(t, "content"))}
			if rapid.IntRange(0, 4).Draw(t, "unhashed") == 0 {
				f.SHA256 = ""
			}
		}
		used += int64(f.Size)
		v.Files = append(v.Files, f)
		switch rapid.IntRange(0, 9).Draw(t, "role") {
		case 0:
			v.Running = append(v.Running, f.Path)
		case 1:
			v.Boot = append(v.Boot, path.Base(f.Path))
		case 2:
			v.Rollback = append(v.Rollback, f.Path)
		case 3:
			v.Configuration = append(v.Configuration, f.Path)
		case 4:
			req.Keep = append(req.Keep, strings.TrimSuffix(path.Base(f.Path), ".img")+".*")
		}
	}
	v.Free = unit.ByteSize(rapid.IntRange(0, 25).Draw(t, "free"))
	v.Size = v.Free + unit.ByteSize(used)
	req.Volumes = []FitVolume{v}
	return req
}

// The slow twin of Fit: every set of files, replayed over the hops.
type fitTwin struct {
	req       FitRequest
	v         FitVolume
	protected map[string]bool
}

func newFitTwin(req FitRequest) *fitTwin {
	w := &fitTwin{req: req, v: req.Volumes[0], protected: map[string]bool{}}
	for _, f := range w.v.Files {
		b := path.Base(f.Path)
		for _, list := range [][]string{w.v.Running, w.v.Boot, w.v.Rollback, w.v.Configuration} {
			for _, p := range list {
				if path.Base(p) == b {
					w.protected[b] = true
				}
			}
		}
	}
	return w
}

func (w *fitTwin) safe(name string) bool {
	if w.protected[name] {
		return true
	}
	for _, k := range w.req.Keep {
		if m, _ := path.Match(k, name); m {
			return true
		}
	}
	return false
}

// uses says before which hop a name is first needed, and before which no more.
func (w *fitTwin) uses(name string) (first, end int, im Image, ok bool) {
	first, end = -1, -1
	for h, hop := range w.req.Hops {
		for _, i := range hop.Images {
			if i.File == name {
				if first < 0 {
					first = h
				}
				end, im = max(end, h+2), i
			}
		}
		for _, i := range hop.Firmware {
			if i.File == name {
				if first < 0 {
					first = h
				}
				end, im = max(end, h+1), i
			}
		}
	}
	return first, end, im, first >= 0
}

// best tries every set of names and returns the smallest.
func (w *fitTwin) best(t *rapid.T) (files int, octets int64, ok, barred bool) {
	type cand struct {
		size int64
		from int
	}
	var cands []cand
	copies := map[string]bool{}
	stale := int64(0)
	for _, hop := range w.req.Hops {
		for _, im := range slices.Concat(hop.Images, hop.Firmware) {
			copies[im.File] = true
		}
	}
	for _, f := range w.v.Files {
		b := path.Base(f.Path)
		_, end, im, used := w.uses(b)
		switch {
		case used && im.Size == f.Size && im.SHA256 == f.SHA256:
			delete(copies, b)
			if !w.safe(b) {
				cands = append(cands, cand{int64(f.Size), end})
			}
		case used && w.safe(b):
			return 0, 0, false, true
		case used:
			stale += int64(f.Size)
		case !w.safe(b):
			cands = append(cands, cand{int64(f.Size), 0})
		}
	}
	for n := range copies {
		_, end, im, _ := w.uses(n)
		if !w.safe(n) {
			cands = append(cands, cand{int64(im.Size), end})
		}
	}
	if len(cands) > 14 {
		t.Skip("too many files for every set")
	}
	for set := range 1 << len(cands) {
		n, sum := bits.OnesCount(uint(set)), int64(0)
		for i, c := range cands {
			if set>>i&1 == 1 {
				sum += c.size
			}
		}
		if ok && (n > files || n == files && sum >= octets) {
			continue
		}
		free, fits := int64(w.v.Free)+stale, true
		for h := range w.req.Hops {
			for i, c := range cands {
				if set>>i&1 == 1 && c.from == h {
					free += c.size
				}
			}
			for name := range copies {
				if first, _, im, _ := w.uses(name); first == h {
					free -= int64(im.Size)
				}
			}
			fits = fits && free >= int64(w.req.Margin)
		}
		if fits {
			files, octets, ok = n, sum, true
		}
	}
	return files, octets, ok, false
}

func TestFitAgreesWithEverySetOfFiles(t *testing.T) {
	var fits, deletes, short, barred int
	rapid.Check(t, func(t *rapid.T) {
		req := drawFit(t)
		got := Fit(req).Cards[0]
		w := newFitTwin(req)
		files, octets, ok, bar := w.best(t)
		if bar != (len(got.Problems) > 0) {
			t.Fatalf("problems %q, the twin finds it barred: %t", got.Problems, bar)
		}
		if bar {
			barred++
			return
		}
		if got.Fits != ok {
			t.Fatalf("fits %t, the twin says %t: %+v", got.Fits, ok, got)
		}
		if !ok {
			short++
			checkShort(t, req, got)
			return
		}
		fits++
		n, sum := 0, int64(0)
		for _, d := range got.Delete {
			if strings.HasPrefix(d.Why, "an image of the same name") {
				continue // has to go in any case
			}
			n++
			sum += int64(d.Size)
		}
		if n != files || sum != octets {
			t.Fatalf("deletes %d files of %d octets, the twin %d of %d: %+v", n, sum, files, octets, got.Delete)
		}
		if n > 0 {
			deletes++
		}
		if !got.Proven {
			t.Fatalf("not proven on a small case")
		}
		checkPlan(t, w, got)
	})
	t.Logf("%d fit (%d with files to delete), %d short, %d barred", fits, deletes, short, barred)
	if deletes == 0 || short == 0 || barred == 0 {
		t.Errorf("the drawn cases did not show everything")
	}
}

// checkShort adds the missing octets and sees that they are just enough.
func checkShort(t *rapid.T, req FitRequest, got CardFit) {
	if got.Short <= 0 || got.ShortHop < 0 || len(got.Delete) > 0 {
		t.Fatalf("does not fit, but %+v", got)
	}
	more := func(n unit.ByteSize) CardFit {
		r := req
		r.Volumes = slices.Clone(req.Volumes)
		r.Volumes[0].Free += n
		r.Volumes[0].Size += n
		return Fit(r).Cards[0]
	}
	if c := more(got.Short); !c.Fits {
		t.Fatalf("short by %d, but with those: %+v", got.Short, c)
	}
	if c := more(got.Short - 1); c.Fits {
		t.Fatalf("short by %d, but fits with one octet less", got.Short)
	}
	r := req
	r.Hops = req.Hops[:got.ShortHop]
	if c := Fit(r).Cards[0]; !c.Fits {
		t.Fatalf("first short at hop %d, but the hops before it do not fit: %+v", got.ShortHop, c)
	}
}

// checkPlan replays the actions on a set of files.
func checkPlan(t *rapid.T, w *fitTwin, got CardFit) {
	there := map[string]int64{}
	for _, f := range w.v.Files {
		there[path.Base(f.Path)] = int64(f.Size)
	}
	free, least := int64(w.v.Free), int64(1<<60)
	at := 0
	for h, hop := range w.req.Hops {
		for ; at < len(got.Actions) && got.Actions[at].Before == h; at++ {
			a := got.Actions[at]
			name := path.Base(a.Path)
			switch a.Do {
			case FitDelete:
				if w.safe(name) {
					t.Fatalf("deletes %s, which is protected", name)
				}
				size, ok := there[name]
				if !ok || size != int64(a.Size) {
					t.Fatalf("deletes %s of %d octets, there are %d (%t)", name, a.Size, size, ok)
				}
				delete(there, name)
				free += size
			case FitCopy:
				if _, ok := there[name]; ok {
					t.Fatalf("copies %s over a file", name)
				}
				there[name] = int64(a.Size)
				free -= int64(a.Size)
				least = min(least, free)
				if free < int64(w.req.Margin) {
					t.Fatalf("hop %d: %d free after copying %s, margin %d", h, free, name, w.req.Margin)
				}
			default:
				t.Fatalf("action %q", a.Do)
			}
		}
		least = min(least, free)
		if free < int64(w.req.Margin) {
			t.Fatalf("hop %d: %d free, margin %d", h, free, w.req.Margin)
		}
		needed := slices.Concat(hop.Images, hop.Firmware)
		if h > 0 {
			needed = slices.Concat(needed, w.req.Hops[h-1].Images)
		}
		for _, im := range needed {
			if there[im.File] != int64(im.Size) {
				t.Fatalf("hop %d: %s is needed and not there", h, im.File)
			}
		}
	}
	if at != len(got.Actions) {
		t.Fatalf("%d actions after the last hop or out of order: %+v", len(got.Actions)-at, got.Actions)
	}
	if int64(got.LeastFree) != least || got.PeakUsed != w.v.Size-got.LeastFree {
		t.Fatalf("least free %d, peak %d; replay has %d free at least", got.LeastFree, got.PeakUsed, least)
	}
}

func TestFitOverTwoHops(t *testing.T) {
	const g = unit.GiB
	card := func(name string, free unit.ByteSize) FitVolume {
		return FitVolume{Controller: name, Name: "/images", Size: 8 * g, Free: free,
			Running: []string{"/images/alder-2.4.1.img"}, Boot: []string{"alder-2.4.1.img"}, Rollback: []string{"/images/alder-2.3.0.img"}, Configuration: []string{"/images/startup.cfg"},
			Files: []StoredFile{
				{Path: "/images/alder-2.4.1.img", Size: 2 * g}, {Path: "/images/alder-2.3.0.img", Size: 2 * g}, {Path: "/images/startup.cfg", Size: unit.MiB},
				{Path: "/images/core-1.tgz", Size: g}, {Path: "/images/core-2.tgz", Size: g / 2}, {Path: "/images/golden.img", Size: g},
			}}
	}
	req := FitRequest{
		Volumes: []FitVolume{card("RP0", 3*g/2), card("RP1", g/4)}, Margin: g / 2, Keep: []string{"golden*"},
		Hops: []FitHop{
			{From: "2.4.1", To: "2.5.3", Images: []Image{imageFile("alder-2.5.3.img", int64(g), hash("1"))}},
			{From: "2.5.3", To: "2.6.0", Images: []Image{imageFile("alder-2.6.0.img", int64(g), hash("2"))}},
		},
	}
	got := Fit(req)
	want := FitResult{Cards: []CardFit{
		{Controller: "RP0", Volume: "/images", Fits: true, ShortHop: -1, Proven: true, LeastFree: g / 2, PeakUsed: 15 * g / 2,
			Delete: []FitAction{{1, FitDelete, "/images/core-1.tgz", g, "room is needed"}},
			Actions: []FitAction{
				{0, FitCopy, "alder-2.5.3.img", g, "system image of hop 1"},
				{1, FitDelete, "/images/core-1.tgz", g, "room is needed"},
				{1, FitCopy, "alder-2.6.0.img", g, "system image of hop 2"},
			}},
		{Controller: "RP1", Volume: "/images", Short: 3 * g / 4, ShortHop: 1, Proven: true, LeastFree: g / 4, PeakUsed: 31 * g / 4},
	}}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("fit (-want +got):\n%s", d)
	}
}

func TestFitTellsWhatBarsIt(t *testing.T) {
	image := imageFile("alder-2.6.0.img", 10, hash("1"))
	hop := []FitHop{{From: "2.4.1", To: "2.6.0", Images: []Image{image}}}
	for _, c := range []struct {
		name string
		req  FitRequest
		want string
	}{
		{"a running file of the same name", FitRequest{Hops: hop, Volumes: []FitVolume{{Size: 100, Free: 50, Running: []string{"alder-2.6.0.img"}, Files: []StoredFile{{Path: "/i/alder-2.6.0.img", Size: 10, SHA256: hash("2")}}}}},
			"alder-2.6.0.img is to be copied before hop 1, and a file of that name with other or unknown content is running"},
		{"two contents of one name", FitRequest{Hops: append(slices.Clone(hop), FitHop{Images: []Image{imageFile("alder-2.6.0.img", 11, hash("3"))}}), Volumes: []FitVolume{{Size: 100, Free: 50}}},
			"image alder-2.6.0.img of hop 2 has the name of a different one of hop 1"},
		{"an image without a size", FitRequest{Hops: []FitHop{{Images: []Image{{File: "x"}}}}, Volumes: []FitVolume{{Size: 100, Free: 50}}},
			`image "x" of hop 1 has no name or no size`},
		{"a broken pattern", FitRequest{Hops: hop, Keep: []string{"[a"}, Volumes: []FitVolume{{Size: 100, Free: 50}}},
			`pattern "[a" of files to keep: syntax error in pattern`},
		{"more free than there is", FitRequest{Hops: hop, Volumes: []FitVolume{{Size: 100, Free: 150}}}, "150B free of 100B cannot be"},
	} {
		got := Fit(c.req)
		if got.Fits || !slices.Equal(got.Cards[0].Problems, []string{c.want}) {
			t.Errorf("%s: fits %t, problems %q, want %q", c.name, got.Fits, got.Cards[0].Problems, c.want)
		}
	}
	// A file that is there and cannot be told from the image is named.
	got := Fit(FitRequest{Hops: hop, Volumes: []FitVolume{{Size: 100, Free: 50, Files: []StoredFile{{Path: "/i/alder-2.6.0.img", Size: 10}}}}}).Cards[0]
	if !got.Fits || !slices.Equal(got.Unhashed, []string{"/i/alder-2.6.0.img"}) || len(got.Delete) != 1 {
		t.Errorf("unhashed file: %+v", got)
	}
}

// The choice stays exact and quick with many files: exact because some set
// frees just what is missing, or because the search ends by itself.
func TestChoiceAmongManyFiles(t *testing.T) {
	v := FitVolume{Size: 1 << 40}
	seed := uint64(7)
	for i := range 200 {
		seed = seed*6364136223846793005 + 1442695040888963407
		v.Files = append(v.Files, StoredFile{Path: fmt.Sprintf("f%d", i), Size: unit.ByteSize(seed >> 34)})
	}
	slices.SortFunc(v.Files, func(a, b StoredFile) int { return int(b.Size - a.Size) })
	for _, n := range []int{1, 2, 3} {
		// Just above what n-1 of the largest free, so that n are needed.
		size := unit.ByteSize(1)
		for _, f := range v.Files[:n-1] {
			size += f.Size
		}
		got := Fit(FitRequest{Hops: []FitHop{{Images: []Image{imageFile("x", int64(size), hash("1"))}}}, Volumes: []FitVolume{v}}).Cards[0]
		sum := unit.ByteSize(0)
		for _, d := range got.Delete {
			sum += d.Size
		}
		if !got.Fits || len(got.Delete) != n || sum < size || !got.Proven {
			t.Errorf("%d files needed: deletes %d of %d octets for %d, proven %t", n, len(got.Delete), sum, size, got.Proven)
		}
	}
}

func BenchmarkFit(b *testing.B) {
	v := FitVolume{Size: 1 << 40}
	seed := uint64(7)
	for i := range 200 {
		seed = seed*6364136223846793005 + 1442695040888963407
		v.Files = append(v.Files, StoredFile{Path: fmt.Sprintf("f%d", i), Size: unit.ByteSize(seed >> 34)})
	}
	for _, need := range []int64{1 << 30, 3 << 30, 6 << 30} {
		b.Run(unit.ByteSize(need).String(), func(b *testing.B) {
			req := FitRequest{Hops: []FitHop{{Images: []Image{imageFile("x", need, hash("1"))}}}, Volumes: []FitVolume{v}}
			proven := 0.0
			for b.Loop() {
				proven = 0
				if c := Fit(req).Cards[0]; c.Proven {
					proven = 1
				}
			}
			b.ReportMetric(proven, "proven")
		})
	}
}

// A large image that the path itself brings does not help before it has served.
func TestFitDoesNotCountOnImagesStillNeeded(t *testing.T) {
	hops := []FitHop{{Images: []Image{imageFile("a", 10, hash("1"))}}, {Images: []Image{imageFile("b", 1, hash("2"))}}, {Images: []Image{imageFile("c", 1, hash("3"))}}}
	got := Fit(FitRequest{Hops: hops, Volumes: []FitVolume{{Size: 100, Free: 9, Files: []StoredFile{{Path: "old-1", Size: 3}, {Path: "old-2", Size: 3}}}}}).Cards[0]
	if want := []FitAction{{0, FitDelete, "old-1", 3, "room is needed"}}; !slices.Equal(got.Delete, want) {
		t.Errorf("deletes %+v, want %+v", got.Delete, want)
	}
	// Before the third hop it does.
	hops[2].Images[0].Size = 10
	got = Fit(FitRequest{Hops: hops, Volumes: []FitVolume{{Size: 100, Free: 11}}}).Cards[0]
	if want := []FitAction{{2, FitDelete, "a", 10, "its hop and the one after it are accepted, and room is needed"}}; !slices.Equal(got.Delete, want) {
		t.Errorf("deletes %+v, want %+v", got.Delete, want)
	}
}
