// Package netconf drives a device over NETCONF: the protocol (RFC 6241) over SSH
// (RFC 6242), and the data models of the IETF, beside those of OpenConfig where
// a device offers them. It satisfies the contract of package device.
//
// The module of our own, for installing software, is towpath-software.yang in
// this folder. What RFC 6241, 6242 and 5277 say is cited from memory; the
// modules of the IETF are compared with the published files by tests, where
// those are installed (Debian: libyuma-base).
//
// Read [Dial] first. A [Session] is the protocol alone, over any stream; a
// [Driver] is a device, with a connection that it makes again when it broke.
package netconf
