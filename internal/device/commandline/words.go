package commandline

import (
	"regexp"
	"slices"
	"strconv"
	"strings"
)

func contains(list []string, s string) bool { return slices.Contains(list, s) }

// trim is the last line of what a device said, cut where it is long.
func trim(s string) string {
	s = strings.TrimSpace(s)
	if i := strings.LastIndexByte(s, '\n'); i >= 0 {
		s = strings.TrimSpace(s[i+1:])
	}
	if r := []rune(s); len(r) > 300 {
		s = string(r[:299]) + "…"
	}
	return s
}

// tellPercent passes on a percentage that a line tells.
func tellPercent(re *regexp.Regexp, line []byte, f func(int)) {
	m := re.FindSubmatch(line)
	i := re.SubexpIndex("percent")
	if m == nil || i < 0 {
		return
	}
	if n, err := strconv.Atoi(string(m[i])); err == nil {
		f(min(max(n, 0), 100))
	}
}
