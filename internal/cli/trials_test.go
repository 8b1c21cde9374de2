package cli

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestTrialsSayWhatIsNotKnown: an implementation that nobody measured is forecast
// by the standard and said to be unknown, beside the table and not in it; what is
// wrong names file, line and field.
func TestTrialsSayWhatIsNotKnown(t *testing.T) {
	const head = "protocol,implementation,hello_s,detect_s,silence_s\n"
	file := filepath.Join(t.TempDir(), "trials.csv")
	run := func(args []string, in string) (status int, out, said string) {
		var o, e bytes.Buffer
		status = Main(t.Context(), append([]string{"forecast", "--trials"}, args...), strings.NewReader(in), &o, &e, Adapters{})
		return status, o.String(), e.String()
	}
	rows := head + "ospf,gnomed,10,40,35\nbgp,frr-frr,3,9,5\n"
	if err := os.WriteFile(file, []byte(rows), 0o600); err != nil {
		t.Fatal(err)
	}
	want := "protocol,implementation,hello_s,detect_s,silence_s,p_survive\nospf,gnomed,10,40,35,0.250000\nbgp,frr-frr,3,9,5,1.000000\n"
	for _, where := range []string{file, "-"} {
		status, out, said := run([]string{where}, rows)
		if status != ExitDone || out != want || strings.Count(said, "caution") != 1 || !strings.Contains(said, `"gnomed"`) {
			t.Errorf("%s: status %d, %q, %q", where, status, out, said)
		}
	}
	if err := os.WriteFile(file, []byte(head+"bgp,frr,3,9,x\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if status, out, said := run([]string{file}, ""); status == ExitDone || out != "" || !strings.Contains(said, file+": line 2, field silence_s") {
		t.Errorf("status %d, %q, %q", status, out, said)
	}
}
