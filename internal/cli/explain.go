package cli

import (
	"context"
	"errors"
	"io/fs"
	"path"
	"slices"
	"syscall"

	"towpath/internal/app"
	"towpath/internal/device"
	"towpath/internal/document"
	"towpath/internal/network"
	"towpath/internal/schedule"
	"towpath/internal/workspace"
)

// explain gives the exit status of an error and what to do about it. It is the
// one place where errors meet operators.
func explain(err error) (status int, hint string) {
	var u *usageError
	var problems document.Problems
	var fault *device.Fault
	switch {
	case errors.As(err, &u):
		return ExitUsage, "towpath COMMAND --help shows what is asked for and an example"
	case errors.Is(err, network.ErrNoCapacity):
		return ExitUsage, "--capacity 10Gbps gives that capacity to every link that has none"
	case errors.Is(err, network.ErrNoUnit):
		return ExitUsage, "--unit 1Mbps says what plain numbers mean"
	case errors.As(err, &problems) && noWorkspace(problems):
		return ExitUsage, "a workspace is a folder with fleet.yaml, releases.yaml and policy.yaml: name it with --workspace FOLDER; towpath lab up --dir FOLDER makes one to try"
	case errors.As(err, &problems):
		return ExitUsage, "nothing was changed; put the files right and run the command again"
	case errors.Is(err, app.ErrNoDevice):
		return ExitUsage, "devices are listed in fleet.yaml"
	case errors.Is(err, app.ErrNoPath):
		return ExitVerdict, "towpath hops DEVICE --to RELEASE says what stands in the way; --allow-reload looks for paths with an outage"
	case errors.Is(err, app.ErrNoCampaign):
		return ExitUsage, "it names the calendars with the windows; towpath schema campaign tells what stands in it"
	case errors.Is(err, app.ErrNoTarget), errors.Is(err, app.ErrNotRevisable), errors.Is(err, schedule.ErrInvalid):
		return ExitUsage, ""
	case errors.Is(err, app.ErrNoWindow):
		return ExitVerdict, "look further ahead with --until, or add windows to the calendars"
	case errors.Is(err, schedule.ErrInfeasible):
		return ExitVerdict, ""
	case errors.Is(err, schedule.ErrUndecided):
		return ExitVerdict, "give it more time with --seconds, or a longer time with --until"
	case errors.Is(err, app.ErrHeld):
		return ExitHold, "consent with: towpath resume RUN --consent NAME, or --refuse NAME"
	case errors.Is(err, app.ErrPaused):
		return ExitHold, "choose with: towpath resume RUN --choose WORD --person NAME; it lists the words that can be chosen"
	case errors.Is(err, app.ErrNoRun):
		return ExitUsage, "towpath runs lists the runs"
	case errors.Is(err, app.ErrOpenRun):
		return ExitUsage, "take that one up with: towpath resume RUN, or end it at its next pause with --choose hand-over"
	case errors.Is(err, app.ErrInUse):
		return ExitDevice, "wait for it, or end that process; a run is never conducted twice at once"
	case errors.Is(err, app.ErrAltered):
		return ExitDevice, "nothing was done: put back what was altered from a backup of the folder that runs are kept in, or go on by hand from what the device shows"
	case errors.Is(err, app.ErrRecords):
		return ExitDevice, "the folder that runs are kept in is WORKSPACE/.towpath, or that of --state; it is damaged, or may not be read or written"
	case errors.Is(err, app.ErrNoImage):
		return ExitUsage, "put the image files into the workspace's images folder"
	case errors.Is(err, workspace.ErrSecret):
		return ExitUsage, "nothing was asked of the device: what its access in fleet.yaml refers to is not there; a saved capture needs no access (--capture FILE)"
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT), errors.Is(err, syscall.EIO), errors.Is(err, syscall.EFBIG):
		return ExitDevice, "nothing half written is left under the name that was given; make room, or name another disk"
	case errors.As(err, &fault):
		return ExitDevice, faultHint(fault.Kind)
	case errors.Is(err, context.Canceled):
		return ExitDevice, "stopped; a run that was under way is taken up with: towpath resume RUN"
	}
	return ExitUsage, ""
}

// noWorkspace says that files of the workspace itself are not there.
func noWorkspace(ps document.Problems) bool {
	return slices.ContainsFunc(ps, func(p document.Problem) bool {
		return errors.Is(p.Err, fs.ErrNotExist) && slices.Contains([]string{workspace.FleetFile, workspace.CatalogueFile}, path.Base(p.File))
	})
}

func faultHint(k device.Kind) string {
	switch k {
	case device.Unreachable:
		return "is the address right, does the device answer on it, and is a firewall in between?"
	case device.Denied:
		return "look at what the device's access in fleet.yaml logs in with (certificate and its end, key, password, known-hosts), and at what the device lets that account do"
	case device.OutcomeUnknown:
		return "whether it was done, the device will show: read it before doing anything"
	case device.Busy:
		return "another operation runs on the device; find out whose before going on"
	case device.NoSpace:
		return "towpath check lists the files that may be deleted"
	case device.Ours:
		return "look at the access of the device in fleet.yaml; if that is right, the mistake is Towpath's"
	case device.Refused, device.WrongImage, device.Damaged, device.Moved, device.Missing, device.Unable:
	}
	return ""
}

// Usage marks an error as a mistake on the command line.
func Usage(err error) error { return &usageError{err.Error()} }

// DeviceFailed marks an error as that of a device or service.
func DeviceFailed(err error) error {
	return &device.Fault{Kind: device.Refused, Op: "probe", Err: err}
}

// FailedVerdict ends a command that has said all with the status of a failed
// verdict.
func FailedVerdict() error { return exit{ExitVerdict} }
