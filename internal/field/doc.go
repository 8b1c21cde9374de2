// Package field runs the whole job on a software router that nobody here wrote.
// Read TestRouterUpgrade first.
//
// It holds tests only. They need root, network namespaces and the Debian
// packages frr, openssh-server and iproute2, and say what they leave out where
// one is missing. With TOWPATH_ROUTER=full in the environment the router is
// upgraded in every way; otherwise nothing runs, since each way takes about a
// minute of real time.
package field
