package workspace

import (
	"embed"
	"fmt"
	"strings"

	"towpath/internal/document"
)

//go:embed schema/*.json
var schemas embed.FS

// SchemaNames are the documents that have a published schema.
func SchemaNames() []string { return []string{"fleet", "releases", "policy", "campaign", "adapter"} }

// Schema returns the JSON Schema (draft 2020-12) of the named document, for
// editors and other checkers. It can say less than [Load]: not what one value
// says of another.
func Schema(name string) ([]byte, error) {
	for _, n := range SchemaNames() {
		if n == name {
			return schemas.ReadFile("schema/" + name + ".json")
		}
	}
	hint := ""
	if near := document.Nearest(name, SchemaNames()); near != "" {
		hint = fmt.Sprintf("; did you mean %q?", near)
	}
	return nil, fmt.Errorf("no schema %q; want one of %s%s", name, strings.Join(SchemaNames(), ", "), hint)
}
