package readiness

import (
	"fmt"
	"path"
	"slices"
	"strings"

	"towpath/internal/release"
	"towpath/internal/state"
	"towpath/internal/unit"
)

// cards are the controller cards whose slots are not empty.
func (c *check) cards() []state.Component { return components(c.in.Capture, state.KindControllerCard) }

func (c *check) controllersPresent() {
	if c.byReload() {
		return
	}
	cards := c.cards()
	for _, k := range cards {
		// A card that is there and does not work is no second card.
		if oper, known := k.Oper.Get(); known && oper != state.OperActive {
			c.blocker(k.Name, "controller card is %s", oper)
		}
	}
	switch {
	case len(cards) >= 2:
	case c.in.Capture.Complete:
		c.blocker(c.device(), "%d controller card: %s", len(cards), names(cards))
	default:
		c.unknown(c.device(), "%d controller card read, and the capture is not complete", len(cards))
	}
	c.otherwise("%s", names(cards))
}

func (c *check) onePrimary() {
	cards := c.cards()
	primary, secondary := 0, 0
	var texts []string
	for _, k := range cards {
		role, known := k.Role.Get()
		switch {
		case !known:
			c.unknown(k.Name, "role: unknown")
		case role == state.Primary:
			primary++
		case role == state.Secondary:
			secondary++
		}
		texts = append(texts, k.Name+" "+k.Role.Or("of unknown role"))
	}
	if len(cards) == 0 {
		c.unknown(c.device(), "no controller card read")
	}
	if len(c.out) > 0 {
		return
	}
	// On a device with one card the secondary is the business of another rule.
	if primary != 1 || secondary != len(cards)-1 {
		c.blocker(c.device(), "%s", list(texts))
	}
	c.otherwise("%s", list(texts))
}

func (c *check) controllersSameRelease() {
	if c.byReload() {
		return
	}
	cards := c.cards()
	var texts []string
	for _, k := range cards {
		if !k.Version.Known() {
			c.unknown(k.Name, "version: unknown")
		}
		texts = append(texts, k.Name+" runs "+k.Version.Or("an unknown version"))
	}
	if len(cards) < 2 {
		c.unknown(c.device(), "%d controller cards to compare", len(cards))
	}
	if len(c.out) > 0 {
		return
	}
	for _, k := range cards[1:] {
		if k.Version != cards[0].Version {
			c.blocker(c.device(), "%s", list(texts))
			return
		}
	}
	c.otherwise("%s", list(texts))
}

func (c *check) secondaryReady() {
	if c.byReload() {
		return
	}
	cards := c.cards()
	var texts []string
	ready := 0
	for _, k := range cards {
		v, known := k.SwitchoverReady.Get()
		switch {
		case !known:
			c.unknown(k.Name, "ready for switchover: unknown")
		case v:
			ready++
			texts = append(texts, k.Name+" says ready")
		default:
			texts = append(texts, k.Name+" says not ready")
		}
	}
	if len(cards) == 0 {
		c.unknown(c.device(), "no controller card read")
	}
	if len(c.out) > 0 {
		return
	}
	switch {
	case ready == 0:
		c.blocker(c.device(), "%s", list(texts))
	case ready < len(cards):
		c.blocker(c.device(), "the controller cards disagree: %s", list(texts))
	}
	c.otherwise("%s", list(texts))
}

// keepsState are the protocols whose state a switchover can lose.
func keepsState(protocol string) bool {
	switch protocol {
	case state.BGP, state.OSPFv2, state.OSPFv3, state.ISIS, state.LDP, state.RSVP:
		return true
	}
	return false
}

func (c *check) stateSynchronised() {
	if c.byReload() {
		return
	}
	n := 0
	for _, a := range c.in.Capture.Adjacencies {
		if !keepsState(a.Protocol) || !a.Up.Or(false) {
			continue
		}
		n++
		nonstop, known := a.Restart.Nonstop.Get()
		graceful := a.Restart.Own.Or(false) && a.Restart.Helper.Or(false)
		switch {
		case nonstop || graceful:
		case !known:
			c.unknown(a.Name(), "nonstop: unknown; graceful restart on both ends: %s", both(a.Restart))
		case !a.Restart.Own.Known() || !a.Restart.Helper.Known():
			c.unknown(a.Name(), "not nonstop; graceful restart on both ends: %s", both(a.Restart))
		default:
			c.caution(a.Name(), "not nonstop; graceful restart on both ends: %s", both(a.Restart))
		}
	}
	if n == 0 {
		c.none("adjacency of a protocol that keeps state")
		return
	}
	c.otherwise("%s nonstop or able to restart gracefully", unit.CountedWith(n, "adjacency", "is", "are"))
}

