package commandline_test

import (
	"context"
	"crypto/tls"
	"io"
	"strings"
	"testing"
	"time"

	"towpath/internal/device"
	"towpath/internal/device/commandline"
	"towpath/internal/device/devicetest/labtest"
	"towpath/internal/device/dialogue"
	"towpath/internal/device/sshlink"
	"towpath/internal/device/transfer"
	"towpath/internal/lab"
	"towpath/internal/state"
)

// consoles has the driver work over the consoles of both controller cards, with no
// way beside them: images are fetched from the server.
func consoles(t testing.TB, b *labtest.Bench, w labtest.Way, c *commandline.Config) {
	t.Helper()
	c.SSH = sshlink.Config{}
	c.User, c.Password, c.Settle = lab.ShellUser, b.Chassis.ShellPassword(), 15*time.Millisecond
	for _, card := range b.Chassis.Cards() {
		link := sshlink.Config{Address: b.Chassis.ConsoleAddress(card), User: lab.ConsoleUser, KnownHosts: []byte(b.Chassis.ConsoleKnownHosts()),
			Password: func() (string, error) { return b.Chassis.ConsolePassword(), nil }}
		w.Turn(&link.Address, &link.KnownHosts)
		c.Lines = append(c.Lines, commandline.ConsoleLine{Card: card, Open: func(ctx context.Context) (io.ReadWriteCloser, error) { return commandline.Terminal(ctx, link) }})
	}
	server, err := transfer.Serve(transfer.ServerConfig{Listen: "127.0.0.1:0", TLS: towerTLS(t, b)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = server.Close() })
	c.Pull = func() (*transfer.Server, error) { return server, nil }
}

// TestLabOverConsoles runs the suite over the consoles of both controller cards, and
// has the device fetch what it is to install.
func TestLabOverConsoles(t *testing.T) {
	labtest.Exercise(t, labtest.HostKey, func(t testing.TB, b *labtest.Bench, w labtest.Way) device.Device {
		return dial(t, b, func(c *commandline.Config) { consoles(t, b, w, c) })
	})
}

// onConsoles is a lab with a driver over its consoles.
func onConsoles(t *testing.T, change func(*commandline.Config)) (*labtest.Bench, *commandline.Driver, *safeBuffer) {
	t.Helper()
	b := labtest.Start(t, labtest.Config(true), labtest.Rate)
	log := &safeBuffer{}
	d := dial(t, b, func(c *commandline.Config) {
		consoles(t, b, labtest.Way{}, c)
		c.Transcript = dialogue.NewTranscript(log)
		if change != nil {
			change(c)
		}
	})
	t.Cleanup(func() { _ = d.Close() })
	return b, d, log
}

// primary reads which controller card leads.
func primary(t *testing.T, d *commandline.Driver) string {
	t.Helper()
	c, err := d.Capture(context.Background(), device.ScopeComponents)
	if err != nil {
		t.Fatal(err)
	}
	k, _ := c.ControllerWithRole(state.Primary)
	return k.Name
}

// over is what was typed and said on the line of a controller card.
func over(t *testing.T, log *safeBuffer, card string) (typed, said string) {
	t.Helper()
	entries, err := dialogue.ReadTranscript(log.bytes())
	if err != nil {
		t.Fatal(err)
	}
	var in, out strings.Builder
	for _, e := range entries {
		switch {
		case e.Line != card:
		case e.Typed:
			in.Write(e.Octets)
		default:
			out.Write(e.Octets)
		}
	}
	return in.String(), out.String()
}

