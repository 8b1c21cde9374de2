package workspace

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"time"

	"towpath/internal/document"
	"towpath/internal/unit"
)

// calendars reads the iCalendar files that the campaign names, and tries its
// time zone.
func (r *reader) calendars(doc *document.Document) {
	r.w.Calendars = map[string][]byte{}
	names, places := r.w.Campaign.Calendars()
	for i, name := range names {
		if r.problems.Under(places[i]) {
			continue
		}
		src, err := r.read(name)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			r.problems = append(r.problems, doc.Problem(places[i], fmt.Sprintf("no file %q in %s", name, r.shown), "an iCalendar file of the workspace", r.calendarNear(name)))
			continue
		case err != nil:
			p := doc.Problem(places[i], fmt.Sprintf("the file %q cannot be read: %v", name, err), "", "")
			p.Err = err
			r.problems = append(r.problems, p)
			continue
		case unit.ByteSize(len(src)) > document.MaxSize:
			r.problems = append(r.problems, doc.Problem(places[i], fmt.Sprintf("the file %q is too large", name), fmt.Sprintf("at most %v", document.MaxSize), ""))
			continue
		}
		r.w.Files = append(r.w.Files, File{Name: name, Size: unit.ByteSize(len(src)), SHA256: fmt.Sprintf("%x", sha256.Sum256(src))})
		r.w.Calendars[name] = src
	}
	if z := r.w.Campaign.Zone; !r.problems.Under("zone") {
		if _, err := time.LoadLocation(z); err != nil || z == "" || z == "Local" {
			r.report(doc, "zone", fmt.Sprintf("no time zone %q", z), "")
		}
	}
	if len(r.w.Campaign.Windows) == 0 && !r.problems.Under("windows") {
		r.problems = append(r.problems, doc.Problem("windows", "no calendar with windows", "at least one iCalendar file, such as windows: [windows.ics]", ""))
	}
}

// calendarNear finds a calendar in the folder that is named almost like it.
func (r *reader) calendarNear(name string) string {
	entries, err := fs.ReadDir(r.fsys, path.Join(r.dir, path.Dir(name)))
	if err != nil {
		return "" // the file that is not there is reported; the rest is a courtesy
	}
	var candidates []string
	for _, e := range entries {
		if !e.IsDir() && path.Ext(e.Name()) == ".ics" {
			candidates = append(candidates, path.Join(path.Dir(name), e.Name()))
		}
	}
	return document.Nearest(name, candidates)
}

// maxSeries is the largest series of demands that is read, all its files
// together: a month in steps of five minutes of some hundred demands.
const maxSeries = 256 * unit.MiB

// series reads the measured demands that the campaign names: a file, or the
// files of a folder.
func (r *reader) series(doc *document.Document) {
	const place = "demands.series"
	name := r.w.Campaign.Demands.Series
	if name == "" || r.problems.Under("demands") {
		return
	}
	report := func(err error, found, want, near string) {
		p := doc.Problem(place, found, want, near)
		p.Err = err
		r.problems = append(r.problems, p)
	}
	files := []string{name}
	if info, err := fs.Stat(r.fsys, path.Join(r.dir, name)); err == nil && info.IsDir() {
		entries, err := fs.ReadDir(r.fsys, path.Join(r.dir, name))
		if err != nil {
			report(err, fmt.Sprintf("the folder %q cannot be read: %v", name, err), "", "")
			return
		}
		files = nil
		for _, e := range entries {
			if !e.IsDir() {
				files = append(files, path.Join(name, e.Name()))
			}
		}
		if len(files) == 0 {
			report(nil, fmt.Sprintf("no file in the folder %q", name), "a matrix in SNDlib native text for each period", "")
			return
		}
	}
	r.w.Series = map[string][]byte{}
	left := maxSeries
	for _, f := range files {
		src, err := r.readUpTo(f, left)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			report(nil, fmt.Sprintf("no file %q in %s", f, r.shown), "a series of demands in the workspace", r.seriesNear(f))
			return
		case err != nil:
			report(err, fmt.Sprintf("the file %q cannot be read: %v", f, err), "", "")
			return
		case unit.ByteSize(len(src)) > left:
			report(nil, fmt.Sprintf("the series %q is too large", name), fmt.Sprintf("at most %v", maxSeries), "")
			return
		}
		left -= unit.ByteSize(len(src))
		r.w.Files = append(r.w.Files, File{Name: f, Size: unit.ByteSize(len(src)), SHA256: fmt.Sprintf("%x", sha256.Sum256(src))})
		r.w.Series[f] = src
	}
}

