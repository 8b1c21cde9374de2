package fleet

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"towpath/internal/document"
)

func TestImportCSV(t *testing.T) {
	const table = "\ufeffplatform,id, site ,features,console,serves,address,driver,server-name,role,release\r\n" +
		"alder-9,mere-acc-1,Mere,lacp; multicast-replication,,\"Mere hospital; \"\"north\"\" ward\",\"[2001:db8::7]:9339\",openconfig,acc.example,access,4.2.3\r\n" +
		"\r\n" +
		",,,,,,,,,,\r\n" +
		"alder-9, mere-acc-2 ,\"Mere,\r\nwest\",,con.example:7002,,,,,,\r\n"
	_, err := ImportCSV(nil, "devices.csv", strings.NewReader(table))
	const breaks = `devices.csv:5:22: site: text with a line break or a control character; want text`
	if err == nil || err.Error() != breaks {
		t.Fatalf("got %v, want %s", err, breaks)
	}
	got, err := ImportCSV(nil, "devices.csv", strings.NewReader(strings.Replace(table, "Mere,\r\nwest", "Mere, west", 1)))
	if err != nil {
		t.Fatal(err)
	}
	want := []Device{
		{
			ID: "mere-acc-1", Platform: "alder-9", Site: "Mere", Role: "access", Release: "4.2.3",
			Features: []string{"lacp", "multicast-replication"}, Serves: []string{"Mere hospital", `"north" ward`},
			Access: Access{Driver: "openconfig", Address: "[2001:db8::7]:9339", ServerName: "acc.example"},
		},
		{ID: "mere-acc-2", Platform: "alder-9", Site: "Mere, west", Console: Console{Address: "con.example:7002"}},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

func TestImportCSVRefuses(t *testing.T) {
	existing := &Fleet{Devices: []Device{{ID: "mere-agg-1", Platform: "p", Access: Access{Address: "a.example:1"}}}}
	for table, want := range map[string]string{
		"":                                       `devices.csv: the table is empty; want a first row that names the columns, such as id,platform,site`,
		"id;platform\na;b\n":                     `devices.csv:1:1: columns with ";" between them; want "," between columns and ";" between values`,
		"id,platfrm\n":                           `devices.csv:1:4: unknown column "platfrm"; did you mean "platform"?`,
		"id,platform,colour\n":                   `devices.csv:1:13: unknown column "colour"; want one of id, platform, site, role, release, address, driver, server-name, console, features, serves`,
		"id,platform,id\nä,b,c\n":                "devices.csv:1:13: id: the column \"id\" a second time",
		"id,site\na,b\n":                         `devices.csv:1:1: platform: missing; want a column "platform"`,
		"id,platform\nä,b\n":                     `devices.csv:2:1: id: "ä"; want a name of letters, digits, '.', '_' and '-', such as mere-agg-1`,
		"id,platform\na\n":                       `devices.csv:2:1: a row of 1 cells; want 2, as the first row names`,
		"id,platform\na,b,c\n":                   `devices.csv:2:5: a row of 3 cells; want 2, as the first row names`,
		"id,platform\n,b\n":                      `devices.csv:2:1: id: an empty cell`,
		"id,platform\na, \n":                     `devices.csv:2:3: platform: an empty cell; want a platform of the release catalogue`,
		"id,platform\nmere-agg-1,b\n":            `devices.csv:2:1: id: "mere-agg-1" is in the fleet already`,
		"id,platform\na,b\na,b\n":                `devices.csv:3:1: id: "a" is in line 2 already`,
		"id,platform,address\na,b,c\n":           `devices.csv:2:5: address: "c"; want host:port, such as mere-agg-1.ostermoor.example:9339 or [2001:db8::7]:9339`,
		"id,platform,driver\na,b,opencofig\n":    "devices.csv:2:5: driver: \"opencofig\"; want one of command-line, netconf, openconfig, snmp; did you mean \"openconfig\"?",
		"id,platform,driver\na,b,openconfig\n":   `devices.csv:2:5: driver: a driver without an address; want host:port, such as mere-agg-1.ostermoor.example:9339 or [2001:db8::7]:9339`,
		"id,platform,features\na,b,x; ;y\n":      `devices.csv:2:5: features: empty text; want text`,
		"id,platform,features\na,b,x;y;x\n":      `devices.csv:2:5: features: "x" a second time`,
		"id,platform,address\na,b,a.example:1\n": `devices.csv:2:5: address: "a.example:1" is that of the device "mere-agg-1" already`,
		"id,platform,site\na,b,x \"y\"\n":        "devices.csv:2:7: a quote inside a cell without quotes; want the cell in quotes, each quote in it twice, as in \"a \"\"b\"\" c\"",
		"id,platform,site\na,b,\"x\n":            `devices.csv:2:7: a quote that does not end its cell, or never comes; want quotes around the whole cell, each quote in it twice`,
		"id,platform\na,b\xe9\n":                 `devices.csv:2:4: the byte 0xE9 is not UTF-8; want a table in UTF-8`,
		"id,platform,address,console\na,b,\"é\",q:1\nc,d,,q:1\n": "devices.csv:2:5: address: \"é\"; want host:port, such as mere-agg-1.ostermoor.example:9339 or [2001:db8::7]:9339\n" +
			`devices.csv:3:6: console: "q:1" is in line 2 already`,
	} {
		got, err := ImportCSV(existing, "devices.csv", strings.NewReader(table))
		if got != nil || err == nil || (err.Error() != want && !strings.HasPrefix(err.Error(), want+"\n")) {
			t.Errorf("table %q\n got %v, %v\nwant %s", table, got, err, want)
		}
	}
	cause := errors.New("the disk is gone")
	if _, err := ImportCSV(nil, "x", broken{cause}); !errors.Is(err, cause) {
		t.Errorf("got %v, want the cause", err)
	}
	if _, err := ImportCSV(nil, "x", bytes.NewReader(make([]byte, document.MaxSize+1))); err == nil {
		t.Error("a table of any size is read")
	}
}

type broken struct{ err error }

func (b broken) Read([]byte) (int, error) { return 0, b.err }

// Source: encoding/csv writes RFC 4180; what it writes of a device must come
// back.
func TestImportCSVReadsWhatIsWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var want []Device
		for i := range rapid.IntRange(1, 4).Draw(t, "devices") {
			d := drawDevice(t, DeviceID(fmt.Sprintf("mere-%d", i)))
			if d.Access.Console != nil {
				d.Access = Access{} // a table has no column for a console line
			}
			want = append(want, Device{
				ID: d.ID, Platform: d.Platform, Site: d.Site, Role: d.Role, Release: d.Release, Features: d.Features, Serves: d.Serves, Console: d.Console,
				Access: Access{Driver: d.Access.Driver, Address: d.Access.Address, ServerName: d.Access.ServerName},
			})
		}
		order := rapid.Permutation(Columns()).Draw(t, "order")
		var b bytes.Buffer
		w := csv.NewWriter(&b)
		w.UseCRLF = rapid.Bool().Draw(t, "crlf")
		w.Write(order)
		for _, d := range want {
			cells := map[string]string{
				"id": string(d.ID), "platform": d.Platform, "site": d.Site, "role": d.Role, "release": d.Release, "address": d.Access.Address, "driver": d.Access.Driver,
				"server-name": d.Access.ServerName, "console": d.Console.Address, "features": strings.Join(d.Features, ";"), "serves": strings.Join(d.Serves, "; "),
			}
			var row []string
			for _, c := range order {
				row = append(row, cells[c])
			}
			w.Write(row)
		}
		w.Flush()
		got, err := ImportCSV(nil, "devices.csv", bytes.NewReader(b.Bytes()))
		if err != nil {
			t.Fatalf("%v\n%s", err, b.String())
		}
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("%s\n%s", cmp.Diff(want, got), b.String())
		}
		src, err := AppendYAML("fleet.yaml", []byte("operator: o\ndevices: []\n"), got)
		if err != nil {
			t.Fatal(err)
		}
		if f, err := Read("fleet.yaml", src); err != nil || !reflect.DeepEqual(f.Devices, want) {
			t.Fatalf("%v\n%s", err, src)
		}
	})
}

