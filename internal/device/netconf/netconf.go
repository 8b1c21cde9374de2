// Package netconf drives a device over NETCONF: the protocol (RFC 6241) over SSH
// (RFC 6242), and the data models of the IETF, beside those of OpenConfig where
// a device offers them. It satisfies the contract of package device.
//
// Read [Dial] first. A [Session] is the protocol alone, over any stream; a
// [Driver] is a device, with a connection that it makes again when it broke.
package netconf
