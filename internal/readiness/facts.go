package readiness

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"towpath/internal/release"
	"towpath/internal/state"
	"towpath/internal/unit"
)

func (c *check) factsRead() {
	k := c.in.Capture
	for _, u := range k.Unread {
		c.unknown(c.device(), "not read: %s", u)
	}
	if len(c.out) == 0 && !k.Complete {
		c.unknown(c.device(), "the capture does not say that it is complete")
	}
	c.otherwise("the capture is complete, read by %s", k.Source)
}

func (c *check) captureRecent() {
	at := c.in.Capture.TakenAt
	switch age := c.now.Sub(at); {
	case at.IsZero():
		c.unknown(c.device(), "the capture does not say when it was taken")
	case age > captureAge:
		c.blocker(c.device(), "captured %s", c.ago(at))
	case age < -time.Minute:
		c.blocker(c.device(), "captured %s, which cannot be", c.ago(at))
	}
	c.otherwise("captured %s", c.ago(at))
}

func (c *check) deviceIdentity() {
	k := c.in.Capture
	if k.Device != c.device() {
		if k.Device == "" {
			c.unknown(c.device(), "the capture does not say of which device it is")
		} else {
			c.blocker(c.device(), "the capture is of %s", k.Device)
		}
		return
	}
	host, known := k.Hostname.Get()
	short, _, _ := strings.Cut(host, ".")
	switch {
	case !known:
		c.unknown(c.device(), "host name: unknown")
	case !strings.EqualFold(short, c.device()) && !strings.EqualFold(host, c.device()):
		c.blocker(c.device(), "the device calls itself %q", host)
	}
	c.otherwise("the device calls itself %q", host)
}

func (c *check) platformMatches() {
	d, p := c.in.Device, c.in.Platform
	if d.Platform != p.ID {
		c.blocker(c.device(), "the fleet has platform %q, the releases are those of %q", d.Platform, p.ID)
	}
	v, known := c.in.Capture.Release.Get()
	if !known {
		c.unknown(c.device(), "running release: unknown")
		return
	}
	s, err := c.x.Scheme(p.ID)
	if err != nil {
		c.unknown(c.device(), "%v", err)
		return
	}
	if _, err := s.Parse(v); err != nil {
		c.blocker(c.device(), "running release %s is none of platform %s: %v", v, p.ID, err)
	}
	// Where the inventory names the parts, they tell of the platform too.
	for _, want := range d.Components {
		have, there := c.in.Capture.Component(want.Name)
		if !there || want.Part == "" {
			continue
		}
		if part, ok := have.Part.Get(); ok && part != want.Part && have.Kind == state.KindChassis {
			c.blocker(want.Name, "the inventory has chassis %s, the device is a %s", want.Part, part)
		}
	}
	c.otherwise("platform %s, running release %s", p.ID, v)
}

func (c *check) pathFound() {
	hops := c.in.Path.Hops
	if len(hops) == 0 {
		c.blocker(c.device(), "the path has no hop")
		return
	}
	v, known := c.in.Capture.Release.Get()
	switch {
	case !known:
		c.unknown(c.device(), "running release: unknown; the path starts at %s", hops[0].From)
	case v != hops[0].From:
		c.blocker(c.device(), "the device runs %s, the path starts at %s", v, hops[0].From)
	}
	for i := 1; i < len(hops); i++ {
		if hops[i].From != hops[i-1].To {
			c.blocker(c.device(), "hop %d starts at %s, hop %d ends at %s", i+1, hops[i].From, i, hops[i-1].To)
		}
	}
	c.otherwise("%s", pathText(hops))
}

func pathText(hops []release.Hop) string {
	s := hops[0].From
	for _, h := range hops {
		s += " → " + h.To + " " + h.Method
	}
	return s
}

// pathOpen searches each hop anew from the captured state, with the firmware
// that the path has raised by then.
func (c *check) pathOpen() {
	k := c.in.Capture
	if c.noPath() {
		return
	}
	if len(k.Components) == 0 {
		c.unknown(c.device(), "no components read")
		return
	}
	now := release.Present{Device: c.device(), Platform: c.in.Platform.ID, Features: k.Features}
	if len(now.Features) == 0 && !k.Complete {
		c.unknown(c.device(), "features in use: unknown")
		return
	}
	var unread []string
	for _, p := range k.Components {
		if p.Empty.Or(false) {
			continue
		}
		now.Components = append(now.Components, release.Installed{Name: p.Name, Kind: p.Kind, Part: p.Part.Or(""), Firmware: p.Firmware.Or("")})
		if takesImages(p.Kind) && (!p.Part.Known() || !p.Firmware.Known()) {
			unread = append(unread, p.Name)
		}
	}
	for _, h := range c.in.Path.Hops {
		for _, f := range h.Firmware {
			i := slices.IndexFunc(now.Components, func(p release.Installed) bool { return p.Name == f.Component })
			if i < 0 {
				c.blocker(f.Component, "the path raises its firmware to %s, and it is not there", f.To)
				continue
			}
			now.Components[i].Firmware = f.To
		}
		now.Release = h.From
		res, err := c.x.Search(now, h.To, release.Options{AllowReload: h.Method == release.Reload, MaxHops: 1})
		if err != nil {
			c.unknown(c.device(), "%s → %s: %v", h.From, h.To, err)
			continue
		}
		if slices.ContainsFunc(res.Paths, func(p release.Path) bool {
			return len(p.Hops) == 1 && p.Hops[0].Method == h.Method && len(p.Hops[0].Firmware) == 0
		}) {
			continue
		}
		var why []string
		for _, r := range res.Rejections {
			if r.From == h.From && r.To == h.To && r.Method == h.Method {
				why = append(why, r.Text())
			}
		}
		text := strings.Join(why, "; ")
		if text == "" {
			text = fmt.Sprintf("%s → %s %s is not in the catalogue, or needs a firmware step that the path lacks", h.From, h.To, h.Method)
		}
		if len(unread) > 0 {
			c.unknown(c.device(), "%s; part or firmware unknown of %s", text, list(unread))
		} else {
			c.blocker(c.device(), "%s", text)
		}
	}
	c.otherwise("%s searched again from the captured state", unit.Counted(len(c.in.Path.Hops), "hop"))
}

