// Package peers checks the forecasts of survival on daemons that nobody here
// wrote, and on the lab's emulated neighbours. Read TestRealPeers first, then
// TestRestartsOfRealDaemons and TestEmulatedNeighbours.
//
// It holds tests only. Those on real daemons need root, network namespaces and
// the Debian packages frr, bird2, keepalived, lldpd, openvswitch-switch and
// iproute2; they say what they leave out where one is missing. With
// TOWPATH_PEERS=full in the environment they take all pairs of daemons and
// about ten minutes, otherwise a few pairs and less than one; TOWPATH_PEERS_ONLY
// names a single protocol, and TOWPATH_PEERS_REPORT a file that the tables are
// added to.
package peers
