package neighbour

import "time"

// DefaultNeighbours returns the adjacencies of the demonstration's chassis
// "mere-agg-1": one or more of every kind, most of them with timers that stand a
// silence of 2.2 s. Names are invented; addresses are from the ranges for
// documentation (RFC 5737, RFC 3849, RFC 7042 §2.1.2). Line cards are LC-1 and
// LC-2, ports user-1/1 to user-2/4, and the aggregates lag-1 (towards "fen-core-1")
// and lag-2 (towards the partner "mere-agg-2").
func DefaultNeighbours() []Config {
	const (
		day  = 24 * time.Hour
		self = "00:00:5e:00:53:01"
		fen  = "00:00:5e:00:53:10"
		mere = "00:00:5e:00:53:02"
	)
	lacp := func(port int, iface, card, agg, partner, peer string) Config {
		return Config{
			Instance: "default", Interface: iface, Neighbour: partner, Peer: peer, Card: card, Aggregate: agg,
			Device: LACP{System: self, Key: int(agg[2] - '0'), Port: port},
			Far:    LACP{System: partner, Key: 40, Port: port},
			// Its own long timeout too, so neither end gives the other up.
			Nonstop: true, Age: 41 * day,
		}
	}
	helper := BGP{Hold: 90 * time.Second, Passive: true, Helper: true, Notification: true}
	return []Config{
		lacp(1, "user-1/1", "LC-1", "lag-1", fen, "fen-core-1"),
		lacp(2, "user-2/1", "LC-2", "lag-1", fen, "fen-core-1"),
		lacp(3, "user-1/2", "LC-1", "lag-2", mere, "mere-agg-2"),
		lacp(4, "user-2/2", "LC-2", "lag-2", mere, "mere-agg-2"),
		{
			// Sent by the line cards, so a silent control plane does not matter.
			Instance: "default", Interface: "lag-1", Neighbour: "192.0.2.1", Peer: "fen-core-1", Over: "lag-1",
			Device: BFD{Independent: true}, Far: BFD{Independent: true}, Offloaded: true, Age: 41 * day,
		},
		{
			Instance: "default", Neighbour: "198.51.100.7", Peer: "weir-rr-1",
			Device: BFD{DesiredMinTx: time.Second, RequiredMinRx: time.Second, Mult: 5},
			Far:    BFD{DesiredMinTx: time.Second, RequiredMinRx: time.Second, Mult: 5}, Nonstop: true, Age: 12 * day,
		},
		{
			Instance: "default", Interface: "lag-1", Neighbour: "198.51.100.1", Peer: "fen-core-1", Over: "lag-1", BFD: Key("bfd", "192.0.2.1", "lag-1"),
			Device: OSPF{Restart: true, Helper: true}, Far: OSPF{Master: true, Helper: true}, Nonstop: true, Age: 41 * day,
		},
		{
			Instance: "default", Interface: "lag-2", Neighbour: "198.51.100.2", Peer: "mere-agg-2", Over: "lag-2",
			Device: OSPF{Version: 3, Restart: true, Helper: true}, Far: OSPF{Version: 3, Master: true, Helper: true}, Nonstop: true, Age: 41 * day,
			DeviceProfile: Profile{SelfDrop: SelfDropKills, LateHello: true},
		},
		{
			Instance: "default", Interface: "user-1/3", Neighbour: "1980.5110.0011", Peer: "sluice-edge-4", Card: "LC-1",
			Device: ISIS{Hello: 3 * time.Second, Mult: 10, Designated: true, Restart: true, Helper: true},
			Far:    ISIS{Hello: 3 * time.Second, Mult: 10, Restart: true, Helper: true}, Nonstop: true, Age: 30 * day,
			DeviceProfile: Profile{SelfDrop: SelfDropLocal},
		},
		{
			Instance: "default", Neighbour: "198.51.100.7", Peer: "weir-rr-1", BFD: Key("bfd", "198.51.100.7", ""),
			Device: BGP{Hold: 90 * time.Second, Restart: true, RestartTime: 120 * time.Second, Helper: true, Notification: true, Prefixes: 412, Converge: time.Second},
			Far:    BGP{Hold: 90 * time.Second, Passive: true, Helper: true, Notification: true, Prefixes: 184220}, Nonstop: true, Age: 12 * day,
		},
		{
			Instance: "default", Interface: "user-2/3", Neighbour: "203.0.113.9", Peer: "harbour-exchange", Card: "LC-2",
			Device: BGP{Hold: 180 * time.Second, Restart: true, RestartTime: 180 * time.Second, Prefixes: 96, Converge: time.Second},
			Far:    withPrefixes(helper, 61804), Nonstop: true, Age: 63 * day,
			DeviceProfile: Profile{SelfDrop: SelfDropKills},
		},
		{
			Instance: "default", Interface: "user-2/3", Neighbour: "2001:db8:9::9", Peer: "harbour-exchange", Card: "LC-2",
			Device: BGP{Hold: 180 * time.Second, Restart: true, RestartTime: 180 * time.Second, Prefixes: 12, Converge: time.Second},
			Far:    withPrefixes(helper, 18977), Nonstop: true, Age: 63 * day,
		},
		{
			Instance: "20", Interface: "lag-2", Neighbour: "192.0.2.130", Peer: "mere-agg-2", Over: "lag-2",
			Device: VRRP{Priority: 200}, Far: VRRP{Priority: 100}, Nonstop: true, Age: 41 * day,
		},
		{
			Instance: "default", Interface: "lag-1", Neighbour: "198.51.100.1", Peer: "fen-core-1", Over: "lag-1",
			Device: LDP{Keepalive: 40 * time.Second, Active: true, Restart: true, Helper: true},
			Far:    LDP{Keepalive: 60 * time.Second, Helper: true}, Nonstop: true, Age: 41 * day,
		},
		{
			Instance: "default", Interface: "lag-1", Neighbour: "192.0.2.1", Peer: "fen-core-1", Over: "lag-1",
			Device: PIM{Restart: true}, Far: PIM{}, Nonstop: true, Age: 41 * day,
		},
		{
			Instance: "rstp", Interface: "user-1/4", Neighbour: "00:00:5e:00:53:20", Peer: "lock-access-3", Card: "LC-1",
			Device: RSTP{Priority: 8192, Bridge: self}, Far: RSTP{Bridge: "00:00:5e:00:53:20"}, Nonstop: true, Age: 19 * day,
		},
		{
			Instance: "default", Interface: "user-2/4", Neighbour: "00:00:5e:00:53:30", Peer: "lock-access-4", Card: "LC-2",
			Device: LLDP{}, Far: LLDP{Edition2005: true}, Nonstop: true, Age: 19 * day,
			DeviceProfile: Profile{SelfDrop: SelfDropLocal},
		},
	}
}

func withPrefixes(b BGP, n uint64) BGP {
	b.Prefixes = n
	return b
}