// TestConsoleFollowsTheRoles hands over from one controller card to the other and
// back, each time to the console of the other one: nothing but keys is typed where
// a card follows or starts.
func TestConsoleFollowsTheRoles(t *testing.T) {
	b, d, log := onConsoles(t, nil)
	if got := primary(t, d); got != "CTL-A" {
		t.Fatalf("%s leads", got)
	}
	if typed, _ := over(t, log, "CTL-B"); typed != "" {
		t.Errorf("%q was typed on the other card's line", typed)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	for _, card := range []string{"CTL-B", "CTL-A"} {
		tick := time.NewTicker(5 * time.Millisecond)
		for {
			if _, err := d.SwitchOver(ctx, card); err == nil {
				break
			} else if k := device.KindOf(err); k != device.Refused && k != device.Busy || ctx.Err() != nil {
				t.Fatalf("to %s: %v", card, err) // not ready is what it may say
			}
			<-tick.C
		}
		tick.Stop()
		for {
			c, err := d.Capture(ctx, device.ScopeComponents)
			if err == nil {
				if k, _ := c.ControllerWithRole(state.Primary); k.Name != card {
					t.Errorf("%s leads, want %s", k.Name, card)
				}
				break
			}
			if device.KindOf(err) != device.Unreachable {
				t.Fatalf("after the hand-over to %s: %v", card, err)
			}
		}
	}
	for _, card := range b.Chassis.Cards() {
		_, said := over(t, log, card)
		if !strings.Contains(said, card+" starts: ") || !strings.Contains(said, "** "+card+" leads now") {
			t.Errorf("the transcript lacks what %s said when it started or took over:\n%s", card, said)
		}
	}
	typed, _ := over(t, log, "CTL-B")
	if n := strings.Count(typed, "hand over to CTL-A"); n != 1 {
		t.Errorf("the way back was typed %d times on the line of CTL-B:\n%s", n, typed)
	}
}

// TestConsoleFoundWhereItIs begins when the second card leads already.
func TestConsoleFoundWhereItIs(t *testing.T) {
	b, first, _ := onConsoles(t, nil)
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	if _, err := first.SwitchOver(ctx, "CTL-B"); err != nil {
		t.Fatal(err)
	}
	if err := first.Close(); err != nil {
		t.Error(err)
	}
	var said safeBuffer
	d := dial(t, b, func(c *commandline.Config) {
		consoles(t, b, labtest.Way{}, c)
		c.Transcript = dialogue.NewTranscript(&said)
	})
	defer func() { _ = d.Close() }()
	for {
		_, err := d.Verify(ctx)
		if err == nil {
			break
		}
		if device.KindOf(err) != device.Unreachable {
			t.Fatal(err)
		}
	}
	if got := primary(t, d); got != "CTL-B" {
		t.Errorf("%s leads", got)
	}
	if typed, _ := over(t, &said, "CTL-A"); strings.Contains(typed, lab.ShellUser) {
		t.Errorf("a log-in was tried on the card that does not lead: %q", typed)
	}
}

// TestConsoleKnowsItsOwnSession loses the console server and comes back: our own
// session is known again by its mark, and nobody else's is ever taken.
func TestConsoleKnowsItsOwnSession(t *testing.T) {
	b, d, log := onConsoles(t, nil)
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	logins := func() int {
		_, said := over(t, log, "CTL-A")
		return strings.Count(said, "Name? ")
	}
	primary(t, d)
	before := logins()
	for range 3 {
		b.Chassis.CutConsole("CTL-A")
		primary(t, d)
	}
	if n := logins(); n != before || before == 0 {
		t.Errorf("it was asked for its name %d times, %d before the line was lost", n, before)
	}
	// Somebody takes our session into another mode.
	b.Chassis.CutConsole("CTL-A")
	b.Chassis.TypeOnConsole("CTL-A", "change\n")
	refused := func(words string) {
		t.Helper()
		acts := len(b.Lab.Acts())
		_, before := over(t, log, "CTL-A")
		_, err := d.Verify(ctx)
		if device.KindOf(err) != device.Busy || !strings.Contains(err.Error(), words) {
			t.Errorf("got %v, want %s", err, words)
		}
		// What was typed before the loss was noticed went nowhere; what arrives is echoed.
		_, now := over(t, log, "CTL-A")
		if more := strings.TrimPrefix(now, before); strings.Contains(more, "tell") || strings.Contains(more, "name session") || len(b.Lab.Acts()) != acts {
			t.Errorf("something was typed:\n%s", more)
		}
	}
	refused("not as we left it")
	// They put it back as it was, which nobody can tell from never having been there.
	b.Chassis.CutConsole("CTL-A")
	b.Chassis.TypeOnConsole("CTL-A", "discard\n")
	primary(t, d)
	// Somebody ends it and logs in with the same account.
	b.Chassis.CutConsole("CTL-A")
	b.Chassis.TypeOnConsole("CTL-A", "leave\n"+lab.ShellUser+"\n"+b.Chassis.ShellPassword()+"\n")
	refused(`at the prompt "[mere-agg-1] "`)
	// They copy our prompt's looks with a mark of their own.
	b.Chassis.CutConsole("CTL-A")
	b.Chassis.TypeOnConsole("CTL-A", "name session tow-0123456789ab\n")
	refused(`[mere-agg-1 tow-0123456789ab]`)
	// They leave.
	b.Chassis.CutConsole("CTL-A")
	b.Chassis.TypeOnConsole("CTL-A", "leave\n")
	primary(t, d)
}

// TestConsoleLostInAChange loses the console server in the midst of a change of
// settings: what was half done is abandoned in our own session, and nothing holds.
func TestConsoleLostInAChange(t *testing.T) {
	b, d, log := onConsoles(t, nil)
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	key := state.Setting{Protocol: state.BFD, Neighbour: "198.51.100.7", Parameter: state.ParamDetectMult}
	was, err := d.Settings(ctx, []state.Setting{key})
	if err != nil {
		t.Fatal(err)
	}
	to := key
	to.Value = "9"
	done := make(chan error, 1)
	go func() { done <- d.Adjust(ctx, []state.Setting{to}) }()
	tick := time.NewTicker(100 * time.Microsecond)
	defer tick.Stop()
	for {
		if _, said := over(t, log, "CTL-A"); strings.Contains(said, "changing] ") {
			break
		}
		select {
		case err := <-done:
			t.Fatalf("the change was done before the line could be cut: %v", err)
		case <-tick.C:
		}
	}
	b.Chassis.CutConsole("CTL-A")
	err = <-done
	now, rerr := d.Settings(ctx, []state.Setting{key})
	if rerr != nil {
		t.Fatalf("after %v: %v", err, rerr)
	}
	switch {
	case err == nil && now[0].Value == "9": // the cut came too late
	case device.KindOf(err) == device.OutcomeUnknown && (now[0].Value == "9" || now[0].Value == was[0].Value):
	case device.KindOf(err) == device.Unreachable && now[0].Value == was[0].Value: // it came between two commands
	default:
		t.Errorf("%v; it was %q and is %q", err, was[0].Value, now[0].Value)
	}
	// Whatever it was, the session is no longer in the midst of it.
	if err := d.Adjust(ctx, []state.Setting{to}); err != nil {
		t.Error(err)
	}
	if now, err := d.Settings(ctx, []state.Setting{key}); err != nil || now[0].Value != "9" {
		t.Errorf("%+v, %v", now, err)
	}
}

// TestConsoleOfAProcessThatDied finds the session that another driver with the same
// mark left, and only that one.
func TestConsoleOfAProcessThatDied(t *testing.T) {
	left := map[string]string{}
	b, dead, _ := onConsoles(t, func(c *commandline.Config) {
		c.Mark = commandline.Mark{Word: "tow-5115aa55", Learned: func(card, prompt string) { left[card] = prompt }}
	})
	primary(t, dead)
	b.Chassis.CutConsole("CTL-A") // and it never comes back
	with := func(m commandline.Mark) error {
		d := dial(t, b, func(c *commandline.Config) {
			consoles(t, b, labtest.Way{}, c)
			c.Mark = m
		})
		_, err := d.Verify(context.Background())
		if err != nil {
			return err
		}
		b.Chassis.CutConsole("CTL-A") // so that it stays
		return d.Close()
	}
	if err := with(commandline.Mark{}); device.KindOf(err) != device.Busy {
		t.Errorf("another mark: %v", err)
	}
	if err := with(commandline.Mark{Word: "tow-5115aa55", Left: map[string]string{"CTL-A": "[mere-agg-2 tow-5115aa55] "}}); device.KindOf(err) != device.Busy {
		t.Errorf("another prompt: %v", err)
	}
	if len(left) != 1 || left["CTL-A"] != "[mere-agg-1 tow-5115aa55] " {
		t.Errorf("learned %q", left)
	}
	if err := with(commandline.Mark{Word: "tow-5115aa55", Left: left}); err != nil {
		t.Error(err)
	}
}

// towerTLS is the certificate of a server that the lab's devices trust.
func towerTLS(t testing.TB, b *labtest.Bench) *tls.Config {
	t.Helper()
	certificate, key, err := b.Lab.PKI().Server("tower")
	if err != nil {
		t.Fatal(err)
	}
	pair, err := tls.X509KeyPair(certificate, key)
	if err != nil {
		t.Fatal(err)
	}
	return &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
}
