package release

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"towpath/internal/unit"
)

// set is a release with one image of every kind that the platform uses.
func set() (Release, Platform, []Installed) {
	rel := Release{Version: "2.6.0", Images: []Image{
		{Kind: ImageSystem, File: "alder-2.6.0-system.img", Size: unit.GiB, SHA256: strings.Repeat("a", 64)},
		{Kind: ImageBoot, File: "alder-2.6.0-boot.img", Size: unit.MiB, SHA256: strings.Repeat("b", 64)},
		{Kind: ImageManagement, File: "alder-2.6.0-mp.img", Size: unit.MiB, SHA512: strings.Repeat("c", 128)},
		{Kind: ImageLineCard, File: "alder-2.6.0-lc48.img", Size: unit.MiB, SHA256: strings.Repeat("d", 64), Parts: []string{"alder-48"}},
		{Kind: ImageLineCard, File: "alder-2.6.0-lc96.img", Size: unit.MiB, SHA256: strings.Repeat("e", 64), Parts: []string{"alder-96", "alder-96x"}},
	}}
	old := Release{Version: "2.4.1", Images: slices.Clone(rel.Images)}
	return rel, Platform{ID: "alder-9", Releases: []Release{old, rel}}, []Installed{
		{Name: "RP0", Kind: "CONTROLLER_CARD", Part: "alder-rp"}, {Name: "LC-1", Kind: "LINECARD", Part: "alder-48"}, {Name: "LC-2", Kind: "LINECARD", Part: "alder-96x"},
		{Name: "FAN-1", Kind: "FAN"}, {Name: "PE-101", Kind: "PORT_EXTENDER", Part: "alder-pe"},
	}
}

// Source: common practice, for every row: images of one release, each with a
// hash, for every component that runs them.
func TestCheckImageSet(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*Release, *Platform, *[]Installed)
		want   []string
	}{
		{"nothing wrong", func(*Release, *Platform, *[]Installed) {}, nil},
		{"no system image", func(r *Release, _ *Platform, _ *[]Installed) { r.Images = r.Images[1:] }, []string{"release 2.6.0 has no system image"}},
		{"no boot image", func(r *Release, _ *Platform, _ *[]Installed) { r.Images = slices.Delete(r.Images, 1, 2) }, []string{"release 2.6.0 has no boot image"}},
		{"no line card image", func(r *Release, _ *Platform, _ *[]Installed) { r.Images = r.Images[:3] }, []string{"release 2.6.0 has no line card image"}},
		{"no line card image and no line card", func(r *Release, _ *Platform, c *[]Installed) { r.Images, *c = r.Images[:3], (*c)[:1] }, nil},
		{"a platform without boot images", func(r *Release, p *Platform, _ *[]Installed) {
			r.Images = slices.Delete(r.Images, 1, 2)
			p.Releases[0].Images, p.Releases[1].Images = nil, nil
		}, nil},
		{"a part without image", func(_ *Release, _ *Platform, c *[]Installed) { (*c)[2].Part = "alder-24" }, []string{"release 2.6.0 has no line card image for part alder-24 (line card LC-2)"}},
		{"an unknown part", func(_ *Release, _ *Platform, c *[]Installed) { (*c)[2].Part = "" }, []string{"the part of line card LC-2 is unknown, so which line card image it needs is too"}},
		{"a boot image of another release", func(r *Release, _ *Platform, _ *[]Installed) { r.Images[1].Of = "2.4.1" }, []string{"boot image alder-2.6.0-boot.img is of release 2.4.1, the system image of 2.6.0"}},
		{"a system image of another release", func(r *Release, _ *Platform, _ *[]Installed) { r.Images = r.Images[:2]; r.Images[0].Of = "2.4.1" },
			[]string{"release 2.6.0 has no management processor image", "release 2.6.0 has no line card image", "boot image alder-2.6.0-boot.img is of release 2.6.0, the system image of 2.4.1"}},
		{"all of one other release", func(r *Release, _ *Platform, _ *[]Installed) {
			for i := range r.Images {
				r.Images[i].Of = "2.6.0-rc.1"
			}
		}, nil},
		{"no hash", func(r *Release, _ *Platform, _ *[]Installed) { r.Images[0].SHA256 = "" }, []string{"system image alder-2.6.0-system.img has no hash to check it by"}},
		{"a short hash", func(r *Release, _ *Platform, _ *[]Installed) { r.Images[0].SHA256 = "aa" }, []string{`hash of system image alder-2.6.0-system.img: found "aa", want 64 hexadecimal digits`}},
		{"no size", func(r *Release, _ *Platform, _ *[]Installed) { r.Images[0].Size = 0 }, []string{"system image alder-2.6.0-system.img has no size"}},
		{"a file twice", func(r *Release, _ *Platform, _ *[]Installed) { r.Images = append(r.Images, r.Images[4]) }, []string{"file alder-2.6.0-lc96.img is listed twice"}},
		{"a name twice", func(r *Release, _ *Platform, _ *[]Installed) { r.Images[4].File = r.Images[3].File }, []string{"file alder-2.6.0-lc48.img is listed twice with different content"}},
		{"a port extender", func(r *Release, _ *Platform, _ *[]Installed) { r.PortExtenders = []string{"alder-pe-2"} }, []string{"release 2.6.0 does not support port extender part alder-pe (PE-101)"}},
		{"a supported port extender", func(r *Release, _ *Platform, _ *[]Installed) { r.PortExtenders = []string{"alder-pe"} }, nil},
		{"an unknown port extender", func(r *Release, _ *Platform, c *[]Installed) {
			r.PortExtenders, (*c)[4].Part = []string{"alder-pe"}, ""
		},
			[]string{"the part of port extender PE-101 is unknown, so whether release 2.6.0 supports it is too"}},
	} {
		rel, p, components := set()
		c.change(&rel, &p, &components)
		var got []string
		for _, x := range CheckImageSet(rel, p, components) {
			got = append(got, x.Text)
		}
		if d := cmp.Diff(c.want, got); d != "" {
			t.Errorf("%s (-want +got):\n%s", c.name, d)
		}
	}
}

