package readiness_test

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"towpath/internal/fleet"
	"towpath/internal/policy"
	"towpath/internal/readiness"
	"towpath/internal/release"
	"towpath/internal/state"
	"towpath/internal/state/statetest"
	"towpath/internal/unit"
)

var now = time.Date(2031, 3, 14, 22, 0, 0, 0, time.UTC)

// platform is the catalogue of alder-9: two hops up and two back, all in
// service, with a silence of at most 2 s.
func platform() release.Platform {
	images := func(v string) []release.Image {
		im := func(kind, file string) release.Image {
			return release.Image{Kind: kind, File: file, Size: 2 * unit.GiB, SHA256: statetest.Hash(file)}
		}
		return []release.Image{im(release.ImageSystem, "alder-9-"+v+".img"), im(release.ImageLineCard, "alder-9-lc-"+v+".img")}
	}
	rel := func(v string) release.Release {
		return release.Release{Version: v, Support: release.Supported, Images: images(v),
			Requires: []release.FirmwareLevel{{Kind: state.KindLineCard, Level: "1.9"}}}
	}
	hop := func(from, to string) release.Transition {
		return release.Transition{From: from, To: to, Method: release.InService, Minutes: release.Spread{Least: 10, Likely: 14, Most: 25},
			Silence: &release.SilenceRange{Least: 600 * time.Millisecond, Likely: time.Second, Most: 2 * time.Second},
			Unless:  []release.Condition{{Feature: "tunnel-offload", Reason: "its table is laid out anew"}, {Part: "AL9-LC24", Reason: "it restarts with the release"}}}
	}
	return release.Platform{ID: "alder-9",
		Scheme: release.VersionScheme{Pattern: `(?P<major>\d+)\.(?P<minor>\d+)\.(?P<patch>\d+)`,
			Order: []release.OrderField{{Field: "major", As: "number"}, {Field: "minor", As: "number"}, {Field: "patch", As: "number"}}},
		Releases:    []release.Release{rel("2.4.1"), rel("2.5.0"), rel("2.6.0")},
		Transitions: []release.Transition{hop("2.4.1", "2.5.0"), hop("2.5.0", "2.6.0"), hop("2.6.0", "2.5.0"), hop("2.5.0", "2.4.1")}}
}

// path is what the search finds for the healthy device.
func path(tb testing.TB, p release.Platform, c *state.Capture) release.Path {
	tb.Helper()
	x, err := (&release.Catalogue{Platforms: []release.Platform{p}}).Index()
	if err != nil {
		tb.Fatal(err)
	}
	present := release.Present{Device: c.Device, Platform: p.ID, Release: statetest.Release, Features: c.Features}
	for _, k := range c.Components {
		present.Components = append(present.Components, release.Installed{Name: k.Name, Kind: k.Kind, Part: k.Part.Or(""), Firmware: k.Firmware.Or("")})
	}
	res, err := x.Search(present, "2.6.0", release.Options{})
	if err != nil || len(res.Paths) == 0 {
		tb.Fatalf("no path: %v %+v", err, res.NoPath)
	}
	return res.Paths[0]
}

// ready is the input of a device for which every rule is clear.
func ready(tb testing.TB) *readiness.Input {
	c := statetest.Healthy(now.Add(-2 * time.Minute))
	earlier := statetest.Healthy(now.Add(-12 * time.Minute))
	partner := statetest.Healthy(now.Add(-time.Minute))
	partner.Device = statetest.Partner
	d := fleet.Device{ID: statetest.Device, Platform: statetest.Platform, Site: "mere", Features: []string{"bfd", "mpls", "vrrp"},
		Console: fleet.Console{Address: "127.0.0.1:7001"}}
	for _, k := range c.Components {
		d.Components = append(d.Components, fleet.Component{Name: k.Name, Kind: k.Kind, Part: k.Part.Or("")})
	}
	link := func(id string, a, b fleet.DeviceID) fleet.Link {
		return fleet.Link{ID: id, A: fleet.Endpoint{Device: a, Interface: id}, B: fleet.Endpoint{Device: b, Interface: id}, Capacity: 100e9}
	}
	f := &fleet.Fleet{Operator: "Ostermoor Water and Light",
		Devices: []fleet.Device{d, {ID: statetest.Partner, Platform: statetest.Platform}, {ID: "mere-edge-1", Serves: []string{"pumping station 4"}}},
		Links:   []fleet.Link{link("port-1", statetest.Device, "mere-edge-1"), link("port-2", statetest.Partner, "mere-edge-1"), link("port-3", statetest.Device, statetest.Partner)},
		Groups:  []fleet.RedundancyGroup{{Name: "mere", Members: []fleet.DeviceID{statetest.Device, statetest.Partner}, AtLeast: 1}}}
	p := platform()
	in := &readiness.Input{Device: d, Fleet: f, Platform: p, Path: path(tb, p, c), Capture: c, Earlier: earlier, Policy: policy.Default(), Now: now,
		Partners: map[fleet.DeviceID]readiness.Partner{
			statetest.Partner: {Capture: partner, Upgrading: state.Some(false)}, "mere-edge-1": {Upgrading: state.Some(false)}},
		Observed: readiness.Observed{AnsweredBy: state.Some("CTL-A"), Console: state.Some(true), Certificate: state.Some(now.Add(90 * 24 * time.Hour)),
			Management: state.Some(readiness.Reach{Asked: 5, Answered: 5, Slowest: 12 * time.Millisecond}),
			Storage:    []readiness.CardFit{{Controller: "CTL-A", Fits: true}, {Controller: "CTL-B", Fits: true}}}}
	for _, a := range c.Adjacencies {
		o := readiness.AdjacencyOutlook{Object: a.Name(), Outcome: readiness.Holds, Survive: 1, Carries: a.Protocol != state.LLDP, Why: "its timer is longer"}
		if a.Protocol == state.BGP && a.Neighbour == "198.51.100.1" {
			o.Outcome = readiness.RestartsGracefully
		}
		in.Outlook = append(in.Outlook, o)
	}
	return in
}

func check(tb testing.TB, in *readiness.Input) readiness.Report {
	tb.Helper()
	r, err := readiness.Check(context.Background(), *in)
	if err != nil {
		tb.Fatal(err)
	}
	return r
}

// worst is the worst verdict of a rule's findings.
func worst(r readiness.Report, rule string) readiness.Verdict {
	rank := map[readiness.Verdict]int{readiness.Clear: 0, readiness.Caution: 1, readiness.Unknown: 2, readiness.Blocker: 3}
	v := readiness.Clear
	for _, f := range r.Findings {
		if f.Rule == rule && rank[f.Verdict] > rank[v] {
			v = f.Verdict
		}
	}
	return v
}

// of are the findings of a rule.
func of(r readiness.Report, rule string) []readiness.Finding {
	var out []readiness.Finding
	for _, f := range r.Findings {
		if f.Rule == rule {
			out = append(out, f)
		}
	}
	return out
}

// breakage is one fact that is made wrong or unknown: the rule must give the
// verdict, say the words, and no other rule but those in also may say anything
// else than before.
type breakage struct {
	rule  string
	name  string
	want  readiness.Verdict
	words string
	do    func(in *readiness.Input)
	also  []string
}

func comp(in *readiness.Input, name string) *state.Component {
	i := slices.IndexFunc(in.Capture.Components, func(k state.Component) bool { return k.Name == name })
	return &in.Capture.Components[i]
}

func adj(in *readiness.Input, label string) *state.Adjacency {
	i := slices.IndexFunc(in.Capture.Adjacencies, func(a state.Adjacency) bool { return strings.HasPrefix(a.Name(), label) })
	return &in.Capture.Adjacencies[i]
}

func outlook(in *readiness.Input, label string) *readiness.AdjacencyOutlook {
	i := slices.IndexFunc(in.Outlook, func(o readiness.AdjacencyOutlook) bool { return strings.HasPrefix(o.Object, label) })
	return &in.Outlook[i]
}

// reload turns every hop into a reload.
func reload(in *readiness.Input) {
	for i := range in.Path.Hops {
		in.Path.Hops[i].Method, in.Path.Hops[i].Silence = release.Reload, nil
		in.Platform.Transitions[i].Method, in.Platform.Transitions[i].Silence = release.Reload, nil
	}
	in.Path.Cost.Outages = len(in.Path.Hops)
}

