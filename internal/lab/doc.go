// Package lab is the emulated dual-controller chassis: real gNMI and gNOI over
// mutual TLS, controller cards that boot, synchronise and switch over,
// neighbours with timers of their own, a data plane that really forwards and
// really drops, and faults that can be switched on by name.
//
// Read [Start] first, then [Config] and [Faults]. PATHS.md in this folder is
// the contract of the management plane: what can be read, set and called.
//
// The lab knows nothing of the engines that it is used to check: it imports
// none of them and keeps its own structures.
package lab
