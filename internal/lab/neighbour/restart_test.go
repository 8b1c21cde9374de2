package neighbour

import (
	"testing"
	"time"
)

// grBGP is a session whose device restarts gracefully and whose neighbour
// helps.
func grBGP(edit func(device, far *BGP)) Config {
	d := BGP{Restart: true, RestartTime: 60 * sec, Prefixes: 7, Converge: 2 * sec}
	f := BGP{Helper: true, Prefixes: 100}
	if edit != nil {
		edit(&d, &f)
	}
	return bgpPair(d, f)
}

func TestBGPRestart(t *testing.T) {
	for _, tc := range []struct {
		name    string
		edit    func(d, f *BGP)
		silence time.Duration
		how     Wake
		want    Result
		why     string
	}{
		// Source: RFC 4724 §4.2.
		{"graceful", nil, 10 * sec, GracefulRestart, RestartedGracefully, ""},
		{"neighbour does not help", func(_, f *BGP) { f.Helper = false }, 10 * sec, GracefulRestart, Dropped, "the connection was reset"},
		{"device does not restart gracefully", func(d, _ *BGP) { d.Restart = false }, 10 * sec, GracefulRestart, Dropped, "the connection was reset"},
		{"forwarding state lost", nil, 10 * sec, Cold, Dropped, "the neighbour came back without its forwarding state"},
		// Source: RFC 4724 §4: a NOTIFICATION is not graceful.
		{"hold time over before", nil, 95 * sec, GracefulRestart, Dropped, "hold timer expired"},
		// Source: RFC 8538 §4: with the N bit of both it is.
		{"hold time over before, N bit", func(d, f *BGP) { d.Notification, f.Notification = true, true }, 95 * sec, GracefulRestart, RestartedGracefully, ""},
		{"hold time over before, N bit of one", func(d, _ *BGP) { d.Notification = true }, 95 * sec, GracefulRestart, Dropped, "hold timer expired"},
		// Source: RFC 4724 §4.2: not back within the restart time.
		{"restart time over", func(d, f *BGP) { d.Notification, f.Notification = true, true }, 155 * sec, GracefulRestart, Dropped, "the restart time ended before the session was back"},
		{"restart time of zero", func(d, f *BGP) { d.RestartTime, d.Notification, f.Notification = 1, true, true }, 95 * sec, GracefulRestart, Dropped, "the restart time ended before the session was back"},
		// Source: RFC 8538 §4.1: the stale timer.
		{"stale time over", func(d, f *BGP) { d.Converge, f.StaleTime = 5*time.Minute, 3*time.Minute }, 10 * sec, GracefulRestart, Dropped, "the stale time ended before the End-of-RIB"},
		{"slow but in time", func(d, f *BGP) { d.Converge, f.StaleTime = 2*time.Minute, 3*time.Minute }, 10 * sec, GracefulRestart, RestartedGracefully, ""},
		{"state kept", nil, 10 * sec, Synchronised, Held, ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			cfg := grBGP(tc.edit)
			cfg.Nonstop = tc.how == Synchronised
			r := newRig(t, 1, cfg)
			r.silent(tc.silence, tc.how)
			o := r.result(0)
			if o.Result != tc.want || o.Why != tc.why {
				t.Errorf("got %v (%q), want %v (%q)", o.Result, o.Why, tc.want, tc.why)
			}
			r.pass(10 * time.Minute)
			d, f := r.at(0, device), r.at(0, far)
			if !d.view.Up || !f.view.Up || f.view.Prefixes != 7 || d.view.Prefixes != 100 || f.view.Helping || d.view.Restarting {
				t.Errorf("in the end: device %+v far %+v, want it all back", d.view, f.view)
			}
		})
	}
}