func TestImagesForADevice(t *testing.T) {
	rel, p, components := set()
	files := func(c []Installed) string {
		var out []string
		for _, im := range ImagesFor(rel, c) {
			out = append(out, strings.TrimPrefix(im.File, "alder-2.6.0-"))
		}
		return strings.Join(out, " ")
	}
	if got, want := files(components), "system.img boot.img mp.img lc48.img lc96.img"; got != want {
		t.Errorf("all cards: got %s, want %s", got, want)
	}
	if got, want := files(components[:2]), "system.img boot.img mp.img lc48.img"; got != want {
		t.Errorf("one card: got %s, want %s", got, want)
	}
	if got, want := files([]Installed{{Kind: "LINECARD"}}), "system.img boot.img mp.img lc48.img lc96.img"; got != want {
		t.Errorf("a card of unknown part: got %s, want %s", got, want)
	}
	// A fabric card of that part number runs no line card image.
	if got, want := files([]Installed{{Kind: "FABRIC", Part: "alder-48"}}), "system.img boot.img mp.img"; got != want {
		t.Errorf("a part of another kind: got %s, want %s", got, want)
	}
	p.Scheme = dotted
	fw := Image{Kind: ImageFirmware, File: "lc-1.9.fw", Size: 1}
	path := Path{Hops: []Hop{{From: "2.4.1", To: "2.6.0", Firmware: []FirmwareStep{{Component: "LC-1", Image: fw}, {Component: "LC-2", Image: fw}, {Component: "LC-3"}}}}}
	hops, err := index(t, p).FitHops("alder-9", path, components)
	if err != nil || len(hops) != 1 || len(hops[0].Images) != 5 || len(hops[0].Firmware) != 1 || hops[0].Firmware[0].File != "lc-1.9.fw" {
		t.Errorf("hops: %+v %v", hops, err)
	}
	path.Hops[0].To = "9.9.9"
	if _, err := index(t, p).FitHops("alder-9", path, components); err == nil {
		t.Error("an unknown release has images")
	}
}
