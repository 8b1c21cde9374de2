// Package workspace reads the folder that holds everything the operator tells
// Towpath: the fleet, the release catalogue and the policy. It checks what one
// file says of another, publishes the JSON Schema of each, and resolves the
// references to secrets, which the files never hold.
//
// Read [Load] first, or [Open] for a folder on disk. [Schema] returns a schema,
// [Secrets] resolves references.
package workspace

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"towpath/internal/document"
	"towpath/internal/fleet"
	"towpath/internal/policy"
	"towpath/internal/release"
	"towpath/internal/unit"
)

// The files of a workspace. The policy and the campaign may be left out.
const (
	FleetFile     = "fleet.yaml"
	CatalogueFile = "releases.yaml"
	PolicyFile    = "policy.yaml"
	CampaignFile  = "campaign.yaml"
)

// Workspace is a folder that was read and found right.
type Workspace struct {
	Fleet     *fleet.Fleet
	Catalogue *release.Catalogue
	Policy    policy.Policy
	// Campaign is nil where there is no campaign file; Calendars are the iCalendar
	// files that it names, as they were read.
	Campaign  *policy.Campaign
	Calendars map[string][]byte
	// Series are the files of the measured demands that the campaign names, as they
	// were read: one, or all of a folder.
	Series map[string][]byte
	// Files are those that were read, by name.
	Files []File
	// Digest is the SHA-256, in lower-case hex, of what the command sha256sum
	// prints for Files in their order: it names the whole input of a decision,
	// and anybody can compute it again.
	Digest string
}

// File is one file of a workspace.
type File struct {
	Name   string        `json:"name"`
	Size   unit.ByteSize `json:"size"`
	SHA256 string        `json:"sha256"` // lower-case hex
}

// Open is [Load] for a folder on disk; the messages name the files as seen
// from where the program runs.
func Open(dir string) (*Workspace, error) {
	return load(os.DirFS(dir), ".", filepath.ToSlash(filepath.Clean(dir)))
}

// Load reads the workspace in the folder dir of fsys. The error is of type
// [document.Problems] and holds every mistake of all files, and those between
// them as far as they can be told; a file that is not there or cannot be read
// is among them, with its cause.
func Load(fsys fs.FS, dir string) (*Workspace, error) {
	return load(fsys, dir, dir)
}

func load(fsys fs.FS, dir, shown string) (*Workspace, error) {
	r := reader{fsys: fsys, dir: dir, shown: shown, w: &Workspace{Policy: policy.Default()}}
	if _, err := fs.Stat(fsys, dir); err != nil {
		return nil, document.Problems{{File: shown, Found: "no such folder", Want: "a folder with " + FleetFile + " and " + CatalogueFile, Err: err}}
	}
	var devices, limits *document.Document
	if doc := r.parse(FleetFile, true); doc != nil {
		devices = doc
		f, ps := fleet.Decode(doc)
		r.w.Fleet, r.problems = f, append(r.problems, ps...)
	}
	if doc := r.parse(PolicyFile, false); doc != nil {
		limits = doc
		p, ps := policy.Decode(doc)
		r.w.Policy, r.problems = p, append(r.problems, ps...)
	}
	if doc := r.parse(CatalogueFile, true); doc != nil {
		c, ps := release.Decode(doc)
		r.problems = append(r.problems, ps...)
		if r.w.Catalogue = c; devices != nil && len(ps) == 0 {
			r.releases(devices)
		}
	}
	if devices != nil && limits != nil {
		r.sites(limits)
	}
	if doc := r.parse(CampaignFile, false); doc != nil {
		c, ps := policy.DecodeCampaign(doc)
		r.w.Campaign, r.problems = &c, append(r.problems, ps...)
		r.calendars(doc)
		r.series(doc)
		if devices != nil {
			r.nights(doc)
		}
	}
	if err := r.problems.Err(); err != nil {
		return nil, err
	}
	sums := sha256.New()
	for _, f := range r.w.Files {
		fmt.Fprintf(sums, "%s  %s\n", f.SHA256, f.Name)
	}
	r.w.Digest = fmt.Sprintf("%x", sums.Sum(nil))
	return r.w, nil
}

type reader struct {
	fsys     fs.FS
	dir      string
	shown    string // dir, as the operator knows it
	w        *Workspace
	problems document.Problems
}

