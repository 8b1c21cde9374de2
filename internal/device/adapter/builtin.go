package adapter

import (
	"embed"
	"fmt"
	"slices"
	"strings"

	"towpath/internal/document"
)

//go:embed builtin/*.yaml
var builtin embed.FS

// BuiltinNames are the adapters that come with Towpath.
func BuiltinNames() []string {
	entries, err := builtin.ReadDir("builtin")
	if err != nil {
		return nil // the folder is embedded
	}
	var out []string
	for _, e := range entries {
		out = append(out, strings.TrimSuffix(e.Name(), ".yaml"))
	}
	slices.Sort(out)
	return out
}

// BuiltinSource returns the file of an adapter that comes with Towpath.
func BuiltinSource(name string) ([]byte, error) {
	if slices.Contains(BuiltinNames(), name) {
		return builtin.ReadFile("builtin/" + name + ".yaml")
	}
	hint := ""
	if near := document.Nearest(name, BuiltinNames()); near != "" {
		hint = fmt.Sprintf("; did you mean %q?", near)
	}
	return nil, fmt.Errorf("no adapter %q comes with Towpath; there are %s%s", name, strings.Join(BuiltinNames(), ", "), hint)
}

// Builtin reads an adapter that comes with Towpath.
func Builtin(name string) (*Adapter, error) {
	src, err := BuiltinSource(name)
	if err != nil {
		return nil, err
	}
	return Read(name+".yaml", src)
}
