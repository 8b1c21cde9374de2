package probe

import (
	"math"
	"time"
)

// seconds turns a number of seconds into a duration, rounded to the nearest
// nanosecond.
func seconds(s float64) time.Duration { return time.Duration(math.Round(s * 1e9)) }

// FrameLossTime is the time that a constant stream of rate packets per second
// was interrupted when lost of its packets never came: lost / rate. The rate
// must be above zero.
// Source: RFC 6201 §1.3, frame-loss method.
func FrameLossTime(lost uint64, rate float64) time.Duration { return seconds(float64(lost) / rate) }

// TimestampTime is the time between the last packet before an interruption and
// the first after it, seen at the receiver.
// Source: RFC 6201 §1.3, timestamp method.
func TimestampTime(lastBefore, firstAfter time.Duration) time.Duration {
	return firstAfter - lastBefore
}

// TPLTime is the outage that a total packet loss means at an offered load in
// packets per second, to be reported in milliseconds. The load must be above
// zero.
// Source: RFC 7654 §5.3.
func TPLTime(tpl uint64, load float64) time.Duration { return FrameLossTime(tpl, load) }

// UpgradeWindow is T4, the whole time of an in-service upgrade: T1 for download
// and update of the secondary, T2 for the upgrade run, T3 for housekeeping
// until both controllers are new and in step.
// Source: RFC 7654 §7.
func UpgradeWindow(t1, t2, t3 time.Duration) time.Duration { return t1 + t2 + t3 }

// GapBounds are the limits between which the outage lies that swallowed n ≥ 1
// consecutive packets sent every interval: more than the time between the first
// and the last of them, less than the time between the ones around them.
// Source: derived, (n−1)·p and (n+1)·p.
func GapBounds(n uint64, interval time.Duration) (lower, upper time.Duration) {
	return time.Duration(n-1) * interval, time.Duration(n+1) * interval
}

// SamplingTolerance is the number of packets by which the count of one sampling
// interval may differ from the nominal count while nothing is lost, because
// delay varies.
// Source: RFC 6412 §3.5.1, equation 1.
func SamplingTolerance(maxDelay, minDelay time.Duration, load float64) float64 {
	return (maxDelay - minDelay).Seconds() * load
}

// FullConvergenceTime is the time from the event until traffic on all routes
// has recovered, from rates and not from loss.
// Source: RFC 6412 §3.6.1, equation 2.
func FullConvergenceTime(event, recovery time.Duration) time.Duration { return recovery - event }

// FirstRouteConvergenceTime is the time from the event until the first packet
// leaves on the new path.
// Source: RFC 6412 §3.6.2, equation 3.
func FirstRouteConvergenceTime(event, first time.Duration) time.Duration { return first - event }

// RouteConvergenceTime is the convergence time of one route, from its
// connectivity packet loss and the load offered to it, where loss starts with
// the event.
// Source: RFC 6412 §3.6.3, equation 4.
func RouteConvergenceTime(lost uint64, load float64) time.Duration { return FrameLossTime(lost, load) }

// RouteConvergenceTimeLate is the same where loss does not start with the
// event: lost are the packets missing on the next-best path since traffic
// started, from which the time before the event is taken.
// Source: RFC 6412 §3.6.3, equation 5.
func RouteConvergenceTimeLate(lost uint64, load float64, trafficStart, event time.Duration) time.Duration {
	return FrameLossTime(lost, load) - (event - trafficStart)
}

// LossDerivedConvergenceTime is the average convergence time over all routes.
// Source: RFC 6412 §3.6.4, equation 6.
func LossDerivedConvergenceTime(lost uint64, load float64) time.Duration {
	return FrameLossTime(lost, load)
}

// LossDerivedConvergenceTimeLate is the same where loss does not start with the
// event.
// Source: RFC 6412 §3.6.4, equation 7.
func LossDerivedConvergenceTimeLate(lost uint64, load float64, trafficStart, event time.Duration) time.Duration {
	return FrameLossTime(lost, load) - (event - trafficStart)
}

// LossOfConnectivityPeriod is the time in which one route carried nothing.
// Source: RFC 6412 §3.6.5, equation 8.
func LossOfConnectivityPeriod(lost uint64, load float64) time.Duration {
	return FrameLossTime(lost, load)
}

// LossDerivedAccuracy is the error, in both directions, of a time derived from
// loss when load packets per second are spread over destinations.
// Source: RFC 6413 §6.1.3, §6.3.3.
func LossDerivedAccuracy(destinations int, load float64) time.Duration {
	return seconds(float64(destinations) / load)
}

// FrameRate is the highest rate, in frames per second and rounded down, at
// which frames of the given length in octets (header and check sequence
// included) follow each other on an Ethernet of linkBps bit/s.
// Source: RFC 2544 appendix B.
func FrameRate(linkBps float64, octets int) float64 {
	return math.Floor(linkBps / float64(wireBits(octets)))
}

// OfferedBps is the load in bit/s that rate frames per second of the given
// length put on an Ethernet, preamble and gap included.
// Source: RFC 2544 appendix B.
func OfferedBps(rate float64, octets int) float64 { return rate * float64(wireBits(octets)) }

// wireBits is the room that one Ethernet frame takes: 64 bits of preamble, the
// frame, 96 bits of gap.
func wireBits(octets int) int { return 64 + 8*octets + 96 }

// FrameLossRate is the share of frames that were not forwarded, in percent. It
// is not a number when nothing was offered.
// Source: RFC 2544 §26.3.
func FrameLossRate(input, output uint64) float64 {
	return (float64(input) - float64(output)) * 100 / float64(input)
}

// LossRatio is the mean of the loss singletons: packets not received within
// Tmax, over packets sent. ok is false when nothing was sent: the ratio is then
// undefined.
// Source: RFC 7680 §4.1.
func LossRatio(lost, sent uint64) (ratio float64, ok bool) {
	if sent == 0 {
		return 0, false
	}
	return float64(lost) / float64(sent), true
}

// RoundTripTime is (T4 − T1) − (T3 − T2): T1 and T4 on the sender's clock, T2
// and T3 on the reflector's. An offset between the clocks cancels.
// Source: RFC 8762 §4.2.1 for the timestamps.
func RoundTripTime(t1, t2, t3, t4 time.Duration) time.Duration { return (t4 - t1) - (t3 - t2) }

// SplitLoss divides the loss of a session with a stateful reflector: sent
// packets, the arrived ones by the reflector's last own number (counted from
// zero, so that arrived is that number + 1), and the received replies.
// Source: RFC 8762 §4 for near-end and far-end loss.
func SplitLoss(sent, arrived, received uint64) (forward, reverse uint64) {
	return sent - arrived, arrived - received
}

// PDV appends to dst the packet delay variation of each delay: its distance
// from the smallest of them, never below zero.
// Source: RFC 5481 §4.2.
func PDV(dst, delays []time.Duration) []time.Duration {
	if len(delays) == 0 {
		return dst
	}
	least := delays[0]
	for _, d := range delays {
		least = min(least, d)
	}
	for _, d := range delays {
		dst = append(dst, d-least)
	}
	return dst
}

// IPDV appends to dst the inter-packet delay variation of each delay but the
// first, for which it is undefined: its distance from the one before.
// Source: RFC 5481 §4.1.
func IPDV(dst, delays []time.Duration) []time.Duration {
	for i := 1; i < len(delays); i++ {
		dst = append(dst, delays[i]-delays[i-1])
	}
	return dst
}