func both(r state.Restart) string {
	word := func(o state.Opt[bool]) string {
		v, known := o.Get()
		switch {
		case !known:
			return "unknown"
		case v:
			return "yes"
		}
		return "no"
	}
	return "own " + word(r.Own) + ", neighbour's help " + word(r.Helper)
}

func (c *check) requestToPrimary() {
	card, known := c.in.Observed.AnsweredBy.Get()
	primary, one := c.in.Capture.ControllerWithRole(state.Primary)
	switch {
	case !known:
		c.unknown(c.device(), "which controller card answers: unknown")
	case !one:
		c.unknown(c.device(), "%s answers; which card is the primary: unknown", card)
	case card != primary.Name:
		c.blocker(c.device(), "%s answers, the primary is %s", card, primary.Name)
	}
	c.otherwise("%s answers, the primary", card)
}

func (c *check) switchoverRecent() {
	if c.byReload() {
		return
	}
	cards := c.cards()
	told := 0
	for _, k := range cards {
		t, known := k.LastSwitchover.Get()
		if !known {
			continue
		}
		told++
		if c.now.Sub(t) < switchoverAge {
			c.caution(k.Name, "last switchover %s, reason %s", c.ago(t), k.SwitchoverReason.Or("unknown"))
		}
	}
	// Source: gNMI specification §3.5.2.4, a path without value sends nothing.
	if told == 0 {
		c.none("switchover since the start")
		return
	}
	if told < len(cards) && !c.in.Capture.Complete {
		c.unknown(c.device(), "last switchover told by %d of %d controller cards", told, len(cards))
	}
	c.otherwise("none in the last %s", switchoverAge)
}

func (c *check) storageFit() {
	cards := c.cards()
	if len(cards) == 0 {
		c.unknown(c.device(), "no controller card read")
	}
	for _, k := range cards {
		i := slices.IndexFunc(c.in.Observed.Storage, func(f CardFit) bool { return f.Controller == k.Name })
		if i < 0 {
			c.unknown(k.Name, "whether the images fit was not computed")
			continue
		}
		f := c.in.Observed.Storage[i]
		switch {
		case f.Fits && len(f.Delete) == 0:
		case f.Fits:
			c.caution(k.Name, "the images fit once these files are deleted: %s", list(f.Delete))
		default:
			c.blocker(k.Name, "%s short", f.Short)
		}
	}
	c.otherwise("all images fit on %s", names(cards))
}

func (c *check) storageWritable() {
	c.eachCardsVolumes(func(v state.Volume) {
		c.isFalse(v.ReadOnly, v.Controller+":"+v.Mount, "read-only")
	})
	c.otherwise("no volume of %s is read-only", names(c.cards()))
}

// eachCardsVolumes calls f for the volumes of each controller card; a card
// without one is unknown.
func (c *check) eachCardsVolumes(f func(state.Volume)) {
	cards := c.cards()
	if len(cards) == 0 {
		c.unknown(c.device(), "no controller card read")
	}
	for _, k := range cards {
		n := 0
		for _, v := range c.in.Capture.Volumes {
			if v.Controller == k.Name {
				f(v)
				n++
			}
		}
		if n == 0 {
			c.unknown(k.Name, "no volume read")
		}
	}
}

func (c *check) defaultStorage() {
	defaults := map[string][]string{}
	c.eachCardsVolumes(func(v state.Volume) {
		d, known := v.Default.Get()
		if !known {
			c.unknown(v.Controller+":"+v.Mount, "whether it is the default: unknown")
		}
		if d {
			defaults[v.Controller] = append(defaults[v.Controller], v.Mount)
		}
	})
	if len(c.out) > 0 {
		return
	}
	cards := c.cards()
	for _, k := range cards {
		if len(defaults[k.Name]) != 1 {
			c.blocker(k.Name, "%d default volumes %s", len(defaults[k.Name]), list(defaults[k.Name]))
		}
	}
	for _, k := range cards[1:] {
		if len(c.out) == 0 && own(k.Name, defaults[k.Name][0]) != own(cards[0].Name, defaults[cards[0].Name][0]) {
			c.blocker(c.device(), "default is %s on %s and %s on %s", defaults[cards[0].Name][0], cards[0].Name, defaults[k.Name][0], k.Name)
		}
	}
	c.otherwise("default %s", list(defaults[cards[0].Name]))
}

