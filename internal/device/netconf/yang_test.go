package netconf_test

import (
	"context"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"towpath/internal/device/devicetest/labtest"
	"towpath/internal/device/netconf"
	"towpath/internal/element"
)

// statement is one of a YANG module. Source: from memory, RFC 7950 §6.3.
type statement struct {
	word, arg string
	kids      []*statement
}

func (s *statement) all(word string) []*statement {
	var out []*statement
	for _, k := range s.kids {
		if k.word == word {
			out = append(out, k)
		}
	}
	return out
}

// find is the statement with that word and argument, nil where there is none.
func (s *statement) find(word, arg string) *statement {
	for _, k := range s.all(word) {
		if k.arg == arg {
			return k
		}
	}
	return nil
}

// names are the data nodes right below, in their order.
func (s *statement) names() []string {
	var out []string
	for _, k := range s.kids {
		switch k.word {
		case "leaf", "leaf-list", "list", "container":
			out = append(out, k.arg)
		}
	}
	return out
}

// readYANG reads a module, as far as its statements go.
func readYANG(t *testing.T, name string) *statement {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	// Source: from memory, RFC 7950 §6.1, tokens: quoted strings, comments, and words that
	// end at a blank, a semicolon or a brace.
	var tokens []string
	for s := string(b); s != ""; {
		switch {
		case strings.ContainsRune(" \t\r\n", rune(s[0])):
			s = s[1:]
		case strings.HasPrefix(s, "//"):
			_, s, _ = strings.Cut(s, "\n")
		case strings.HasPrefix(s, "/*"):
			_, s, _ = strings.Cut(s, "*/")
		case s[0] == '"' || s[0] == '\'':
			end := 1
			for ; s[end] != s[0]; end++ {
				if s[0] == '"' && s[end] == '\\' {
					end++
				}
			}
			tokens, s = append(tokens, "="+s[1:end]), s[end+1:]
		case strings.ContainsRune("{};", rune(s[0])):
			tokens, s = append(tokens, s[:1]), s[1:]
		default:
			end := strings.IndexAny(s, " \t\r\n{};")
			tokens, s = append(tokens, "="+s[:end]), s[end:]
		}
	}
	var block func() []*statement
	block = func() []*statement {
		var out []*statement
		for len(tokens) > 0 && tokens[0] != "}" {
			x := &statement{word: strings.TrimPrefix(tokens[0], "=")}
			for tokens = tokens[1:]; tokens[0][0] == '='; tokens = tokens[1:] {
				if tokens[0] != "=+" { // which joins strings
					x.arg += tokens[0][1:]
				}
			}
			end := tokens[0]
			if tokens = tokens[1:]; end == "{" {
				x.kids = block()
				tokens = tokens[1:]
			}
			out = append(out, x)
		}
		return out
	}
	all := block()
	if len(all) != 1 || all[0].word != "module" {
		t.Fatalf("%s is no module", name)
	}
	return all[0]
}

const ownModule, ownSpace = "towpath-software.yang", "tag:towpath.example,2026:yang:towpath-software"

