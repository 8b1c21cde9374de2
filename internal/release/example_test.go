package release_test

import (
	"fmt"
	"strings"

	"towpath/internal/release"
	"towpath/internal/unit"
)

func catalogue() *release.Catalogue {
	three := func(m float64) release.Spread { return release.Spread{Least: m - 5, Likely: m, Most: m + 15} }
	image := func(file, digit string) []release.Image {
		return []release.Image{{Kind: release.ImageSystem, File: file, Size: 2 * unit.GiB, SHA256: strings.Repeat(digit, 64)}}
	}
	return &release.Catalogue{Platforms: []release.Platform{{
		ID: "alder-9",
		Scheme: release.VersionScheme{
			Pattern: `(?P<major>\d+)\.(?P<minor>\d+)\.(?P<patch>\d+)`,
			Order:   []release.OrderField{{Field: "major", As: release.AsNumber}, {Field: "minor", As: release.AsNumber}, {Field: "patch", As: release.AsNumber}},
		},
		Releases: []release.Release{
			{Version: "2.4.1", Images: image("alder-2.4.1.img", "1")}, {Version: "2.5.3", Images: image("alder-2.5.3.img", "2")}, {Version: "2.6.0", Images: image("alder-2.6.0.img", "3")},
		},
		Transitions: []release.Transition{
			{From: "2.4.1", To: "2.6.0", Method: release.InService, Minutes: three(35), Unless: []release.Condition{
				{Firmware: &release.FirmwareLevel{Kind: "LINECARD", Level: "1.9"}, Reason: "older cards forget their tables"},
			}},
			{From: "2.4.1", To: "2.5.3", Method: release.InService, Minutes: three(20)},
			{From: "2.5.3", To: "2.6.0", Method: release.InService, Minutes: three(25)},
			{From: "2.5.3..", To: "..2.5.3", Method: release.Reload, Minutes: three(15)},
		},
		Firmware: []release.Firmware{{Kind: "LINECARD", Level: "1.9", Minutes: 12}},
	}}}
}

func Example() {
	x, err := catalogue().Index()
	if err != nil {
		fmt.Println(err)
		return
	}
	now := release.Present{Device: "mere-agg-1", Platform: "alder-9", Release: "2.4.1", Components: []release.Installed{
		{Name: "RP0", Kind: "CONTROLLER_CARD"}, {Name: "LC-3", Kind: "LINECARD", Firmware: "1.7"},
	}}
	r, err := x.Search(now, "2.6.0", release.Options{AllowReload: true})
	if err != nil {
		fmt.Println(err)
		return
	}
	for i, p := range r.Paths {
		fmt.Printf("path %d: %d outages, %d exposed, %d hops, %g min\n", i+1, p.Cost.Outages, p.Cost.Exposure, p.Cost.Hops, p.Cost.Minutes)
		for j, h := range p.Hops {
			for _, f := range h.Firmware {
				fmt.Printf("  %s: firmware %s → %s\n", f.Component, f.From, f.To)
			}
			back, err := x.HopBack(now, p, j, release.Options{})
			if err != nil {
				fmt.Println(err)
				return
			}
			fmt.Printf("  %s → %s %s, back by %s\n", h.From, h.To, h.Method, back.Hops[0].Method)
		}
	}
	for _, j := range r.Rejections {
		fmt.Println(j.Text())
	}
	// Output:
	// path 1: 0 outages, 0 exposed, 1 hops, 47 min
	//   LC-3: firmware 1.7 → 1.9
	//   2.4.1 → 2.6.0 in-service, back by reload
	// path 2: 0 outages, 0 exposed, 2 hops, 45 min
	//   2.4.1 → 2.5.3 in-service, back by reload
	//   2.5.3 → 2.6.0 in-service, back by reload
	// 2.4.1 → 2.6.0 in service: line card LC-3 needs firmware 1.9, has 1.7; raise it first, +12 min
}

func ExampleFit() {
	x, err := catalogue().Index()
	if err != nil {
		fmt.Println(err)
		return
	}
	path := release.Path{Hops: []release.Hop{{From: "2.4.1", To: "2.5.3"}, {From: "2.5.3", To: "2.6.0"}}}
	hops, err := x.FitHops("alder-9", path, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	r := release.Fit(release.FitRequest{Hops: hops, Margin: unit.GiB, Volumes: []release.FitVolume{{
		Controller: "RP0", Name: "/images", Size: 9 * unit.GiB, Free: 4 * unit.GiB,
		Running: []string{"/images/alder-2.4.1.img"}, Boot: []string{"/images/alder-2.4.1.img"},
		Files: []release.StoredFile{
			{Path: "/images/alder-2.4.1.img", Size: 2 * unit.GiB}, {Path: "/images/alder-2.3.0.img", Size: 2 * unit.GiB}, {Path: "/images/core.tgz", Size: unit.GiB},
		},
	}}})
	for _, a := range r.Cards[0].Actions {
		fmt.Printf("before hop %d: %s %s (%s)\n", a.Before+1, a.Do, a.Path, a.Why)
	}
	fmt.Println("least free:", r.Cards[0].LeastFree)
	// Output:
	// before hop 1: copy alder-2.5.3.img (system image of hop 1)
	// before hop 2: delete /images/core.tgz (room is needed)
	// before hop 2: copy alder-2.6.0.img (system image of hop 2)
	// least free: 1GiB
}

func ExampleScheme_ParseVers() {
	x, _ := catalogue().Index()
	s, _ := x.Scheme("alder-9")
	affected, kind, err := s.ParseVers("vers:generic/>=2.4.0|!=2.5.3|<2.6.0")
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, text := range []string{"2.4.1", "2.5.3", "2.6.0"} {
		v, _ := s.Parse(text)
		fmt.Println(kind, text, affected.Contains(v))
	}
	// Output:
	// generic 2.4.1 true
	// generic 2.5.3 false
	// generic 2.6.0 false
}
