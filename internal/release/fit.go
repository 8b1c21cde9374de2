package release

import (
	"cmp"
	"fmt"
	"math"
	"path"
	"slices"

	"towpath/internal/unit"
)

// FitRequest asks whether all images of a hop path fit on a device's volumes.
// Files are told apart by their base name: a device keeps its images in one
// folder of a volume.
type FitRequest struct {
	// Volumes that images are copied to, usually one of each controller card.
	Volumes []FitVolume
	Hops    []FitHop
	// Margin must stay free on every volume at every moment.
	Margin unit.ByteSize
	// Keep are glob patterns ([path.Match]) of files never to delete, matched
	// against the whole path and the base name.
	Keep []string
}

// FitVolume is one volume as it is now.
type FitVolume struct {
	Controller string // the controller card
	Name       string // where it is mounted
	Size, Free unit.ByteSize
	Files      []StoredFile
	// Files that are never deleted, by path or base name: what runs, what boots
	// next, what a rollback goes to, and configurations.
	Running, Boot, Rollback, Configuration []string
}

// StoredFile is a file on a volume. Hashes are in hex; empty is unknown.
type StoredFile struct {
	Path           string
	Size           unit.ByteSize
	SHA256, SHA512 string
}

// FitHop is one hop as the storage sees it.
type FitHop struct {
	From, To string
	// Images of the release are needed from the staging of this hop until the
	// acceptance of the next one, whose rollback goes to them.
	Images []Image
	// Firmware images are needed until the acceptance of this hop.
	Firmware []Image
}

// FitHops lists for each hop of a path what a device with these components
// needs on its controller cards.
func (x *Index) FitHops(platform string, p Path, components []Installed) ([]FitHop, error) {
	out := make([]FitHop, len(p.Hops))
	for i, h := range p.Hops {
		rel, err := x.Release(platform, h.To)
		if err != nil {
			return nil, err
		}
		out[i] = FitHop{From: h.From, To: h.To, Images: ImagesFor(rel, components)}
		for _, f := range h.Firmware {
			if f.Image.File != "" && !slices.ContainsFunc(out[i].Firmware, func(im Image) bool { return im.File == f.Image.File }) {
				out[i].Firmware = append(out[i].Firmware, f.Image)
			}
		}
	}
	return out, nil
}

// FitResult says for each volume of the request whether the path fits.
type FitResult struct {
	Fits  bool      `json:"fits"` // on every volume
	Cards []CardFit `json:"cards"`
}

// CardFit is what one volume needs so that the path fits.
type CardFit struct {
	Controller string `json:"controller"`
	Volume     string `json:"volume"`
	Fits       bool   `json:"fits"`
	// Short is how many octets are missing at the worst hop when all that may be
	// deleted is, and ShortHop is the first hop, counted from 0, at which any
	// are; -1 where none are missing.
	Short    unit.ByteSize `json:"short"`
	ShortHop int           `json:"short_hop"`
	// Problems bar the path whatever the space: a file that may not be deleted
	// has the name of an image with other content, and so on.
	Problems []string `json:"problems,omitempty"`
	// Delete is the smallest set of files: the fewest, and of those the fewest
	// octets. Empty where the path does not fit.
	Delete []FitAction `json:"delete,omitempty"`
	// Actions are all deletions and copies in order.
	Actions []FitAction `json:"actions,omitempty"`
	// Unhashed are files that would need no copy if a hash showed them to be the
	// right ones.
	Unhashed []string `json:"unhashed,omitempty"`
	// PeakUsed is the most octets in use, and LeastFree the fewest free, at any
	// moment after the first action is due.
	PeakUsed  unit.ByteSize `json:"peak_used"`
	LeastFree unit.ByteSize `json:"least_free"`
	// Proven is false where the search for the fewest octets was cut short; the
	// number of files is the fewest all the same.
	Proven bool `json:"proven"`
}

// FitAction is one deletion or copy.
type FitAction struct {
	Before int           `json:"before_hop"` // the hop, counted from 0, that it is done before
	Do     string        `json:"do"`         // "delete" or "copy"
	Path   string        `json:"path"`       // as the volume has it, or the file name of an image
	Size   unit.ByteSize `json:"size"`
	Why    string        `json:"why"`
}