// TestBGPDefersUntilEndOfRIB: a restarting speaker sends its routes only once
// it has the other's End-of-RIB and has converged, and no later than the
// deferral time. Source: RFC 4724 §4.1.
func TestBGPDefersUntilEndOfRIB(t *testing.T) {
	m := mk[*bgp](t, BGP{Restart: true, Converge: 2 * sec, Deferral: time.Minute, Prefixes: 3}, BGP{})
	m.Start(epoch, StartGraceful)
	m.Take()
	m.Hear(epoch, bgpConnection{conn: m.conn, accept: true})
	if o := said[bgpOpen](m); len(o) != 1 || o[0].gr == nil || !o[0].gr.restarted || !o[0].gr.forwarding {
		t.Fatalf("the OPEN of a restart: %+v, want R and F", o)
	}
	m.Hear(epoch, bgpOpen{conn: m.conn, hold: 90 * sec, gr: &gracefulRestart{}})
	m.Hear(epoch, bgpKeepalive{conn: m.conn})
	if m.state != bgpEstablished || len(said[bgpUpdate](m)) != 0 {
		t.Fatalf("%v, want ESTABLISHED and nothing announced yet", m.state)
	}
	m.Hear(epoch.Add(10*sec), bgpUpdate{conn: m.conn, prefixes: 9})
	m.Hear(epoch.Add(20*sec), bgpEndOfRIB{conn: m.conn})
	m.Tick(epoch.Add(22*sec - 1))
	if n := len(said[bgpEndOfRIB](m)); n != 0 {
		t.Errorf("announced %d before it converged", n)
	}
	m.Tick(epoch.Add(22 * sec))
	if n := len(said[bgpEndOfRIB](m)); n != 1 || m.restarting {
		t.Errorf("announced %d when it converged, want 1", n)
	}

	// Without the other's End-of-RIB the deferral time decides.
	m.Start(epoch, StartGraceful)
	m.Hear(epoch, bgpConnection{conn: m.conn, accept: true})
	m.Hear(epoch, bgpOpen{conn: m.conn, hold: 240 * sec, gr: &gracefulRestart{}})
	m.Hear(epoch, bgpKeepalive{conn: m.conn})
	m.Take()
	at := time.Time{}
	for at.IsZero() {
		now := m.Next()
		m.Tick(now)
		if len(said[bgpEndOfRIB](m)) > 0 {
			at = now
		}
	}
	if got := at.Sub(epoch); got != 62*sec {
		t.Errorf("announced after %v, want a minute of deferral and 2 s", got)
	}
	// A neighbour that restarts too does not make it wait.
	m.Start(epoch, StartGraceful)
	m.Hear(epoch, bgpConnection{conn: m.conn, accept: true})
	m.Hear(epoch, bgpOpen{conn: m.conn, hold: 90 * sec, gr: &gracefulRestart{restarted: true}})
	m.Hear(epoch, bgpKeepalive{conn: m.conn})
	if got := m.eorAt.Sub(epoch); got != 2*sec {
		t.Errorf("with the R bit of the other: End-of-RIB after %v, want 2s", got)
	}
}

// TestBGPSecondRestart: what is still stale from the restart before is deleted.
// Source: RFC 4724 §4.2.
func TestBGPSecondRestart(t *testing.T) {
	r := newRig(t, 1, grBGP(func(d, f *BGP) { d.Converge, f.StaleTime = 100*sec, 1000*sec }))
	r.silent(5*sec, GracefulRestart)
	r.pass(10 * sec)
	f := r.at(0, far)
	if !f.view.Helping || !f.view.Up || !f.view.Carrying {
		t.Fatalf("in the midst of the first: %+v, want it back and helping", f.view)
	}
	r.silent(5*sec, GracefulRestart)
	if o := r.result(0); o.Result != Dropped || o.Why != "a second restart before the first was over" {
		t.Errorf("got %+v, want dropped", o)
	}
}

// TestBGPAndBFD: whether a failing session ends a restart depends on the C bit.
// Source: RFC 5882 §4.3.1, §4.3.2.
func TestBGPAndBFD(t *testing.T) {
	for _, tc := range []struct {
		name        string
		independent bool
		want        Result
	}{
		{"C clear: the control plane may be to blame", false, RestartedGracefully},
		{"C set at both: forwarding failed", true, Dropped},
	} {
		t.Run(tc.name, func(t *testing.T) {
			session := one(BFD{Independent: tc.independent}, BFD{Independent: tc.independent})
			client := grBGP(nil)
			client.BFD = session.Key()
			r := newRig(t, 1, session, client)
			r.silent(5*sec, GracefulRestart) // BFD dies after 0.9 s
			if o := r.result(0); o.Result != Dropped {
				t.Errorf("the session itself: %+v, want dropped", o)
			}
			if o := r.result(1); o.Result != tc.want {
				t.Errorf("the client: %+v, want %v", o, tc.want)
			}
			r.pass(5 * time.Minute)
			if !r.at(1, device).view.Up || !r.at(1, far).view.Carrying {
				t.Error("it does not come back")
			}
		})
	}
}

