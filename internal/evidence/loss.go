package evidence

import (
	"bytes"
	"fmt"
	"html/template"
	"slices"
	"strings"
	"time"

	"towpath/internal/conduct"
	"towpath/internal/plan"
)

// timeline draws the loss of the run over time, a picture for each stretch
// that was measured.
func (d *Document) timeline() (template.HTML, error) {
	var b bytes.Buffer
	for _, in := range d.stretches() {
		if err := Timeline(&b, in); err != nil {
			return "", err
		}
	}
	return template.HTML(b.String()), nil //nolint:gosec // our own drawing; it escapes what it shows
}

// stretches are the stretches that were measured, to be drawn.
func (d *Document) stretches() (out []TimelineData) {
	stretches := d.Sessions
	if len(stretches) == 0 {
		stretches = []conduct.Measurement{d.Probe}
	}
	for i, m := range stretches {
		if m.Sent == 0 || len(m.Series) == 0 {
			continue
		}
		in := TimelineData{Title: "Loss of test traffic", Start: d.local(m.Begun), Length: m.Ended.Sub(m.Begun), Bucket: m.Bucket, Resolution: m.Resolution,
			Budget: d.Budget, ID: fmt.Sprintf("loss%d", i+1)}
		for _, s := range m.Series {
			in.Rows = append(in.Rows, TimelineRow{Flow: s.Flow, Direction: s.Direction, Sent: s.Sent, Lost: s.Lost})
			in.Length = max(in.Length, time.Duration(len(s.Sent))*m.Bucket)
		}
		for _, o := range m.Outages {
			if slices.ContainsFunc(in.Rows, func(r TimelineRow) bool { return r.Flow == o.Flow && r.Direction == o.Direction }) {
				in.Outages = append(in.Outages, TimelineOutage{Flow: o.Flow, Direction: o.Direction, From: o.From.Sub(m.Begun), Until: o.Until.Sub(m.Begun), Lost: o.Lost, Length: o.Longest()})
			}
		}
		for _, v := range m.Voids {
			flow, why, ok := strings.Cut(v.Why, ": ")
			if !ok || !slices.ContainsFunc(in.Rows, func(r TimelineRow) bool { return r.Flow == flow }) {
				flow, why = "", v.Why
			}
			if from, until := max(0, v.From.Sub(m.Begun)), min(in.Length, v.Until.Sub(m.Begun)); until > from {
				in.Voids = append(in.Voids, TimelineVoid{Flow: flow, From: from, Until: until, Why: why})
			}
		}
		in.Marks = d.marks(m, in.Length)
		out = append(out, in)
	}
	return out
}

// marks are the steps that can touch traffic, in few words.
func (d *Document) marks(m conduct.Measurement, length time.Duration) []TimelineMark {
	short := map[string]string{}
	for _, s := range d.Steps {
		if s.Phase != plan.UpgradeRun {
			continue
		}
		words := strings.SplitN(s.ID, "-", 2) // number, kind and component
		if s.Back {
			words = strings.SplitN(strings.TrimPrefix(s.ID, "back-"), "-", 2)
		}
		if len(words) == 2 && !strings.HasPrefix(words[1], "hold") {
			short[s.Title] = words[1]
		}
	}
	var out []TimelineMark
	for _, k := range m.Marks {
		at := k.At.Sub(m.Begun)
		if label, ok := short[k.Label]; ok && at >= 0 && at <= length {
			out = append(out, TimelineMark{At: at, Label: label})
		}
	}
	return out
}
