package layout

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// room is one row of the table: a package, what it may import from this
// module, and why it stands where it stands.
type room struct {
	path    string
	imports []string
	why     string
}

// rooms lists every package of the module. A path that ends in "/..." covers
// the packages below it too.
var rooms = []room{
	{"internal/unit", nil, "sizes and rates; everybody reads them"},
	{"internal/document", []string{"internal/unit"}, "strict YAML with positions; knows no document in particular"},
	{"internal/element", nil, "trees of XML elements; knows no protocol"},
	{"internal/fleet", []string{"internal/unit", "internal/document"}, "what the operator owns"},
	{"internal/release", []string{"internal/unit", "internal/document"}, "what the maker publishes"},
	{"internal/policy", []string{"internal/unit", "internal/document"}, "the operator's own limits"},
	{"internal/state", []string{"internal/unit"}, "the capture and its comparison"},
	{"internal/state/statetest", []string{"internal/unit", "internal/state"}, "sample captures for tests"},
	{"internal/workspace", []string{"internal/unit", "internal/document", "internal/fleet", "internal/release", "internal/policy"}, "the folder as a whole: what one file says of another"},
	{"internal/readiness", []string{"internal/unit", "internal/fleet", "internal/release", "internal/state", "internal/policy", "internal/survival"}, "rules over fleet, release and state"},
	{"internal/survival", []string{"internal/unit", "internal/fleet", "internal/state"}, "protocol timers over a silence"},
	{"internal/network", []string{"internal/unit", "internal/fleet", "internal/document"}, "graph and load"},
	{"internal/timing", nil, "durations"},
	{"internal/schedule", []string{"internal/unit", "internal/fleet", "internal/network", "internal/survival", "internal/timing"}, "windows and waves"},
	{"internal/plan", []string{"internal/unit", "internal/fleet", "internal/release", "internal/policy", "internal/state", "internal/readiness", "internal/survival", "internal/network", "internal/timing", "internal/schedule"}, "composes the engines into steps"},
	{"internal/paper", nil, "a document and its writers; knows nothing of what the documents are about, so that runbook and evidence share one"},
	{"internal/runbook", []string{"internal/unit", "internal/plan", "internal/paper"}, "renders the steps for people"},
	{"internal/device", []string{"internal/unit", "internal/state"}, "the contract between conductor and drivers"},
	{"internal/device/devicetest", []string{"internal/unit", "internal/state", "internal/device"}, "the suite every driver passes"},
	{"internal/device/devicetest/labtest", []string{"internal/unit", "internal/state", "internal/device", "internal/device/devicetest", "internal/lab/..."}, "the suite beside the emulated chassis, for any driver that can dial it; for tests"},
	{"internal/device/dialogue", nil, "a conversation with a command line over any stream; knows no device"},
	{"internal/device/adapter", []string{"internal/unit", "internal/document", "internal/state", "internal/device"}, "a platform's command line as data; types nothing"},
	{"internal/device/commandline", []string{"internal/unit", "internal/state", "internal/device", "internal/device/adapter", "internal/device/dialogue", "internal/device/sshlink", "internal/device/transfer"}, "drives a device over its command line, by an adapter"},
	{"internal/device/commandline/consoletest", nil, "a console server with a line and a device's console behind it; for tests"},
	{"internal/device/openconfig", []string{"internal/unit", "internal/state", "internal/device"}, "gNMI and gNOI; protobuf types stop here"},
	{"internal/device/netconf", []string{"internal/unit", "internal/state", "internal/device", "internal/element", "internal/device/sshlink", "internal/device/transfer"}, "NETCONF and the IETF models"},
	{"internal/device/sshlink", []string{"internal/device"}, "SSH connections; knows nothing of what is said over them"},
	{"internal/device/sshlink/opensshd", nil, "the OpenSSH server as a process of its own; for tests and benchmarks"},
	{"internal/device/sshlink/sshpeer", nil, "the other side of SSH connections in the tests' own process; for tests"},
	{"internal/device/transfer", []string{"internal/device", "internal/device/sshlink"}, "images to devices over SFTP, scp and HTTP"},
	{"internal/device/snmp", []string{"internal/unit", "internal/state", "internal/device"}, "SNMP, for reading only"},
	{"internal/probe", nil, "test packets and what their loss means"},
	{"internal/conduct", []string{"internal/unit", "internal/fleet", "internal/plan", "internal/state", "internal/survival", "internal/readiness", "internal/policy", "internal/device"}, "decides the next step of a run; pure"},
	{"internal/lab/...", []string{"internal/unit", "internal/fleet", "internal/element", "internal/lab/..."}, "the emulated chassis; never the engines that it is used to check"},
	{"internal/store", []string{"internal/plan", "internal/state"}, "SQLite and the durable engine"},
	{"internal/evidence", []string{"internal/unit", "internal/plan", "internal/state", "internal/conduct", "internal/paper"}, "what is handed over; the journal is a part of it"},
	{"internal/app", []string{
		"internal/unit", "internal/document", "internal/fleet", "internal/release", "internal/policy", "internal/state", "internal/workspace",
		"internal/readiness", "internal/survival", "internal/network", "internal/timing", "internal/schedule", "internal/plan",
		"internal/runbook", "internal/device", "internal/conduct", "internal/evidence",
	}, "use cases, and the runner that performs effects; no concrete adapter"},
	{"internal/cli", []string{
		"internal/unit", "internal/document", "internal/fleet", "internal/release", "internal/policy", "internal/state", "internal/workspace",
		"internal/readiness", "internal/survival", "internal/network", "internal/timing", "internal/schedule", "internal/plan",
		"internal/paper", "internal/runbook", "internal/device", "internal/conduct", "internal/evidence", "internal/app",
		"internal/device/adapter", "internal/device/dialogue", // adapters are files, tried on recorded output without a device
	}, "the front door; adapters are handed in by cmd/towpath"},
	{"internal/layout", nil, "this test"},
	{"internal/peers", nil, "forecasts beside real daemons; tests only"},
	{"internal/field", nil, "the whole job on a real software router; tests only"},
	{"cmd/towpath", []string{"internal/..."}, "wires the concrete adapters"},
	{"bench/...", []string{"internal/..."}, "measures whole jobs"},
}