func TestOSPFRestart(t *testing.T) {
	for _, version := range []int{2, 3} {
		for _, tc := range []struct {
			name     string
			edit     func(d, f *OSPF)
			announce bool
			silence  time.Duration
			how      Wake
			topology bool
			want     Result
			why      string
		}{
			// Source: RFC 3623 §2, §3; RFC 5187.
			{"unplanned, within the dead interval", nil, false, 25 * sec, GracefulRestart, false, RestartedGracefully, ""},
			{"unplanned, beyond it", nil, false, 45 * sec, GracefulRestart, false, Dropped, "RouterDeadInterval expired"},
			{"planned, beyond the dead interval", nil, true, 90 * sec, GracefulRestart, false, RestartedGracefully, ""},
			{"planned, beyond the grace period", nil, true, 130 * sec, GracefulRestart, false, Dropped, "the grace period ended before the restart did"},
			{"neighbour does not help", func(_, f *OSPF) { f.Helper = false }, false, 5 * sec, GracefulRestart, false, Dropped, "the neighbour's Hello no longer lists us"},
			{"device does not restart gracefully", func(d, _ *OSPF) { d.Restart = false }, false, 5 * sec, GracefulRestart, false, Dropped, "the neighbour's Hello no longer lists us"},
			{"cold", nil, false, 5 * sec, Cold, false, Dropped, "the neighbour's Hello no longer lists us"},
			{"topology changes, strict", nil, true, 60 * sec, GracefulRestart, true, Dropped, "the topology changed during the restart"},
			{"topology changes, lax", func(_, f *OSPF) { f.LaxLSACheck = true }, true, 60 * sec, GracefulRestart, true, RestartedGracefully, ""},
			{"state kept", nil, false, 25 * sec, Synchronised, false, Held, ""},
		} {
			t.Run(tc.name, func(t *testing.T) {
				d, f := OSPF{Version: version, Restart: true}, OSPF{Version: version, Helper: true}
				if tc.edit != nil {
					tc.edit(&d, &f)
				}
				cfg := ospfPair(d, f)
				cfg.Nonstop = tc.how == Synchronised
				r := newRig(t, 1, cfg)
				if tc.announce {
					r.tell(r.at(0, device), func(m Machine, now time.Time) { m.Announce(now) })
					r.pass(sec)
					if n := r.at(0, far); !n.view.Helping || !n.view.Carrying {
						t.Fatalf("after the announcement: %+v, want it to help", n.view)
					}
				}
				r.silence()
				r.pass(tc.silence - sec)
				if tc.topology {
					r.tell(r.at(0, far), func(m Machine, now time.Time) { m.TopologyChange(now) })
				}
				r.pass(sec)
				r.wake(tc.how)
				o := r.result(0)
				if o.Result != tc.want || o.Why != tc.why {
					t.Errorf("got %v (%q), want %v (%q)", o.Result, o.Why, tc.want, tc.why)
				}
				r.pass(5 * time.Minute)
				dv, fv := r.at(0, device).view, r.at(0, far).view
				if dv.State != "FULL" || fv.State != "FULL" || fv.Helping || dv.Restarting {
					t.Errorf("in the end: device %+v far %+v, want FULL and no restart", dv, fv)
				}
			})
		}
	}
}

// TestOSPFHelpersConditions: who is not Full, does not want to, restarts itself
// or is asked for no time does not help. Source: RFC 3623 §3.1.
func TestOSPFHelpersConditions(t *testing.T) {
	for name, tc := range map[string]struct {
		edit func(m *ospf)
		want bool
	}{
		"full":              {func(*ospf) {}, true},
		"exchanging":        {func(m *ospf) { m.state = ospfExchange }, false},
		"down":              {func(m *ospf) { m.state = ospfDown }, false},
		"not willing":       {func(m *ospf) { m.cfg.Helper = false }, false},
		"restarting itself": {func(m *ospf) { m.restartUntil = epoch.Add(time.Minute) }, false},
		"helping already":   {func(m *ospf) { m.state, m.helpUntil = ospfInit, epoch.Add(sec) }, true},
	} {
		m := mk[*ospf](t, OSPF{Helper: true}, OSPF{})
		m.state = ospfFull
		tc.edit(m)
		m.Hear(epoch, ospfGrace{period: time.Minute})
		if got := m.helpUntil.Equal(epoch.Add(time.Minute)); got != tc.want {
			t.Errorf("%s: helps %v, want %v", name, got, tc.want)
		}
		m.helpUntil = time.Time{}
		if m.Hear(epoch, ospfGrace{}); !m.helpUntil.IsZero() {
			t.Errorf("%s: helps for no time", name)
		}
	}
}