// silence sets the longest silence of the first hop.
func silence(in *readiness.Input, most time.Duration) {
	s := *in.Path.Hops[0].Silence
	s.Most = most
	in.Path.Hops[0].Silence = &s
}

// stage puts an image of the first hop on CTL-B.
func stage(in *readiness.Input, f state.File) {
	if f.Size == 0 {
		f.Size = 2 * unit.GiB
	}
	f.Path = statetest.Mount + "/alder-9-2.5.0.img"
	v := &in.Capture.Volumes[1]
	v.Files = append(v.Files, f)
}

func partner(in *readiness.Input) *state.Capture { return in.Partners[statetest.Partner].Capture }

func setPartner(in *readiness.Input, p readiness.Partner) { in.Partners[statetest.Partner] = p }

func none[T any]() state.Opt[T] { return state.Opt[T]{} }

// inServiceOnly are the rules that have nothing to say of a path by reload.
var inServiceOnly = []string{"controllers-present", "controllers-same-release", "secondary-ready", "state-synchronised", "switchover-recent",
	"lacp-timeout", "adjacencies-survive", "graceful-restart-both-ends", "bfd-and-restart"}

// breakages exercises every rule. What is right is not our choice alone: the
// facts and their words are OpenConfig's, the thresholds those of policy.Default
// or computed from the timers of the standards named in the rules.
func breakages() []breakage {
	const clear, caution, blocker, unknown = readiness.Clear, readiness.Caution, readiness.Blocker, readiness.Unknown
	yes, no, some := state.Some(true), state.Some(false), state.Some[string]
	type in = readiness.Input
	bgp := "bgp 198.51.100.1"
	return []breakage{
		{"facts-read", "something unread", unknown, "MAC table: timeout", func(in *in) { in.Capture.Unread = []string{"MAC table: timeout"} }, nil},
		{"facts-read", "incomplete", unknown, "does not say that it is complete", func(in *in) { in.Capture.Complete = false },
			[]string{"logical-network-elements", "port-extenders-compatible"}}, // of which there are none
		{"capture-recent", "old", blocker, "captured 16m0s ago", func(in *in) { in.Capture.TakenAt = now.Add(-16 * time.Minute) }, []string{"route-churn", "mac-churn"}},
		{"capture-recent", "from tomorrow", blocker, "24h0m0s from now", func(in *in) { in.Capture.TakenAt = now.Add(24 * time.Hour) }, []string{"route-churn", "mac-churn"}},
		{"capture-recent", "timeless", unknown, "does not say when", func(in *in) { in.Capture.TakenAt = time.Time{} }, []string{"route-churn", "mac-churn"}},
		{"device-identity", "other device", blocker, "mere-agg-2", func(in *in) { in.Capture.Device = statetest.Partner }, nil},
		{"device-identity", "other host name", blocker, `"mere-agg-7"`, func(in *in) { in.Capture.Hostname = some("mere-agg-7") }, nil},
		{"device-identity", "full host name", clear, "mere-agg-1.ostermoor.example", func(in *in) { in.Capture.Hostname = some("mere-agg-1.ostermoor.example") }, nil},
		{"device-identity", "no host name", unknown, "host name: unknown", func(in *in) { in.Capture.Hostname = none[string]() }, nil},
		{"device-identity", "no device", unknown, "does not say of which device", func(in *in) { in.Capture.Device = "" }, nil},
		{"platform-matches", "other platform", blocker, `"elder-4"`, func(in *in) { in.Device.Platform = "elder-4" }, nil},
		{"platform-matches", "other chassis", blocker, "AL9-CH04", func(in *in) {
			in.Capture.Components[slices.IndexFunc(in.Capture.Components, func(k state.Component) bool { return k.Kind == state.KindChassis })].Part = some("AL9-CH04")
		}, []string{"inventory-matches"}},
		{"platform-matches", "no release", unknown, "running release: unknown", func(in *in) { in.Capture.Release = none[string]() }, []string{"path-found", "next-start"}},
		{"platform-matches", "strange release", blocker, "XR7", func(in *in) { in.Capture.Release = some("XR7") }, []string{"path-found", "next-start"}},
		{"path-found", "no path", blocker, "no hop", func(in *in) { in.Path = release.Path{} }, []string{"path-open", "path-interrupts", "release-support", "way-back", "image-set-compatible",
			"image-set-covers", "lacp-timeout", "graceful-restart-both-ends", "freeze-calendar", "firmware-levels", "image-integrity"}},
		{"path-found", "elsewhere", blocker, "the device runs 2.5.0, the path starts at 2.4.1", func(in *in) { in.Capture.Release = some("2.5.0") }, []string{"platform-matches", "next-start"}},
		{"path-found", "broken", blocker, "hop 2 starts at 2.4.1", func(in *in) { in.Path.Hops[1].From = "2.4.1" }, []string{"path-open"}},
		{"path-found", "no release", unknown, "running release: unknown", func(in *in) { in.Capture.Release = none[string]() }, []string{"platform-matches", "next-start"}},
		{"path-open", "barred part", blocker, "AL9-LC24", func(in *in) { comp(in, "LC-2").Part = some("AL9-LC24") }, []string{"inventory-matches"}},
		{"path-open", "barred feature", blocker, "feature tunnel-offload is in use", func(in *in) {
			in.Capture.Features = append(in.Capture.Features, "tunnel-offload")
			in.Device.Features = append(in.Device.Features, "tunnel-offload")
		}, []string{"features-listed"}},
		{"path-open", "part unknown", unknown, "part or firmware unknown of LC-2", func(in *in) { comp(in, "LC-2").Part = none[string]() }, nil},
		{"path-open", "no such transition", blocker, "2.4.1 → 2.5.0 in-service is not in the catalogue", func(in *in) {
			in.Platform.Transitions[0].Method, in.Platform.Transitions[0].Silence = release.Reload, nil
		}, nil},
		{"path-open", "firmware of a part that is not there", blocker, "it is not there", func(in *in) {
			in.Path.Hops[0].Firmware = []release.FirmwareStep{{Component: "LC-9", From: "1.8", To: "1.9"}}
		}, []string{"firmware-levels"}},
		{"path-interrupts", "reload", caution, "traffic stops for 10 to 25 min", reload, append([]string{"path-found"}, inServiceOnly...)},
		{"path-interrupts", "firmware step", caution, "LC-1", func(in *in) {
			in.Path.Hops[0].Firmware = []release.FirmwareStep{{Component: "LC-1", From: "1.9", To: "2.0", Outage: true, Minutes: 8}}
		}, []string{"firmware-levels", "freeze-calendar"}},
		{"path-interrupts", "no path", unknown, "there is no path", func(in *in) { in.Path = release.Path{} }, []string{"path-found", "path-open", "release-support", "way-back", "image-set-compatible",
			"image-set-covers", "lacp-timeout", "graceful-restart-both-ends", "freeze-calendar", "firmware-levels", "image-integrity"}},
		{"release-support", "target defective", blocker, "target 2.6.0 is defective: loses routes", func(in *in) {
			in.Platform.Releases[2].Support, in.Platform.Releases[2].Note = release.Defective, "loses routes"
		}, nil},
		{"release-support", "hop withdrawn", caution, "intermediate release 2.5.0 is withdrawn", func(in *in) { in.Platform.Releases[1].Support = release.Withdrawn }, nil},
		{"release-support", "end of support", caution, "target 2.6.0 is end-of-support", func(in *in) { in.Platform.Releases[2].Support = release.EndOfSupport }, nil},
		{"release-support", "not said", unknown, "does not say", func(in *in) { in.Platform.Releases[2].Support = "" }, nil},
		{"way-back", "none", blocker, "configuration is converted", func(in *in) { in.Path.Back, in.Path.NoBack = nil, "configuration is converted" }, nil},
		{"way-back", "by reload", caution, "1 outages", func(in *in) { in.Path.BackCost.Outages = 1 }, nil},
		{"way-back", "not computed", unknown, "no way back was computed", func(in *in) { in.Path.Back = nil }, nil},
		{"inventory-matches", "missing", caution, "LINECARD of the inventory is not there", func(in *in) {
			in.Device.Components = append(in.Device.Components, fleet.Component{Name: "LC-4", Kind: state.KindLineCard})
		}, nil},
		{"inventory-matches", "other part", caution, "AL9-FAN2", func(in *in) { comp(in, "FAN-1").Part = some("AL9-FAN2") }, nil},
		{"inventory-matches", "perhaps unread", unknown, "not complete", func(in *in) {
			in.Capture.Complete = false
			in.Device.Components = append(in.Device.Components, fleet.Component{Name: "LC-4", Kind: state.KindLineCard})
		}, []string{"facts-read", "logical-network-elements", "port-extenders-compatible"}},

		{"controllers-present", "one", blocker, "1 controller card: CTL-A", func(in *in) { comp(in, "CTL-B").Empty = yes },
			[]string{"one-primary", "controllers-same-release", "secondary-ready", "storage-fit", "storage-writable", "next-start", "image-set-covers", "default-storage",
				"components-active", "components-unfailed", "components-matched", "components-healthy", "components-settled", "inventory-matches", "image-integrity"}},
		{"controllers-present", "down", blocker, "INACTIVE", func(in *in) { comp(in, "CTL-B").Oper = some(state.OperInactive) }, []string{"components-active"}},
		{"controllers-present", "perhaps one", unknown, "not complete", func(in *in) { comp(in, "CTL-B").Empty = yes; in.Capture.Complete = false },
			[]string{"one-primary", "controllers-same-release", "secondary-ready", "storage-fit", "storage-writable", "next-start", "image-set-covers", "default-storage", "facts-read", "logical-network-elements",
				"port-extenders-compatible", "components-active", "components-unfailed", "components-matched", "components-healthy", "components-settled", "inventory-matches", "image-integrity"}},
		{"controllers-present", "by reload", clear, "reload", reload, append([]string{"path-found", "path-interrupts"}, inServiceOnly...)},
		{"one-primary", "two", blocker, "CTL-A PRIMARY, CTL-B PRIMARY", func(in *in) { comp(in, "CTL-B").Role = some(state.Primary) }, []string{"request-to-primary"}},
		{"one-primary", "role unknown", unknown, "role: unknown", func(in *in) { comp(in, "CTL-B").Role = none[string]() }, nil},
		{"controllers-same-release", "two releases", blocker, "CTL-B runs 2.4.0", func(in *in) { comp(in, "CTL-B").Version = some("2.4.0") }, nil},
		{"controllers-same-release", "version unknown", unknown, "version: unknown", func(in *in) { comp(in, "CTL-B").Version = none[string]() }, nil},
		{"secondary-ready", "disagreement", blocker, "disagree: CTL-A says ready, CTL-B says not ready", func(in *in) { comp(in, "CTL-B").SwitchoverReady = no }, nil},
		{"secondary-ready", "not ready", blocker, "CTL-A says not ready", func(in *in) {
			comp(in, "CTL-A").SwitchoverReady, comp(in, "CTL-B").SwitchoverReady = no, no
		}, nil},
		{"secondary-ready", "unknown", unknown, "ready for switchover: unknown", func(in *in) { comp(in, "CTL-B").SwitchoverReady = none[bool]() }, nil},
		{"state-synchronised", "neither", caution, "own yes, neighbour's help no", func(in *in) {
			adj(in, "isis").Restart.Nonstop, adj(in, "isis").Restart.Helper = no, no
		}, nil},
		{"state-synchronised", "nonstop unknown", unknown, "nonstop: unknown", func(in *in) {
			adj(in, "isis").Restart.Nonstop, adj(in, "isis").Restart.Helper = none[bool](), no
		}, nil},
		{"state-synchronised", "help unknown", unknown, "neighbour's help unknown", func(in *in) {
			adj(in, "isis").Restart.Nonstop, adj(in, "isis").Restart.Helper = no, none[bool]()
		}, nil},
		{"request-to-primary", "secondary answers", blocker, "CTL-B answers, the primary is CTL-A", func(in *in) { in.Observed.AnsweredBy = some("CTL-B") }, nil},
		{"acts-able", "no way to restart", blocker, "it cannot restart the whole device", func(in *in) { in.Observed.Cannot = []string{"restart the whole device"} }, nil},
		{"acts-able", "nobody asked", unknown, "nothing was connected to", func(in *in) { in.Observed.Management = none[readiness.Reach]() }, []string{"management-reachable"}},
		{"request-to-primary", "unknown", unknown, "which controller card answers: unknown", func(in *in) { in.Observed.AnsweredBy = none[string]() }, nil},
		{"switchover-recent", "recent", caution, "last switchover 10m0s ago", func(in *in) { comp(in, "CTL-A").LastSwitchover = state.Some(now.Add(-10 * time.Minute)) }, nil},
		{"switchover-recent", "never", clear, "no switchover since the start", func(in *in) {
			comp(in, "CTL-A").LastSwitchover, comp(in, "CTL-B").LastSwitchover = none[time.Time](), none[time.Time]()
		}, nil},
		{"switchover-recent", "unread", unknown, "not complete", func(in *in) {
			comp(in, "CTL-A").LastSwitchover, comp(in, "CTL-B").LastSwitchover = none[time.Time](), none[time.Time]()
			in.Capture.Complete = false
		}, []string{"facts-read", "logical-network-elements", "port-extenders-compatible"}},

		{"storage-fit", "short", blocker, "300MiB short", func(in *in) {
			in.Observed.Storage[1] = readiness.CardFit{Controller: "CTL-B", Short: 300 * unit.MiB}
		}, nil},
		{"storage-fit", "after deletion", caution, "/images/alder-9-2.4.0.img", func(in *in) { in.Observed.Storage[1].Delete = []string{"/images/alder-9-2.4.0.img"} }, nil},
		{"storage-fit", "not computed", unknown, "was not computed", func(in *in) { in.Observed.Storage = in.Observed.Storage[:1] }, nil},
		{"storage-writable", "read-only", blocker, "read-only: yes", func(in *in) { in.Capture.Volumes[1].ReadOnly = yes }, nil},
		{"storage-writable", "unknown", unknown, "read-only: unknown", func(in *in) { in.Capture.Volumes[1].ReadOnly = none[bool]() }, nil},
		{"default-storage", "another on the other card", blocker, "default is /images on CTL-A and /usb on CTL-B", func(in *in) { in.Capture.Volumes[1].Mount = "/usb" }, nil},
		{"default-storage", "card's own names", clear, "default /CTL-A/flash", func(in *in) {
			in.Capture.Volumes[0].Mount, in.Capture.Volumes[1].Mount = "/CTL-A/flash", "/CTL-B/flash"
		}, nil},
		{"default-storage", "none", blocker, "0 default volumes", func(in *in) { in.Capture.Volumes[1].Default = no }, nil},
		{"default-storage", "unknown", unknown, "whether it is the default: unknown", func(in *in) { in.Capture.Volumes[1].Default = none[bool]() }, nil},
		{"next-start", "another release", blocker, "starts 2.4.0 next, runs 2.4.1", func(in *in) { in.Capture.Boot[1].Version = some("2.4.0") }, nil},
		{"next-start", "file not there", blocker, "which is not there", func(in *in) { in.Capture.Boot[1].Image = some("/images/gone.img") }, nil},
		{"next-start", "different files", blocker, "different files", func(in *in) { in.Capture.Boot[1].Image = some("/images/alder-9-2.4.0.img") }, nil},
		{"next-start", "version unknown", unknown, "release it starts next: unknown", func(in *in) { in.Capture.Boot[1].Version = none[string]() }, nil},
		{"next-start", "image unknown", unknown, "file it starts from: unknown", func(in *in) { in.Capture.Boot[1].Image = none[string]() }, nil},
		{"next-start", "entry unknown", unknown, "what it starts next: unknown", func(in *in) { in.Capture.Boot = in.Capture.Boot[:1] }, nil},
		{"image-integrity", "right", clear, "1 file has the size and SHA-256", func(in *in) { stage(in, state.File{SHA256: some(statetest.Hash("alder-9-2.5.0.img"))}) }, nil},
		{"image-integrity", "right by our own hash", clear, "1 file has the size and SHA-256", func(in *in) {
			stage(in, state.File{})
			in.Observed.Hashes = []readiness.FileHash{{Controller: "CTL-B", Path: "/images/alder-9-2.5.0.img", SHA256: statetest.Hash("alder-9-2.5.0.img")}}
		}, nil},
		{"image-integrity", "damaged", blocker, "the catalogue has", func(in *in) { stage(in, state.File{SHA256: some(statetest.Hash("other"))}) }, nil},
		{"image-integrity", "cut short", blocker, "1GiB, the catalogue has 2GiB", func(in *in) { stage(in, state.File{Size: unit.GiB}) }, nil},
		{"image-integrity", "hash unread", unknown, "SHA-256 of the file: unknown", func(in *in) { stage(in, state.File{}) }, nil},
		{"image-integrity", "no hash in the catalogue", unknown, "the catalogue gives no SHA-256", func(in *in) {
			in.Platform.Releases[1].Images[0].SHA256 = ""
			stage(in, state.File{SHA256: some(statetest.Hash("x"))})
		}, nil},
		{"image-integrity", "files unread", unknown, "files: unknown", func(in *in) { in.Capture.Volumes[1].FilesKnown, in.Capture.Volumes[1].Files = false, nil }, []string{"next-start"}},
		{"image-set-compatible", "of another release", blocker, "line-card image alder-9-lc-2.6.0.img of release 2.6.0 is of 2.5.9", func(in *in) { in.Platform.Releases[2].Images[1].Of = "2.5.9" }, nil},
		{"image-set-compatible", "no images", unknown, "images of 2.6.0: not in the catalogue", func(in *in) { in.Platform.Releases[2].Images = nil }, []string{"image-set-covers"}},
		{"image-set-covers", "no image for the part", blocker, "2.6.0 has no line-card image for line card AL9-LC48", func(in *in) { in.Platform.Releases[2].Images[1].Parts = []string{"AL9-LC24"} }, nil},
		{"image-set-covers", "no system image", blocker, "no system image for controller card", func(in *in) { in.Platform.Releases[2].Images[0].Kind = release.ImageBoot }, nil},
		{"image-set-covers", "part unknown", unknown, "part: unknown", func(in *in) {
			in.Platform.Releases[2].Images[1].Parts = []string{"AL9-LC48"}
			comp(in, "LC-1").Part = none[string]()
		}, []string{"path-open"}},
		{"image-set-covers", "no line-card images", clear, "4 cards", func(in *in) {
			for i := range in.Platform.Releases {
				in.Platform.Releases[i].Images = in.Platform.Releases[i].Images[:1]
			}
		}, []string{"image-set-compatible"}},
		{"firmware-levels", "too low", blocker, "firmware 1.7, 2.5.0 needs 1.9", func(in *in) { comp(in, "LC-2").Firmware = some("1.7") }, []string{"path-open"}},
		{"firmware-levels", "raised on the path", clear, "LC-2 is raised from 1.7 to 1.10", func(in *in) {
			comp(in, "LC-2").Firmware = some("1.7")
			in.Path.Hops[0].Firmware = []release.FirmwareStep{{Component: "LC-2", From: "1.7", To: "1.10"}}
		}, nil},
		{"firmware-levels", "unknown", unknown, "firmware: unknown; 2.5.0 needs 1.9", func(in *in) { comp(in, "LC-2").Firmware = none[string]() }, []string{"path-open"}},

		{"components-active", "booting", blocker, "operational status INACTIVE", func(in *in) { comp(in, "LC-2").Oper = some(state.OperInactive) }, nil},
		{"components-active", "switched off", caution, "switched off by its configuration", func(in *in) {
			comp(in, "LC-2").Oper, comp(in, "LC-2").PowerAdmin = some(state.OperDisabled), some("POWER_DISABLED")
		}, nil},
		{"components-active", "unknown", unknown, "operational status: unknown", func(in *in) { comp(in, "FAB-1").Oper = none[string]() }, nil},
		{"components-unfailed", "failed", blocker, "failure: yes", func(in *in) { comp(in, "FAB-1").Failure = yes }, nil},
		{"components-unfailed", "unknown", unknown, "failure: unknown", func(in *in) { comp(in, "FAB-1").Failure = none[bool]() }, nil},
		{"components-matched", "mismatch", blocker, "mismatch: yes", func(in *in) { comp(in, "LC-1").Mismatch = yes }, nil},
		{"components-matched", "unknown", unknown, "mismatch: unknown", func(in *in) { comp(in, "LC-1").Mismatch = none[bool]() }, nil},
		{"components-healthy", "unhealthy", blocker, "UNHEALTHY", func(in *in) { comp(in, "FAN-1").Health = some("UNHEALTHY") }, nil},
		{"components-healthy", "unknown", unknown, "health: unknown", func(in *in) { comp(in, "LC-1").Health = none[string]() }, nil},
		{"components-healthy", "unspecified", unknown, "UNSPECIFIED", func(in *in) { comp(in, "LC-1").Health = some("UNSPECIFIED") }, nil},
		{"components-settled", "just started", caution, "started 5m0s ago", func(in *in) { comp(in, "LC-1").BootTime = state.Some(now.Add(-5 * time.Minute)) }, nil},
		{"components-settled", "unknown", unknown, "boot time: unknown", func(in *in) { comp(in, "LC-1").BootTime = none[time.Time]() }, nil},
		{"port-extenders-compatible", "supported", clear, "1 of 1 are supported", extender("AL9-PX2", "AL9-PX2"), []string{"components-active", "components-unfailed", "components-matched"}},
		{"port-extenders-compatible", "not supported", blocker, "part AL9-PX1; 2.5.0 supports AL9-PX2", extender("AL9-PX1", "AL9-PX2"), []string{"components-active", "components-unfailed", "components-matched"}},
		{"port-extenders-compatible", "part unknown", unknown, "part: unknown", extender("", "AL9-PX2"), []string{"components-active", "components-unfailed", "components-matched", "path-open"}},
		{"power-redundant", "not", blocker, "power is redundant: no", func(in *in) { in.Capture.Power.Redundant = no }, nil},
		{"power-redundant", "unknown", unknown, "power is redundant: unknown", func(in *in) { in.Capture.Power.Redundant = none[bool]() }, nil},
		{"power-supplies", "down", blocker, "INACTIVE", func(in *in) { comp(in, "PSU-1").Oper = some(state.OperInactive) }, nil},
		{"power-supplies", "failed", blocker, "failure: yes", func(in *in) { comp(in, "PSU-1").Failure = yes }, nil},
		{"power-supplies", "unknown", unknown, "operational status: unknown", func(in *in) { comp(in, "PSU-1").Oper = none[string]() }, nil},
		{"power-feeds", "lost", blocker, "feed is there: no", func(in *in) { in.Capture.Power.Feeds[1].OK = no }, nil},
		{"power-feeds", "none told", clear, "no power feeds", func(in *in) { in.Capture.Power.Feeds = nil }, nil},
		{"power-feeds", "unknown", unknown, "feed is there: unknown", func(in *in) { in.Capture.Power.Feeds[1].OK = none[bool]() }, nil},
		{"fans", "failed", blocker, "failure: yes", func(in *in) { comp(in, "FAN-2").Failure = yes }, nil},
		{"fans", "unknown", unknown, "operational status: unknown", func(in *in) { comp(in, "FAN-2").Oper = none[string]() }, nil},
		{"temperature", "hot", blocker, "70.5 °C, the limit is 70 °C", func(in *in) { comp(in, "LC-2").Celsius = state.Some(70.5) }, nil},
		{"temperature", "unknown", unknown, "temperature: unknown", func(in *in) { comp(in, "LC-2").Celsius = none[float64]() }, nil},
		{"temperature", "by its sensor", clear, "highest of 6 temperatures is 55 °C", func(in *in) {
			comp(in, "LC-2").Celsius = none[float64]()
			comp(in, "LC-1").Celsius = state.Some(41.0)
			in.Capture.Components = append(in.Capture.Components, state.Component{Name: "LC-2-TEMP", Kind: state.KindSensor, Parent: "LC-2", Celsius: state.Some(55.0)},
				state.Component{Name: "AIR", Kind: state.KindSensor, Celsius: state.Some(21.0)})
		}, nil},
		{"alarms", "major", blocker, "MAJOR: fan slow", func(in *in) {
			in.Capture.Alarms = []state.Alarm{{ID: "1", Severity: "MAJOR", Text: "fan slow", Resource: "FAN-1"}}
		}, nil},
		{"alarms", "minor", caution, "MINOR: door open", func(in *in) { in.Capture.Alarms = []state.Alarm{{ID: "1", Severity: "MINOR", Text: "door open"}} }, nil},
		{"alarms", "unknown", unknown, "active alarms: unknown", func(in *in) { in.Capture.AlarmsKnown = false }, nil},
		{"crash-files", "new", blocker, "written 1h0m0s ago", func(in *in) {
			in.Capture.CrashFiles = []state.File{{Path: "/crash/rib.core", Modified: state.Some(now.Add(-time.Hour))}}
		}, nil},
		{"crash-files", "of unknown age", blocker, "unknown age", func(in *in) { in.Capture.CrashFiles = []state.File{{Path: "/crash/rib.core"}} }, nil},
		{"crash-files", "old", caution, "before the system last started", func(in *in) {
			in.Capture.CrashFiles = []state.File{{Path: "/crash/rib.core", Modified: state.Some(now.Add(-9000 * time.Hour))}}
		}, nil},
		{"crash-files", "unknown", unknown, "crash files: unknown", func(in *in) { in.Capture.CrashKnown = false }, nil},

		{"configuration-unlocked", "locked", blocker, "held by ada", func(in *in) { in.Capture.Configuration.Locked = some("ada") }, nil},
		{"configuration-unlocked", "unknown", unknown, "lock: unknown", func(in *in) { in.Capture.Configuration.Locked = none[string]() }, nil},
		{"configuration-saved", "unsaved", blocker, "unsaved change: yes", func(in *in) { in.Capture.Configuration.Unsaved = yes }, nil},
		{"configuration-saved", "unknown", unknown, "unsaved change: unknown", func(in *in) { in.Capture.Configuration.Unsaved = none[bool]() }, nil},
		{"configuration-backed-up", "changed since", blocker, "changed 1h0m0s ago", func(in *in) { in.Capture.Configuration.Changed = state.Some(now.Add(-time.Hour)) }, nil},
		{"configuration-backed-up", "too long ago", blocker, "the limit is 24h0m0s", func(in *in) { in.Capture.Configuration.Backup = state.Some(now.Add(-25 * time.Hour)) }, nil},
		{"configuration-backed-up", "no backup known", unknown, "last backup: unknown", func(in *in) { in.Capture.Configuration.Backup = none[time.Time]() }, nil},
		{"configuration-backed-up", "no change known", unknown, "last change: unknown", func(in *in) { in.Capture.Configuration.Changed = none[time.Time]() }, nil},
		{"maintenance-off", "on", blocker, "maintenance mode: yes", func(in *in) { in.Capture.Maintenance = yes }, nil},
		{"maintenance-off", "unknown", unknown, "maintenance mode: unknown", func(in *in) { in.Capture.Maintenance = none[bool]() }, nil},
		{"features-listed", "not listed", caution, "feature ptp is in use", func(in *in) { in.Capture.Features = append(in.Capture.Features, "ptp") }, nil},
		{"features-listed", "unread", unknown, "not complete", func(in *in) { in.Capture.Features, in.Capture.Complete = nil, false },
			[]string{"facts-read", "logical-network-elements", "port-extenders-compatible", "path-open"}},

		{"interfaces-known", "down", caution, "switched on and DOWN", func(in *in) { in.Capture.Interfaces[0].Oper = some("DOWN") }, nil},
		{"interfaces-known", "switched off", clear, "10 interfaces", func(in *in) {
			in.Capture.Interfaces[0].Admin, in.Capture.Interfaces[0].Oper = some("DOWN"), some("DOWN")
		}, nil},
		{"interfaces-known", "unknown", unknown, "status: unknown", func(in *in) { in.Capture.Interfaces[0].Oper = none[string]() }, nil},
		{"spanning-tree-quiet", "in motion", blocker, "last topology change 9m0s ago", func(in *in) { in.Capture.SpanningTrees[0].LastChange = state.Some(now.Add(-9 * time.Minute)) }, nil},
		{"spanning-tree-quiet", "just quiet enough", clear, "no topology change", func(in *in) { in.Capture.SpanningTrees[0].LastChange = state.Some(now.Add(-10 * time.Minute)) }, nil},
		{"spanning-tree-quiet", "no tree", clear, "no spanning tree", func(in *in) { in.Capture.SpanningTrees = nil }, []string{"spanning-tree-root"}},
		{"spanning-tree-quiet", "unknown", unknown, "last topology change: unknown", func(in *in) { in.Capture.SpanningTrees[0].LastChange = none[time.Time]() }, nil},
		{"spanning-tree-quiet", "never", clear, "no topology change", func(in *in) {
			in.Capture.SpanningTrees[0].LastChange, in.Capture.SpanningTrees[0].Changes = none[time.Time](), state.Some[uint64](0)
		}, nil},
		// 3 hello times of 2 s, of which one may have passed.
		// Source: IEEE 802.1D-2004 §17.21.23.
		{"spanning-tree-root", "root, short silence", caution, "its neighbours wait 6s, it is silent for at most 2s", func(in *in) { in.Capture.SpanningTrees[0].Root = yes }, nil},
		{"spanning-tree-root", "root, long silence", caution, "elect another after 6s, it may be silent for 4.1s", func(in *in) {
			in.Capture.SpanningTrees[0].Root = yes
			silence(in, 4100*time.Millisecond)
		}, []string{"lacp-timeout", "graceful-restart-both-ends"}},
		{"spanning-tree-root", "unknown", unknown, "whether the device is the root: unknown", func(in *in) { in.Capture.SpanningTrees[0].Root = none[bool]() }, nil},
		// Source: IEEE 802.1AX, Short_Timeout_Time 3 s and Long_Timeout_Time 90 s;
		// the last LACPDU may be 1 s and 30 s old, which leaves 2 s and 60 s.
		{"lacp-timeout", "short, just short enough", clear, "longer than a silence of 2s", func(in *in) { in.Capture.Aggregates[0].Members[0].PartnerTimeout = some("SHORT") }, nil},
		{"lacp-timeout", "short", blocker, "the partner waits 3s", func(in *in) {
			in.Capture.Aggregates[0].Members[0].PartnerTimeout = some("SHORT")
			silence(in, 2100*time.Millisecond)
		}, []string{"graceful-restart-both-ends"}},
		{"lacp-timeout", "long, just long enough", clear, "1m0s", func(in *in) { silence(in, time.Minute) }, []string{"graceful-restart-both-ends"}},
		{"lacp-timeout", "long", blocker, "the partner waits 1m30s", func(in *in) { silence(in, 61*time.Second) }, []string{"graceful-restart-both-ends"}},
		{"lacp-timeout", "partner unknown", unknown, "timeout of the partner: unknown", func(in *in) { in.Capture.Aggregates[0].Members[0].PartnerTimeout = none[string]() }, nil},
		{"lacp-timeout", "silence unknown", unknown, "the expected silence: unknown", func(in *in) { in.Path.Hops[1].Silence = nil }, []string{"graceful-restart-both-ends"}},
		{"aggregate-members", "not distributing", blocker, "distributing: no", func(in *in) { in.Capture.Aggregates[0].Members[0].Distributing = no }, nil},
		{"aggregate-members", "not collecting", blocker, "collecting: no", func(in *in) { in.Capture.Aggregates[0].Members[0].Collecting = no }, nil},
		{"aggregate-members", "unknown", unknown, "distributing: unknown", func(in *in) { in.Capture.Aggregates[0].Members[0].Distributing = none[bool]() }, nil},
		{"aggregate-min-links", "at the edge", caution, "3 members carry traffic, needs 3", func(in *in) { in.Capture.Aggregates[0].MinLinks = state.Some(3) }, nil},
		{"aggregate-min-links", "below", blocker, "3 members carry traffic, needs 4", func(in *in) { in.Capture.Aggregates[0].MinLinks = state.Some(4) }, nil},
		{"aggregate-min-links", "unknown", unknown, "least number of members: unknown", func(in *in) { in.Capture.Aggregates[0].MinLinks = none[int]() }, nil},
		{"aggregate-min-links", "no aggregates", clear, "no aggregates", func(in *in) { in.Capture.Aggregates = nil }, []string{"aggregate-members", "lacp-timeout"}},
		{"aggregate-min-links", "perhaps none", unknown, "no aggregates read", func(in *in) { in.Capture.Aggregates, in.Capture.Complete = nil, false },
			[]string{"aggregate-members", "lacp-timeout", "facts-read", "logical-network-elements", "port-extenders-compatible"}},

		{"adjacencies-up", "down", caution, "down, state DOWN", func(in *in) { a := adj(in, "isis"); a.Up, a.State = no, some("DOWN") }, []string{"state-synchronised"}},
		{"adjacencies-up", "unknown", unknown, "up: unknown", func(in *in) { adj(in, "pim").Up = none[bool]() }, nil},
		{"adjacencies-survive", "drops", blocker, "drops: 900 ms", func(in *in) {
			o := outlook(in, "bfd")
			o.Outcome, o.Survive, o.Why = readiness.Drops, 0, "900 ms"
		}, nil},
		{"adjacencies-survive", "at risk", blocker, "at-risk with probability 0.97, the policy wants 0.999", func(in *in) {
			o := outlook(in, "bfd")
			o.Outcome, o.Survive = readiness.AtRisk, 0.97
		}, nil},
		{"adjacencies-survive", "hardly at risk", clear, "probability 0.9995", func(in *in) {
			o := outlook(in, "bfd")
			o.Outcome, o.Survive = readiness.AtRisk, 0.9995
		}, nil},
		{"adjacencies-survive", "without traffic", caution, "drops", func(in *in) { outlook(in, "lldp").Outcome = readiness.Drops }, nil},
		{"adjacencies-survive", "not foretold", unknown, "no forecast for it", func(in *in) { in.Outlook = in.Outlook[1:] }, nil},
		{"adjacencies-survive", "strange outcome", unknown, `outcome "dances"`, func(in *in) { outlook(in, "lldp").Outcome = "dances" }, nil},
		{"graceful-restart-both-ends", "own lacking", blocker, "announced by the device: no", func(in *in) { adj(in, bgp).Restart.Own = no }, nil},
		{"graceful-restart-both-ends", "helper lacking", blocker, "the neighbour helps: no", func(in *in) { adj(in, bgp).Restart.Helper = no }, nil},
		{"graceful-restart-both-ends", "too short", blocker, "the neighbour grants 2s, the silence may be 2s", func(in *in) { adj(in, bgp).Restart.Time = state.Some(2 * time.Second) }, nil},
		{"graceful-restart-both-ends", "forwarding not kept", blocker, "not announced as kept", func(in *in) { adj(in, bgp).Restart.ForwardingKept = no }, nil},
		{"graceful-restart-both-ends", "strict checks", caution, "any topology change", func(in *in) {
			outlook(in, "ospfv2").Outcome = readiness.RestartsGracefully
			adj(in, "ospfv2").Restart.StrictLSAChecks = yes
		}, []string{"bfd-and-restart"}},
		{"graceful-restart-both-ends", "helper unknown", unknown, "the neighbour helps: unknown", func(in *in) { adj(in, bgp).Restart.Helper = none[bool]() }, nil},
		{"graceful-restart-both-ends", "time unknown", unknown, "restart time: unknown", func(in *in) { adj(in, bgp).Restart.Time = none[time.Duration]() }, nil},
		{"graceful-restart-both-ends", "no such adjacency", unknown, "not in the capture", func(in *in) {
			in.Outlook = append(in.Outlook, readiness.AdjacencyOutlook{Object: "bgp 192.0.2.77", Outcome: readiness.RestartsGracefully, Survive: 1})
		}, []string{"bfd-and-restart", "adjacencies-survive"}},
		{"graceful-restart-both-ends", "relies on none", clear, "relies on no graceful restart", func(in *in) { outlook(in, bgp).Outcome = readiness.Holds }, []string{"bfd-and-restart"}},
		// Source: RFC 5882 §4.3.2.2 for BGP, §4.3.2.1 for OSPF.
		{"bfd-and-restart", "shared fate, BGP", blocker, "detects after 900ms", sharedFate, nil},
		{"bfd-and-restart", "shared fate, OSPF", caution, "should not end a restart that was announced", func(in *in) {
			sharedFate(in)
			outlook(in, bgp).Outcome = readiness.Holds
			outlook(in, "ospfv2").Outcome = readiness.RestartsGracefully
			adj(in, "ospfv2").BFD = state.BFDProtection{Protected: yes, Session: some("198.51.100.1")}
		}, []string{"graceful-restart-both-ends"}},
		{"bfd-and-restart", "shared fate, stretched", clear, "no BFD session ends the restart", func(in *in) {
			sharedFate(in)
			adj(in, "bfd").Timers.NeighbourDetect = state.Some(2550 * time.Second) // 10 s × 255, RFC 7419 §3
		}, nil},
		{"bfd-and-restart", "protection unknown", unknown, "whether BFD protects it: unknown", func(in *in) { adj(in, bgp).BFD.Protected = none[bool]() }, nil},
		{"bfd-and-restart", "session unread", unknown, "was not read", func(in *in) { adj(in, bgp).BFD.Session = some("192.0.2.8") }, nil},
		{"bfd-and-restart", "C bit unknown", unknown, "independent of the control plane: unknown", func(in *in) { adj(in, "bfd").BFD = state.BFDProtection{} }, nil},
		{"bfd-and-restart", "no forecast", unknown, "no forecast", func(in *in) { in.Outlook = nil }, []string{"graceful-restart-both-ends", "adjacencies-survive"}},

		{"cpu", "busy system", blocker, "CPU 71%, the limit is 70%", func(in *in) { in.Capture.CPUPercent = state.Some(71.0) }, nil},
		{"cpu", "busy line card", blocker, "CPU 95%", func(in *in) { comp(in, "LC-3").CPUPercent = state.Some(95.0) }, nil},
		{"cpu", "unknown", unknown, "CPU: unknown", func(in *in) { comp(in, "CTL-B").CPUPercent = none[float64]() }, nil},
		{"memory", "full", blocker, "memory 86%, the limit is 85%", func(in *in) { comp(in, "CTL-B").MemoryPercent = state.Some(86.0) }, nil},
		{"memory", "unknown", unknown, "memory: unknown", func(in *in) { in.Capture.MemoryPercent = none[float64]() }, nil},
		{"route-churn", "routes change", blocker, "1 of 64 routes changed in 10m0s (1.6%), the limit is 1%", func(in *in) { in.Capture.RouteTables[0].Routes[3].NextHops = "192.0.2.4" }, nil},
		{"route-churn", "counts change", blocker, "4 of 64 routes changed", func(in *in) {
			in.Capture.RouteTables[0].Routes, in.Capture.RouteTables[0].Count = nil, state.Some[uint64](60)
		}, nil},
		{"route-churn", "count unknown", unknown, "number of routes: unknown", func(in *in) {
			in.Capture.RouteTables[0].Routes, in.Capture.RouteTables[0].Count = nil, none[uint64]()
		}, nil},
		{"route-churn", "no earlier capture", unknown, "no earlier capture", func(in *in) { in.Earlier = nil }, []string{"mac-churn"}},
		{"route-churn", "table gone", unknown, "only in the earlier capture", func(in *in) { in.Capture.RouteTables = in.Capture.RouteTables[:1] }, nil},
		{"mac-churn", "many", caution, "3900 MAC addresses, 4200 were 10m0s earlier (7.1%)", func(in *in) { in.Capture.MACs = state.Some[uint64](3900) }, nil},
		{"mac-churn", "unknown", unknown, "number of MAC addresses: unknown", func(in *in) { in.Capture.MACs = none[uint64]() }, nil},

		{"partner-healthy", "line card down", blocker, "LC-1 is INACTIVE", func(in *in) {
			partner(in).Components[slices.IndexFunc(partner(in).Components, func(k state.Component) bool { return k.Name == "LC-1" })].Oper = some(state.OperInactive)
		}, []string{"group-at-least"}},
		{"partner-healthy", "alarm", blocker, "CRITICAL alarm: fire", func(in *in) { partner(in).Alarms = []state.Alarm{{Severity: "CRITICAL", Text: "fire"}} }, []string{"group-at-least"}},
		{"partner-healthy", "in maintenance", blocker, "in maintenance mode", func(in *in) { partner(in).Maintenance = yes }, []string{"group-at-least"}},
		{"partner-healthy", "unreachable", unknown, "could not be read: no answer", func(in *in) {
			setPartner(in, readiness.Partner{Err: errors.New("no answer"), Upgrading: no})
		}, []string{"group-at-least"}},
		{"partner-healthy", "not read", unknown, "was not read", func(in *in) { setPartner(in, readiness.Partner{Upgrading: no}) }, []string{"group-at-least"}},
		{"partner-healthy", "long ago", unknown, "was captured 20m0s ago", func(in *in) { partner(in).TakenAt = now.Add(-20 * time.Minute) }, []string{"group-at-least"}},
		{"partner-healthy", "in no group", clear, "in no redundancy group", func(in *in) { in.Fleet.Groups = nil }, []string{"group-at-least", "partner-not-upgrading"}},
		{"partner-not-upgrading", "partner", blocker, "is being upgraded", func(in *in) {
			setPartner(in, readiness.Partner{Capture: partner(in), Upgrading: yes})
		}, []string{"group-at-least"}},
		{"partner-not-upgrading", "neighbour", blocker, "is being upgraded", func(in *in) { in.Partners["mere-edge-1"] = readiness.Partner{Upgrading: yes} }, nil},
		{"partner-not-upgrading", "unknown", unknown, "whether it is being upgraded: unknown", func(in *in) { delete(in.Partners, "mere-edge-1") }, nil},
		{"group-at-least", "needs two", blocker, "1 other members serve; the group needs 2", func(in *in) { in.Fleet.Groups[0].AtLeast = 2 }, nil},
		{"group-at-least", "perhaps", unknown, "0 other members are known to serve and 1 may", func(in *in) {
			setPartner(in, readiness.Partner{Capture: partner(in)})
		}, []string{"partner-not-upgrading"}},
		{"group-at-least", "no fleet", unknown, "the fleet: unknown", func(in *in) { in.Fleet = nil }, []string{"partner-healthy", "partner-not-upgrading", "single-homed"}},
		{"single-homed", "edge", caution, "every link of it goes to mere-agg-1; it serves pumping station 4", func(in *in) {
			in.Fleet.Links = slices.Delete(in.Fleet.Links, 1, 2)
		}, nil},
		{"single-homed", "no fleet", unknown, "the fleet: unknown", func(in *in) { in.Fleet = nil }, []string{"partner-healthy", "partner-not-upgrading", "group-at-least"}},
		{"logical-network-elements", "one", caution, "logical network element, ACTIVE, shares the upgrade; it serves waterworks, hospital", func(in *in) {
			in.Device.LogicalNetworkElements = []fleet.LogicalNetworkElement{{Name: "water", Serves: []string{"waterworks", "hospital"}}}
			in.Capture.LogicalNetworkElements = []state.LogicalNetworkElement{{Name: "water", Oper: some(state.OperActive)}}
		}, nil},
		{"logical-network-elements", "unknown to the fleet", caution, "does not say whom it serves", func(in *in) { in.Capture.LogicalNetworkElements = []state.LogicalNetworkElement{{Name: "light"}} }, nil},
		{"logical-network-elements", "perhaps none", unknown, "no logical network elements read", func(in *in) { in.Capture.Complete = false }, []string{"facts-read", "port-extenders-compatible"}},
		{"freeze-calendar", "now", blocker, `freeze "year end"`, func(in *in) { in.Policy.Freezes = []policy.Freeze{freeze(-time.Hour, time.Hour)} }, nil},
		{"freeze-calendar", "before the change is over", blocker, `freeze "year end"`, func(in *in) { in.Policy.Freezes = []policy.Freeze{freeze(49*time.Minute, time.Hour)} }, nil},
		{"freeze-calendar", "at another site", clear, "no freeze", func(in *in) { in.Policy.Freezes = []policy.Freeze{freeze(-time.Hour, time.Hour, "fen")} }, nil},
		{"freeze-calendar", "site unknown", unknown, "the site of the device: unknown", func(in *in) {
			in.Device.Site = ""
			in.Policy.Freezes = []policy.Freeze{freeze(-time.Hour, time.Hour, "fen")}
		}, nil},

		{"console-reachable", "silent", blocker, "does not answer", func(in *in) { in.Observed.Console = no }, nil},
		{"console-reachable", "a silent line", blocker, "console 127.0.0.1:7003 does not answer", func(in *in) {
			in.Observed.Console, in.Device.Console.Address, in.Device.Access.Console = no, "", &fleet.ConsoleLine{Address: "127.0.0.1:7003"}
		}, []string{"certificate-valid"}}, // of a console server there is none
		{"console-reachable", "none", blocker, "the fleet gives no console", func(in *in) { in.Device.Console.Address = "" }, nil},
		{"console-reachable", "not tried", unknown, "not tried", func(in *in) { in.Observed.Console = none[bool]() }, nil},
		{"management-reachable", "lossy", blocker, "answered 4 of 5 times", func(in *in) { in.Observed.Management = state.Some(readiness.Reach{Asked: 5, Answered: 4}) }, nil},
		{"management-reachable", "slow", caution, "the slowest after 2.5s", func(in *in) {
			in.Observed.Management = state.Some(readiness.Reach{Asked: 5, Answered: 5, Slowest: 2500 * time.Millisecond})
		}, nil},
		{"management-reachable", "not tried", unknown, "not tried", func(in *in) { in.Observed.Management = none[readiness.Reach]() }, []string{"acts-able"}},
		{"certificate-valid", "ends soon", blocker, "ends in 23h0m0s", func(in *in) { in.Observed.Certificate = state.Some(now.Add(23 * time.Hour)) }, nil},
		{"certificate-valid", "ended", blocker, "ended 1h0m0s ago", func(in *in) { in.Observed.Certificate = state.Some(now.Add(-time.Hour)) }, nil},
		{"certificate-valid", "not verified", caution, "not verified: lab", func(in *in) { in.Device.Access.InsecureReason = "lab" }, nil},
		{"certificate-valid", "a console server that is not verified", caution, "the host key of its console server is not verified: lab", func(in *in) {
			in.Device.Access.Console = &fleet.ConsoleLine{Controllers: []fleet.ControllerConsole{{Controller: "CTL-A"}, {Controller: "CTL-B", InsecureReason: "lab"}}}
		}, nil},
		{"certificate-valid", "unknown", unknown, "end of the certificate: unknown", func(in *in) { in.Observed.Certificate = none[time.Time]() }, nil},
		{"clock-synchronised", "free", blocker, "clock is synchronised: no", func(in *in) { in.Capture.Clock.Synced = no }, nil},
		{"clock-synchronised", "unknown", unknown, "clock is synchronised: unknown", func(in *in) { in.Capture.Clock.Synced = none[bool]() }, nil},
		{"clock-offset", "off", blocker, "off by -1.5s", func(in *in) { in.Capture.Clock.Offset = state.Some(-1500 * time.Millisecond) }, nil},
		{"clock-offset", "unknown", unknown, "offset of the clock: unknown", func(in *in) { in.Capture.Clock.Offset = none[time.Duration]() }, nil},
	}
}