// calls are the calls of a function or method in a file of this package, with
// their literal arguments; others are "".
func calls(t *testing.T, file, name string) [][]string {
	t.Helper()
	f, err := parser.ParseFile(token.NewFileSet(), file, nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	var out [][]string
	ast.Inspect(f, func(n ast.Node) bool {
		c, ok := n.(*ast.CallExpr)
		if !ok {
			return true
		}
		called := ""
		switch x := c.Fun.(type) {
		case *ast.Ident:
			called = x.Name
		case *ast.SelectorExpr:
			called = x.Sel.Name
		}
		if called != name {
			return true
		}
		var args []string
		for _, a := range c.Args {
			text := ""
			if l, ok := a.(*ast.BasicLit); ok && l.Kind == token.STRING {
				text, _ = strconv.Unquote(l.Value)
			}
			args = append(args, text)
		}
		out = append(out, args)
		return true
	})
	if len(out) == 0 {
		t.Fatalf("%s: found no call of %s", file, name)
	}
	return out
}

// TestOwnModuleIsWhatTheDriverSpeaks compares the published module with what
// the driver sends and reads.
func TestOwnModuleIsWhatTheDriverSpeaks(t *testing.T) {
	m := readYANG(t, ownModule)
	if got := m.all("namespace")[0].arg; got != ownSpace {
		t.Errorf("namespace %q, want %q", got, ownSpace)
	}
	// Requests: all of them, all arguments, in the order of the module, which
	// RFC 7950 §7.14.4 asks for.
	sent := map[string][]string{}
	for _, c := range calls(t, "software.go", "request") {
		rpc := m.find("rpc", c[0])
		if rpc == nil {
			t.Errorf("the driver calls %q, which is not in the module", c[0])
			continue
		}
		for i := 1; i < len(c); i += 2 {
			sent[c[0]] = append(sent[c[0]], c[i])
		}
		if want := rpc.all("input")[0].names(); !slices.Equal(sent[c[0]], want) {
			t.Errorf("%s: the driver sends %q, the module has %q", c[0], sent[c[0]], want)
		}
	}
	rpcs := m.all("rpc")
	if len(rpcs) != 5 || len(sent) != len(rpcs) {
		t.Errorf("%d requests in the module, %d are sent", len(rpcs), len(sent))
	}
	// What is read of the state, of replies and of components.
	software := m.find("container", "software")
	state := slices.Concat(software.names(), software.find("list", "controller").names())
	for _, r := range rpcs {
		for _, o := range r.all("output") {
			state = append(state, o.names()...)
		}
	}
	read := map[string]bool{}
	for _, name := range []string{"Kid", "All"} {
		for _, c := range calls(t, "software.go", name) {
			if read[c[0]] = true; !slices.Contains(state, c[0]) {
				t.Errorf("the driver reads %q, which is not in the module", c[0])
			}
		}
	}
	read["next-image"], read["controller"] = true, true // read by (*reading).software
	for _, name := range state {
		if !read[name] {
			t.Errorf("%q is in the module, and nothing reads it", name)
		}
	}
	var own []string
	for _, c := range calls(t, "standard.go", "own") {
		own = append(own, c[0])
	}
	if want := m.find("augment", "/hw:hardware/hw:component").names(); !slices.Equal(slices.Sorted(slices.Values(own)), slices.Sorted(slices.Values(want))) {
		t.Errorf("of a component the driver reads %q, the module has %q", own, want)
	}
	// The names of errors are told in the description.
	tags := []string{"send-file"}
	f, err := parser.ParseFile(token.NewFileSet(), "session.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	ast.Inspect(f, func(n ast.Node) bool {
		if v, ok := n.(*ast.ValueSpec); ok && v.Names[0].Name == "appKinds" {
			for _, e := range v.Values[0].(*ast.CompositeLit).Elts {
				tag, _ := strconv.Unquote(e.(*ast.KeyValueExpr).Key.(*ast.BasicLit).Value)
				tags = append(tags, tag)
			}
		}
		return true
	})
	if len(tags) < 5 {
		t.Fatalf("found the error-app-tags %q", tags)
	}
	for _, tag := range tags {
		if !strings.Contains(m.all("description")[0].arg, "\n       "+tag+" ") {
			t.Errorf("the error-app-tag %s is not in the module's description", tag)
		}
	}
}

// ask asks a lab device for a subtree.
func ask(t *testing.T, s *netconf.Session, space, name string) *element.Node {
	t.Helper()
	data, err := s.Get(context.Background(), []*element.Node{element.New(space, name)})
	if err != nil {
		t.Fatal(err)
	}
	n := data.In(space, name)
	if n == nil {
		t.Fatalf("the lab serves no %s", name)
	}
	return n
}

const ietf = "urn:ietf:params:xml:ns:yang:"

