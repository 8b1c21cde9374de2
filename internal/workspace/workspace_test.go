package workspace

import (
	"bytes"
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"

	"towpath/internal/document"
	"towpath/internal/fleet"
	"towpath/internal/policy"
	"towpath/internal/release"
)

// example is the folder that comes with Towpath.
const example = "../../examples/ostermoor"

// read reads a file as the kind of document that its name begins with.
func read(name string, src []byte) error {
	kind, _, _ := strings.Cut(filepath.Base(name), "-")
	var err error
	switch kind {
	case "fleet":
		_, err = fleet.Read(filepath.Base(name), src)
	case "releases":
		_, err = release.Read(filepath.Base(name), src)
	case "policy":
		_, err = policy.Read(filepath.Base(name), src)
	case "campaign":
		_, err = policy.ReadCampaign(filepath.Base(name), src)
	case "devices":
		existing := &fleet.Fleet{Devices: []fleet.Device{{ID: "mere-agg-1", Platform: "alder-9"}}}
		_, err = fleet.ImportCSV(existing, filepath.Base(name), bytes.NewReader(src))
	case "workspace":
		_, err = Load(os.DirFS(filepath.Dir(name)), filepath.Base(name))
	default:
		err = errors.New("a file of no known kind")
	}
	return err
}