// extender adds a port extender of the part, and lets releases support only
// another.
func extender(part, supported string) func(*readiness.Input) {
	return func(in *readiness.Input) {
		k := state.Component{Name: "PX-1", Kind: state.KindPortExtender, Oper: state.Some(state.OperActive), Firmware: state.Some("1.0"),
			Failure: state.Some(false), Mismatch: state.Some(false)}
		if part != "" {
			k.Part = state.Some(part)
		}
		in.Capture.Components = append(in.Capture.Components, k)
		for i := range in.Platform.Releases {
			in.Platform.Releases[i].PortExtenders = []string{supported}
		}
	}
}

// sharedFate lets the BFD session go down with the control plane.
func sharedFate(in *readiness.Input) {
	adj(in, "bfd").BFD = state.BFDProtection{Independent: state.Some(false), Offloaded: state.Some(false), Multiplier: state.Some(3)}
}

func freeze(from, until time.Duration, sites ...string) policy.Freeze {
	return policy.Freeze{Name: "year end", From: now.Add(from), Until: now.Add(until), Sites: sites}
}

func TestHealthyDeviceIsClear(t *testing.T) {
	r := check(t, ready(t))
	for _, f := range r.Findings {
		if f.Verdict != readiness.Clear {
			t.Errorf("%s: %s: %s: %s", f.Rule, f.Verdict, f.Object, f.Evidence)
		}
	}
	if n := len(readiness.Rules()); !r.Go || len(r.Reasons) > 0 || r.Clear != n || len(r.Findings) != n {
		t.Errorf("go %v, reasons %v, %d of %d clear", r.Go, r.Reasons, r.Clear, n)
	}
}

