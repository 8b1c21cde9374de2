package evidence

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"towpath/internal/conduct"
	"towpath/internal/plan"
	"towpath/internal/policy"
	"towpath/internal/state"
)

var zero = time.Date(2031, 3, 4, 1, 0, 0, 0, time.UTC)

func at(s int) time.Time { return zero.Add(time.Duration(s) * time.Second) }

// story is a run over one hop: who took part, what was measured, how it ended.
func story(t *testing.T) Inputs {
	t.Helper()
	step := func(id string, kind plan.Kind, ph plan.Phase) plan.Step {
		return plan.Step{ID: id, Kind: kind, Phase: ph, Title: "Do " + id, Expect: plan.Law{Least: time.Second, Likely: 2 * time.Second, Most: 3 * time.Second}}
	}
	hold := step("02", plan.Hold, plan.UpgradeRun)
	hold.Hold = &plan.HoldSpec{Ask: "hand over?"}
	turn := step("03", plan.SwitchOver, plan.UpgradeRun)
	turn.PointOfNoReturn = true
	p := &plan.Plan{Device: "mere-agg-1", Platform: "alder-9", From: "4.2.3", To: "4.4.2", Cautions: []string{"Tell the hospital <first>."},
		Hops: []plan.HopPlan{{From: "4.2.3", To: "4.4.2", Method: "in-service", Silence: 2 * time.Second, Least: time.Second, Most: 3 * time.Second, Loss: 85 * time.Millisecond,
			Untouched: 0.97, Outlook: []plan.Outlook{{Object: "bgp 192.0.2.1", Outcome: "holds", Survive: 0.99}}}},
		Steps: []plan.Step{step("01", plan.CheckReadiness, plan.Download), hold, turn, step("04", plan.AcceptHop, plan.Acceptance)}}
	silence, _ := json.Marshal(map[string]any{"hop": 0, "measured_ns": 2178 * time.Millisecond, "resolution_ns": 23 * time.Millisecond})
	journal := []conduct.Record{
		{Kind: conduct.RunBegun, Person: "Ben Marlow"},
		{Kind: conduct.StepDone, Step: "01", Attempt: 1, Text: "ready"},
		{Kind: conduct.StepDone, Step: "02", Attempt: 1, Text: "Ada Fenwick consents", Person: "Ada Fenwick"},
		{Kind: conduct.Intended, Step: "03", Attempt: 1, Data: json.RawMessage(`{"boots":{}}`)},
		{Kind: conduct.Acted, Step: "03", Attempt: 1, Text: "handed over", Data: silence},
		{Kind: conduct.StepDone, Step: "03", Attempt: 1, Text: "so it is"},
		{Kind: conduct.StepDone, Step: "04", Attempt: 1, Text: "accepted 4.4.2"},
		{Kind: conduct.Finished, Verdict: conduct.Accepted},
	}
	for i := range journal {
		journal[i].Seq, journal[i].At, journal[i].Key = i+1, at(10*i), fmt.Sprintf("%04d", i+1)
	}
	pol := policy.Default()
	st, err := conduct.Fold(p, pol, journal)
	if err != nil {
		t.Fatal(err)
	}
	adj := func() *state.Capture {
		return &state.Capture{Adjacencies: []state.Adjacency{{Protocol: "bgp", Neighbour: "192.0.2.1", Up: state.Some(true), Since: state.Some(at(-9000))}}}
	}
	return Inputs{Run: "r1", Operator: "Ostermoor Water and Light", Who: "Ben Marlow", Workspace: strings.Repeat("ab", 32), State: st, Journal: journal,
		Findings: []Finding{{Rule: "clock-in-sync", Verdict: "clear", Evidence: "3 ms"}, {Rule: "root-bridge", Verdict: "caution", Evidence: "it is root", Remedy: "move the root"}},
		Before:   adj(), After: []*state.Capture{adj()}, Captures: map[string]string{"capture/before": strings.Repeat("cd", 32)},
		Compared: []Comparison{{Name: "hop 1", Differences: []state.Difference{{Class: state.Look, Object: "route table", Field: "count", Before: "1204", After: "1207", Why: "within 1 %"}}, Counts: map[string]int{"look": 1}}},
		Sessions: []conduct.Measurement{session(0, turn.Title, turn.Title+conduct.Over)}}
}

// session is a measurement in which 71 packets in a row were lost at once after
// the first mark.
func session(begin int, marks ...string) conduct.Measurement {
	m := conduct.Measurement{Begun: at(begin), Ended: at(begin + 60), Rate: 1000, Resolution: time.Millisecond, Waited: 2 * time.Second, Sent: 60000, Lost: 71, Forward: 71,
		TPLFrames: 71, TPLTime: 71 * time.Millisecond, Bucket: time.Second,
		Outages: []conduct.Outage{{Flow: "harbour", Direction: "forward", From: at(begin + 6), Until: at(begin + 6).Add(70 * time.Millisecond), Lost: 71, ByLoss: 71 * time.Millisecond, ByTimestamp: 70 * time.Millisecond}},
		Series:  []conduct.Series{{Flow: "harbour", Direction: "forward", Sent: []uint32{60000}, Lost: []uint32{71}}}}
	for i, l := range marks {
		m.Marks = append(m.Marks, conduct.Mark{At: at(begin + 5 + i), Label: l})
	}
	return m
}