// parse reads one file. It returns nil where that was not possible; only where
// the file need not be there is that no problem.
func (r *reader) parse(name string, required bool) *document.Document {
	shown := path.Join(r.shown, name)
	src, err := r.read(name)
	if errors.Is(err, fs.ErrNotExist) {
		nearly := r.nearly(name)
		if !required && nearly == "" {
			return nil
		}
		p := document.Problem{File: shown, Found: "no such file", Err: err}
		if nearly != "" {
			p.Want = "this name for the file " + nearly
		}
		r.problems = append(r.problems, p)
		return nil
	}
	if err != nil {
		r.problems = append(r.problems, document.Problem{File: shown, Found: "the file cannot be read: " + err.Error(), Err: err})
		return nil
	}
	r.w.Files = append(r.w.Files, File{Name: name, Size: unit.ByteSize(len(src)), SHA256: fmt.Sprintf("%x", sha256.Sum256(src))})
	doc, err := document.Parse(shown, src)
	var ps document.Problems
	if errors.As(err, &ps) {
		r.problems = append(r.problems, ps...)
		return nil
	}
	return doc
}

// read returns the file, cut off just behind the size that is refused.
func (r *reader) read(name string) ([]byte, error) { return r.readUpTo(name, document.MaxSize) }

func (r *reader) readUpTo(name string, most unit.ByteSize) ([]byte, error) {
	f, err := r.fsys.Open(path.Join(r.dir, name))
	if err != nil {
		return nil, err
	}
	defer f.Close() //nolint:errcheck // opened for reading; nothing can be lost
	return io.ReadAll(io.LimitReader(f, int64(most)+1))
}

// nearly finds a file that is named almost like one of a workspace. A policy
// that is passed over because of its name would be a limit that nobody keeps.
func (r *reader) nearly(name string) string {
	entries, err := fs.ReadDir(r.fsys, r.dir)
	if err != nil {
		return "" // that the file is not there is reported; the rest is a courtesy
	}
	var candidates []string
	for _, e := range entries {
		ext := strings.ToLower(path.Ext(e.Name()))
		if !e.IsDir() && (ext == ".yaml" || ext == ".yml") && !slices.Contains([]string{FleetFile, CatalogueFile, PolicyFile, CampaignFile}, e.Name()) {
			candidates = append(candidates, e.Name())
		}
	}
	return document.Nearest(name, candidates)
}

// releases checks what the fleet says of the catalogue.
func (r *reader) releases(doc *document.Document) {
	versions := map[string][]string{}
	var platforms []string
	for _, p := range r.w.Catalogue.Platforms {
		platforms = append(platforms, p.ID)
		versions[p.ID] = []string{}
		for _, rel := range p.Releases {
			versions[p.ID] = append(versions[p.ID], rel.Version)
		}
	}
	for i, d := range r.w.Fleet.Devices {
		known, ok := versions[d.Platform]
		switch {
		case d.Platform == "":
		case !ok:
			r.report(doc, fmt.Sprintf("devices[%d].platform", i), fmt.Sprintf("no platform %q in %s", d.Platform, CatalogueFile), document.Nearest(d.Platform, platforms))
		case d.Release != "" && !slices.Contains(known, d.Release):
			r.report(doc, fmt.Sprintf("devices[%d].release", i), fmt.Sprintf("no release %q of the platform %s in %s", d.Release, d.Platform, CatalogueFile), document.Nearest(d.Release, known))
		}
	}
}

// sites checks what the policy says of the fleet: a freeze for a site that no
// device stands at freezes nothing.
func (r *reader) sites(doc *document.Document) {
	var known []string
	for _, d := range r.w.Fleet.Devices {
		if d.Site != "" && !slices.Contains(known, d.Site) {
			known = append(known, d.Site)
		}
	}
	for i, f := range r.w.Policy.Freezes {
		for j, s := range f.Sites {
			if s != "" && !slices.Contains(known, s) {
				r.report(doc, fmt.Sprintf("freezes[%d].sites[%d]", i, j), fmt.Sprintf("no device at the site %q in %s", s, FleetFile), document.Nearest(s, known))
			}
		}
	}
}

func (r *reader) report(doc *document.Document, path, found, nearest string) {
	if !r.problems.Under(path) {
		r.problems = append(r.problems, doc.Problem(path, found, "", nearest))
	}
}
