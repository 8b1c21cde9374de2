package paper

import (
	"fmt"
	"strings"
	"sync"
	"unicode"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/gomono"
	"golang.org/x/image/font/gofont/gomonobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

// face is one of the four styles of letters.
type face int

const (
	regular face = iota
	bold
	mono
	monoBold
	faces
)

func faceOf(s Span) face {
	switch {
	case s.Mono && s.Bold:
		return monoBold
	case s.Mono:
		return mono
	case s.Bold:
		return bold
	}
	return regular
}

// ttf is the font file of a face.
func (f face) ttf() []byte {
	switch f {
	case bold:
		return gobold.TTF
	case mono:
		return gomono.TTF
	case monoBold:
		return gomonobold.TTF
	case regular, faces:
	}
	return goregular.TTF
}

// advances holds, for each face, the width of each letter of the basic plane in
// thousandths of the size, and 0 where the font has no such letter.
type advances [faces][0x10000]uint16

// widths reads the fonts once; nothing changes them afterwards.
var widths = sync.OnceValues(func() (*advances, error) {
	out := new(advances)
	for f := range faces {
		font1, err := sfnt.Parse(f.ttf())
		if err != nil {
			return nil, fmt.Errorf("paper: font: %w", err)
		}
		var buf sfnt.Buffer
		for r := rune(' '); r < 0xffff; r++ {
			g, err := font1.GlyphIndex(&buf, r)
			if err != nil || g == 0 {
				continue
			}
			a, err := font1.GlyphAdvance(&buf, g, fixed.I(1000), font.HintingNone)
			if err != nil {
				return nil, fmt.Errorf("paper: font: %w", err)
			}
			out[f][r] = uint16(a.Round())
		}
	}
	return out, nil
})

// printable replaces each letter that the fonts do not have by its number, such
// as [U+65E5], so that nothing is lost without a trace. Spaces of all kinds
// become plain ones.
func (a *advances) printable(f face, s string) string {
	if !strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r > 0xfffe || a[f][r] == 0 || r != ' ' && unicode.IsSpace(r) }) {
		return s
	}
	var b strings.Builder
	for _, r := range s {
		switch {
		case unicode.IsSpace(r):
			b.WriteByte(' ')
		case r < ' ':
			b.WriteByte(' ')
		case r > 0xfffe || a[f][r] == 0:
			fmt.Fprintf(&b, "[U+%04X]", r)
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}

// width of printable text of one unit of size.
func (a *advances) width(f face, s string) float64 {
	sum := 0
	for _, r := range s {
		if r <= 0xffff {
			sum += int(a[f][r])
		}
	}
	return float64(sum) / 1000
}

// known reports whether the fonts have all letters of a text, so that its width
// is known.
func known(text string) bool {
	a, err := widths()
	return err == nil && a.printable(regular, text) == text
}

// Width is how wide a line of text in a drawing is, in the units of its size.
func Width(text string, size float64, isBold bool) float64 {
	a, err := widths()
	if err != nil {
		return size * 0.6 * float64(len([]rune(text)))
	}
	f := regular
	if isBold {
		f = bold
	}
	return size * a.width(f, a.printable(f, text))
}

// Fit shortens text, with an ellipsis, to the width. It returns the text and,
// where it was cut, the whole of it.
func Fit(text string, size float64, isBold bool, width float64) (fitted, whole string) {
	if Width(text, size, isBold) <= width {
		return text, ""
	}
	runes := []rune(text)
	for n := len(runes) - 1; n > 0; n-- {
		s := strings.TrimRight(string(runes[:n]), " ,·-") + "…"
		if Width(s, size, isBold) <= width {
			return s, text
		}
	}
	return "…", text
}

// piece is a stretch of a line in one face.
type piece struct {
	face face
	text string
	x, w float64
}

// row is one line of text.
type row struct {
	pieces []piece
	w      float64
}

// marks are those after which a word may be broken if it must.
const marks = "/-_.,:;@=+"

// word is a stretch that is not broken if it can be helped.
type word struct {
	pieces []piece
	w      float64
	space  float64 // width of the space before it, 0 where it joins the one before
}

// words cuts text at its spaces; a word may change its face inside.
func (a *advances) words(t Text, size float64) []word {
	var out []word
	open := false // the last word goes on
	space := 0.0
	for _, s := range t {
		f := faceOf(s)
		text := a.printable(f, s.Text)
		for i, part := range strings.Split(text, " ") {
			if i > 0 {
				open = false
				space = size * a.width(f, " ")
			}
			if part == "" {
				continue
			}
			if i > 0 && strings.HasPrefix(part, "%") && len(out) > 0 {
				part = " " + part // a number keeps its sign
				open = true
			}
			p := piece{face: f, text: part, w: size * a.width(f, part)}
			if open {
				w := &out[len(out)-1]
				p.x = w.w
				w.pieces = append(w.pieces, p)
				w.w += p.w
				continue
			}
			out = append(out, word{pieces: []piece{p}, w: p.w, space: space})
			open = true
		}
	}
	return out
}

// wrap breaks text into lines no wider than width. A word that is wider by
// itself is broken after a mark such as / or - if there is one, else anywhere.
func (a *advances) wrap(t Text, size, width float64) []row {
	var out []row
	var cur row
	end := func() {
		out = append(out, cur)
		cur = row{}
	}
	put := func(w word, space float64) {
		for _, p := range w.pieces {
			p.x += cur.w + space
			cur.pieces = append(cur.pieces, p)
		}
		cur.w += space + w.w
	}
	for _, w := range a.words(t, size) {
		space := w.space
		if len(cur.pieces) == 0 {
			space = 0
		}
		if cur.w+space+w.w <= width+0.01 {
			put(w, space)
			continue
		}
		if len(cur.pieces) > 0 {
			end()
		}
		for w.w > width+0.01 {
			head, tail := a.split(w, size, width)
			put(head, 0)
			end()
			w = tail
		}
		if len(w.pieces) > 0 {
			put(w, 0)
		}
	}
	if len(cur.pieces) > 0 || len(out) == 0 {
		end()
	}
	return out
}

// split cuts a word in two, the first no wider than width; it takes one letter
// at least.
func (a *advances) split(w word, size, width float64) (head, tail word) {
	type at struct{ piece, octet int }
	var last, mark at
	used, n := 0.0, 0
	markUsed := 0.0
search:
	for i, p := range w.pieces {
		for k, r := range p.text {
			used += size * a.width(p.face, string(r))
			if used > width && n > 0 {
				break search
			}
			n++
			last = at{i, k + len(string(r))}
			if strings.ContainsRune(marks, r) {
				mark, markUsed = last, used
			}
		}
	}
	cut := last
	if markUsed > width/2 {
		cut = mark
	}
	add := func(to *word, f face, s string) {
		if s == "" {
			return
		}
		p := piece{face: f, text: s, x: to.w, w: size * a.width(f, s)}
		to.pieces = append(to.pieces, p)
		to.w += p.w
	}
	for i, p := range w.pieces {
		switch {
		case i < cut.piece:
			add(&head, p.face, p.text)
		case i > cut.piece:
			add(&tail, p.face, p.text)
		default:
			add(&head, p.face, p.text[:cut.octet])
			add(&tail, p.face, p.text[cut.octet:])
		}
	}
	return head, tail
}

// extent gives the width of the widest word, and that of the whole text on one
// line. A word that is wider than most counts as what it can be broken into.
func (a *advances) extent(t Text, size, most float64) (longest, natural float64) {
	for i, w := range a.words(t, size) {
		least := w.w
		if least > most {
			least = most
			for _, p := range w.pieces {
				for _, part := range strings.FieldsFunc(p.text, func(r rune) bool { return strings.ContainsRune(marks, r) }) {
					if part := size * a.width(p.face, part+"-"); part < w.w {
						least = max(least, min(part, 1.5*most))
					}
				}
			}
		}
		longest = max(longest, least)
		if i > 0 {
			natural += w.space
		}
		natural += w.w
	}
	return longest, natural
}
