// Package probe measures what traffic loses while a router is being changed: a
// sender of numbered test packets, a reflector that answers them, and the
// arithmetic that turns missing numbers into outages.
//
// Read [NewSender] first, then [Analyse], which holds the arithmetic and needs
// no socket, and [NewReflector] for the far end. The packets are those of the
// Simple Two-way Active Measurement Protocol in unauthenticated mode (STAMP,
// RFC 8762, with the extensions of RFC 8972), so that either end can be any
// other implementation of that standard.
//
// What a result means:
//
//   - A stateful reflector numbers its own replies, which tells loss on the way
//     there from loss on the way back. Where the reflector is stateless or
//     unknown, loss is reported as [RoundTrip] and never guessed into a
//     direction.
//   - Loss on the way there leaves the way back untested: nothing was there to
//     be lost. [DirectionTotals].Offered counts what a direction really carried.
//   - Outages are computed per source port, because a network spreads flows by
//     their ports, and a path that fails for one port of four would look like
//     scattered single losses in the sum.
//   - A time in which the sender itself did not send (it was late, or its own
//     host refused), or in which an end host dropped packets by itself, is a
//     [Void]: untested, and never an outage.
//   - All times come from kernel receive timestamps where the system has them.
package probe
