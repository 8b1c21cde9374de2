package cli

import (
	"bytes"
	"encoding/json"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
	"unicode/utf8"

	"towpath/internal/app"
	"towpath/internal/conduct"
	"towpath/internal/fleet"
	"towpath/internal/policy"
	"towpath/internal/workspace"
)

const exampleWorkspace = "--workspace=../../examples/ostermoor"

// TestReplaceFile: a file is replaced whole with the permissions it had, a link
// stays a link, and what is no file is written to and stays what it was.
func TestReplaceFile(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	content := func(name string) string {
		b, err := os.ReadFile(at(name))
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	if err := os.WriteFile(at("secret"), []byte("old"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("secret", at("link")); err != nil {
		t.Fatal(err)
	}
	if err := replaceFile(at("link"), []byte("new")); err != nil {
		t.Fatal(err)
	}
	if got := content("secret"); got != "new" {
		t.Errorf("through the link: %q", got)
	}
	if info, err := os.Lstat(at("link")); err != nil || info.Mode()&fs.ModeSymlink == 0 {
		t.Errorf("the link is gone: %v, %v", info, err)
	}
	if info, err := os.Stat(at("secret")); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the permissions were loosened: %v, %v", info, err)
	}

	if err := syscall.Mkfifo(at("pipe"), 0o600); err != nil {
		t.Skip("no pipes here:", err)
	}
	read := make(chan string)
	go func() {
		b, err := os.ReadFile(at("pipe"))
		read <- string(b) + errorOf(err)
	}()
	if err := replaceFile(at("pipe"), []byte("through")); err != nil {
		t.Fatal(err)
	}
	if got := <-read; got != "through" {
		t.Errorf("through the pipe: %q", got)
	}
	if info, err := os.Stat(at("pipe")); err != nil || info.Mode()&fs.ModeNamedPipe == 0 {
		t.Errorf("the pipe was replaced: %v, %v", info, err)
	}

	for name, want := range map[string]string{dir: "is a folder", at("none/file"): "there is no folder"} {
		var u *usageError
		if err := replaceFile(name, nil); !errors.As(err, &u) || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", name, err, want)
		}
	}
	left, err := filepath.Glob(at(".towpath-*"))
	if err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

func errorOf(err error) string {
	if err != nil {
		return err.Error()
	}
	return ""
}

// full takes nothing, like a file system without room.
type full struct{}

func (full) Write([]byte) (int, error) { return 0, syscall.ENOSPC }

// TestLostOutputIsNoSuccess: a command whose answer could not be written does
// not end as if it had been.
func TestLostOutputIsNoSuccess(t *testing.T) {
	for _, args := range [][]string{
		{"fleet", "check", exampleWorkspace},
		{"fleet", "check", exampleWorkspace, "--format", "json"},
		{"schema", "fleet"},
		{"hops", "mere-agg-1", "--to", "4.4.2", "--capture", "none", exampleWorkspace},
	} {
		var said strings.Builder
		a := Adapters{Dial: func(*workspace.Workspace, string, func() time.Time) app.Dialer { return nil },
			CertificateEnd: func(string, fleet.Device) (time.Time, bool) { return time.Time{}, false }}
		if status := Main(t.Context(), args, strings.NewReader(""), full{}, &said, a); status == ExitDone || !strings.Contains(said.String(), syscall.ENOSPC.Error()) {
			t.Errorf("%v: status %d, said %q", args, status, said.String())
		}
	}
}

// TestMistakesSayWhatIsWanted: every mistake on the command line has status 2,
// says what is wanted, and is JSON where that was asked for.
func TestMistakesSayWhatIsWanted(t *testing.T) {
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"hops"}, "want towpath hops DEVICE --to RELEASE"},
		{[]string{"hops", "mere-agg-1"}, `"to" not set; want towpath hops DEVICE --to RELEASE`},
		{[]string{"hops", "mere-agg-1", "--to"}, "needs an argument"},
		{[]string{"hops", "--tp", "4.4.2"}, "unknown flag: --tp"},
		{[]string{"fleet", "chekc"}, "towpath fleet has check, discover, import"},
		{[]string{"check", "mere-agg-1", "--to", "4.4.2", "--path", "0", exampleWorkspace}, "--path is 0, want 1 or more"},
		{[]string{"check", "mere-agg-1", "--to", "4.4.2", "--steady", "-5s", exampleWorkspace}, "--steady is -5s, want 0 or more"},
		{[]string{"forecast", "mere-agg-1", "--trials", "x.csv"}, "exclude each other"},
		{[]string{"forecast", "mere-agg-1", "--target", "0.5"}, "--target goes with --advise"},
	} {
		status, out, said := command(t, &shelf{}, append([]string{"--format", "json"}, c.args...)...)
		if status != ExitUsage || !strings.Contains(said, c.want) || !strings.Contains(said, "hint: ") {
			t.Errorf("%v: status %d, said %q, want %q", c.args, status, said, c.want)
		}
		var told struct {
			Error string
			Exit  int
		}
		if err := json.Unmarshal([]byte(out), &told); err != nil || told.Exit != ExitUsage || told.Error == "" {
			t.Errorf("%v: printed %q: %v", c.args, out, err)
		}
	}
}

