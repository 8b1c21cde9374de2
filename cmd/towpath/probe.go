package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net/netip"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"towpath/internal/cli"
	"towpath/internal/probe"
)

// probeCommands are send and reflect: they stand here because they are nothing
// but the concrete sender and reflector with flags.
func probeCommands() []*cobra.Command { return []*cobra.Command{sendCommand(), reflectCommand()} }

func sendCommand() *cobra.Command {
	var rate, ports int
	var length, budget, tmax time.Duration
	c := &cobra.Command{
		Use: "send TARGET...", Short: "send test packets to STAMP reflectors; tell what was lost, which way and how long",
		Long: "Sends test packets (RFC 8762, unauthenticated) to one or more reflectors until the\n" +
			"time is over or it is interrupted. A target is NAME=HOST:PORT or HOST:PORT; the\nport is 862 where none is given.",
		Example: "  towpath probe send 192.0.2.10 --for 60s\n  towpath probe send east=192.0.2.10:862 west=192.0.2.20:862 --budget 200ms --format json",
		Args:    cobra.MinimumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			switch {
			case rate < 1:
				return cli.Usage(fmt.Errorf("--rate is %d, want 1 to 10000 packets per second", rate))
			case length < 0, budget < 0, tmax <= 0:
				return cli.Usage(fmt.Errorf("--for is %v, --budget %v and --wait %v: want durations that are not negative, and a wait above 0", length, budget, tmax))
			}
			cfg := probe.Config{Rate: rate, Tmax: tmax}
			for _, a := range args {
				name, to, ok := strings.Cut(a, "=")
				if !ok {
					name, to = a, a
				}
				cfg.Flows = append(cfg.Flows, probe.Flow{Name: name, To: to, Ports: ports})
			}
			s, err := probe.NewSender(cfg)
			if err != nil {
				return cli.Usage(err)
			}
			ctx, stop := signal.NotifyContext(cmd.Context(), os.Interrupt, syscall.SIGTERM)
			defer stop()
			if length > 0 {
				var cancel context.CancelFunc
				ctx, cancel = context.WithTimeout(ctx, length)
				defer cancel()
			}
			if err := s.Start(ctx); err != nil {
				return cli.DeviceFailed(err)
			}
			<-ctx.Done()
			return tellResult(cmd, s.Stop(), budget)
		},
	}
	c.Flags().IntVar(&rate, "rate", 1000, "packets per second in each flow, up to 10000")
	c.Flags().IntVar(&ports, "ports", 1, "source ports that each flow is spread over")
	c.Flags().DurationVar(&length, "for", 10*time.Second, "how long to send; 0 until interrupted")
	c.Flags().DurationVar(&budget, "budget", 0, "longest outage allowed; longer ones make the exit status 1 (default: any loss does)")
	c.Flags().DurationVar(&tmax, "wait", 2*time.Second, "a reply later than this counts as lost")
	return c
}

func tellResult(cmd *cobra.Command, r probe.Result, budget time.Duration) error {
	ok, worst := probe.Verdict(r, budget)
	out := cmd.OutOrStdout()
	if format, _ := cmd.Flags().GetString("format"); format == "json" {
		enc := json.NewEncoder(out)
		enc.SetIndent("", "  ")
		if err := enc.Encode(map[string]any{"ok": ok, "report": r.Report(), "result": r}); err != nil {
			return err
		}
	} else {
		for _, f := range r.Flows {
			fmt.Fprintf(out, "%s (%s, %s reflector): %d sent, %d lost (%d forward, %d reverse, %d either way), %d not measured\n", f.Name, f.To, f.Reflector,
				f.Sent, f.Lost, f.Forward.Lost, f.Reverse.Lost, f.RoundTrip.Lost, f.Voided)
			fmt.Fprintf(out, "  delay %v median, %v at 99 %%; packets left %v late at 99 %%; an outage shorter than %v cannot be seen\n", f.Delay.Median, f.Delay.P99, f.Lateness.P99, f.Resolution)
			for _, o := range f.Outages[:min(len(f.Outages), 10)] {
				fmt.Fprintf(out, "  outage %s at %v: %d packets, %v by loss, %v by timestamps\n", o.Direction, o.Start.Round(time.Millisecond), o.Lost, o.ByLoss, o.ByTime)
			}
			if n := len(f.Outages) - 10; n > 0 {
				var lost uint64
				var long time.Duration
				for _, o := range f.Outages[10:] {
					lost, long = lost+uint64(o.Lost), long+o.ByLoss
				}
				fmt.Fprintf(out, "  and %d more outages: %d packets, %v by loss\n", n, lost, long)
			}
			if f.Trouble != "" {
				fmt.Fprintf(out, "  trouble: %s\n", f.Trouble)
			}
		}
	}
	if !ok {
		if worst.Lost == 0 {
			fmt.Fprintln(cmd.ErrOrStderr(), "towpath: a flow was never answered, so nothing was measured on it")
		}
		return cli.FailedVerdict()
	}
	return nil
}

func reflectCommand() *cobra.Command {
	var cfg probe.ReflectorConfig
	var allow []string
	c := &cobra.Command{
		Use: "reflect [HOST:PORT]", Short: "answer test packets (STAMP, RFC 8762) until interrupted",
		Example: "  towpath probe reflect 192.0.2.10:862 --allow 192.0.2.0/24", Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 1 {
				cfg.Listen = args[0]
			}
			for _, a := range allow {
				p, err := netip.ParsePrefix(a)
				if err != nil {
					return cli.Usage(fmt.Errorf("--allow is %q, want a prefix such as 192.0.2.0/24", a))
				}
				cfg.Allow = append(cfg.Allow, p)
			}
			r, err := probe.NewReflector(cfg)
			if err != nil {
				return cli.DeviceFailed(err)
			}
			ctx, stop := signal.NotifyContext(cmd.Context(), os.Interrupt, syscall.SIGTERM)
			defer stop()
			format, _ := cmd.Flags().GetString("format")
			if format != "json" {
				fmt.Fprintf(cmd.OutOrStdout(), "answering on %v; stop with Ctrl-C\n", r.Addr())
			}
			if err := r.Run(ctx); err != nil {
				return cli.DeviceFailed(err)
			}
			st := r.Stats()
			if format == "json" {
				return json.NewEncoder(cmd.OutOrStdout()).Encode(st)
			}
			fmt.Fprintf(cmd.OutOrStdout(), "%d received, %d answered, %d left out\n", st.Received, st.Replied, st.Short+st.Corrupt+st.NotAllowed+st.Refused)
			return nil
		},
	}
	c.Flags().BoolVar(&cfg.Stateless, "stateless", false, "copy the sender's sequence numbers; only loss of the round trip can then be measured")
	c.Flags().StringSliceVar(&allow, "allow", nil, "prefixes of senders that are answered (default: everybody)")
	return c
}
