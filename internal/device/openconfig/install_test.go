package openconfig

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"sync/atomic"
	"testing"

	ospb "github.com/openconfig/gnoi/os"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"towpath/internal/device"
)

func TestInstallSendsThePackageWhole(t *testing.T) {
	for _, size := range []int{0, 1, installChunk - 1, installChunk, installChunk + 1, 3*installChunk + 77} {
		t.Run(fmt.Sprint(size), func(t *testing.T) {
			req, content := pack("2.6.0", size)
			req.Standby = true
			var got []byte
			var asked *ospb.TransferRequest
			_, d := start(t, &fake{install: func(s ospb.OS_InstallServer) error {
				var err error
				if asked, got, err = receiveAll(s); err != nil {
					return err
				}
				return s.Send(validated(asked.GetVersion()))
			}})
			done, err := d.Install(context.Background(), req, nil)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(got, content) {
				t.Errorf("the device got %d octets, want the %d of the package unchanged", len(got), len(content))
			}
			if done.SHA256 != req.SHA256 || done.Sent != int64(size) || done.AlreadyThere || done.Version != "2.6.0" {
				t.Errorf("got %+v", done)
			}
			if asked.GetPackageSize() != uint64(size) || !asked.GetStandbySupervisor() || asked.GetVersion() != "2.6.0" {
				t.Errorf("asked %v", asked)
			}
		})
	}
}

func TestInstallAlreadyThereSendsNothing(t *testing.T) {
	req, _ := pack("2.6.0", 1000)
	req.Content = func(int64) (io.ReadCloser, error) { return nil, errors.New("must not be opened") }
	_, d := start(t, &fake{install: func(s ospb.OS_InstallServer) error {
		if _, err := s.Recv(); err != nil {
			return err
		}
		return s.Send(validated("2.6.0"))
	}})
	done, err := d.Install(context.Background(), req, nil)
	if err != nil || !done.AlreadyThere || done.Sent != 0 || done.SHA256 != "" {
		t.Errorf("got %+v, %v", done, err)
	}
}

// Source: OpenConfig gNOI os.proto, InstallError, every value; the reactions
// are those of the table that the package documents.
func TestInstallErrors(t *testing.T) {
	want := map[ospb.InstallError_Type]device.Kind{
		ospb.InstallError_UNSPECIFIED:             device.Refused,
		ospb.InstallError_INCOMPATIBLE:            device.WrongImage,
		ospb.InstallError_TOO_LARGE:               device.NoSpace,
		ospb.InstallError_PARSE_FAIL:              device.Damaged,
		ospb.InstallError_INTEGRITY_FAIL:          device.Damaged,
		ospb.InstallError_INSTALL_RUN_PACKAGE:     device.Refused,
		ospb.InstallError_INSTALL_IN_PROGRESS:     device.Busy,
		ospb.InstallError_UNEXPECTED_SWITCHOVER:   device.Moved,
		ospb.InstallError_SYNC_FAIL:               device.Damaged,
		ospb.InstallError_NOT_SUPPORTED_ON_BACKUP: device.Unable,
	}
	if len(want) != len(ospb.InstallError_Type_name) {
		t.Fatalf("%d errors are tested, the standard has %d", len(want), len(ospb.InstallError_Type_name))
	}
	for code, kind := range want {
		for _, moment := range []string{"before the content", "amid the content", "after the content"} {
			t.Run(code.String()+" "+moment, func(t *testing.T) {
				t.Parallel()
				req, _ := pack("2.6.0", 2*installChunk)
				_, d := start(t, &fake{
					verify: func() (*ospb.VerifyResponse, error) { return &ospb.VerifyResponse{Version: "2.4.1"}, nil },
					install: func(s ospb.OS_InstallServer) error {
						switch moment {
						case "before the content":
							if _, err := s.Recv(); err != nil {
								return err
							}
						case "amid the content":
							if _, err := s.Recv(); err != nil {
								return err
							}
							if err := s.Send(&ospb.InstallResponse{Response: &ospb.InstallResponse_TransferReady{}}); err != nil {
								return err
							}
							if _, err := s.Recv(); err != nil {
								return err
							}
						default:
							if _, _, err := receiveAll(s); err != nil {
								return err
							}
						}
						// The stream ends without an error status. Source: os.proto.
						return s.Send(installErr(code, "says the device"))
					},
				})
				_, err := d.Install(context.Background(), req, nil)
				f := wantKind(t, err, kind)
				var cause *installError
				if !errors.As(f, &cause) || cause.Type != code || cause.Detail != "says the device" {
					t.Errorf("the device's own words are lost: %v", err)
				}
			})
		}
	}
}

