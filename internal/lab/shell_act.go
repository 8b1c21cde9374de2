package lab

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"

	ospb "github.com/openconfig/gnoi/os"
	syspb "github.com/openconfig/gnoi/system"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	filepb "github.com/openconfig/gnoi/file"
)

// do runs one line; leave says that the person goes.
func (x *shellSession) do(line string) (leave bool) {
	if line == "" {
		return false
	}
	if line == "leave" && !x.changing {
		return true
	}
	text, err := x.run(line)
	if errors.Is(err, errGoingDown) || status.Code(err) == codes.Unavailable {
		return true // the answer is lost with the connection
	}
	if err != nil {
		text += shellError(err) + "\n"
	}
	x.print(text)
	return false
}

// shellError is a failure in the command line's words.
func shellError(err error) string {
	var refused *installFailure
	if errors.As(err, &refused) {
		words := map[ospb.InstallError_Type]string{
			ospb.InstallError_INCOMPATIBLE: "wrong package", ospb.InstallError_TOO_LARGE: "no room", ospb.InstallError_PARSE_FAIL: "damaged",
			ospb.InstallError_INTEGRITY_FAIL: "damaged", ospb.InstallError_SYNC_FAIL: "damaged", ospb.InstallError_INSTALL_IN_PROGRESS: "busy",
			ospb.InstallError_UNEXPECTED_SWITCHOVER: "roles changed", ospb.InstallError_NOT_SUPPORTED_ON_BACKUP: "cannot",
		}
		if w := words[refused.kind]; w != "" {
			return w + ": " + refused.detail
		}
		return "refused: " + refused.detail
	}
	s, ok := status.FromError(err)
	if !ok {
		return err.Error()
	}
	words := map[codes.Code]string{
		codes.NotFound: "no such thing", codes.InvalidArgument: "not understood", codes.PermissionDenied: "not allowed", codes.ResourceExhausted: "no room",
		codes.DataLoss: "damaged", codes.Aborted: "roles changed", codes.Unimplemented: "cannot",
	}
	if w := words[s.Code()]; w != "" {
		return w + ": " + s.Message()
	}
	return "refused: " + s.Message()
}

// run does one command and returns what it prints.
func (x *shellSession) run(line string) (string, error) {
	c := x.c
	verb, rest, _ := strings.Cut(line, " ")
	rest = strings.TrimSpace(rest)
	if x.changing {
		return x.runChanging(verb, rest)
	}
	switch verb {
	case "tell":
		what, more, _ := strings.Cut(rest, " ")
		f := tellers()[what]
		if f == nil {
			return "", fmt.Errorf("not understood: tell %q", what)
		}
		c.mu.Lock()
		defer c.mu.Unlock()
		return f(c, strings.TrimSpace(more))
	case "page":
		if rest != "off" && rest != "on" {
			return "", errors.New("not understood: want page on, or page off")
		}
		x.paging = rest == "on"
		return "", nil
	case "change":
		x.changing, x.changes = true, nil
		return "", nil
	case "await":
		return x.await(rest)
	case "take":
		return x.take(rest)
	case "copy":
		return x.copyFrom(rest)
	case "forget":
		c.do(func() {
			if name, one := strings.CutPrefix(rest, "file "); one {
				c.incoming.drop(name)
			} else {
				c.forget()
			}
		})
		return "forgotten\n", nil
	case "boot":
		return x.activate(rest, false)
	case "try":
		return x.try(rest)
	case "begin":
		return x.activate(rest, true)
	case "hand":
		return x.handOver(rest)
	case "restart":
		return x.restart(rest)
	case "drop":
		return x.drop(rest)
	case "fit":
		return x.fit(rest)
	case "fetch":
		return x.fetch(rest)
	case "name":
		return x.name(rest)
	}
	return "", fmt.Errorf("not understood: %q", verb)
}

// name is "name session WORD": the word stands in this session's prompt.
func (x *shellSession) name(rest string) (string, error) {
	word, ok := strings.CutPrefix(rest, "session ")
	odd := func(r rune) bool { return r != '-' && (r < '0' || r > '9') && (r < 'a' || r > 'z') }
	if !ok || word == "" || strings.ContainsFunc(word, odd) {
		return "", errors.New("not understood: want name session WORD, of letters, digits, hyphens")
	}
	x.mark = word
	return "", nil
}

