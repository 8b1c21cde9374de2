package adapter_test

import (
	"strings"
	"testing"

	"towpath/internal/device/adapter"
)

// TestPathsOfTransfers wants an absolute path where a file is sent over SSH, and
// takes the device's own way to write paths where it fetches.
func TestPathsOfTransfers(t *testing.T) {
	const rest = `adapter: quarry-3
session: {prompt: '\S+> '}
reads: [{read: name, command: show name, into: system, parse: {lines: '^(?P<hostname>\S+)$'}}]
packages: [{command: show releases, parse: {lines: '^(?P<version>\S+)$'}, fields: {controller: "1", path: flash}}]
set-boot: {steps: [{command: 'next {version}'}]}
`
	for _, c := range []struct{ install, want string }{
		{`{to: 'flash:{version}.img', transfer: http, pull: {command: 'fetch {url} to {path}'}, steps: [{command: 'unpack {path}'}]}`, ""},
		{`{to: '/flash/{version}.img', transfer: sftp, steps: [{command: 'unpack {path}'}]}`, ""},
		{`{to: '{mount}/{version}.img', transfer: scp, steps: [{command: 'unpack {path}'}]}`, ""},
		{`{to: 'flash:{version}.img', transfer: sftp, steps: [{command: 'unpack {path}'}]}`, "want an absolute path"},
	} {
		_, err := adapter.Read("quarry-3.yaml", []byte(rest+"install: "+c.install+"\n"))
		switch {
		case c.want == "" && err != nil:
			t.Errorf("%s: %v", c.install, err)
		case c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "install.to")):
			t.Errorf("%s: got %v, want %q", c.install, err, c.want)
		}
	}
}