// TestLabServesOwnModule compares the module with what the lab's device tells.
func TestLabServesOwnModule(t *testing.T) {
	m := readYANG(t, ownModule)
	s := session(t, labtest.Start(t, labtest.Config(true), 1), netconf.Options{})
	p := s.Capabilities()[ownSpace]
	if got, want := p.Get("revision"), m.all("revision")[0].arg; got != want || p.Get("module") != m.arg {
		t.Errorf("the lab announces %v, want revision %s", p, want)
	}
	seen := map[string]bool{}
	known := func(n *element.Node, where string, names []string) {
		if n.Space != ownSpace {
			return
		}
		if seen[where+n.Name] = true; !slices.Contains(names, n.Name) {
			t.Errorf("%s%s is not in the module", where, n.Name)
		}
	}
	software := m.find("container", "software")
	for _, n := range ask(t, s, ownSpace, "software").Kids {
		known(n, "software/", software.names())
		for _, k := range n.Kids {
			known(k, "controller/", software.find("list", "controller").names())
		}
	}
	for _, x := range []struct{ top, list, augment string }{
		{"hardware", "component", "/hw:hardware/hw:component"}, {"interfaces", "interface", "/if:interfaces/if:interface"},
	} {
		for _, n := range ask(t, s, ietf+"ietf-"+x.top, x.top).All(x.list) {
			for _, k := range n.Kids {
				known(k, x.list+"/", m.find("augment", x.augment).names())
			}
			if space, id, ok := n.Kid("class").ID(); x.list == "component" && ok && space == ownSpace && m.find("identity", id) == nil {
				t.Errorf("the class %s is not in the module", id)
			}
		}
	}
	if len(seen) < 18 {
		t.Errorf("the lab told %d different things: %v", len(seen), seen)
	}
}

// The modules as the IETF published them, which Debian's libyuma-base carries.
// Source: RFC 8348, 8343, 8344, 8349 and 7317 in those files.
var published = []struct{ name, file string }{
	{"ietf-hardware", "modules/ietf/ietf-hardware@2018-03-13.yang"},
	{"iana-hardware", "modules/ietf/iana-hardware@2018-03-13.yang"},
	{"ietf-interfaces", "nmda-modules/ietf/ietf-interfaces@2018-02-20.yang"},
	{"ietf-ip", "nmda-modules/ietf/ietf-ip@2018-02-22.yang"},
	{"ietf-routing", "nmda-modules/ietf/ietf-routing@2018-03-13.yang"},
	{"ietf-ipv4-unicast-routing", "nmda-modules/ietf/ietf-ipv4-unicast-routing@2018-03-13.yang"},
	{"ietf-ipv6-unicast-routing", "nmda-modules/ietf/ietf-ipv6-unicast-routing@2018-03-13.yang"},
	{"ietf-system", "modules/ietf/ietf-system@2014-08-06.yang"},
	{"ietf-yang-library", "modules/ietf/ietf-yang-library@2016-06-21.yang"},
	{"ietf-netconf-notifications", "modules/ietf/ietf-netconf-notifications@2012-02-06.yang"},
}

const publishedIn = "/usr/share/yuma/"

// TestServedModulesAreThePublishedOnes compares names, namespaces and revisions
// that the lab announces with the headers of the published modules.
func TestServedModulesAreThePublishedOnes(t *testing.T) {
	if _, err := os.Stat(publishedIn); err != nil {
		t.Skipf("not compared with the published modules (Debian: libyuma-base): %v", err)
	}
	caps := session(t, labtest.Start(t, labtest.Config(true), 1), netconf.Options{}).Capabilities()
	for _, x := range published {
		m := readYANG(t, publishedIn+x.file)
		p, ok := caps[m.all("namespace")[0].arg]
		if !ok || p.Get("module") != m.arg || m.arg != x.name || p.Get("revision") != m.all("revision")[0].arg {
			t.Errorf("%s: the lab announces %v, the module has the namespace %s and the revision %s", x.name, p, m.all("namespace")[0].arg, m.all("revision")[0].arg)
		}
	}
}