// What a [FitAction] does.
const (
	FitDelete = "delete"
	FitCopy   = "copy"
)

// Fit simulates copying and deleting over the hops on each volume by itself.
// Before each hop its images that are not there yet are copied, after deleting
// what has to go. Nothing that runs, boots, is the rollback, is a configuration
// or matches Keep when the path begins is ever deleted, nor is a file that is
// there already and that a hop needs before it has been of use. Images that the
// path itself brought may go once the hop after theirs is accepted.
// Source: RFC 7654 §5.1 (resources checked before the upgrade); for the margin
// and for both cards, common practice.
func Fit(req FitRequest) FitResult {
	out := FitResult{Fits: true, Cards: []CardFit{}}
	for _, v := range req.Volumes {
		c := fitVolume(req, v)
		out.Fits = out.Fits && c.Fits
		out.Cards = append(out.Cards, c)
	}
	return out
}

// stored is a file in the simulation: on the volume already, or copied.
type stored struct {
	path  string
	size  int64
	from  int  // before which hop it may be deleted at the earliest; never: unusable
	stale bool // has to go before hop from at the latest, as an image takes its name
	why   string
}

// incoming is an image to copy before a hop.
type incoming struct {
	im     Image
	before int
	last   int // the hop before which it may be deleted at the earliest
	have   bool
}

func fitVolume(req FitRequest, v FitVolume) CardFit {
	out := CardFit{Controller: v.Controller, Volume: v.Name, ShortHop: -1, Proven: true}
	bad := func(format string, args ...any) { out.Problems = append(out.Problems, fmt.Sprintf(format, args...)) }
	protected := func(file string) string { return protection(req.Keep, v, file) }
	for _, k := range req.Keep {
		if _, err := path.Match(k, ""); err != nil {
			bad("pattern %q of files to keep: %v", k, err)
		}
	}
	if v.Free > v.Size {
		bad("%s free of %s cannot be", v.Free, v.Size)
	}
	coming := collectImages(req.Hops, bad)
	hops := len(req.Hops)
	var files []stored
	for _, f := range v.Files {
		s := stored{path: f.Path, size: int64(f.Size), why: "room is needed"}
		why := protected(f.Path)
		if i := slices.IndexFunc(coming, func(c incoming) bool { return path.Base(c.im.File) == path.Base(f.Path) }); i >= 0 {
			c := &coming[i]
			switch {
			case c.im.Size == f.Size && sameHash(c.im.SHA256, c.im.SHA512, f.SHA256, f.SHA512):
				c.have = true
				s.from = c.last
			case c.im.Size == f.Size && !comparable(c.im, f):
				out.Unhashed = append(out.Unhashed, f.Path)
				fallthrough
			default:
				s.stale, s.from, s.why = true, c.before, "an image of the same name with other or unknown content is to be copied"
				if why != "" {
					bad("%s is to be copied before hop %d, and a file of that name with other or unknown content %s", c.im.File, c.before+1, why)
				}
			}
		}
		if why == "" {
			files = append(files, s)
		}
	}
	var copied []int64 // octets copied before each hop
	for h := range hops {
		n := int64(0)
		for _, c := range coming {
			if c.before == h && !c.have {
				n += int64(c.im.Size)
			}
		}
		copied = append(copied, n)
	}
	for _, c := range coming {
		if !c.have && c.last < hops && protected(c.im.File) == "" {
			files = append(files, stored{path: c.im.File, size: int64(c.im.Size), from: c.last, why: "its hop and the one after it are accepted, and room is needed"})
		}
	}
	p := newPacking(files, copied, int64(req.Margin)-int64(v.Free))
	short := p.short()
	for h, n := range short {
		if n > 0 {
			if out.ShortHop < 0 {
				out.ShortHop = h
			}
			out.Short = max(out.Short, unit.ByteSize(n))
		}
	}
	out.Fits = out.Short == 0 && len(out.Problems) == 0
	out.PeakUsed, out.LeastFree = v.Size-v.Free, v.Free
	if !out.Fits {
		return out
	}
	var chosen []int
	chosen, out.Proven = p.choose()
	simulate(&out, v, files, coming, copied, int64(req.Margin), chosen)
	return out
}