func (x *shellSession) runChanging(verb, rest string) (string, error) {
	switch verb {
	case "turn":
		return "", x.turn(rest)
	case "keep":
		return "", x.keep()
	case "discard":
		x.changing, x.changes = false, nil
		return "", nil
	}
	return "", fmt.Errorf("not understood: %q while changing; want turn, keep or discard", verb)
}

// where reads the end of a command that names a card: "here", "beside" or
// "everywhere".
func where(word string) (standby bool, err error) {
	switch word {
	case "here", "everywhere":
		return false, nil
	case "beside":
		return true, nil
	}
	return false, fmt.Errorf("not understood: %q, want here, beside or everywhere", word)
}

// activate is "boot VERSION WHERE" and "begin VERSION WHERE".
func (x *shellSession) activate(rest string, restarts bool) (string, error) {
	version, w, _ := strings.Cut(rest, " ")
	standby, err := where(w)
	if err != nil {
		return "", err
	}
	if restarts && !x.confirm("The control plane restarts into "+version+".") {
		return "", errors.New("refused: not confirmed")
	}
	r, err := (&osServer{c: x.c}).Activate(x.s.Context(), &ospb.ActivateRequest{Version: version, StandbySupervisor: standby, NoReboot: !restarts})
	if err != nil {
		return "", err
	}
	if e := r.GetActivateError(); e != nil {
		switch e.GetType() {
		case ospb.ActivateError_NON_EXISTENT_VERSION:
			return "", errors.New("no such thing: " + e.GetDetail())
		case ospb.ActivateError_NOT_SUPPORTED_ON_BACKUP:
			return "", errors.New("cannot: " + e.GetDetail())
		case ospb.ActivateError_UNSPECIFIED:
		}
		return "", errors.New("refused: " + e.GetDetail())
	}
	if restarts {
		return "begun\n", nil
	}
	return "noted\n", nil
}

// try is "try VERSION WHERE": what begin would do. It changes nothing.
func (x *shellSession) try(rest string) (string, error) {
	version, w, _ := strings.Cut(rest, " ")
	standby, err := where(w)
	if err != nil {
		return "", err
	}
	c := x.c
	c.mu.Lock()
	defer c.mu.Unlock()
	p, s := c.primary(), c.secondary()
	k := p
	if standby {
		k = s
	}
	switch {
	case standby && !c.cfg.PerController:
		return "", errors.New("cannot: this system is activated as a whole")
	case k.volume.packageOf(version) == nil:
		return "", fmt.Errorf("no such thing: %s has no package of release %q", k.Name, version)
	case k.booting || k.failure:
		return "", fmt.Errorf("refused: %s is restarting or does not answer", k.Name)
	case k.version == version:
		return "nothing would restart\n", nil
	case !standby && !c.ready():
		return "", fmt.Errorf("refused: %s is not ready to take over", s.Name)
	}
	if standby {
		return fmt.Sprintf("%s would restart\n", s.Name), nil
	}
	return fmt.Sprintf("%s would take over and %s restart\n", s.Name, p.Name), nil
}

// handOver is "hand over to CARD".
func (x *shellSession) handOver(rest string) (string, error) {
	card, ok := strings.CutPrefix(rest, "over to ")
	if !ok {
		return "", errors.New("not understood: want hand over to CARD")
	}
	if !x.confirm(card + " takes over; this session ends.") {
		return "", errors.New("refused: not confirmed")
	}
	_, err := (&systemServer{c: x.c}).SwitchControlProcessor(x.s.Context(), &syspb.SwitchControlProcessorRequest{ControlProcessor: componentPath(card)})
	if err != nil {
		return "", err
	}
	return "handed over\n", nil
}