func TestInstallUnknownErrorStopsForAPerson(t *testing.T) {
	req, _ := pack("2.6.0", 10)
	_, d := start(t, &fake{install: func(s ospb.OS_InstallServer) error { return s.Send(installErr(77, "from the future")) }})
	_, err := d.Install(context.Background(), req, nil)
	wantKind(t, err, device.Refused)
}

func TestInstallOfTheRunningPackageIsSuccessOnlyWhenItIsTheOneWanted(t *testing.T) {
	for _, standby := range []bool{false, true} {
		for _, c := range []struct {
			running string
			ok      bool
		}{{"2.6.0", true}, {"2.4.1", false}} {
			v := &ospb.VerifyResponse{Version: c.running}
			if standby {
				v = &ospb.VerifyResponse{Version: "1.0.0", IndividualSupervisorInstall: true, VerifyStandby: &ospb.VerifyStandby{
					State: &ospb.VerifyStandby_VerifyResponse{VerifyResponse: &ospb.StandbyResponse{Id: "CTL-B", Version: c.running}}}}
			}
			req, _ := pack("2.6.0", 10)
			req.Standby = standby
			_, d := start(t, &fake{
				verify: func() (*ospb.VerifyResponse, error) { return v, nil },
				install: func(s ospb.OS_InstallServer) error {
					return s.Send(installErr(ospb.InstallError_INSTALL_RUN_PACKAGE, ""))
				},
			})
			done, err := d.Install(context.Background(), req, nil)
			if c.ok {
				if err != nil || !done.AlreadyThere || done.Version != "2.6.0" {
					t.Errorf("running %s, standby %v: got %+v, %v", c.running, standby, done, err)
				}
			} else {
				wantKind(t, err, device.Refused)
			}
		}
	}
}

func TestInstallComparesTheValidatedVersion(t *testing.T) {
	// Source: gNOI os.proto: the target does not compare the requested version
	// with the package's; the client must.
	req, _ := pack("2.6.0", 10)
	for _, early := range []bool{true, false} {
		_, d := start(t, &fake{install: func(s ospb.OS_InstallServer) error {
			if !early {
				if _, _, err := receiveAll(s); err != nil {
					return err
				}
			}
			return s.Send(validated("2.5.9"))
		}})
		_, err := d.Install(context.Background(), req, nil)
		wantKind(t, err, device.WrongImage)
	}
}

func TestInstallNeverEndsATransferOfOtherContent(t *testing.T) {
	cases := map[string]func(r *device.InstallRequest){
		"another hash": func(r *device.InstallRequest) { r.SHA256 = "00" + r.SHA256[2:] },
		"shorter":      func(r *device.InstallRequest) { r.Size++ },
		"longer":       func(r *device.InstallRequest) { r.Size-- },
		"nothing left": func(r *device.InstallRequest) {
			r.Content = func(int64) (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(nil)), nil }
		},
		"a broken read": func(r *device.InstallRequest) {
			r.Content = func(int64) (io.ReadCloser, error) {
				return io.NopCloser(io.MultiReader(bytes.NewReader([]byte{1}), failing{})), nil
			}
		},
		"no file": func(r *device.InstallRequest) {
			r.Content = func(int64) (io.ReadCloser, error) { return nil, errors.New("no such file") }
		},
	}
	for name, spoil := range cases {
		t.Run(name, func(t *testing.T) {
			var ended atomic.Bool
			returned := make(chan struct{})
			req, _ := pack("2.6.0", 2*installChunk+5)
			spoil(&req)
			_, d := start(t, &fake{install: func(s ospb.OS_InstallServer) error {
				defer close(returned)
				_, _, err := receiveAll(s)
				ended.Store(err == nil)
				return err
			}})
			_, err := d.Install(context.Background(), req, nil)
			want := device.Damaged
			if name == "a broken read" || name == "no file" {
				want = device.Ours
			}
			wantKind(t, err, want)
			<-returned
			if ended.Load() {
				t.Error("the device was told that the transfer is complete")
			}
		})
	}
}

type failing struct{}

func (failing) Read([]byte) (int, error) { return 0, errors.New("disk on fire") }

