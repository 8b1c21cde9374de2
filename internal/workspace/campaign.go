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