func FuzzImportCSV(f *testing.F) {
	seeds, err := filepath.Glob("../workspace/testdata/bad/*.csv")
	if err != nil {
		f.Fatal(err)
	}
	for _, name := range seeds {
		src, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(src)
	}
	f.Add([]byte("\ufeffid,platform,features\r\na,b,\"x;y\"\r\n"))
	f.Fuzz(func(t *testing.T, src []byte) {
		devices, err := ImportCSV(nil, "devices.csv", bytes.NewReader(src))
		var ps document.Problems
		switch {
		case err != nil && (devices != nil || !errors.As(err, &ps) || len(ps) == 0):
			t.Fatalf("%v with the error %T %v", devices, err, err)
		case err != nil:
			for _, p := range ps {
				if p.Line < 0 || p.Line > bytes.Count(src, []byte("\n"))+1 || strings.ContainsAny(p.Error(), "\n\x1b") {
					t.Fatalf("a bad problem: %+v", p)
				}
			}
		default:
			out, err := AppendYAML("fleet.yaml", []byte("operator: o\ndevices: []\n"), devices)
			if err != nil {
				t.Fatal(err)
			}
			if f, err := Read("fleet.yaml", out); err != nil || len(f.Devices) != len(devices) {
				t.Fatalf("%v\n%s", err, out)
			}
		}
	})
}