// One broken fact changes the finding of one rule, and of those that must
// change with it.
func TestBreakages(t *testing.T) {
	healthy := check(t, ready(t))
	seen := map[string]map[readiness.Verdict]bool{}
	for _, id := range readiness.RuleIDs() {
		seen[id] = map[readiness.Verdict]bool{readiness.Clear: true}
	}
	for _, b := range breakages() {
		t.Run(b.rule+"/"+b.name, func(t *testing.T) {
			in := ready(t)
			b.do(in)
			r := check(t, in)
			got := worst(r, b.rule)
			if got != b.want {
				t.Errorf("verdict %s, want %s: %+v", got, b.want, of(r, b.rule))
			}
			seen[b.rule][got] = true
			if !slices.ContainsFunc(of(r, b.rule), func(f readiness.Finding) bool {
				return f.Verdict == b.want && strings.Contains(f.Object+": "+f.Evidence, b.words)
			}) {
				t.Errorf("no finding says %q: %+v", b.words, of(r, b.rule))
			}
			for _, id := range readiness.RuleIDs() {
				changed := !reflect.DeepEqual(of(r, id), of(healthy, id))
				if changed && id != b.rule && !slices.Contains(b.also, id) {
					t.Errorf("rule %s changed too: %+v", id, of(r, id))
				}
			}
			for _, f := range r.Findings {
				if (f.Verdict != readiness.Clear) != (f.Remedy != "") || f.Reason == "" || f.Source == "" || f.Object == "" || f.Evidence == "" {
					t.Errorf("finding is not whole: %+v", f)
				}
			}
			if wantGo := r.Blocker+r.Unknown == 0; r.Go != wantGo || len(r.Reasons) != r.Blocker+r.Unknown {
				t.Errorf("go %v with %d blockers and %d unknown; reasons %v", r.Go, r.Blocker, r.Unknown, r.Reasons)
			}
		})
	}
	for id, verdicts := range seen {
		if !verdicts[readiness.Unknown] {
			t.Errorf("no row makes rule %s unknown", id)
		}
		if !verdicts[readiness.Blocker] && !verdicts[readiness.Caution] && id != "facts-read" { // which says what is unknown
			t.Errorf("no row makes rule %s fail", id)
		}
	}
}

