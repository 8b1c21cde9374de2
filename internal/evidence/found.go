package evidence

import (
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"

	"towpath/internal/conduct"
	"towpath/internal/plan"
	"towpath/internal/state"
	"towpath/internal/unit"
)

// foundAtEnd reads what the last record keeps of the device, where a person took
// the work over by hand.
func foundAtEnd(journal []conduct.Record) (out atEnd) {
	r := journal[len(journal)-1]
	if r.Kind != conduct.Finished || r.Verdict != conduct.Paused {
		return out
	}
	out.over = true
	if len(r.Data) == 0 || json.Unmarshal(r.Data, &out.FinishedData) != nil {
		out.Unread = "the run was ended by a release that did not read the device then"
	}
	return out
}

// atEnd is what was found when a person took the work over.
type atEnd struct {
	conduct.FinishedData
	over bool
}

// lines are what was found, in words.
func (e atEnd) lines(p *plan.Plan) (out []string) {
	if !e.over {
		return nil
	}
	if o := e.Found; o != nil {
		if o.Release != "" {
			out = append(out, fmt.Sprintf("%s says that it runs %s", p.Device, o.Release))
		}
		names := maps.Clone(o.Releases)
		if names == nil {
			names = map[string]string{}
		}
		maps.Copy(names, o.Roles)
		maps.Copy(names, o.Oper)
		well := 0 // of which there is nothing more to say
		for _, n := range slices.Sorted(maps.Keys(names)) {
			if o.Roles[n] == "" && o.Releases[n] == "" && o.Oper[n] == state.OperActive {
				well++
				continue
			}
			var is []string
			for _, s := range []string{o.Roles[n], o.Oper[n]} {
				if s != "" {
					is = append(is, s)
				}
			}
			if v := o.Releases[n]; v != "" {
				is = append(is, "runs "+v)
			}
			out = append(out, n+": "+strings.Join(is, ", "))
		}
		if well > 0 {
			out = append(out, fmt.Sprintf("%s %s", unit.CountedWith(well, "other component", "is", "are"), state.OperActive))
		}
		for _, end := range o.Found {
			for _, x := range end.Settings {
				out = append(out, fmt.Sprintf("%s: %s", cmp.Or(end.On, p.Device), x.Text()))
			}
		}
	}
	if e.Unread != "" {
		out = append(out, "not read: "+e.Unread)
	}
	return out
}

// setting is what was found of a setting that was still changed, empty where it
// was not read.
func (e atEnd) setting(p *plan.Plan, x Prepared) string {
	if e.Found == nil {
		return ""
	}
	for _, end := range e.Found.Found {
		if string(cmp.Or(end.On, p.Device)) != x.On {
			continue
		}
		for _, s := range end.Settings {
			if s.Key().Parts() == x.Setting {
				return cmp.Or(s.Value, "its default")
			}
		}
	}
	return ""
}