// Every wrong file gives exactly the message that stands beside it, and what a
// schema can say is refused by the published schema too.
func TestWrongFiles(t *testing.T) {
	names, err := filepath.Glob("testdata/bad/*")
	if err != nil {
		t.Fatal(err)
	}
	schemas := map[string]func(any) error{}
	for _, n := range SchemaNames() {
		schemas[n] = validator(t, n).Validate
	}
	wrong, refused := 0, 0
	for _, name := range names {
		if filepath.Ext(name) == ".want" {
			continue
		}
		wrong++
		src, err := os.ReadFile(name)
		if err != nil && filepath.Ext(name) != "" {
			t.Fatal(err)
		}
		err = read(name, src)
		var ps document.Problems
		if !errors.As(err, &ps) {
			t.Errorf("%s: got %T %v, want problems", name, err, err)
			continue
		}
		got := err.Error() + "\n"
		golden := strings.TrimSuffix(name, filepath.Ext(name)) + ".want"
		if *update {
			if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(golden)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(string(want), got); diff != "" {
			t.Errorf("%s\n%s", name, diff)
		}
		mark, _, _ := strings.Cut(string(src), "\n")
		kind, _, _ := strings.Cut(filepath.Base(name), "-")
		validate := schemas[kind]
		switch {
		case validate == nil || mark == "# This is no YAML document." || mark == "# There is nothing in this file.":
		case mark == "# The schema refuses this." || mark == "# The schema cannot see this.":
			v, err := instance(src)
			if err != nil {
				t.Errorf("%s: the other reader: %v", name, err)
				continue
			}
			err = validate(v)
			if (err != nil) != (mark == "# The schema refuses this.") {
				t.Errorf("%s says %q, and the schema says %v", name, mark, err)
			}
			if err != nil {
				refused++
			}
		default:
			t.Errorf("%s does not say in its first line whether the schema refuses it", name)
		}
	}
	if wrong < 100 || refused < 40 {
		t.Errorf("looked at %d wrong files, of which schemas refused %d; there should be more", wrong, refused)
	}
}

func TestGoodFiles(t *testing.T) {
	names, err := filepath.Glob("testdata/good/*.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for kind, file := range map[string]string{"fleet": FleetFile, "releases": CatalogueFile, "policy": PolicyFile, "campaign": CampaignFile} {
		names = append(names, filepath.Join(example, file))
		v, err := instance(readFile(t, filepath.Join(example, file)))
		if err != nil {
			t.Fatal(err)
		}
		if err := validator(t, kind).Validate(v); err != nil {
			t.Errorf("%s of the example: %v", file, err)
		}
	}
	seen := 0
	for _, name := range names {
		if filepath.Dir(name) == filepath.Clean(example) {
			continue // read as a whole below
		}
		seen++
		src := readFile(t, name)
		if err := read(name, src); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		kind, _, _ := strings.Cut(filepath.Base(name), "-")
		v, err := instance(src)
		if err != nil {
			t.Fatal(err)
		}
		if err := validator(t, kind).Validate(v); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	if seen < 8 {
		t.Errorf("looked at %d good files only", seen)
	}
}

func readFile(t *testing.T, name string) []byte {
	t.Helper()
	src, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return src
}

func TestOpenTheExample(t *testing.T) {
	w, err := Open(example)
	if err != nil {
		t.Fatal(err)
	}
	if len(w.Fleet.Devices) < 7 || len(w.Catalogue.Platforms) < 2 || len(w.Policy.HoldPoints) != 2 || len(w.Files) != 6 || w.Campaign == nil || len(w.Calendars) != 2 {
		t.Errorf("the example holds less than it should: %+v", w)
	}
	if w.Policy.Conduct.Attempts != policy.Default().Conduct.Attempts {
		t.Error("what the policy leaves out is not the default")
	}
	// Source: the command sha256sum, which shares nothing with this program.
	tool, err := exec.LookPath("sha256sum")
	if err != nil {
		t.Skip("there is no command sha256sum to check the digest with")
	}
	var names []string
	for _, f := range w.Files {
		names = append(names, f.Name)
	}
	list := exec.Command(tool, names...)
	list.Dir = example
	sums, err := list.Output()
	if err != nil {
		t.Fatal(err)
	}
	whole := exec.Command(tool)
	whole.Stdin = bytes.NewReader(sums)
	sum, err := whole.Output()
	if err != nil {
		t.Fatal(err)
	}
	if want, _, _ := strings.Cut(string(sum), " "); w.Digest != want {
		t.Errorf("the digest is %s, and the command says %s", w.Digest, want)
	}
}

// The story that the example tells: two hops in service, a line card to be
// raised first, and a feature that bars the core.
func TestTheExampleTellsItsStory(t *testing.T) {
	w, err := Open(example)
	if err != nil {
		t.Fatal(err)
	}
	x, err := w.Catalogue.Index()
	if err != nil {
		t.Fatal(err)
	}
	search := func(id fleet.DeviceID, o release.Options) release.Result {
		d, ok := w.Fleet.Device(id)
		if !ok {
			t.Fatalf("there is no %s", id)
		}
		now := release.Present{Device: string(d.ID), Platform: d.Platform, Release: d.Release, Features: d.Features}
		for _, c := range d.Components {
			now.Components = append(now.Components, release.Installed{Name: c.Name, Kind: c.Kind, Part: c.Part, Firmware: c.Firmware})
		}
		res, err := x.Search(now, "4.4.2", o)
		if err != nil {
			t.Fatal(err)
		}
		return res
	}
	res := search("mere-agg-1", release.Options{})
	if len(res.Paths) != 1 || len(res.Paths[0].Hops) != 2 || res.Paths[0].Hops[0].To != "4.3.1" || len(res.Paths[0].Hops[1].Firmware) != 1 || res.Paths[0].Cost.Outages != 0 || len(res.Paths[0].Back) != 2 {
		t.Errorf("mere-agg-1 goes %+v", res.Paths)
	}
	const why = "4.3.1 → 4.4.2 in service: line card LC-3 needs firmware 1.9, has 1.7; raise it first, +12 min"
	if len(res.Rejections) == 0 || res.Rejections[0].Text() != why {
		t.Errorf("got %v, want %s", res.Rejections, why)
	}
	if res := search("ost-core-1", release.Options{}); len(res.Paths) != 0 {
		t.Errorf("the core goes in service: %+v", res.Paths)
	}
	if res := search("ost-core-1", release.Options{AllowReload: true}); len(res.Paths) == 0 || res.Paths[0].Hops[0].Method != release.Reload {
		t.Errorf("the core goes %+v", res.Paths)
	}
}

func TestLoad(t *testing.T) {
	whole := fstest.MapFS{}
	for _, f := range []string{FleetFile, CatalogueFile, PolicyFile} {
		whole["net/"+f] = &fstest.MapFile{Data: readFile(t, filepath.Join(example, f))}
	}
	w, err := Load(whole, "net")
	if err != nil {
		t.Fatal(err)
	}
	delete(whole, "net/"+PolicyFile)
	without, err := Load(whole, "net")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(policy.Default(), without.Policy); diff != "" {
		t.Errorf("without a policy file\n%s", diff)
	}
	if without.Digest == w.Digest || len(without.Digest) != 64 {
		t.Errorf("the digests are %s and %s", w.Digest, without.Digest)
	}
	whole["net/"+FleetFile].Data = append(whole["net/"+FleetFile].Data, "# one more\n"...)
	if changed, err := Load(whole, "net"); err != nil || changed.Digest == without.Digest {
		t.Errorf("a comment does not change the digest (%v)", err)
	}
	for dir, want := range map[string]string{
		"nowhere": "nowhere: no such folder; want a folder with fleet.yaml and releases.yaml",
		".":       "fleet.yaml: no such file\nreleases.yaml: no such file",
	} {
		_, err := Load(whole, dir)
		if err == nil || err.Error() != want || !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("Load(%q): got %v, want %s", dir, err, want)
		}
	}
	if _, err := Open("testdata/bad/workspace-file-missing"); err == nil || !strings.HasPrefix(err.Error(), "testdata/bad/workspace-file-missing/fleet.yaml: no such file") {
		t.Errorf("Open names the file as %v", err)
	}
	cause := errors.New("the disk is gone")
	if _, err := Load(failing{whole, cause}, "net"); !errors.Is(err, cause) {
		t.Errorf("got %v, want the cause", err)
	}
	whole["net/"+PolicyFile] = &fstest.MapFile{Data: make([]byte, document.MaxSize+10)}
	if _, err := Load(whole, "net"); err == nil || !strings.Contains(err.Error(), "policy.yaml: the file has 16MiB; want at most 16MiB") {
		t.Errorf("a file of any size: %v", err)
	}
}

func TestSeriesOfACampaign(t *testing.T) {
	whole := fstest.MapFS{}
	for _, f := range []string{FleetFile, CatalogueFile, "windows.ics"} {
		whole["net/"+f] = &fstest.MapFile{Data: readFile(t, filepath.Join(example, f))}
	}
	campaign := func(demands string) {
		whole["net/"+CampaignFile] = &fstest.MapFile{Data: []byte("windows: [windows.ics]\n" + demands)}
	}
	campaign("")
	without, err := Load(whole, "net")
	if err != nil || len(without.Series) != 0 {
		t.Fatalf("%v %v", without, err)
	}
	whole["net/week.csv"] = &fstest.MapFile{Data: []byte("time,src,dst,volume\n")}
	whole["net/feb/one.txt"] = &fstest.MapFile{Data: []byte("one")}
	whole["net/feb/two.txt"] = &fstest.MapFile{Data: []byte("two")}
	for demands, want := range map[string]map[string]string{
		"demands: {series: week.csv}\n":         {"week.csv": "time,src,dst,volume\n"},
		"demands: {series: feb, repeat: day}\n": {"feb/one.txt": "one", "feb/two.txt": "two"},
	} {
		campaign(demands)
		w, err := Load(whole, "net")
		if err != nil {
			t.Fatal(err)
		}
		got := map[string]string{}
		for name, src := range w.Series {
			got[name] = string(src)
		}
		if diff := cmp.Diff(want, got); diff != "" || w.Digest == without.Digest || len(w.Files) != len(without.Files)+len(want) {
			t.Errorf("%s: %s, files %v", demands, diff, w.Files)
		}
		if w.Campaign.Demands.Growth != 1 || w.Campaign.Demands.Repeat == "" {
			t.Errorf("the defaults are gone: %+v", w.Campaign.Demands)
		}
	}
	whole["net/none"] = &fstest.MapFile{Mode: fs.ModeDir}
	for demands, want := range map[string]string{
		"demands: {series: weke.csv}\n":  `net/campaign.yaml:2:19: demands.series: no file "weke.csv" in net; want a series of demands in the workspace; did you mean "week.csv"?`,
		"demands: {series: none}\n":      `net/campaign.yaml:2:19: demands.series: no file in the folder "none"; want a matrix in SNDlib native text for each period`,
		"demands: {series: feb/three}\n": `net/campaign.yaml:2:19: demands.series: no file "feb/three" in net`,
	} {
		campaign(demands)
		if _, err := Load(whole, "net"); err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("got %v, want %s", err, want)
		}
	}
}

// failing is a file system on which no file of the fleet can be opened.
type failing struct {
	fstest.MapFS
	err error
}

func (f failing) Open(name string) (fs.File, error) {
	if strings.HasSuffix(name, FleetFile) {
		return nil, f.err
	}
	return f.MapFS.Open(name)
}

// Appended devices leave the example's comments alone.
func TestAppendToTheExample(t *testing.T) {
	src := readFile(t, filepath.Join(example, FleetFile))
	table := "id,platform,site,role,release\nmere-acc-3,willow-3,Mere,access,7.1\n"
	f, err := fleet.Read(FleetFile, src)
	if err != nil {
		t.Fatal(err)
	}
	added, err := fleet.ImportCSV(f, "devices.csv", strings.NewReader(table))
	if err != nil {
		t.Fatal(err)
	}
	got, err := fleet.AppendYAML(FleetFile, src, added)
	if err != nil {
		t.Fatal(err)
	}
	const block = "  - id: mere-acc-3\n    platform: willow-3\n    site: Mere\n    role: access\n    release: \"7.1\"\n"
	if want := strings.Replace(string(src), "\n# Capacity holds", block+"\n# Capacity holds", 1); string(got) != want {
		t.Error(cmp.Diff(want, string(got)))
	}
}