func assemble(t *testing.T, in Inputs) *Document {
	t.Helper()
	d, err := Assemble(in)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func written(t *testing.T, d *Document) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := d.WriteJSON(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// Any octet that is changed, taken out or added is found out.
func TestCheckFindsEveryOctet(t *testing.T) {
	raw := written(t, assemble(t, story(t)))
	if _, err := Check(bytes.NewReader(raw)); err != nil {
		t.Fatalf("as it was handed over: %v", err)
	}
	for i := range raw {
		var spoilt []byte
		switch i % 3 {
		case 0:
			spoilt = slices.Concat(raw[:i], []byte{raw[i] ^ 1}, raw[i+1:])
		case 1:
			spoilt = slices.Concat(raw[:i], []byte{raw[i] ^ 0x20}, raw[i+1:]) // the other case of a letter
		default:
			spoilt = slices.Concat(raw[:i], raw[i+1:])
		}
		if _, err := Check(bytes.NewReader(spoilt)); err == nil {
			t.Fatalf("octet %d of %d, in %q: not found out", i, len(raw), raw[max(0, i-20):min(len(raw), i+20)])
		}
	}
	for _, add := range []string{" ", "{}", "\n{\"verdict\":\"refused\"}"} {
		if _, err := Check(strings.NewReader(string(raw) + add)); err == nil {
			t.Errorf("%q after the end was not found out", add)
		}
	}
	if _, err := Check(strings.NewReader(strings.Replace(string(raw), "{", "{\n \"VERDICT\": \"refused\",", 1))); err == nil {
		t.Error("a second verdict in other letters was not found out")
	}
}

// The error names the part.
func TestCheckNamesThePart(t *testing.T) {
	raw := string(written(t, assemble(t, story(t))))
	for part, change := range map[string][2]string{
		"findings": {`"3 ms"`, `"4 ms"`}, "journal": {`"key": "0004"`, `"key": "0005"`}, "probe": {`"lost": 71,`, `"lost": 0,`},
		"comparisons": {`"1207"`, `"1204"`}, "consents": {`"began the run"`, `"saw the run"`}, "hops": {`"untouched": 0.97`, `"untouched": 0.98`}, "steps": {`"result": "done"`, `"result": "dont"`},
	} {
		if !strings.Contains(raw, change[0]) {
			t.Fatalf("the document has no %s", change[0])
		}
		if _, err := Check(strings.NewReader(strings.Replace(raw, change[0], change[1], 1))); err == nil || !strings.Contains(err.Error(), part) {
			t.Errorf("%s: got %v, want the part named", part, err)
		}
	}
}

// A hop's loss is claimed only where test traffic ran from the begin of every
// step that can cut it to its end.
func TestLossIsClaimedOnlyWhereMeasured(t *testing.T) {
	const turn = "Do 03"
	for _, c := range []struct {
		name     string
		sessions []conduct.Measurement
		known    bool
	}{
		{"throughout", []conduct.Measurement{session(0, turn, turn+conduct.Over)}, true},
		{"nothing was sent", nil, false},
		{"killed during the hand-over, taken up after", []conduct.Measurement{session(0, conduct.TakenUp, turn+conduct.Again, turn+conduct.Over)}, false},
		{"stopped in the middle of it", []conduct.Measurement{session(0, turn), session(100, turn+conduct.Again, turn+conduct.Over)}, false},
		{"taken up after it", []conduct.Measurement{session(0, conduct.TakenUp, "Do 04")}, false},
		{"interrupted later", []conduct.Measurement{session(0, turn, turn+conduct.Over), session(100, conduct.TakenUp)}, true},
	} {
		in := story(t)
		in.Sessions = c.sessions
		d := assemble(t, in)
		h := d.Hops[0]
		if h.Loss.Known != c.known {
			t.Errorf("%s: loss claimed: %v, want %v", c.name, h.Loss.Known, c.known)
		}
		if c.known && h.Loss.Measured != 71*time.Millisecond {
			t.Errorf("%s: loss %v, want 71ms", c.name, h.Loss.Measured)
		}
		if len(c.sessions) > 0 && slices.ContainsFunc(c.sessions[0].Marks, func(k conduct.Mark) bool { return k.Label == conduct.TakenUp }) && len(d.Notes) == 0 {
			t.Errorf("%s: no note says that the begin was not kept", c.name)
		}
	}
}

func TestSessionsAddUp(t *testing.T) {
	m := merge([]conduct.Measurement{session(0), session(100)})
	if m.Sent != 120000 || m.Lost != 142 || m.Forward != 142 || m.TPLFrames != 142 || m.TPLTime != 142*time.Millisecond || len(m.Outages) != 2 {
		t.Errorf("sum of two sessions: %+v", m)
	}
	if len(m.Voids) != 1 || m.Voids[0].From != at(60) || m.Voids[0].Until != at(100) {
		t.Errorf("voids %+v, want the time between the two", m.Voids)
	}
	if m.Begun != at(0) || m.Ended != at(160) {
		t.Errorf("from %v to %v", m.Begun, m.Ended)
	}
}

func TestHeld(t *testing.T) {
	for want, all := range map[string][]Fate{
		"nil":   {{Outcome: "held"}, {Outcome: "unknown"}},
		"true":  {{Outcome: "held"}, {Outcome: "held"}},
		"false": {{Outcome: "unknown"}, {Outcome: "restarted"}},
	} {
		got := "nil"
		if h := allHeld(all); h != nil {
			got = fmt.Sprint(*h)
		}
		if got != want {
			t.Errorf("%+v: %s, want %s", all, got, want)
		}
	}
	if allHeld(nil) != nil {
		t.Error("that every one of no adjacencies held is no finding")
	}
}

// text returns the text of the page without its style, and the names of its
// elements.
func text(t *testing.T, d *Document) (string, []string) {
	t.Helper()
	var b bytes.Buffer
	if err := d.WriteHTML(&b); err != nil {
		t.Fatal(err)
	}
	root, err := html.Parse(&b)
	if err != nil {
		t.Fatal(err)
	}
	var words, names []string
	for n := range root.Descendants() {
		switch {
		case n.Type == html.ElementNode:
			names = append(names, n.Data)
			for _, a := range n.Attr {
				if (a.Key == "src" || a.Key == "href") && !strings.HasPrefix(a.Val, "#") {
					t.Errorf("the page is not self-contained: %s %s=%s", n.Data, a.Key, a.Val)
				}
			}
		case n.Type == html.TextNode && n.Parent.Data != "style":
			words = append(words, strings.Fields(n.Data)...)
		}
	}
	return strings.Join(words, " "), names
}

// Every figure and name of the document stands on the page, as text.
func TestPageSaysWhatTheDocumentSays(t *testing.T) {
	in := story(t)
	d := assemble(t, in)
	page, names := text(t, d)
	want := []string{"ACCEPTED", "Every check agreed", d.Run, d.Operator, d.Who, d.SafeState, d.Digest, d.Plan, d.Workspace, "Tell the hospital <first>.",
		words(d.Hops[0].Silence.Measured), words(d.Hops[0].Silence.Resolution), words(d.Hops[0].Silence.Forecast), words(d.Hops[0].Loss.Measured), words(d.Hops[0].Loss.Forecast),
		"inside the forecast", "97.0 %", "60000 packets sent, 71 lost", "1 held, 0 restarted, 0 lost", "1 caution, 1 clear", "1204", "1207", "within 1 %", "Ada Fenwick", "hand over?"}
	for name, sum := range d.Parts {
		want = append(want, name, sum)
	}
	for _, f := range d.Findings {
		want = append(want, f.Rule, f.Evidence)
	}
	for _, s := range d.Steps {
		want = append(want, s.Title, s.Text)
	}
	for _, r := range d.Journal {
		want = append(want, string(r.Kind), r.Text)
	}
	for _, w := range want {
		if w = strings.Join(strings.Fields(w), " "); !strings.Contains(page, w) {
			t.Errorf("the page does not say %q", w)
		}
	}
	for _, n := range []string{"script", "link", "img", "iframe"} {
		if slices.Contains(names, n) {
			t.Errorf("the page has a %s", n)
		}
	}
	if !slices.Contains(names, "svg") {
		t.Error("the page has no timeline")
	}
}

func TestHeadlines(t *testing.T) {
	in := story(t)
	for _, c := range []struct {
		verdict conduct.Verdict
		spoil   func(*Document)
		want    string
	}{
		{conduct.RolledBack, nil, "ROLLED BACK"}, {conduct.Refused, nil, "REFUSED"}, {"", nil, "OPEN"},
		{conduct.Paused, func(d *Document) { d.Journal = d.Journal[:2] }, "PAUSED"},
		{conduct.Paused, nil, "HANDED OVER"},
		{conduct.Accepted, func(d *Document) {
			d.Journal = append([]conduct.Record{{Kind: conduct.Chosen, Choice: conduct.Continue, Person: "Ada Fenwick"}}, d.Journal...)
		}, "chose to go on in spite of"},
	} {
		d := assemble(t, in)
		if d.Verdict = c.verdict; c.spoil != nil {
			c.spoil(d)
		}
		if page, _ := text(t, d); !strings.Contains(page, c.want) || c.want != "OPEN" && strings.Contains(page, "Every check agreed") {
			t.Errorf("%q: the page does not say %q, or says that every check agreed", c.verdict, c.want)
		}
	}
	if _, err := Assemble(Inputs{State: in.State}); err == nil {
		t.Error("a run without a journal has evidence")
	}
}
