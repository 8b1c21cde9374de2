package document

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Problem is one mistake in a file. It says where it is, what was found and
// what would be right. Its zero Line means the file as a whole.
type Problem struct {
	File string `json:"file"`
	// Line and Column count from 1; a column is a character, not a byte.
	Line   int `json:"line,omitempty"`
	Column int `json:"column,omitempty"`
	// Field is the path of the value, such as "devices[2].platform", or the
	// column's name in a table.
	Field string `json:"field,omitempty"`
	Found string `json:"found"`
	Want  string `json:"want,omitempty"`
	// Nearest is the known word that was probably meant.
	Nearest string `json:"nearest,omitempty"`
	// Excerpt is the source around the place with a mark below it, ready to be
	// printed. What looks like a secret is masked in it. It may be empty.
	Excerpt string `json:"excerpt,omitempty"`
	// Err is the cause, where another package reported it.
	Err error `json:"-"`
}

// Error is the problem as one line, such as
//
//	fleet.yaml:14:5: devices[2].platfrm: unknown key "platfrm"; did you mean "platform"?
func (p Problem) Error() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d:%d", p.Line, p.Column)
	}
	b.WriteString(": ")
	if p.Field != "" {
		b.WriteString(p.Field + ": ")
	}
	b.WriteString(p.Found)
	if p.Want != "" {
		b.WriteString("; want " + p.Want)
	}
	if p.Nearest != "" {
		fmt.Fprintf(&b, "; did you mean %q?", p.Nearest)
	}
	return b.String()
}

// Unwrap returns the cause, or nil.
func (p Problem) Unwrap() error { return p.Err }

// Problems are all the mistakes that were found together. As an error it
// prints one line each.
type Problems []Problem

// Error joins the lines of the problems.
func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap lets errors.As find the first [Problem], and errors.Is any cause.
func (ps Problems) Unwrap() []error {
	errs := make([]error, len(ps))
	for i, p := range ps {
		errs[i] = p
	}
	return errs
}

// Err returns the problems sorted by file and place as an error, or nil where
// there are none. The receiver is not changed.
func (ps Problems) Err() error {
	if len(ps) == 0 {
		return nil
	}
	sorted := slices.Clone(ps)
	slices.SortStableFunc(sorted, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
	return sorted
}

// Under reports whether any of the problems is at the path or below it. Checks
// that build on a value use it to say nothing about what is already broken.
func (ps Problems) Under(path string) bool {
	return slices.ContainsFunc(ps, func(p Problem) bool {
		rest, ok := strings.CutPrefix(p.Field, path)
		return ok && (rest == "" || path == "" || rest[0] == '.' || rest[0] == '[')
	})
}