// seriesNear finds a file in the folder that is named almost like the series.
func (r *reader) seriesNear(name string) string {
	entries, err := fs.ReadDir(r.fsys, path.Join(r.dir, path.Dir(name)))
	if err != nil {
		return "" // the file that is not there is reported; the rest is a courtesy
	}
	var candidates []string
	for _, e := range entries {
		if e.IsDir() || path.Ext(e.Name()) == ".csv" {
			candidates = append(candidates, path.Join(path.Dir(name), e.Name()))
		}
	}
	return document.Nearest(name, candidates)
}

// nights checks what the campaign says of the fleet and of the catalogue.
func (r *reader) nights(doc *document.Document) {
	c := r.w.Campaign
	var devices, sites, roles, platforms, releases []string
	once := func(into *[]string, s string) {
		if s != "" && !slices.Contains(*into, s) {
			*into = append(*into, s)
		}
	}
	known := map[string]bool{}
	for _, d := range r.w.Fleet.Devices {
		if id := string(d.ID); id != "" && !known[id] {
			known[id] = true
			devices = append(devices, id)
		}
		once(&sites, d.Site)
		once(&roles, d.Role)
	}
	if r.w.Catalogue != nil {
		for _, p := range r.w.Catalogue.Platforms {
			once(&platforms, p.ID)
			for _, rel := range p.Releases {
				once(&releases, rel.Version)
			}
		}
	}
	device := func(place, id string) {
		if id != "" && !known[id] {
			r.report(doc, place, fmt.Sprintf("no device %q in %s", id, FleetFile), document.Nearest(id, devices))
		}
	}
	among := func(place string, list, all []string, what, file string) {
		for i, s := range list {
			if s != "" && !slices.Contains(all, s) {
				r.report(doc, fmt.Sprintf("%s[%d]", place, i), fmt.Sprintf("%s %q in %s", what, s, file), document.Nearest(s, all))
			}
		}
	}
	for i, e := range c.Engineers {
		among(fmt.Sprintf("engineers[%d].sites", i), e.Sites, sites, "no device at the site", FleetFile)
	}
	for i, s := range c.Sites {
		if s.Site != "" && !slices.Contains(sites, s.Site) {
			r.report(doc, fmt.Sprintf("sites[%d].site", i), fmt.Sprintf("no device at the site %q in %s", s.Site, FleetFile), document.Nearest(s.Site, sites))
		}
	}
	for i, t := range c.Apart {
		for j, d := range t.Devices {
			device(fmt.Sprintf("apart[%d].devices[%d]", i, j), d)
		}
	}
	for i, d := range c.Canaries {
		device(fmt.Sprintf("canaries[%d]", i), d)
	}
	among("role-order", c.RoleOrder, roles, "no device with the role", FleetFile)
	for i, d := range c.Deadlines {
		at := fmt.Sprintf("deadlines[%d]", i)
		among(at+".sites", d.Sites, sites, "no device at the site", FleetFile)
		among(at+".roles", d.Roles, roles, "no device with the role", FleetFile)
		if r.w.Catalogue != nil {
			among(at+".platforms", d.Platforms, platforms, "no platform", CatalogueFile)
			among(at+".releases", d.Releases, releases, "no release", CatalogueFile)
		}
	}
	for i, d := range c.Devices {
		device(fmt.Sprintf("devices[%d].device", i), d.Device)
	}
}
