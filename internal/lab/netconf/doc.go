// Package netconf is the NETCONF server of an emulated device: the protocol with
// its datastores, locks, confirmed commits, subtree filters and notifications.
// What the data are and what a change does is the device's, behind [Device].
//
// Read [New] first. The package has its own framing, so that a client is never
// checked against its own.
//
// Source: from memory, RFC 6241, RFC 6242, RFC 5277, RFC 6243.
package netconf