// TestServedDataIsValid has a validator check all that the lab's device serves
// of the published modules and of our own: names, places, types, identities.
func TestServedDataIsValid(t *testing.T) {
	lint, err := exec.LookPath("yanglint")
	if _, serr := os.Stat(publishedIn); err == nil {
		err = serr
	}
	if err != nil {
		t.Skipf("not checked by yanglint (Debian: libyang2-tools, libyuma-base): %v", err)
	}
	tops := [][2]string{{"ietf-system", "system"}, {"ietf-system", "system-state"}, {"ietf-hardware", "hardware"}, {"ietf-interfaces", "interfaces"}, {"ietf-routing", "routing"}}
	for _, standard := range []bool{true, false} {
		t.Run(fmt.Sprintf("standard %t", standard), func(t *testing.T) {
			cfg := labtest.Config(true)
			cfg.Devices[0].NETCONF.Standard = standard
			s := session(t, labtest.Start(t, cfg, 1), netconf.Options{})
			spaces := map[string]bool{ietf + "iana-if-type": true}
			var modules []string
			for _, x := range published {
				spaces[ietf+x.name] = true
				if x.name != "ietf-netconf-notifications" && x.name != "ietf-yang-library" { // which the validator has built in, or does not need
					modules = append(modules, publishedIn+x.file)
				}
			}
			modules = append(modules, publishedIn+"modules/ietf/iana-if-type@2014-05-08.yang")
			var text strings.Builder
			count := 0
			add := func(n *element.Node) {
				count += prune(n, spaces)
				text.WriteString(n.String() + "\n")
			}
			if !standard {
				spaces[ownSpace] = true
				modules = append(modules, ownModule)
				add(ask(t, s, ownSpace, "software"))
			}
			for _, x := range tops {
				add(ask(t, s, ietf+x[0], x[1]))
			}
			// The obsolete half of ietf-routing, which no device serves any more,
			// wants one table all the same. Source: the module, routing-state.
			text.WriteString(`<routing-state xmlns="` + ietf + `ietf-routing"><ribs><rib><name>x</name><address-family>ipv4</address-family></rib></ribs></routing-state>`)
			if count < 200 {
				t.Fatalf("%d elements", count)
			}
			check := func(text string) ([]byte, error) {
				name := filepath.Join(t.TempDir(), "data.xml")
				if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
					t.Fatal(err)
				}
				args := []string{"-t", "data", "-p", publishedIn + "nmda-modules/ietf", "-p", publishedIn + "modules/ietf"}
				for _, f := range []string{"ietf-interfaces:if-mib,arbitrary-names,pre-provisioning", "ietf-hardware:entity-mib,hardware-state,hardware-sensor", "ietf-system:ntp,timezone-name", "ietf-routing:router-id,multiple-ribs"} {
					args = append(args, "-F", f)
				}
				return exec.Command(lint, append(append(args, modules...), name)...).CombinedOutput()
			}
			if out, err := check(text.String()); err != nil {
				t.Errorf("%v: %s", err, out)
			}
			// The check must be one: what is wrong has to be found.
			for _, wrong := range [][2]string{{"<oper-state>enabled<", "<oper-state>fine<"}, {"serial-num>", "serial-number>"}, {">providing-service<", ">active<"}} {
				bad := strings.ReplaceAll(text.String(), wrong[0], wrong[1])
				if bad == text.String() {
					t.Fatalf("no %q in what is served", wrong[0])
				}
				if out, err := check(bad); err == nil {
					t.Errorf("the validator takes %q: %s", wrong[1], out)
				}
			}
		})
	}
}

// prune leaves only elements of some namespaces and counts them. What has an
// identity of another one goes as a whole, such as the instance of a protocol.
func prune(n *element.Node, spaces map[string]bool) int {
	count := 1
	n.Kids = slices.DeleteFunc(n.Kids, func(k *element.Node) bool {
		return !spaces[k.Space] || slices.ContainsFunc(k.Kids, func(l *element.Node) bool {
			space, _, ok := l.ID()
			return ok && strings.HasPrefix(space, ietf) && !spaces[space]
		})
	})
	for _, k := range n.Kids {
		count += prune(k, spaces)
	}
	return count
}
