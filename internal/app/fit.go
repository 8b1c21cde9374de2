package app

import (
	"path"
	"strings"

	"towpath/internal/plan"
	"towpath/internal/release"
	"towpath/internal/state"
	"towpath/internal/unit"
)

// Fit says whether all images of a path fit on the controller cards.
type Fit struct {
	Result release.FitResult
	Cards  []CardFit
	// Removals are the files to delete before each hop.
	Removals [][]plan.Removal
}

// CardFit is the fit on one controller card.
type CardFit struct {
	Controller string
	Fits       bool
	Short      unit.ByteSize
	Delete     []plan.Removal
}

// removals are the files to delete before the hop.
func removals(f Fit, hop int) []plan.Removal {
	if hop >= len(f.Removals) {
		return nil
	}
	return f.Removals[hop]
}

// fit finds whether all images of the path fit on the controller cards. A
// card whose volume or files could not be read has no entry, so that readiness
// finds it unknown.
func (a *App) fit(p *Prepared) Fit {
	if p.Capture == nil {
		return Fit{}
	}
	now, _ := Present(p.Device, p.Capture)
	hops, err := a.Index.FitHops(p.Device.Platform, p.Path, now.Components)
	if err != nil {
		return Fit{}
	}
	req := release.FitRequest{Hops: hops, Margin: a.Workspace.Policy.Storage.Margin, Keep: a.Workspace.Policy.Storage.Keep}
	for _, v := range p.Capture.Volumes {
		if fv, ok := a.volumeOf(p, v); ok {
			req.Volumes = append(req.Volumes, fv)
		}
	}
	out := Fit{Result: release.Fit(req), Removals: make([][]plan.Removal, len(p.Path.Hops))}
	for _, c := range out.Result.Cards {
		card := CardFit{Controller: c.Controller, Fits: c.Fits, Short: c.Short}
		for _, d := range c.Actions {
			if d.Do != release.FitDelete {
				continue
			}
			r := plan.Removal{Controller: c.Controller, File: d.Path, Size: d.Size}
			out.Removals[d.Before] = append(out.Removals[d.Before], r)
		}
		for _, d := range c.Delete {
			card.Delete = append(card.Delete, plan.Removal{Controller: c.Controller, File: d.Path, Size: d.Size})
		}
		out.Cards = append(out.Cards, card)
	}
	return out
}

// volumeOf is a default volume as the fit sees it; ok is false where it is not
// one that images go to, or was not read.
func (a *App) volumeOf(p *Prepared, v state.Volume) (release.FitVolume, bool) {
	size, okS := v.Size.Get()
	free, okF := v.Available.Get()
	def, known := v.Default.Get()
	if !okS || !okF || !v.FilesKnown || known && !def {
		return release.FitVolume{}, false
	}
	fv := release.FitVolume{Controller: v.Controller, Name: v.Mount, Size: size, Free: free}
	running := p.Capture.Release.Or(p.Device.Release)
	for _, f := range v.Files {
		fv.Files = append(fv.Files, release.StoredFile{Path: f.Path, Size: f.Size, SHA256: f.SHA256.Or("")})
		base := path.Base(f.Path)
		switch {
		// The file that carries the running release is named after it, or the
		// catalogue lists it.
		case running != "" && strings.Contains(base, running), a.carries(p, running, base):
			fv.Running = append(fv.Running, f.Path)
		case strings.HasPrefix(f.Path, "/config/"), strings.HasSuffix(base, ".conf"), strings.HasSuffix(base, ".cfg"):
			fv.Configuration = append(fv.Configuration, f.Path)
		}
	}
	for _, b := range p.Capture.Boot {
		if b.Controller != v.Controller {
			continue
		}
		if im, ok := b.Image.Get(); ok {
			fv.Boot = append(fv.Boot, im)
		}
	}
	return fv, true
}

// carries reports whether the release lists an image with the file's name.
func (a *App) carries(p *Prepared, version, base string) bool {
	rel, err := a.Index.Release(p.Device.Platform, version)
	if err != nil {
		return false
	}
	for _, im := range rel.Images {
		if path.Base(im.File) == base {
			return true
		}
	}
	return false
}