// restart is "restart PART because REASON", "refresh" of a line card is
// "restart PART gently because REASON", and "restart everything because REASON".
func (x *shellSession) restart(rest string) (string, error) {
	part, reason, ok := strings.Cut(rest, " because ")
	if !ok {
		return "", errors.New("not understood: want restart PART because REASON")
	}
	name, gently := strings.CutSuffix(part, " gently")
	req := &syspb.RebootRequest{Method: syspb.RebootMethod_COLD, Message: reason}
	if gently {
		req.Method = syspb.RebootMethod_NSF
	}
	targets := []string{name}
	if name == "everything" {
		targets = []string{""}
	}
	if !x.confirm(name + " restarts.") {
		return "", errors.New("refused: not confirmed")
	}
	c := x.c
	var err error
	c.do(func() {
		act := c.act(ActReboot, fmt.Sprintf("targets=%s method=%s by=command-line", strings.Join(targets, ","), req.GetMethod()))
		act.Outcome = "ok"
		if err = c.admitReboot(targets, req); err != nil {
			act.Outcome = err.Error()
			return
		}
		act.Changed = true
		c.rebootNow(targets[0], req.GetMethod(), reason)
	})
	if err != nil {
		return "", err
	}
	return "restarting\n", nil
}

// drop is "drop file PATH".
func (x *shellSession) drop(rest string) (string, error) {
	name, ok := strings.CutPrefix(rest, "file ")
	if !ok {
		return "", errors.New("not understood: want drop file PATH")
	}
	c := x.c
	if strings.HasPrefix(name, incomingFolder) {
		var found bool
		c.do(func() { found = c.incoming.drop(name) })
		if !found {
			return "", fmt.Errorf("no such thing: %s", name)
		}
		return "dropped\n", nil
	}
	if _, err := (&fileServer{c: c}).Remove(x.s.Context(), &filepb.RemoveRequest{RemoteFile: name}); err != nil {
		return "", err
	}
	return "dropped\n", nil
}

// tellSum is "tell sum of PATH".
func (c *Chassis) tellSum(rest string) (string, error) {
	name, ok := strings.CutPrefix(rest, "of ")
	if !ok {
		return "", errors.New("not understood: want tell sum of PATH")
	}
	if in := c.incoming.files[name]; in != nil {
		sum, err := in.sum()
		if err != nil {
			return "", err
		}
		return fmt.Sprintf("sha256 %x\n", sum), nil
	}
	_, f, err := c.find(name)
	if err != nil {
		return "", err
	}
	sum, err := hashContent(f)
	if err != nil {
		return "", err
	}
	return fmt.Sprintf("sha256 %x\n", sum), nil
}

// await is "await VERSION of SIZE octets WHERE": may a package come?
func (x *shellSession) await(rest string) (string, error) {
	f := strings.Fields(rest)
	if len(f) != 5 || f[1] != "of" || f[3] != "octets" {
		return "", errors.New("not understood: want await VERSION of SIZE octets WHERE")
	}
	size, err := strconv.ParseInt(f[2], 10, 64)
	if err != nil || size < 0 {
		return "", fmt.Errorf("not understood: %q octets", f[2])
	}
	standby, err := where(f[4])
	if err != nil {
		return "", err
	}
	c := x.c
	run := &installRun{}
	run.ctx, run.abort = context.WithCancelCause(c.ctx)
	var have bool
	c.do(func() {
		if c.incoming.t != nil {
			c.forget() // nobody works on it any more, or it would be busy being taken
		}
		var targets []*controller
		var from *file
		targets, from, have, err = c.admitInstall(&ospb.TransferRequest{Version: f[0], StandbySupervisor: standby, PackageSize: uint64(size)}, run)
		if err != nil || have {
			return
		}
		_ = from // a copy is asked for by another command
		c.incoming.begin(c, run, targets, size, f[0])
	})
	switch {
	case err != nil:
		run.abort(nil)
		return "", err
	case have:
		run.abort(nil)
		return "already here\n", nil
	}
	// It is forgotten with the connection that asked for it.
	stop := x.s.Context()
	c.spawn(func() {
		select {
		case <-stop.Done():
			c.do(func() {
				if c.incoming.t != nil && c.incoming.t.run == run && !c.incoming.taking {
					c.forget()
				}
			})
		case <-run.ctx.Done():
		}
	})
	return "waiting for " + incomingFolder + "\n", nil
}

