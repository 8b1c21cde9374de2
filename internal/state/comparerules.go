package state

// CompareRule is one row of the table by which differences are classed.
type CompareRule struct {
	ID     string // stable
	Class  Class
	When   string // what the difference is
	Why    string // why it is in the class
	Source string // standard and section, or "common practice"
}

// ruleNo is the place of a rule in the table.
type ruleNo int

const (
	rOtherDevice ruleNo = iota
	rOtherReader
	rIncomplete
	rHostname
	rFactLost
	rVitalLost
	rFactGained
	rBetter
	rVersionReached
	rVersionWrong
	rVersionStray
	rVersionUnread
	rFirmwareReached
	rFirmwareWrong
	rFirmwareStray
	rFirmwareUnread
	rBootExpected
	rBootVital
	rBootOther
	rRebootFailure
	rRebootReason
	rComponentGone
	rComponentNew
	rComponentKind
	rComponentDown
	rComponentBack
	rComponentOther
	rComponentFailed
	rHardware
	rRoleSwap
	rRoleStray
	rPrimaries
	rNotReady
	rSwitchoverExpected
	rSwitchoverStray
	rSwitchoverReason
	rTemperature
	rCPU
	rMemory
	rReadOnly
	rVolume
	rVolumeGone
	rFileStaged
	rFileRemoved
	rFileNew
	rFileGone
	rFileSize
	rFileContent
	rBootReached
	rBootWrong
	rBootStray
	rBootVolume
	rPowerLost
	rInterfaceDown
	rInterfaceUp
	rInterfaceOther
	rInterfaceFlap
	rSpeedFell
	rErrors
	rAggregateGone
	rMemberLost
	rMemberOther
	rPartner
	rTimers
	rRoot
	rTopology
	rTreeGone
	rCounterReset
	rCounterStray
	rAdjacencyLost
	rAdjacencyGone
	rAdjacencyUp
	rAdjacencyNew
	rAdjacencyState
	rAdjacencyRole
	rFlap
	rFlapLLDP
	rFlapGraceful
	rRestartAbility
	rPrefixes
	rCountTolerated
	rTableGone
	rTableNew
	rRouteCount
	rRoutesGoneMany
	rRoutesGone
	rRoutesNew
	rRoutesChanged
	rRouteGone
	rRouteNew
	rRouteChanged
	rTableShrank
	rTableGrew
	rAlarmGrave
	rAlarm
	rAlarmCleared
	rConfigChanged
	rConfigExpected
	rConfigTouched
	rConfigPutBack
	rConfigUnsaved
	rConfigLocked
	rBackupNewer
	rBackupOlder
	rClock
	rMaintenance
	rCrash
	rCrashGone
	rFeature
	rLogicalNetworkElement

	ruleCount
)

// CompareRules returns the table by which [Compare] classes differences. The
// caller owns it.
func CompareRules() []CompareRule {
	return append([]CompareRule(nil), compareRules[:]...)
}