// A device of which nothing could be read is clear in nothing that a capture
// would tell.
func TestNothingRead(t *testing.T) {
	in := ready(t)
	in.Capture = nil
	r := check(t, in)
	if r.Go {
		t.Error("go without a capture")
	}
	// These look at the fleet, the catalogue, the policy and what Towpath itself
	// observes.
	elsewhere := []string{"path-interrupts", "release-support", "way-back", "image-set-compatible", "partner-healthy", "partner-not-upgrading",
		"group-at-least", "single-homed", "freeze-calendar", "console-reachable", "management-reachable", "acts-able", "certificate-valid"}
	for _, f := range r.Findings {
		if f.Verdict == readiness.Clear && !slices.Contains(elsewhere, f.Rule) {
			t.Errorf("%s is clear: %s", f.Rule, f.Evidence)
		}
	}
}

func TestRulesTable(t *testing.T) {
	rules := readiness.Rules()
	if len(rules) < 38 {
		t.Errorf("%d rules", len(rules))
	}
	seen := map[string]bool{}
	for _, r := range rules {
		v := reflect.ValueOf(r)
		for i := range v.NumField() {
			if v.Field(i).String() == "" {
				t.Errorf("rule %s has no %s", r.ID, v.Type().Field(i).Name)
			}
		}
		if seen[r.ID] {
			t.Errorf("id %s stands twice", r.ID)
		}
		seen[r.ID] = true
	}
	// What a rule says at worst is what the table says.
	for _, b := range breakages() {
		if i := slices.IndexFunc(rules, func(r readiness.Rule) bool { return r.ID == b.rule }); i < 0 {
			t.Errorf("row for rule %s, which is not there", b.rule)
		} else if b.want == readiness.Blocker && rules[i].Worst == "caution" {
			t.Errorf("%s blocks, the table says caution", b.rule)
		}
	}
	for _, r := range rules {
		blocks := slices.ContainsFunc(breakages(), func(b breakage) bool { return b.rule == r.ID && b.want == readiness.Blocker })
		if r.Worst == "blocker" && !blocks {
			t.Errorf("the table says that %s blocks, and no row shows it", r.ID)
		}
	}
}

