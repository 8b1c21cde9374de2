package policy

import (
	"slices"
	"testing"
	"time"
)

func TestReadCampaign(t *testing.T) {
	c, err := ReadCampaign("campaign.yaml", []byte(`
zone: Europe/Amsterdam
windows: [a.ics, b.ics]
closed: [c.ics]
soak: 72h
also-fail: []
engineers: [{name: Ada, calendar: a.ics}, {name: Bo, calendar: bo.ics}]
devices: [{device: mere-agg-1, engineer: Bo, only: ["2031-03-04T23:30:00+01:00"]}]
`))
	if err != nil {
		t.Fatal(err)
	}
	def := DefaultCampaign()
	if c.Soak != 72*time.Hour || c.Done != def.Done || c.Utilisation != 1 || len(c.AlsoFail) != 0 || !c.NeighboursApart {
		t.Errorf("%+v", c)
	}
	names, places := c.Calendars()
	if !slices.Equal(names, []string{"a.ics", "b.ics", "c.ics", "bo.ics"}) || places[3] != "engineers[1].calendar" {
		t.Errorf("%v %v", names, places)
	}
	empty, err := ReadCampaign("campaign.yaml", []byte("{}"))
	if err != nil || empty.Zone != "UTC" || empty.Runs != def.Runs {
		t.Errorf("%+v %v", empty, err)
	}
}