// TestReadingMakesNoFolder: a command that lists runs makes no folder for them.
func TestReadingMakesNoFolder(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "none")
	for format, want := range map[string]string{"text": "no runs are kept in " + dir, "json": "[]"} {
		status, out, said := command(t, nil, "runs", "--state", dir, "--format", format)
		if status != ExitDone || strings.TrimSpace(out) != want {
			t.Errorf("%s: status %d, printed %q, said %q", format, status, out, said)
		}
	}
	if _, err := os.Stat(dir); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the folder was made: %v", err)
	}
}

// TestAlreadyThereIsJSON: nothing to do is told in the form that was asked for.
func TestAlreadyThereIsJSON(t *testing.T) {
	status, out, _ := command(t, &shelf{}, "hops", "mere-agg-1", "--to", "4.2.3", "--capture", "none", exampleWorkspace)
	if status != ExitDone || !strings.Contains(out, "mere-agg-1 already runs 4.2.3: nothing to do") || strings.Contains(out, "way back") {
		t.Errorf("status %d, printed %q", status, out)
	}
	var b strings.Builder
	e := &env{out: &b, format: "json"}
	if err := e.nothingToDo("mere-agg-1", "4.2.3"); err != nil || !json.Valid([]byte(b.String())) {
		t.Errorf("%v: %q", err, b.String())
	}
}

// TestHelpFitsATerminal: the flags of every command are told within the width,
// and none has a default that means nothing.
func TestHelpFitsATerminal(t *testing.T) {
	pages := 0
	for _, args := range [][]string{{"check"}, {"conduct"}, {"resume"}, {"forecast"}, {"whatif"}, {"waves"}, {"safe-hours"}, {"estimate"}, {"lab", "up"}, {"demo"}, {"adapter", "test"}} {
		status, out, _ := command(t, &shelf{}, append(args, "--help")...)
		_, flags, ok := strings.Cut(out, "Flags:\n")
		if status != ExitDone || !ok {
			t.Fatalf("%v: status %d, no flags in %q", args, status, out)
		}
		pages++
		for _, l := range strings.Split(flags, "\n") {
			if utf8.RuneCountInString(l) > width {
				t.Errorf("%v: %d columns: %s", args, utf8.RuneCountInString(l), l)
			}
		}
		if strings.Contains(out, "-1ns") {
			t.Errorf("%v: a default of -1ns", args)
		}
	}
	if pages == 0 {
		t.Fatal("no page of help")
	}
}