// own takes the name of the card out of a path, where devices put it, so that
// the paths of two cards compare.
func own(card, p string) string {
	parts := strings.Split(p, "/")
	parts = slices.DeleteFunc(parts, func(s string) bool { return s == card })
	return strings.TrimPrefix(strings.Join(parts, "/"), "/")
}

func (c *check) bootVariables() {
	running, known := c.in.Capture.Release.Get()
	if !known {
		c.unknown(c.device(), "running release: unknown")
	}
	cards := c.cards()
	if len(cards) == 0 {
		c.unknown(c.device(), "no controller card read")
	}
	var images []string
	for _, k := range cards {
		i := slices.IndexFunc(c.in.Capture.Boot, func(b state.BootEntry) bool { return b.Controller == k.Name })
		if i < 0 {
			c.unknown(k.Name, "what it starts next: unknown")
			continue
		}
		b := c.in.Capture.Boot[i]
		next, knowsNext := b.Version.Get()
		image, knowsImage := b.Image.Get()
		switch {
		case !knowsNext:
			c.unknown(k.Name, "release it starts next: unknown")
		case known && next != running:
			c.blocker(k.Name, "starts %s next, runs %s", next, running)
		}
		if !knowsImage {
			c.unknown(k.Name, "file it starts from: unknown")
			continue
		}
		switch there, told := c.fileThere(k.Name, image); {
		case !told:
			c.unknown(k.Name, "whether %s is there: unknown", image)
		case !there:
			c.blocker(k.Name, "starts from %s, which is not there", image)
		}
		images = append(images, own(k.Name, image))
	}
	if len(c.out) == 0 {
		for _, im := range images[1:] {
			if im != images[0] {
				c.blocker(c.device(), "the cards start from different files: %s", list(images))
				break
			}
		}
	}
	c.otherwise("%s start %s next from %s", names(cards), running, list(slices.Compact(images)))
}

// fileThere tells whether a card has the file; told is false where its files
// were not listed.
func (c *check) fileThere(card, file string) (there, told bool) {
	for _, v := range c.in.Capture.Volumes {
		if v.Controller != card {
			continue
		}
		told = told || v.FilesKnown
		there = there || slices.ContainsFunc(v.Files, func(f state.File) bool { return own(card, f.Path) == own(card, file) })
	}
	return there, told || there
}

func (c *check) imageIntegrity() {
	if c.noPath() {
		return
	}
	listed := map[string]release.Image{}
	for _, t := range c.targets() {
		for _, im := range t.Images {
			listed[path.Base(im.File)] = im
		}
	}
	for _, h := range c.in.Path.Hops {
		for _, f := range h.Firmware {
			listed[path.Base(f.Image.File)] = f.Image
		}
	}
	staged := 0
	c.eachCardsVolumes(func(v state.Volume) {
		if !v.FilesKnown {
			c.unknown(v.Controller+":"+v.Mount, "files: unknown")
		}
		for _, f := range v.Files {
			im, ours := listed[path.Base(f.Path)]
			if !ours {
				continue
			}
			staged++
			at := v.Controller + ":" + f.Path
			have := c.hashOf(v.Controller, f)
			switch {
			case f.Size != im.Size:
				c.blocker(at, "%s, the catalogue has %s", f.Size, im.Size)
			case im.SHA256 == "":
				c.unknown(at, "the catalogue gives no SHA-256 of %s", im.File)
			case have == "":
				c.unknown(at, "SHA-256 of the file: unknown")
			case !strings.EqualFold(have, im.SHA256):
				c.blocker(at, "SHA-256 %.12s…, the catalogue has %.12s…", have, im.SHA256)
			}
		}
	})
	if staged == 0 {
		c.otherwise("no image of the path is on the cards yet; each is hashed when it is transferred")
		return
	}
	c.otherwise("%s the size and SHA-256 of the catalogue", unit.CountedWith(staged, "file", "has", "have"))
}