// TestAnnouncementTakenBack: a device that wakes with its state after all ends
// the help at once. Source: RFC 3623 §2.2; RFC 8706 §3.2.3.
func TestAnnouncementTakenBack(t *testing.T) {
	for name, cfg := range map[string]Config{
		"ospf": ospfPair(OSPF{Restart: true}, OSPF{Helper: true}),
		"isis": one(ISIS{Restart: true}, ISIS{Helper: true}),
	} {
		r := newRig(t, 1, cfg)
		r.tell(r.at(0, device), func(m Machine, now time.Time) { m.Announce(now) })
		r.pass(sec)
		if !r.at(0, far).view.Helping {
			t.Errorf("%s: the announcement is not heard", name)
		}
		r.silent(2*sec, Synchronised)
		r.pass(sec)
		if r.at(0, far).view.Helping || !r.at(0, far).view.Up || !r.at(0, device).view.Up {
			t.Errorf("%s: %+v, want it up and the help ended", name, r.at(0, far).view)
		}
	}
}

// TestOSPFAndBFD: a failing session does not end a restart under way unless it
// is independent of the control plane. Source: RFC 5882 §4.3.
func TestOSPFAndBFD(t *testing.T) {
	for independent, want := range map[bool]Result{false: RestartedGracefully, true: Dropped} {
		session := one(BFD{Independent: independent}, BFD{Independent: independent})
		client := ospfPair(OSPF{Restart: true}, OSPF{Helper: true})
		client.BFD = session.Key()
		r := newRig(t, 1, session, client)
		r.tell(r.at(1, device), func(m Machine, now time.Time) { m.Announce(now) })
		r.pass(sec)
		r.silent(10*sec, GracefulRestart)
		if o := r.result(1); o.Result != want {
			t.Errorf("independent %v: %+v, want %v", independent, o, want)
		}
	}
}

func TestISISRestart(t *testing.T) {
	for _, p2p := range []bool{false, true} {
		for _, tc := range []struct {
			name     string
			edit     func(d, f *ISIS)
			announce bool
			silence  time.Duration
			how      Wake
			want     Result
			why      string
		}{
			// Source: RFC 8706 §3.2.
			{"within the holding time", nil, false, 20 * sec, GracefulRestart, RestartedGracefully, ""},
			{"beyond it", nil, false, 31 * sec, GracefulRestart, Dropped, "holding time expired"},
			{"planned, beyond the holding time", nil, true, 100 * sec, GracefulRestart, RestartedGracefully, ""},
			{"planned, beyond the announced time", nil, true, 125 * sec, GracefulRestart, Dropped, "holding time expired"},
			{"neighbour does not help", func(_, f *ISIS) { f.Helper = false }, false, 5 * sec, GracefulRestart, Dropped, "the neighbour's hello no longer lists us"},
			{"device does not signal", func(d, _ *ISIS) { d.Restart = false }, false, 5 * sec, GracefulRestart, Dropped, "the neighbour's hello no longer lists us"},
			{"cold", nil, false, 5 * sec, Cold, Dropped, "the neighbour's hello no longer lists us"},
			{"state kept", nil, false, 15 * sec, Synchronised, Held, ""},
		} {
			t.Run(tc.name, func(t *testing.T) {
				d, f := ISIS{PointToPoint: p2p, Restart: true}, ISIS{PointToPoint: p2p, Helper: true}
				if tc.edit != nil {
					tc.edit(&d, &f)
				}
				cfg := one(d, f)
				cfg.Nonstop = tc.how == Synchronised
				r := newRig(t, 1, cfg)
				if tc.announce {
					r.tell(r.at(0, device), func(m Machine, now time.Time) { m.Announce(now) })
					r.pass(sec)
				}
				r.silent(tc.silence, tc.how)
				o := r.result(0)
				if o.Result != tc.want || o.Why != tc.why {
					t.Errorf("p2p %v: got %v (%q), want %v (%q)", p2p, o.Result, o.Why, tc.want, tc.why)
				}
				r.pass(5 * time.Minute)
				dv, fv := r.at(0, device).view, r.at(0, far).view
				if !dv.Up || !fv.Up || fv.Helping || dv.Restarting || dv.Overload {
					t.Errorf("p2p %v: in the end device %+v far %+v, want it up and no restart", p2p, dv, fv)
				}
			})
		}
	}
}