func TestWaiversAndUnknown(t *testing.T) {
	in := ready(t)
	in.Capture.Maintenance = state.Some(true)
	in.Capture.MACs = state.Opt[uint64]{}
	r := check(t, in)
	if r.Go || r.Blocker != 1 || r.Unknown != 1 || len(r.Reasons) != 2 || r.Reasons[1] != "mac-churn: mere-agg-1: number of MAC addresses: unknown" {
		t.Errorf("go %v, %d blockers, %d unknown, reasons %q", r.Go, r.Blocker, r.Unknown, r.Reasons)
	}
	in.Policy.Readiness.Waive = []string{"maintenance-off", "mac-churn", "fans"}
	r = check(t, in)
	waived := of(r, "maintenance-off")[0]
	if !r.Go || r.Blocker != 0 || waived.Verdict != readiness.Caution || waived.Waived != "policy readiness.waive maintenance-off" {
		t.Errorf("waived: go %v, %+v", r.Go, waived)
	}
	if f := of(r, "mac-churn")[0]; f.Verdict != readiness.Unknown || f.Waived == "" {
		t.Errorf("a waived unknown stays unknown and says so: %+v", f)
	}
	if !slices.Equal(r.IdleWaivers, []string{"fans"}) {
		t.Errorf("idle waivers %v, want fans", r.IdleWaivers)
	}
	in.Policy.Readiness.Waive, in.Policy.Readiness.UnknownIs = []string{"maintenance-off"}, "caution"
	if r = check(t, in); !r.Go || r.Unknown != 1 || of(r, "mac-churn")[0].Waived != "" {
		t.Errorf("unknown as caution: go %v, %d unknown, reasons %q", r.Go, r.Unknown, r.Reasons)
	}
}