// TestFleetCheckReadsEverything: what a later command would stumble over is told
// by the one that says that it reads every file.
func TestFleetCheckReadsEverything(t *testing.T) {
	for _, c := range []struct{ name, file, old, new, want string }{
		{"as it is", "policy.yaml", "", "", ""},
		{"an own rule that is no expression", "policy.yaml", `device.console.address != ""`, `device.console.address !== ""`, "ours-console-known: clear-when, line 1, column 26"},
		{"an own rule with the id of another", "policy.yaml", "id: ours-console-known", "id: cpu", "which is a built-in rule"},
		{"a waiver of nothing", "policy.yaml", "readiness:", "readiness:\n  waive: [cpuu]", `found "cpuu"`},
		{"a calendar cut off", "windows.ics", "END:VCALENDAR", "", "is it cut off?"},
		{"no calendar", "windows.ics", "BEGIN:VCALENDAR", "BEGIN:SOMETHING", "windows.ics"},
	} {
		dir := t.TempDir()
		if err := os.CopyFS(dir, os.DirFS("../../examples/ostermoor")); err != nil {
			t.Fatal(err)
		}
		name := filepath.Join(dir, c.file)
		src, err := os.ReadFile(name)
		if err != nil || !strings.Contains(string(src), c.old) {
			t.Fatalf("%s: %v, or no %q in it", name, err, c.old)
		}
		if err := os.WriteFile(name, []byte(strings.Replace(string(src), c.old, c.new, 1)), 0o600); err != nil {
			t.Fatal(err)
		}
		status, out, said := command(t, &shelf{}, "fleet", "check", "--workspace", dir)
		switch {
		case c.want == "" && status != ExitDone:
			t.Errorf("%s: status %d, said %q", c.name, status, said)
		case c.want != "" && (status != ExitUsage || !strings.Contains(said, c.want) || strings.Contains(out, "no mistakes")):
			t.Errorf("%s: status %d, said %q, want %q", c.name, status, said, c.want)
		}
	}
}

// TestResumeWordCanBePasted: the command that takes up a run says where it is
// kept, as a shell takes it.
func TestResumeWordCanBePasted(t *testing.T) {
	for _, c := range []struct{ workspace, state, want string }{
		{".", "", "towpath resume r1"},
		{"/srv/mere", "", "towpath resume r1 --workspace /srv/mere"},
		{".", "it's here", `towpath resume r1 --state 'it'\''s here'`},
	} {
		if got := (&env{workspace: c.workspace, state: c.state}).resumeWord("r1"); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

// TestWhatCannotBeMeasuredWithIsNoRun: where no prober can be made, the error
// says which file asks for it.
func TestWhatCannotBeMeasuredWithIsNoRun(t *testing.T) {
	e := &env{Adapters: Adapters{NewProber: func(app.ProbeSpec) (conduct.Prober, error) {
		return nil, errors.New("rate 50000 packets/s: need 1 to 10000")
	}}}
	if _, err := e.proberOf(policy.Default()); err == nil || !strings.Contains(err.Error(), "policy.yaml: probe: rate 50000") {
		t.Errorf("%v", err)
	}
}

// TestImportKeepsTheWorkspaceReadable: devices that another file contradicts are
// not added, and fleet.yaml stays as it was.
func TestImportKeepsTheWorkspaceReadable(t *testing.T) {
	dir := t.TempDir()
	if err := os.CopyFS(dir, os.DirFS("../../examples/ostermoor")); err != nil {
		t.Fatal(err)
	}
	table := filepath.Join(t.TempDir(), "new.csv")
	for _, c := range []struct{ platform, want string }{{"birch", "birch"}, {"alder-9", ""}} {
		before, err := os.ReadFile(filepath.Join(dir, "fleet.yaml"))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(table, []byte("id,platform,site\nnew-1,"+c.platform+",Mere\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		status, _, said := command(t, &shelf{}, "fleet", "import", table, "--workspace", dir)
		after, err := os.ReadFile(filepath.Join(dir, "fleet.yaml"))
		if err != nil {
			t.Fatal(err)
		}
		if wrong := c.want != ""; wrong != (status == ExitUsage) || wrong != bytes.Equal(before, after) || !strings.Contains(said, c.want) {
			t.Errorf("%s: status %d, said %q, file unchanged %v", c.platform, status, said, bytes.Equal(before, after))
		}
	}
}