// TestISISRefreshesOnceOnly: the first restart request refreshes the holding
// time, the next does not, so a restart that never gets anywhere ends.
// Source: RFC 8706 §3.2.1.
func TestISISRefreshesOnceOnly(t *testing.T) {
	m := mk[*isis](t, ISIS{Helper: true}, ISIS{})
	m.Hear(epoch, isisHello{hold: 30 * sec, state: isisInit})
	if m.state != isisUp {
		t.Fatalf("got %v, want UP", m.state)
	}
	m.Take()
	var acks []isisHello
	for i := range 10 { // T1: each 3 s
		m.Hear(epoch.Add(10*sec+time.Duration(3*i)*sec), isisHello{hold: 30 * sec, rr: true})
		acks = append(acks, said[isisHello](m)...)
	}
	if len(acks) != 10 || !acks[0].ra || acks[0].remaining != 30*sec || acks[9].remaining != 3*sec {
		t.Fatalf("acknowledged with %+v, want 30 s left at first and 3 s at last", acks)
	}
	m.Tick(epoch.Add(40*sec - 1))
	if m.state != isisUp {
		t.Errorf("before the holding time is over: %v, want UP", m.state)
	}
	m.Tick(epoch.Add(40 * sec))
	if m.state == isisUp {
		t.Error("the holding time was refreshed more than once")
	}
}

// TestISISRestartTimers: T1 repeats the request, T2 ends it, T3 sets overload.
// Source: RFC 8706 §3.1, §3.3.
func TestISISRestartTimers(t *testing.T) {
	m := mk[*isis](t, ISIS{Restart: true, Hello: 20 * sec}, ISIS{})
	m.Start(epoch, StartGraceful)
	requests := 0
	for m.Next().Before(epoch.Add(10 * sec)) {
		m.Tick(m.Next())
		for _, h := range said[isisHello](m) {
			if h.rr {
				requests++
			}
		}
	}
	if requests != 4 { // at 0, 3, 6 and 9 s
		t.Errorf("%d requests in ten seconds, want 4", requests)
	}
	m.Hear(epoch.Add(10*sec), isisHello{hold: 60 * sec, state: isisUp, ra: true, remaining: 17 * sec})
	if got := m.t3At.Sub(epoch); got != 27*sec {
		t.Errorf("T3 ends after %v, want 10 s and the 17 s remaining", got)
	}
	m.Tick(epoch.Add(27 * sec))
	if !m.View().Overload {
		t.Error("T3 is over and overload is not set")
	}
	m.Tick(epoch.Add(60 * sec))
	if m.View().Restarting {
		t.Error("T2 is over and the restart goes on")
	}
}

// TestISISDesignatedPlannedRestart: on a LAN where the restarting system is the
// designated one, a topology change ends the help. Source: RFC 8706 §3.2.3.
func TestISISDesignatedPlannedRestart(t *testing.T) {
	for _, tc := range []struct {
		dis  bool
		want Result
	}{{true, Dropped}, {false, RestartedGracefully}} {
		r := newRig(t, 1, one(ISIS{Restart: true, Designated: tc.dis, Mult: 30}, ISIS{Helper: true, Designated: !tc.dis}))
		r.tell(r.at(0, device), func(m Machine, now time.Time) { m.Announce(now) })
		r.pass(sec)
		r.silence()
		r.pass(sec)
		r.tell(r.at(0, far), func(m Machine, now time.Time) { m.TopologyChange(now) })
		r.pass(5 * sec)
		r.wake(GracefulRestart)
		if o := r.result(0); o.Result != tc.want {
			t.Errorf("designated %v: %+v, want %v", tc.dis, o, tc.want)
		}
	}
}