// compareRules is the table: one row for each rule.
var compareRules = [ruleCount]CompareRule{
	rOtherDevice: {"other-device", Stop,
		"the captures are of two devices",
		"captures of two devices cannot be compared", "common practice"},
	rOtherReader: {"other-reader", Look,
		"the captures were read by different drivers or dialects",
		"a difference may come from how it was read", "common practice"},
	rIncomplete: {"capture-incomplete", Look,
		"the later capture lacks facts that the driver asks for",
		"what was not read cannot be accepted", "RFC 7654 §5.4"},
	rHostname: {"hostname-changed", Look,
		"the host name changed",
		"the configuration or the device is another one", "common practice"},
	rFactLost: {"fact-lost", Look,
		"a fact was known before and is not now",
		"what is not known cannot be compared", "RFC 7654 §5.4"},
	rVitalLost: {"vital-fact-lost", Stop,
		"such a fact of a controller card, an adjacency, a member link, a route table or the configuration",
		"redundancy, reachability and configuration must be known before the change is accepted", "RFC 7654 §5.4"},
	rFactGained: {"fact-gained", Look,
		"a fact is known that was not before",
		"there is nothing to compare it with", "common practice"},
	rBetter: {"better", Look,
		"a condition that was bad is good now",
		"it was not so before the change", "common practice"},
	rVersionReached: {"version-reached", Expected,
		"a version is now the one that was to be reached",
		"this is what the change was for", "RFC 7654 §3.4"},
	rVersionWrong: {"version-wrong", Stop,
		"a version is not the one that was to be reached",
		"every component must run the release after the upgrade", "RFC 7654 §3.4"},
	rVersionStray: {"version-stray", Stop,
		"a version changed that was not to change",
		"software changed that nobody announced", "RFC 7654 §5.4"},
	rVersionUnread: {"version-unread", Stop,
		"a version that was to be reached is unknown",
		"that the release runs must be seen", "RFC 7654 §3.4"},
	rFirmwareReached: {"firmware-reached", Expected,
		"a firmware level is now the one that was to be reached",
		"this is what the change was for", "RFC 7654 §3.4"},
	rFirmwareWrong: {"firmware-wrong", Stop,
		"a firmware level is not the one that was to be reached",
		"the release may not run on another level", "common practice"},
	rFirmwareStray: {"firmware-stray", Stop,
		"a firmware level changed that was not to change",
		"firmware changed that nobody announced", "common practice"},
	rFirmwareUnread: {"firmware-unread", Stop,
		"a firmware level that was to be reached is unknown",
		"that the level is there must be seen", "common practice"},
	rBootExpected: {"restart-expected", Expected,
		"a boot time or reboot reason changed as the change was to make it",
		"the change restarts it", "RFC 7654 §5.2"},
	rBootVital: {"restart-stray", Stop,
		"the chassis, a controller card, line card or fabric restarted and was not to",
		"a restart that was not part of the change", "RFC 7654 §5.4"},
	rBootOther: {"restart-other", Look,
		"another component restarted and was not to",
		"a restart that was not part of the change", "RFC 7654 §5.4"},
	rRebootFailure: {"restart-after-failure", Stop,
		"the reason of the last reboot is now a critical error or a power failure",
		"it restarted because something failed", "OpenConfig platform model, last-reboot-reason"},
	rRebootReason: {"restart-reason", Look,
		"the reason of the last reboot changed",
		"it says why it restarted", "OpenConfig platform model, last-reboot-reason"},
	rComponentGone: {"component-gone", Stop,
		"a component is missing or its slot is empty",
		"a part that was there is not there now", "RFC 7654 §5.4"},
	rComponentNew: {"component-new", Look,
		"a component, or a logical network element, is new",
		"a part is there that was not before", "common practice"},
	rComponentKind: {"component-kind", Look,
		"a component's kind or parent changed",
		"the inventory tells of another structure", "OpenConfig platform model, type"},
	rComponentDown: {"component-down", Stop,
		"a component or its status is no longer ACTIVE",
		"a part that worked does not work now", "OpenConfig platform model, oper-status"},
	rComponentBack: {"component-back", Look,
		"a component or logical network element became ACTIVE",
		"it did not work before the change", "OpenConfig platform model, oper-status"},
	rComponentOther: {"component-other", Look,
		"another state of a component changed",
		"its state is not what it was", "OpenConfig platform model"},
	rComponentFailed: {"component-failed", Stop,
		"a component reports failure, mismatch or ill health that it did not before",
		"a part reports that it is not well", "OpenConfig platform model, equipment-failure, equipment-mismatch, healthz"},
	rHardware: {"hardware-changed", Look,
		"a part or serial number changed",
		"another piece of hardware stands there", "common practice"},
	rRoleSwap: {"role-swapped", Expected,
		"the controller cards swapped roles as the change was to make them",
		"the upgrade switches over", "RFC 7654 §5.3"},
	rRoleStray: {"role-stray", Stop,
		"a controller card has another role and was not to",
		"a switchover that was not part of the change", "RFC 7654 §5.4"},
	rPrimaries: {"primary-count", Stop,
		"not exactly one controller card is PRIMARY",
		"a device has one primary", "OpenConfig platform model, redundant-role"},
	rNotReady: {"secondary-not-ready", Stop,
		"a controller card is no longer ready for switchover",
		"redundancy must be back after the upgrade", "RFC 7654 §5.4"},
	rSwitchoverExpected: {"switchover-expected", Expected,
		"the last switchover is a newer one, as the change was to make it",
		"the upgrade switches over", "RFC 7654 §5.3"},
	rSwitchoverStray: {"switchover-stray", Stop,
		"the last switchover is a newer one and was not to happen",
		"a switchover that was not part of the change", "RFC 7654 §5.4"},
	rSwitchoverReason: {"switchover-reason", Look,
		"the reason of the last switchover changed otherwise",
		"the device may have switched over by itself", "OpenConfig platform model, last-switchover-reason"},
	rTemperature: {"temperature-rose", Look,
		"a temperature rose by more than the tolerance",
		"cooling may have suffered", "common practice"},
	rCPU: {"cpu-rose", Look,
		"CPU use rose by more than the tolerance",
		"load may not have settled, or the release needs more", "RFC 7654 §5.3"},
	rMemory: {"memory-rose", Look,
		"memory use rose by more than the tolerance",
		"the release needs more, or leaks", "RFC 7654 §5.3"},
	rReadOnly: {"storage-read-only", Stop,
		"a volume became read-only",
		"the storage is failing", "common practice"},
	rVolume: {"volume-changed", Look,
		"a volume is new, or its size or default changed",
		"images may go to another place", "common practice"},
	rVolumeGone: {"volume-gone", Stop,
		"a volume is missing",
		"the storage of a controller card is not there", "common practice"},
	rFileStaged: {"file-staged", Expected,
		"a file is there that the change staged",
		"the change put it there", "common practice"},
	rFileRemoved: {"file-removed", Expected,
		"a file is gone that the change was to remove",
		"the change took it away", "common practice"},
	rFileNew: {"file-new", Look,
		"a file is new that the change did not stage",
		"somebody else writes to the volume", "common practice"},
	rFileGone: {"file-gone", Look,
		"a file is gone that the change was not to remove",
		"somebody else deletes on the volume, or the device made room", "common practice"},
	rFileSize: {"file-size", Look,
		"a file has another size",
		"it was written to", "common practice"},
	rFileContent: {"file-content", Stop,
		"a file has another SHA-256",
		"an image or its way back is not what it was", "gNOI os.proto and file.proto, hash rules"},
	rBootReached: {"boot-reached", Expected,
		"a controller card boots the target next",
		"this is what the change was for", "RFC 7654 §3.4"},
	rBootWrong: {"boot-wrong", Stop,
		"a controller card boots something else than the target next",
		"the next restart would undo the upgrade", "common practice"},
	rBootStray: {"boot-stray", Stop,
		"what a controller card boots next changed and was not to",
		"the next restart would change the release", "common practice"},
	rBootVolume: {"boot-volume", Look,
		"a controller card boots from another volume",
		"another copy of the image is used", "common practice"},
	rPowerLost: {"power-lost", Stop,
		"a power feed, or the redundancy of power, is lost",
		"one more loss would take the device down", "common practice"},
	rInterfaceDown: {"interface-down", Stop,
		"an interface that was up is down or missing",
		"a link is lost", "RFC 7654 §5.4"},
	rInterfaceUp: {"interface-up", Look,
		"an interface that was not up is up",
		"a link is there that was not before", "common practice"},
	rInterfaceOther: {"interface-other", Look,
		"another state of an interface changed",
		"its state is not what it was", "OpenConfig interfaces model"},
	rInterfaceFlap: {"interface-flapped", Look,
		"an interface is up or down as before but changed in between",
		"the link went down for a while", "RFC 7654 §5.4"},
	rSpeedFell: {"interface-speed", Stop,
		"an interface is slower",
		"it carries less than before", "common practice"},
	rErrors: {"interface-errors", Look,
		"an error or discard counter grew",
		"packets are lost or were during the change", "OpenConfig interfaces model, counters"},
	rAggregateGone: {"aggregate-gone", Stop,
		"an aggregate is missing",
		"its members carry nothing", "IEEE 802.1AX"},
	rMemberLost: {"member-not-distributing", Stop,
		"a member of an aggregate no longer collects, distributes or is in sync, or is missing",
		"it carries no traffic", "IEEE 802.1AX, mux machine"},
	rMemberOther: {"member-changed", Look,
		"an aggregate or one of its members is new, or one that carried nothing is gone",
		"the bundle is not what it was", "IEEE 802.1AX"},
	rPartner: {"partner-changed", Look,
		"the system at the other end is another one",
		"a cable or a system was exchanged, or its identity moved", "IEEE 802.1AX, partner system identifier"},
	rTimers: {"timers-changed", Look,
		"a timer or limit changed",
		"how long the neighbour waits is not what it was", "RFC 7654 §5.4"},
	rRoot: {"root-changed", Stop,
		"the root of a spanning tree changed",
		"traffic takes other ways through the bridges", "IEEE 802.1Q clause 13"},
	rTopology: {"topology-changed", Look,
		"a spanning tree saw a topology change, or is new",
		"addresses were relearned", "IEEE 802.1Q clause 13; RFC 4188, dot1dStpTopChanges"},
	rTreeGone: {"spanning-tree-gone", Stop,
		"an instance of a spanning tree is missing",
		"a loop would not be broken", "IEEE 802.1Q clause 13"},
	rCounterReset: {"counter-reset", Expected,
		"a counter begins anew after a restart or switchover",
		"the process that counts was restarted", "RFC 8343 §3, discontinuity-time"},
	rCounterStray: {"counter-stray", Look,
		"a counter is lower and nothing was to restart",
		"the process that counts was restarted", "RFC 8343 §3, discontinuity-time"},
	rAdjacencyLost: {"adjacency-lost", Stop,
		"an adjacency that was up, or of unknown state, is down or missing",
		"a neighbour is lost", "RFC 7654 §5.4"},
	rAdjacencyGone: {"adjacency-gone", Look,
		"an adjacency that was down is missing",
		"it was not up before the change", "common practice"},
	rAdjacencyUp: {"adjacency-up", Look,
		"an adjacency that was down is up",
		"it was not up before the change", "common practice"},
	rAdjacencyNew: {"adjacency-new", Look,
		"an adjacency is new",
		"a neighbour is there that was not before", "common practice"},
	rAdjacencyState: {"adjacency-state", Look,
		"the protocol's own state changed while up or down stayed",
		"the protocol is in another phase", "common practice"},
	rAdjacencyRole: {"adjacency-role", Look,
		"a role or priority in a protocol changed",
		"another router acts for the group or segment", "RFC 9568 §6.4; ISO/IEC 10589 §8.4.5"},
	rFlap: {"adjacency-flapped", Look,
		"an adjacency is up as before but was down in between",
		"the neighbour rerouted for a while", "RFC 7654 §5.4"},
	rFlapLLDP: {"adjacency-relearned", Expected,
		"LLDP learned the neighbour anew after a restart or switchover",
		"LLDP keeps no state over a restart and carries no traffic", "IEEE 802.1AB, reinitialisation"},
	rFlapGraceful: {"adjacency-restarted", Expected,
		"an adjacency restarted gracefully as the change was to make it",
		"forwarding goes on while both ends restart gracefully", "RFC 4724 §4; RFC 3623 §2; RFC 8706 §3; RFC 3478 §3"},
	rRestartAbility: {"restart-ability", Look,
		"what an end can do in a restart, or its BFD protection, changed",
		"the next switchover may not end like this one", "RFC 4724 §3; RFC 5882 §4.3"},
	rPrefixes: {"adjacency-prefixes", Stop,
		"the prefixes over an adjacency differ by more than the tolerance",
		"the neighbour sends another set of routes", "RFC 7654 §5.4"},
	rCountTolerated: {"count-tolerated", Expected,
		"a count differs within the tolerance",
		"such numbers change by themselves", "common practice"},
	rTableGone: {"route-table-gone", Stop,
		"a route table is missing",
		"a whole routing instance is lost", "RFC 7654 §5.4"},
	rTableNew: {"route-table-new", Look,
		"a route table is new",
		"a routing instance is there that was not before", "common practice"},
	rRouteCount: {"route-count", Stop,
		"the number of routes differs by more than the tolerance",
		"reachability is not what it was", "RFC 7654 §5.4"},
	rRoutesGoneMany: {"routes-gone-many", Stop,
		"more routes are gone than the tolerance",
		"destinations are lost, even where others came", "RFC 7654 §5.4"},
	rRoutesGone: {"routes-gone", Look,
		"some routes are gone, within the tolerance",
		"destinations are lost", "RFC 7654 §5.4"},
	rRoutesNew: {"routes-new", Look,
		"some routes are new",
		"destinations are there that were not before", "RFC 7654 §5.4"},
	rRoutesChanged: {"routes-changed", Look,
		"some routes have another protocol, next hop or metric",
		"traffic takes another way", "RFC 7654 §5.4"},
	rRouteGone: {"route-gone", Look,
		"one of them",
		"this destination is lost", "RFC 7654 §5.4"},
	rRouteNew: {"route-new", Look,
		"one of them",
		"this destination is new", "RFC 7654 §5.4"},
	rRouteChanged: {"route-changed", Look,
		"one of them",
		"traffic to it takes another way", "RFC 7654 §5.4"},
	rTableShrank: {"table-shrank", Stop,
		"MAC, ARP or neighbour-discovery entries are fewer than the tolerance allows",
		"hosts are not heard that were before", "common practice"},
	rTableGrew: {"table-grew", Look,
		"MAC, ARP or neighbour-discovery entries are more than the tolerance allows",
		"hosts are heard that were not before", "common practice"},
	rAlarmGrave: {"alarm-grave", Stop,
		"an alarm of severity CRITICAL or MAJOR is new or became so",
		"something is wrong that was not before", "OpenConfig alarms model, severity"},
	rAlarm: {"alarm-new", Look,
		"another alarm is new or became graver",
		"something is reported that was not before", "OpenConfig alarms model, severity"},
	rAlarmCleared: {"alarm-cleared", Look,
		"an alarm is gone or became less grave",
		"it was there before the change", "OpenConfig alarms model, severity"},
	rConfigChanged: {"configuration-changed", Stop,
		"the configuration changed and was not to",
		"somebody changed it meanwhile, or the release reads it differently", "RFC 7654 §5.4"},
	rConfigExpected: {"configuration-expected", Expected,
		"the configuration changed as it was to",
		"the change alters it", "common practice"},
	rConfigTouched: {"configuration-touched", Look,
		"the configuration was written again with the same content",
		"somebody was at work", "common practice"},
	rConfigPutBack: {"configuration-put-back", Expected,
		"the configuration was written again with the same content",
		"settings were changed for the hand-over and put back", "common practice"},
	rConfigUnsaved: {"configuration-unsaved", Look,
		"there is an unsaved change",
		"the next restart would lose it", "common practice"},
	rConfigLocked: {"configuration-locked", Look,
		"somebody holds a configuration session or lock",
		"somebody is at work", "RFC 6241 §7.5"},
	rBackupNewer: {"backup-newer", Expected,
		"there is a newer backup of the configuration",
		"a backup was made", "common practice"},
	rBackupOlder: {"backup-older", Look,
		"the last backup of the configuration is an older one",
		"a backup was lost", "common practice"},
	rClock: {"clock-worse", Look,
		"the clock lost its synchronisation or drifted",
		"times in logs cannot be compared", "RFC 7654 §5.2"},
	rMaintenance: {"maintenance-on", Stop,
		"the device is in maintenance mode and was not",
		"traffic does not come back", "common practice"},
	rCrash: {"crash-file", Stop,
		"a crash file is new or newer",
		"a process or a card crashed", "common practice"},
	rCrashGone: {"crash-file-gone", Look,
		"a crash file is gone",
		"it was deleted or collected", "common practice"},
	rFeature: {"feature-changed", Look,
		"a feature came into use or went out of use",
		"the release may read the configuration differently", "common practice"},
	rLogicalNetworkElement: {"logical-network-element-down", Stop,
		"a logical network element is missing or no longer ACTIVE",
		"those whom it serves are cut off", "common practice"},
}