func TestInstallReportsProgressFromItsOwnGoroutine(t *testing.T) {
	req, _ := pack("2.6.0", 4*installChunk)
	step := make(chan struct{})
	_, d := start(t, &fake{install: func(s ospb.OS_InstallServer) error {
		if _, _, err := receiveAll(s); err != nil {
			return err
		}
		<-step // all sent
		if err := s.Send(&ospb.InstallResponse{Response: &ospb.InstallResponse_TransferProgress{TransferProgress: &ospb.TransferProgress{BytesReceived: 9}}}); err != nil {
			return err
		}
		if err := s.Send(&ospb.InstallResponse{Response: &ospb.InstallResponse_SyncProgress{SyncProgress: &ospb.SyncProgress{PercentageTransferred: 40}}}); err != nil {
			return err
		}
		<-step // synchronising was reported
		return s.Send(validated("2.6.0"))
	}})
	sentAll, syncing := false, false
	busy := false
	_, err := d.Install(context.Background(), req, func(p device.Progress) {
		if busy {
			t.Error("two reports at once")
		}
		busy = true
		defer func() { busy = false }()
		if p.Total != req.Size || p.Sent > p.Total {
			t.Errorf("progress %+v of %d", p, req.Size)
		}
		if p.Sent == p.Total && !sentAll {
			sentAll = true
			step <- struct{}{}
		}
		if p.Syncing && !syncing {
			syncing = true
			if p.SyncPercent != 40 {
				t.Errorf("got %+v", p)
			}
			step <- struct{}{}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	if !sentAll || !syncing {
		t.Errorf("sent %v, synchronising %v reported, want both", sentAll, syncing)
	}
}

func TestInstallStallEndsWithTheCallersContext(t *testing.T) {
	req, _ := pack("2.6.0", 24*installChunk)
	ctx, cancel := context.WithCancelCause(context.Background())
	var enough = errors.New("no progress for too long")
	_, d := start(t, &fake{install: func(s ospb.OS_InstallServer) error {
		if _, err := s.Recv(); err != nil {
			return err
		}
		if err := s.Send(&ospb.InstallResponse{Response: &ospb.InstallResponse_TransferReady{}}); err != nil {
			return err
		}
		<-s.Context().Done() // reads nothing: the windows fill and sending stalls
		return nil
	}})
	_, err := d.Install(ctx, req, func(p device.Progress) {
		if p.Sent > 0 {
			cancel(enough)
		}
	})
	f := wantKind(t, err, device.OutcomeUnknown)
	if !errors.Is(f, enough) {
		t.Errorf("the reason of the caller is lost: %v", err)
	}
}

func TestInstallBrokenStream(t *testing.T) {
	req, _ := pack("2.6.0", 3*installChunk)
	for name, c := range map[string]struct {
		end  error
		want device.Kind
	}{
		"ends without an answer": {nil, device.OutcomeUnknown},
		"unavailable":            {status.Error(codes.Unavailable, "restarting"), device.Unreachable},
		"internal":               {status.Error(codes.Internal, "bug"), device.Refused},
	} {
		_, d := start(t, &fake{install: func(s ospb.OS_InstallServer) error {
			if _, _, err := receiveAll(s); err != nil {
				return err
			}
			return c.end
		}})
		if _, err := d.Install(context.Background(), req, nil); true {
			t.Run(name, func(t *testing.T) { wantKind(t, err, c.want) })
		}
	}
}

func TestInstallWithoutVersionIsOurFault(t *testing.T) {
	f := &fake{}
	_, d := start(t, f)
	req, _ := pack("", 10)
	_, err := d.Install(context.Background(), req, nil)
	wantKind(t, err, device.Ours)
	if h := f.history(); h != "" {
		t.Errorf("the device was asked: %s", h)
	}
}

func TestVerifyStandbyStates(t *testing.T) {
	// Source: OpenConfig gNOI os.proto, StandbyState.
	for in, want := range map[ospb.StandbyState_State]device.StandbyState{
		ospb.StandbyState_UNSPECIFIED: device.StandbyUnknown, ospb.StandbyState_UNSUPPORTED: device.StandbyUnsupported,
		ospb.StandbyState_NON_EXISTENT: device.StandbyAbsent, ospb.StandbyState_UNAVAILABLE: device.StandbyUnavailable,
	} {
		_, d := start(t, &fake{verify: func() (*ospb.VerifyResponse, error) {
			return &ospb.VerifyResponse{Version: "2.4.1", ActivationFailMessage: "fell back", VerifyStandby: &ospb.VerifyStandby{
				State: &ospb.VerifyStandby_StandbyState{StandbyState: &ospb.StandbyState{State: in}}}}, nil
		}})
		v, err := d.Verify(context.Background())
		if err != nil || v.Standby.State != want || v.Version != "2.4.1" || v.ActivationFail != "fell back" || v.PerController {
			t.Errorf("%v: got %+v, %v", in, v, err)
		}
	}
}