func TestLDPRestart(t *testing.T) {
	for _, tc := range []struct {
		name    string
		edit    func(d, f *LDP)
		silence time.Duration
		how     Wake
		want    Result
		why     string
	}{
		// Source: RFC 3478 §2, §3.3.
		{"graceful", nil, 5 * sec, GracefulRestart, RestartedGracefully, ""},
		{"session lost before", nil, 40 * sec, GracefulRestart, RestartedGracefully, ""},
		{"reconnect time over", nil, 80 * sec, GracefulRestart, Dropped, "the session or its labels did not come back in time"},
		{"neighbour waits less", func(_, f *LDP) { f.Liveness = 10 * sec }, 40 * sec, GracefulRestart, Dropped, "the session or its labels did not come back in time"},
		{"forwarding state lost", nil, 5 * sec, Cold, Dropped, "the neighbour came back without its forwarding state"},
		{"neighbour does not help", func(_, f *LDP) { f.Helper = false }, 5 * sec, GracefulRestart, Dropped, "the neighbour restarted"},
		{"device does not restart gracefully", func(d, _ *LDP) { d.Restart, d.Helper = false, true }, 5 * sec, GracefulRestart, Dropped, "the neighbour restarted"},
		{"state kept", nil, 5 * sec, Synchronised, Held, ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			d, f := LDP{Restart: true, Reconnect: 60 * sec, Recovery: 60 * sec}, LDP{Helper: true}
			if tc.edit != nil {
				tc.edit(&d, &f)
			}
			cfg := ldpPair(d, f)
			cfg.Nonstop = tc.how == Synchronised
			r := newRig(t, 1, cfg)
			r.pass(2 * time.Minute)
			r.silent(tc.silence, tc.how)
			o := r.result(0)
			if o.Result != tc.want || o.Why != tc.why {
				t.Errorf("got %v (%q), want %v (%q)", o.Result, o.Why, tc.want, tc.why)
			}
			r.pass(10 * time.Minute)
			if dv, fv := r.at(0, device).view, r.at(0, far).view; !dv.Up || !fv.Up || fv.Helping || !fv.Carrying || !dv.Carrying {
				t.Errorf("in the end: device %+v far %+v, want it all back", dv, fv)
			}
		})
	}
}

// TestLDPBackOff: an active end that is refused waits longer and longer.
// Source: RFC 5036 §2.5.3: at least 15 s, growing to 120 s.
func TestLDPBackOff(t *testing.T) {
	m := mk[*ldp](t, LDP{Active: true}, LDP{})
	m.Hear(epoch, ldpHello{hold: 15 * sec})
	now := epoch
	for _, want := range []time.Duration{15 * sec, 30 * sec, 60 * sec, 120 * sec, 120 * sec} {
		if m.state != ldpOpenSent {
			t.Fatalf("got %v, want OPENSENT", m.state)
		}
		m.Hear(now, ldpNotification{conn: m.conn})
		if got := m.retryAt.Sub(now); got != want {
			t.Errorf("waits %v, want %v", got, want)
		}
		now = m.retryAt
		m.Hear(now, ldpHello{hold: 15 * sec})
		m.Tick(now)
	}
}

// TestPIMRestart: a new Generation ID is answered by a Hello within five
// seconds; the neighbour keeps the relation. Source: RFC 7761 §4.3.1.
func TestPIMRestart(t *testing.T) {
	for how, want := range map[Wake]Result{GracefulRestart: RestartedGracefully, Cold: Dropped, Synchronised: Held} {
		r := newRig(t, 1, one(PIM{Restart: true}, PIM{}))
		r.silent(3*sec, how)
		o := r.result(0)
		if o.Result != want {
			t.Errorf("%v: %+v, want %v", how, o, want)
		}
		if r.at(0, far).ups != 1 {
			t.Errorf("%v: the neighbour lost the relation", how)
		}
	}
	m := mk[*pim](t, PIM{}, PIM{})
	m.Hear(epoch, pimHello{hold: 105 * sec, genID: 1})
	m.Tick(m.Next())
	m.Take()
	at := epoch.Add(10 * sec)
	m.Hear(at, pimHello{hold: 105 * sec, genID: 2})
	if got := m.helloAt.Sub(at); got < 0 || got > 5*sec || m.restarts != 1 {
		t.Errorf("a Hello follows in %v, want within 5 s; restarts %d, want 1", got, m.restarts)
	}
}

// TestColdEndsForwarding: whatever the neighbour noticed, a cold start loses
// what the device forwards by; LLDP carries nothing.
func TestColdEndsForwarding(t *testing.T) {
	for _, p := range survivals() {
		r := newRig(t, 1, p.cfg)
		r.silent(200*ms, Cold)
		want := Dropped
		if p.name == "lldp" {
			want = Held
		}
		if o := r.result(0); o.Result != want || o.How != "cold" {
			t.Errorf("%s: %+v, want %v", p.name, o, want)
		}
		r.pass(10 * time.Minute)
		if !r.at(0, device).view.Up || !r.at(0, far).view.Carrying {
			t.Errorf("%s does not come back: %+v %+v", p.name, r.at(0, device).view, r.at(0, far).view)
		}
	}
}