// take is "take package PATH": validate it and put it in place.
func (x *shellSession) take(rest string) (string, error) {
	name, ok := strings.CutPrefix(rest, "package ")
	if !ok {
		return "", errors.New("not understood: want take package PATH")
	}
	c := x.c
	var act *Act
	var t *transfer
	var in *inFile
	var err error
	c.do(func() {
		in, t = c.incoming.files[name], c.incoming.t
		switch {
		case t == nil:
			err = errors.New("refused: no package is waited for")
		case c.incoming.taking:
			err = errors.New("busy: a package is being taken")
		case in == nil:
			err = fmt.Errorf("no such thing: %s", name)
		default:
			c.incoming.taking = true
			act = c.act(ActInstall, fmt.Sprintf("version=%s path=%s size=%d by=command-line", c.incoming.version, name, in.size))
		}
	})
	if err != nil {
		return "", err
	}
	version, err := in.validate(t, c.incoming.version, func(percent int) { fmt.Fprintf(x.s, "checked %d of 100\n", percent) })
	c.do(func() {
		act.Changed, act.Outcome = err == nil, "ok"
		if err != nil {
			act.Outcome = err.Error()
		}
		c.incoming.taking = false
		c.forget()
	})
	if err != nil {
		return "", err
	}
	return fmt.Sprintf("release %s is in place\n", version), nil
}

// copyFrom is "copy VERSION from CARD to CARD".
func (x *shellSession) copyFrom(rest string) (string, error) {
	f := strings.Fields(rest)
	if len(f) != 5 || f[1] != "from" || f[3] != "to" {
		return "", errors.New("not understood: want copy VERSION from CARD to CARD")
	}
	c := x.c
	run := &installRun{}
	run.ctx, run.abort = context.WithCancelCause(c.ctx)
	defer run.abort(nil)
	var act *Act
	var from *file
	var have bool
	var err error
	var to *controller
	c.do(func() {
		act = c.act(ActInstall, fmt.Sprintf("version=%s from=%s card=%s by=command-line", f[0], f[2], f[4]))
		if to = c.controller(f[4]); to == nil {
			err = fmt.Errorf("no such thing: %s", f[4])
			return
		}
		_, from, have, err = c.admitInstall(&ospb.TransferRequest{Version: f[0], StandbySupervisor: to == c.secondary()}, run)
		if err == nil && !have && from == nil {
			c.install = nil
			err = fmt.Errorf("no such thing: %s does not have release %s", f[2], f[0])
		}
	})
	if err == nil && !have {
		err = x.copying(run, to, from)
		c.do(func() { c.install = nil })
	}
	c.do(func() {
		act.Changed, act.Outcome = err == nil && !have, "ok"
		if err != nil {
			act.Outcome = err.Error()
		}
	})
	if err != nil {
		return "", err
	}
	return fmt.Sprintf("release %s is in place\n", f[0]), nil
}

func (x *shellSession) copying(run *installRun, to *controller, from *file) error {
	c := x.c
	const steps = 10
	for i := range steps {
		if err := run.pause(c, c.cfg.Durations.PackageCopy/steps); err != nil {
			return err
		}
		fmt.Fprintf(x.s, "copied %d of 100\n", (i+1)*100/steps)
	}
	var err error
	c.do(func() {
		switch {
		case run.ctx.Err() != nil:
			err = run.why()
		case c.fires("copy-fails"):
			err = refuseInstall(ospb.InstallError_SYNC_FAIL, "%s: the copy could not be read back", to.volume.name())
		default:
			f := *from
			f.modified = c.now()
			to.volume.put(&f)
			c.staged(f.version)
		}
	})
	return err
}

// fit is "fit PATH into PART as FILE": firmware for the part's next restart.
func (x *shellSession) fit(rest string) (string, error) {
	f := strings.Fields(rest)
	if len(f) != 5 || f[1] != "into" || f[3] != "as" {
		return "", errors.New("not understood: want fit PATH into PART as FILE")
	}
	c := x.c
	name, part := f[0], f[2]
	var act *Act
	var in *inFile
	c.do(func() {
		act = c.act(ActSetPackage, fmt.Sprintf("file=/%s/firmware/%s by=command-line", part, f[4]))
		in = c.incoming.files[name]
	})
	err := fmt.Errorf("no such thing: %s", name)
	if in != nil {
		err = in.fit(c, part, "/"+part+"/firmware/"+f[4])
	}
	c.do(func() {
		act.Changed, act.Outcome = err == nil, "ok"
		if err != nil {
			act.Outcome = err.Error()
		}
		c.incoming.drop(name)
	})
	if err != nil {
		return "", err
	}
	return "fitted\n", nil
}