func TestBadInput(t *testing.T) {
	for _, tc := range []struct {
		name, want string
		do         func(*readiness.Input)
	}{
		{"no time", "readiness of mere-agg-1: the time is not given", func(in *readiness.Input) { in.Now = time.Time{} }},
		{"unknown-is", `readiness of mere-agg-1: policy readiness.unknown-is: found "clear", want "blocker" or "caution"`, func(in *readiness.Input) { in.Policy.Readiness.UnknownIs = "clear" }},
		{"waiver of the word before RFC 8530", `readiness of mere-agg-1: policy readiness.waive[1]: found "logical-systems", want the id of a rule (did you mean "logical-network-elements"?)`, func(in *readiness.Input) {
			in.Policy.Readiness.Waive = []string{"maintenance-off", "logical-systems"}
		}},
		{"waiver", `readiness of mere-agg-1: policy readiness.waive[1]: found "maintenance-of", want the id of a rule (did you mean "maintenance-off"?)`, func(in *readiness.Input) {
			in.Policy.Readiness.Waive = []string{"fans", "maintenance-of"}
		}},
		{"strange waiver", `readiness of mere-agg-1: policy readiness.waive[0]: found "xyzzy", want the id of a rule`, func(in *readiness.Input) { in.Policy.Readiness.Waive = []string{"xyzzy"} }},
	} {
		in := ready(t)
		tc.do(in)
		if _, err := readiness.Check(context.Background(), *in); err == nil || err.Error() != tc.want {
			t.Errorf("%s: %v, want %s", tc.name, err, tc.want)
		}
	}
	in := ready(t)
	in.Platform.Scheme.Pattern = "("
	if _, err := readiness.Check(context.Background(), *in); err == nil || !strings.Contains(err.Error(), "platform alder-9") {
		t.Errorf("bad catalogue: %v", err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := readiness.Check(ctx, *ready(t)); !errors.Is(err, context.Canceled) {
		t.Errorf("ended context: %v", err)
	}
}

// Check changes nothing of its input.
func TestCheckLeavesItsInput(t *testing.T) {
	in := ready(t)
	in.Policy.Readiness.Waive = []string{"fans"}
	in.Capture.Components = append(in.Capture.Components, state.Component{Name: "slot-9", Kind: state.KindLineCard, Empty: state.Some(true)})
	was := fmt.Sprintf("%+v %+v %+v", *in.Capture, in.Path, in.Platform)
	check(t, in)
	if fmt.Sprintf("%+v %+v %+v", *in.Capture, in.Path, in.Platform) != was {
		t.Error("the input was changed")
	}
}
