package release

import (
	"fmt"
	"slices"
	"strings"
)

// ImageProblem is one thing wrong with the image set of a release.
type ImageProblem struct {
	File string `json:"file,omitempty"` // the image it is about, empty where one is missing
	Kind string `json:"kind,omitempty"` // of image
	Text string `json:"text"`
}

// imageOf says which kind of image a kind of component runs from, besides the
// system and boot images that belong to the controller cards.
var imageOf = []struct{ image, component string }{
	{ImageSystem, "CONTROLLER_CARD"},
	{ImageBoot, "CONTROLLER_CARD"},
	{ImageManagement, "CONTROLLER_CARD"},
	{ImageLineCard, "LINECARD"},
}

// CheckImageSet says what is wrong with the images of a release for a device
// with these components; nothing wrong gives none. Checked are: there is a
// system image, and one of every other kind that releases of the platform
// have and a component present runs from; each such component's part is among
// those an image is for; all images are of the same release; each has a size
// and a hash of the right form; no file stands there twice; and the port
// extenders present are supported.
func CheckImageSet(rel Release, p Platform, components []Installed) []ImageProblem {
	var out []ImageProblem
	say := func(im Image, format string, args ...any) {
		out = append(out, ImageProblem{File: im.File, Kind: im.Kind, Text: fmt.Sprintf(format, args...)})
	}
	for _, k := range imageOf {
		images := imagesOf(rel, k.image)
		var present []Installed
		for _, c := range components {
			if c.Kind == k.component {
				present = append(present, c)
			}
		}
		if len(images) == 0 {
			usual := k.image == ImageSystem || len(present) > 0 && slices.ContainsFunc(p.Releases, func(r Release) bool { return len(imagesOf(r, k.image)) > 0 })
			if usual {
				say(Image{Kind: k.image}, "release %s has no %s image", rel.Version, imageText(k.image))
			}
			continue
		}
		for _, c := range present {
			switch {
			case slices.ContainsFunc(images, func(im Image) bool { return len(im.Parts) == 0 || slices.Contains(im.Parts, c.Part) }):
			case c.Part == "":
				say(Image{Kind: k.image}, "the part of %s %s is unknown, so which %s image it needs is too", kindText(c.Kind), c.Name, imageText(k.image))
			default:
				say(Image{Kind: k.image}, "release %s has no %s image for part %s (%s %s)", rel.Version, imageText(k.image), c.Part, kindText(c.Kind), c.Name)
			}
		}
	}
	main := rel.Version
	if system := imagesOf(rel, ImageSystem); len(system) > 0 {
		main = releaseOf(system[0], rel)
	}
	for i, im := range rel.Images {
		if of := releaseOf(im, rel); of != main {
			say(im, "%s image %s is of release %s, the system image of %s", imageText(im.Kind), im.File, of, main)
		}
		if im.Size <= 0 {
			say(im, "%s image %s has no size", imageText(im.Kind), im.File)
		}
		if im.SHA256 == "" && im.SHA512 == "" {
			say(im, "%s image %s has no hash to check it by", imageText(im.Kind), im.File)
		}
		for _, p := range []string{hashProblem(im.SHA256, 32), hashProblem(im.SHA512, 64)} {
			if p != "" {
				say(im, "hash of %s image %s: %s", imageText(im.Kind), im.File, p)
			}
		}
		if j := slices.IndexFunc(rel.Images, func(x Image) bool { return x.File == im.File }); j < i {
			if sameContent(rel.Images[j], im) {
				say(im, "file %s is listed twice", im.File)
			} else {
				say(im, "file %s is listed twice with different content", im.File)
			}
		}
	}
	if len(rel.PortExtenders) > 0 {
		for _, c := range components {
			switch {
			case c.Kind != "PORT_EXTENDER" || slices.Contains(rel.PortExtenders, c.Part):
			case c.Part == "":
				say(Image{}, "the part of port extender %s is unknown, so whether release %s supports it is too", c.Name, rel.Version)
			default:
				say(Image{}, "release %s does not support port extender part %s (%s)", rel.Version, c.Part, c.Name)
			}
		}
	}
	return out
}

func imagesOf(r Release, kind string) []Image {
	var out []Image
	for _, im := range r.Images {
		if im.Kind == kind {
			out = append(out, im)
		}
	}
	return out
}

// releaseOf is the release that an image belongs to.
func releaseOf(im Image, rel Release) string {
	if im.Of != "" {
		return im.Of
	}
	return rel.Version
}

func imageText(kind string) string {
	switch kind {
	case ImageLineCard:
		return "line card"
	case ImageManagement:
		return "management processor"
	}
	return kind
}

// sameContent reports whether two images surely have the same content: the same
// size, and a hash of one kind that both have and that agrees.
func sameContent(a, b Image) bool {
	return a.Size == b.Size && sameHash(a.SHA256, a.SHA512, b.SHA256, b.SHA512)
}

func sameHash(a256, a512, b256, b512 string) bool {
	both256, both512 := a256 != "" && b256 != "", a512 != "" && b512 != ""
	return (both256 || both512) && (!both256 || strings.EqualFold(a256, b256)) && (!both512 || strings.EqualFold(a512, b512))
}

// ImagesFor lists the images of a release that a device with these components
// needs: those for a part that none of its components has are left out, those
// for an unknown part are kept.
func ImagesFor(rel Release, components []Installed) []Image {
	var out []Image
	for _, im := range rel.Images {
		needed := len(im.Parts) == 0 || slices.ContainsFunc(components, func(c Installed) bool {
			if i := slices.IndexFunc(imageOf, func(k struct{ image, component string }) bool { return k.image == im.Kind }); i >= 0 && imageOf[i].component != c.Kind {
				return false
			}
			return c.Part == "" && takesImages(c.Kind) || slices.Contains(im.Parts, c.Part)
		})
		if needed {
			out = append(out, im)
		}
	}
	return out
}