// takesImages reports whether software is loaded onto components of the kind.
func takesImages(kind string) bool {
	switch kind {
	case state.KindControllerCard, state.KindLineCard, state.KindFabric, state.KindPortExtender:
		return true
	}
	return false
}

func (c *check) pathInterrupts() {
	if c.noPath() {
		return
	}
	for _, h := range c.in.Path.Hops {
		if h.Method == release.Reload {
			c.caution(c.device(), "%s → %s is a reload: traffic stops for %s", h.From, h.To, minutes(h.Minutes))
		}
		for _, f := range h.Firmware {
			if f.Outage {
				c.caution(f.Component, "raising its firmware from %s to %s interrupts what it carries, about %g min", f.From, f.To, f.Minutes)
			}
		}
	}
	c.otherwise("every hop is in service")
}

func minutes(s release.Spread) string {
	return fmt.Sprintf("%g to %g min, likely %g", s.Least, s.Most, s.Likely)
}

func (c *check) releaseSupport() {
	if c.noPath() {
		return
	}
	for _, t := range c.targets() {
		what := "intermediate release " + t.version
		if t.last {
			what = "target " + t.version
		}
		note := ""
		if t.Note != "" {
			note = ": " + t.Note
		}
		switch {
		case !t.listed:
			c.unknown(c.device(), "%s is not in the catalogue", what)
		case t.Support == release.Supported:
		case t.Support == "":
			c.unknown(c.device(), "%s: the catalogue does not say whether it is supported", what)
		case (t.Support == release.Withdrawn || t.Support == release.Defective) && t.last:
			c.blocker(c.device(), "%s is %s%s", what, t.Support, note)
		case t.Support == release.Withdrawn || t.Support == release.Defective || t.Support == release.EndOfSupport:
			c.caution(c.device(), "%s is %s%s", what, t.Support, note)
		default:
			c.unknown(c.device(), "%s: state of support %q is not known", what, t.Support)
		}
	}
	c.otherwise("all %d releases are supported", len(c.in.Path.Hops))
}

func (c *check) wayBack() {
	p := c.in.Path
	if c.noPath() {
		return
	}
	switch {
	case len(p.Back) == 0 && p.NoBack != "":
		c.blocker(c.device(), "no way back: %s", p.NoBack)
	case len(p.Back) == 0:
		c.unknown(c.device(), "no way back was computed")
	case p.BackCost.Outages > 0:
		c.caution(c.device(), "the way back has %d outages: %s", p.BackCost.Outages, pathText(p.Back))
	default:
		c.otherwise("%s", pathText(p.Back))
	}
}

func (c *check) inventoryMatches() {
	k := c.in.Capture
	for _, want := range c.in.Device.Components {
		have, there := k.Component(want.Name)
		switch {
		case !there && !k.Complete:
			c.unknown(want.Name, "not read, and the capture is not complete")
		case !there || have.Empty.Or(false):
			c.caution(want.Name, "%s of the inventory is not there", want.Kind)
		case have.Kind != want.Kind:
			c.caution(want.Name, "the inventory has a %s, the device a %s", want.Kind, have.Kind)
		case want.Part != "" && have.Part.Known() && have.Part.Or("") != want.Part:
			c.caution(want.Name, "the inventory has part %s, the device %s", want.Part, have.Part.Or(""))
		}
	}
	c.otherwise("of the inventory %s there", unit.CountedWith(len(c.in.Device.Components), "component", "is", "are"))
}

func (c *check) featuresListed() {
	k := c.in.Capture
	for _, f := range k.Features {
		if !slices.Contains(c.in.Device.Features, f) {
			c.caution(c.device(), "feature %s is in use and not in the inventory", f)
		}
	}
	if len(k.Features) == 0 {
		c.none("features in use")
		return
	}
	c.otherwise("in use and in the inventory: %s", list(k.Features))
}