// simulate writes down the actions in order and what they leave free.
func simulate(out *CardFit, v FitVolume, files []stored, coming []incoming, copied []int64, margin int64, chosen []int) {
	free, least := int64(v.Free), int64(math.MaxInt64)
	var going []int // still to be deleted, the stale ones and then the largest first
	for i, f := range files {
		if f.stale || slices.Contains(chosen, i) {
			going = append(going, i)
		}
	}
	slices.SortStableFunc(going, func(a, b int) int {
		x, y := files[a], files[b]
		if x.stale != y.stale {
			if x.stale {
				return -1
			}
			return 1
		}
		return cmp.Compare(y.size, x.size)
	})
	for h := range copied {
		going = slices.DeleteFunc(going, func(i int) bool {
			f := files[i]
			must := f.stale && f.from == h
			room := free-copied[h] < margin && (f.stale || f.from <= h)
			if !must && !room {
				return false
			}
			free += f.size
			a := FitAction{Before: h, Do: FitDelete, Path: f.path, Size: unit.ByteSize(f.size), Why: f.why}
			out.Delete, out.Actions = append(out.Delete, a), append(out.Actions, a)
			return true
		})
		least = min(least, free)
		for _, c := range coming {
			if c.before == h && !c.have {
				free -= int64(c.im.Size)
				out.Actions = append(out.Actions, FitAction{Before: h, Do: FitCopy, Path: c.im.File, Size: c.im.Size, Why: fmt.Sprintf("%s image of hop %d", imageText(c.im.Kind), h+1)})
			}
		}
		least = min(least, free)
	}
	if len(copied) > 0 {
		out.LeastFree = unit.ByteSize(least)
		out.PeakUsed = v.Size - out.LeastFree
	}
}

// protection says why a file is never deleted; empty where it may be.
func protection(keep []string, v FitVolume, file string) string {
	for _, g := range []struct {
		files []string
		why   string
	}{{v.Running, "is running"}, {v.Boot, "boots next"}, {v.Rollback, "is the rollback"}, {v.Configuration, "is a configuration"}} {
		if slices.ContainsFunc(g.files, func(p string) bool { return p == file || path.Base(p) == path.Base(file) }) {
			return g.why
		}
	}
	for _, k := range keep {
		whole, err := path.Match(k, file)
		base, _ := path.Match(k, path.Base(file))
		if whole || base || err != nil { // a broken pattern keeps everything
			return "is kept by policy (" + k + ")"
		}
	}
	return ""
}

// comparable reports whether the file has a hash of a kind that the image has.
func comparable(im Image, f StoredFile) bool {
	return im.SHA256 != "" && f.SHA256 != "" || im.SHA512 != "" && f.SHA512 != ""
}

// collectImages lists each file of the path once, with the hop it is first
// needed for and the one before which it is of no more use.
func collectImages(hops []FitHop, bad func(string, ...any)) []incoming {
	var out []incoming
	add := func(im Image, hop, last int) {
		if im.File == "" || im.Size <= 0 {
			bad("image %q of hop %d has no name or no size", im.File, hop+1)
			return
		}
		i := slices.IndexFunc(out, func(c incoming) bool { return path.Base(c.im.File) == path.Base(im.File) })
		switch {
		case i < 0:
			out = append(out, incoming{im: im, before: hop, last: last})
		case out[i].im.Size == im.Size && out[i].im.SHA256 == im.SHA256 && out[i].im.SHA512 == im.SHA512 || sameContent(out[i].im, im):
			out[i].last = max(out[i].last, last)
		default:
			bad("image %s of hop %d has the name of a different one of hop %d", im.File, hop+1, out[i].before+1)
		}
	}
	for h, hop := range hops {
		for _, im := range hop.Images {
			add(im, h, h+2)
		}
		for _, im := range hop.Firmware {
			add(im, h, h+1)
		}
	}
	return out
}
