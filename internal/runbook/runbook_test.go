package runbook

import (
	"bytes"
	"fmt"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"towpath/internal/fleet"
	"towpath/internal/plan"
	"towpath/internal/policy"
	"towpath/internal/release"
	"towpath/internal/state"

	"github.com/yuin/goldmark"
	"github.com/yuin/goldmark/extension"
	"golang.org/x/net/html"
	"golang.org/x/net/html/atom"
)

func example(t *testing.T) *plan.Plan {
	t.Helper()
	hop := func(from, to string) release.Hop {
		return release.Hop{From: from, To: to, Method: release.InService, Minutes: release.Spread{Least: 10, Likely: 20, Most: 40},
			Silence: &release.SilenceRange{Least: time.Second, Likely: 2 * time.Second, Most: 3 * time.Second}}
	}
	in := plan.HopInput{Back: release.InService, Untouched: 0.97, Images: []release.Image{{Kind: release.ImageSystem, File: "alder.pkg", Size: 1 << 30, SHA256: strings.Repeat("ab", 32)}},
		Outlook: []plan.Outlook{{Object: "bgp 192.0.2.1", Outcome: "at risk", Survive: 0.9, Why: "hold time 9s | silence up to 3s"}, {Object: "ospfv2 192.0.2.2", Outcome: "holds"}}}
	p, err := plan.Compose(plan.Inputs{Device: fleet.Device{ID: "mere-agg-1", Serves: []string{"pumping station <4>"}}, Partners: []fleet.DeviceID{"mere-agg-2"},
		Platform: release.Platform{ID: "alder-9", PerController: true}, Policy: policy.Default(), Now: time.Date(2031, 3, 4, 0, 0, 0, 0, time.UTC),
		Path:   release.Path{Hops: []release.Hop{hop("4.2.3", "4.3.1"), hop("4.3.1", "4.4.2")}},
		Layout: plan.Layout{Primary: "CTL-A", Secondary: "CTL-B", LineCards: []string{"LC-1"}}, Hops: []plan.HopInput{in, in}})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// TestEveryFormatShowsEveryStep: nothing is written twice, so nothing may be
// left out either. Each form is read by a reader that is none of ours.
func TestEveryFormatShowsEveryStep(t *testing.T) {
	p := example(t)
	if len(p.Steps) < 15 {
		t.Fatalf("the example has only %d steps", len(p.Steps))
	}
	for _, f := range Formats() {
		t.Run(string(f), func(t *testing.T) {
			var b bytes.Buffer
			if err := Render(&b, p, f); err != nil {
				t.Fatal(err)
			}
			got := readBack(t, f, b.Bytes())
			covered := 0
			for _, s := range p.Steps {
				if !strings.Contains(got, s.Title) {
					t.Errorf("step %q is missing", s.Title)
				}
				for _, c := range append(s.Before, s.After...) {
					if !strings.Contains(got, c.Text()) {
						t.Errorf("condition %q is missing", c.Text())
					}
				}
				if s.Hold == nil {
					if s.Loss != nil && !strings.Contains(got, s.Loss.Text()) {
						t.Errorf("what %q costs traffic is missing", s.Title)
					}
					continue
				}
				if !strings.Contains(got, s.Hold.Ask) {
					t.Errorf("what is asked at %q is missing", s.Title)
				}
				covered += len(s.Hold.Ahead)
				for _, e := range s.Hold.Ahead {
					if !strings.Contains(got, e.Text()) {
						t.Errorf("the consent at %q does not name %q", s.Title, e.Text())
					}
				}
			}
			if covered < 4 {
				t.Errorf("the consents cover only %d steps", covered)
			}
			for _, want := range append(p.Cautions, "mere-agg-2", "192.0.2.1", "pumping station <4>", "hold time 9s | silence up to 3s") {
				if !strings.Contains(got, want) {
					t.Errorf("%q is missing", want)
				}
			}
			if n := strings.Count(strings.ToUpper(got), "POINT OF NO RETURN"); n < 2 {
				t.Errorf("the points of no return of both hops are not marked (%d)", n)
			}
		})
	}
	if err := Render(&bytes.Buffer{}, p, "pdf-by-hand"); err == nil {
		t.Error("an unknown format was rendered")
	}
}

// TestPuttingBackIsNoSetting: a step that puts settings back never reads as one
// that sets them to the value that they are to lose, in any format.
func TestPuttingBackIsNoSetting(t *testing.T) {
	p := example(t)
	ends := []plan.End{{Settings: []state.Setting{{Protocol: "bfd", Neighbour: "192.0.2.1", Parameter: "detection-multiplier", Value: "4"}}}}
	p.Steps = append(p.Steps,
		plan.Step{ID: "x-prepare", Phase: plan.UpgradeRun, Kind: plan.Prepare, Title: "Prepare", Ends: ends},
		plan.Step{ID: "x-restore", Phase: plan.UpgradeRun, Kind: plan.Restore, Title: "Put back", Ends: ends})
	for _, f := range Formats() {
		t.Run(string(f), func(t *testing.T) {
			var b bytes.Buffer
			if err := Render(&b, p, f); err != nil {
				t.Fatal(err)
			}
			got := readBack(t, f, b.Bytes())
			for _, want := range []string{"mere-agg-1: bfd 192.0.2.1 detection-multiplier 4", "mere-agg-1: bfd 192.0.2.1 detection-multiplier, to what was found before it was set to 4"} {
				if n := strings.Count(got, want); n != 1 {
					t.Errorf("%q is there %d times, want once", want, n)
				}
			}
		})
	}
}

// readBack is the text that a reader of the format finds, with single spaces.
// Sources: poppler's pdftotext, golang.org/x/net/html, goldmark.
func readBack(t *testing.T, f Format, b []byte) string {
	t.Helper()
	out := string(b)
	switch f {
	case PDF:
		if _, err := exec.LookPath("pdftotext"); err != nil {
			t.Skip("pdftotext of poppler-utils is not installed: the PDF's text is not read back")
		}
		cmd := exec.Command("pdftotext", "-raw", "-enc", "UTF-8", "-", "-")
		cmd.Stdin = bytes.NewReader(b)
		text, err := cmd.Output()
		if err != nil {
			t.Fatalf("pdftotext: %v", err)
		}
		out = string(text)
	case HTML:
		out = textOf(t, out)
	case Markdown:
		var page bytes.Buffer
		if err := goldmark.New(goldmark.WithExtensions(extension.GFM)).Convert(b, &page); err != nil {
			t.Fatal(err)
		}
		out = textOf(t, page.String())
	case Text, Calendar, SVG:
	}
	return strings.Join(strings.Fields(out), " ")
}

func textOf(t *testing.T, src string) string {
	t.Helper()
	n, err := html.Parse(strings.NewReader(src))
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	var walk func(*html.Node)
	walk = func(n *html.Node) {
		if n.Type == html.TextNode {
			b.WriteString(n.Data)
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c)
		}
		if slices.Contains([]atom.Atom{atom.P, atom.Td, atom.Th, atom.Li, atom.Dt, atom.Dd, atom.Br, atom.H1, atom.H2, atom.H3, atom.Span}, n.DataAtom) {
			b.WriteString(" ")
		}
	}
	walk(n)
	return b.String()
}

func TestTextFitsATerminal(t *testing.T) {
	var b bytes.Buffer
	if err := Render(&b, example(t), Text); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(b.String(), "\n")
	if len(lines) < 40 {
		t.Fatalf("only %d lines", len(lines))
	}
	for i, l := range lines {
		if n := utf8.RuneCountInString(l); n > width {
			t.Errorf("line %d is %d columns wide: %s", i+1, n, l)
		}
	}
}

func TestShort(t *testing.T) {
	for d, want := range map[time.Duration]string{0: "0s", 340 * time.Millisecond: "340ms", 2200 * time.Millisecond: "2.2s", 12 * time.Minute: "12m", 65 * time.Minute: "1h05m", 90 * time.Second: "1m30s"} {
		if got := short(d); got != want {
			t.Errorf("short(%d) = %s, want %s", d, got, want)
		}
	}
	if got := fmt.Sprint(clock(3661 * time.Second)); got != "+1:01:01" {
		t.Errorf("clock: %s", got)
	}
}