// hashOf is the SHA-256 of a file on a card, empty where nobody read it.
func (c *check) hashOf(card string, f state.File) string {
	for _, h := range c.in.Observed.Hashes {
		if h.Controller == card && own(card, h.Path) == own(card, f.Path) {
			return h.SHA256
		}
	}
	return f.SHA256.Or("")
}

func (c *check) imageSetCompatible() {
	if c.noPath() {
		return
	}
	n := 0
	for _, t := range c.targets() {
		if !t.listed || len(t.Images) == 0 {
			c.unknown(c.device(), "images of %s: not in the catalogue", t.version)
			continue
		}
		for _, im := range t.Images {
			n++
			if im.Of != "" && im.Of != t.version {
				c.blocker(c.device(), "%s image %s of release %s is of %s", im.Kind, im.File, t.version, im.Of)
			}
		}
	}
	c.otherwise("%s to the release it is listed for", unit.CountedWith(n, "image", "belongs", "belong each"))
}

func (c *check) imageSetCovers() {
	if c.noPath() {
		return
	}
	kinds := []struct{ image, component, name string }{
		{release.ImageSystem, state.KindControllerCard, "controller card"},
		{release.ImageLineCard, state.KindLineCard, "line card"},
	}
	n := 0
	for _, t := range c.targets() {
		if !t.listed || len(t.Images) == 0 {
			c.unknown(c.device(), "images of %s: not in the catalogue", t.version)
			continue
		}
		for _, kind := range kinds {
			var images []release.Image
			for _, im := range t.Images {
				if im.Kind == kind.image {
					images = append(images, im)
				}
			}
			// Line cards are carried by the system image where there is none of
			// their own.
			if len(images) == 0 && kind.image == release.ImageLineCard {
				continue
			}
			for _, k := range components(c.in.Capture, kind.component) {
				part, known := k.Part.Get()
				restricted, fits := false, false
				for _, im := range images {
					restricted = restricted || len(im.Parts) > 0
					fits = fits || len(im.Parts) == 0 || known && slices.Contains(im.Parts, part)
				}
				switch {
				case fits:
					n++
				case restricted && !known:
					c.unknown(k.Name, "part: unknown; the %s images of %s are for certain parts", kind.image, t.version)
				default:
					c.blocker(k.Name, "%s has no %s image for %s %s", t.version, kind.image, kind.name, k.Part.Or(""))
				}
			}
		}
	}
	if len(c.cards()) == 0 {
		c.unknown(c.device(), "no controller card read")
	}
	c.otherwise("%d cards have an image of each release", n)
}

func (c *check) firmwareLevels() {
	if c.noPath() {
		return
	}
	level := map[string]string{}
	var texts []string
	for _, k := range c.in.Capture.Components {
		level[k.Name] = k.Firmware.Or("")
	}
	if len(level) == 0 {
		c.unknown(c.device(), "no components read")
		return
	}
	for _, h := range c.in.Path.Hops {
		for _, f := range h.Firmware {
			level[f.Component] = f.To
			texts = append(texts, fmt.Sprintf("%s is raised from %s to %s", f.Component, f.From, f.To))
		}
		for _, k := range c.in.Capture.Components {
			if k.Empty.Or(false) {
				continue
			}
			need, asked, err := c.x.LowestFirmware(c.in.Platform.ID, h.To, k.Kind, k.Part.Or(""))
			if err != nil {
				c.unknown(k.Name, "%v", err)
				break // it says the same of every component
			}
			if !asked {
				continue
			}
			have := level[k.Name]
			if have == "" {
				c.unknown(k.Name, "firmware: unknown; %s needs %s", h.To, need)
				continue
			}
			order, err := c.x.CompareFirmware(c.in.Platform.ID, have, need)
			switch {
			case err != nil:
				c.unknown(k.Name, "%v", err)
			case order < 0:
				c.blocker(k.Name, "firmware %s, %s needs %s", have, h.To, need)
			}
		}
	}
	c.otherwise("no release needs more than is there%s", after("; ", texts))
}

func after(sep string, texts []string) string {
	if len(texts) == 0 {
		return ""
	}
	return sep + strings.Join(texts, sep)
}