func (r room) covers(pkg string) bool {
	base, tree := strings.CutSuffix(r.path, "/...")
	return pkg == base || tree && strings.HasPrefix(pkg, base+"/")
}

func (r room) allows(pkg string) bool {
	return slices.ContainsFunc(r.imports, func(p string) bool { return room{path: p}.covers(pkg) })
}

func TestImportsPointOneWay(t *testing.T) {
	out, err := exec.Command("go", "list", "-json=ImportPath,Imports,TestImports,XTestImports", "towpath/...").Output()
	if err != nil {
		var exit *exec.ExitError
		if errors.As(err, &exit) {
			t.Fatalf("go list: %v\n%s", err, exit.Stderr)
		}
		t.Fatal(err)
	}
	seen := 0
	used := map[string]bool{}
	dec := json.NewDecoder(bytes.NewReader(out))
	for {
		var p struct {
			ImportPath string
			Imports    []string
		}
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		seen++
		pkg := strings.TrimPrefix(p.ImportPath, "towpath/")
		i := slices.IndexFunc(rooms, func(r room) bool { return r.covers(pkg) })
		if i < 0 {
			t.Errorf("package %s is in no room: add a row with its reason", pkg)
			continue
		}
		used[rooms[i].path] = true
		for _, imp := range p.Imports {
			in, ours := strings.CutPrefix(imp, "towpath/")
			if ours && !rooms[i].allows(in) {
				t.Errorf("%s imports %s, which its row does not allow", pkg, in)
			}
		}
	}
	if seen < 5 {
		t.Fatalf("looked at %d packages only; the listing found too little", seen)
	}
	for _, r := range rooms {
		if !used[r.path] && !pending[r.path] {
			t.Errorf("row %s names a package that does not exist", r.path)
		}
		if used[r.path] && pending[r.path] {
			t.Errorf("%s exists now: take it out of pending", r.path)
		}
		if r.why == "" {
			t.Errorf("row %s gives no reason", r.path)
		}
	}
}

// pending are rooms that are designed and not yet built.
var pending = map[string]bool{}
