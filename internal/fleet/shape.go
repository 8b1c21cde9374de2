package fleet

import (
	"path"
	"regexp"
	"strings"

	"towpath/internal/document"
)

// Kinds are the component kinds that a file may name: OpenConfig platform
// types without prefix, and PORT_EXTENDER for a bridge port extender.
// Source: OpenConfig openconfig-platform-types, identities derived from
// OPENCONFIG_HARDWARE_COMPONENT, from memory; IEEE 802.1BR.
func Kinds() []string {
	return []string{
		"CHASSIS", "CONTROLLER_CARD", "LINECARD", "FABRIC", "POWER_SUPPLY", "FAN", "FAN_TRAY", "STORAGE", "PORT_EXTENDER",
		"BACKPLANE", "CPU", "FRU", "INTEGRATED_CIRCUIT", "PORT", "SENSOR", "TRANSCEIVER",
	}
}

// RiskKinds are what a shared-risk group can be.
func RiskKinds() []string { return []string{"conduit", "power-feed", "site", "hardware", "other"} }

// Drivers are the drivers that a file may name.
func Drivers() []string { return []string{"command-line", "netconf", "openconfig", "snmp"} }

var envName = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_]*$`)

// secret is the form of a [SecretRef].
var secret = &document.Form{
	Want:    "a reference to a secret, env:NAME or file:PATH, never the secret itself",
	Pattern: `^(env:[A-Za-z_][A-Za-z0-9_]*|file:.+)$`,
	Check: func(s string) bool {
		name, env := strings.CutPrefix(s, "env:")
		if env {
			return envName.MatchString(name)
		}
		file, ok := strings.CutPrefix(s, "file:")
		return ok && file != "" && path.Clean(file) != "." && !strings.HasSuffix(file, "/") && !strings.Contains(file, "\\")
	},
}

// adapterRef is a file of the workspace or the name of an adapter.
var adapterRef = &document.Form{
	Want:    "a file such as adapters/alder-9.yaml, or a name such as alder-9",
	Pattern: `^[A-Za-z0-9][A-Za-z0-9._/-]*$`,
	Check: func(s string) bool {
		return regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._/-]*$`).MatchString(s) && !strings.Contains(s, "..")
	},
}

// fromRef is an address, or a prefix of addresses.
var fromRef = &document.Form{
	Want:    "an address such as 192.0.2.7, or a prefix such as 192.0.2.0/24",
	Pattern: `^[0-9A-Fa-f:.]+(/[0-9]{1,3})?$`,
	Check:   func(s string) bool { _, err := ParseFrom(s); return err == nil },
}

// Shape describes a fleet file.
func Shape() *document.Shape {
	name := document.Field{Form: document.Name}
	device := func(doc string) document.Field {
		return document.Field{Doc: doc, Form: document.Name, Want: "the id of a device"}
	}
	end := func(doc string) document.Field {
		return document.Field{Doc: doc, Form: document.Name, Want: "the id of a device or the name of an attachment"}
	}
	with := func(f document.Field, doc string) document.Field {
		f.Doc = doc
		return f
	}
	metric := document.Field{Range: document.Between(0, 1<<24-1)} // Source: RFC 5305 §3, 24 bits; RFC 2328 §A.4.2 has 16
	return &document.Shape{
		Name: "fleet",
		Doc:  "What the operator owns: devices with their components, the links between them, redundancy groups and traffic demands.",
		Types: map[string]string{
			"Fleet":                 "Everything the operator owns that Towpath needs to know.",
			"Device":                "One managed network element.",
			"Component":             "One part of a device as the operator's inventory knows it. What a capture finds overrides it.",
			"LogicalNetworkElement": "One of several virtual devices on a chassis (RFC 8530); all share its upgrade.",
			"Access":                "How a device is reached. Secrets are references only.",
			"Console":               "The out-of-band way to a device.",
			"ConsoleLine":           "The port of a console server that the device's console is plugged into, and who logs in there and on the line.",
			"ControllerConsole":     "The console line of one controller card.",
			"ImageServer":           "The server that devices fetch images from.",
			"ConsoleLogin":          "Who logs in to the device on its console line.",
			"JumpHost":              "A host that connections over SSH go through.",
			"SNMP":                  "Who asks over SNMP: a community (version 2c), or a user with two secrets (version 3).",
			"RedundancyGroup":       "Devices of which some number must stay in service.",
			"Endpoint":              "An interface of a device.",
			"Link":                  "A link between two interfaces.",
			"Demand":                "Traffic that must be carried from one device or attachment to another.",
			"RiskGroup":             "Links and devices that fail together.",
			"Attachment":            "A host, service or site that hangs on one or several devices and passes no traffic on.",
		},
		Fields: map[string]document.Field{
			"Fleet.operator":           {Doc: "Name of the operator, as it stands on runbooks and evidence."},
			"Fleet.devices":            {Doc: "The managed network elements."},
			"Fleet.links":              {Doc: "The links between devices."},
			"Fleet.redundancy-groups":  {Doc: "Sets of devices of which some must stay in service."},
			"Fleet.demands":            {Doc: "The traffic that must be carried."},
			"Fleet.shared-risk-groups": {Doc: "What fails together: a conduit, a power feed, a site. A link may also name such a group in its own shared-risk."},
			"Fleet.attachments":        {Doc: "Hosts, services and sites, and the devices that they hang on."},

			"Device.id":                       with(name, "Identifier, unique in the fleet. It is also the certificate's name where server-name is not given."),
			"Device.platform":                 {Doc: "A platform of the release catalogue.", Form: document.Name, Want: "a platform of the release catalogue"},
			"Device.site":                     {Doc: "Where it stands. Freezes may name sites."},
			"Device.role":                     {Doc: "What it is for, in free words such as aggregation."},
			"Device.release":                  {Doc: "The release that is believed to run; a capture overrides it. Write it in quotes."},
			"Device.features":                 {Doc: "Features in use that the conditions of the release catalogue may name.", Unique: true},
			"Device.components":               {Doc: "Parts of the device."},
			"Device.logical-network-elements": {Doc: "Logical network elements of the chassis (RFC 8530): virtual devices that share its upgrade."},
			"Device.access":                   {Doc: "How it is reached."},
			"Device.console":                  {Doc: "The out-of-band way to it."},
			"Device.serves":                   {Doc: "Who depends on it, in the operator's words.", Unique: true},
			"Device.labels":                   {Doc: "Anything else, by name."},
			"Device.drain":                    {Doc: "How traffic is moved away from it: strict lets no path pass through it (IS-IS overload), last-resort leaves it as the last way (RFC 6987). None means strict.", Words: []string{DrainStrict, DrainLastResort}},

			"Component.name":     {Doc: "Name as the device reports it."},
			"Component.kind":     {Doc: "OpenConfig platform type.", Words: Kinds()},
			"Component.part":     {Doc: "Part number, which conditions of the release catalogue may name."},
			"Component.firmware": {Doc: "Firmware level that is believed to run on it. Write it in quotes."},

			"LogicalNetworkElement.name":   {Doc: "Name, unique on the device."},
			"LogicalNetworkElement.serves": {Doc: "Who depends on it, in the operator's words.", Unique: true},

			"Access.driver":          {Doc: "The protocol family: openconfig is gNMI with gNOI; netconf is NETCONF over SSH; command-line is SSH with an adapter; snmp only reads.", Words: Drivers()},
			"Access.address":         {Doc: "Where the management service listens.", Form: document.HostPort},
			"Access.server-name":     {Doc: "Name that the device's certificate must carry, where it is not the id.", Form: document.Host},
			"Access.authority":       {Doc: "Reference to the PEM of the certificate authority.", Form: secret, Secret: true},
			"Access.certificate":     {Doc: "Reference to the PEM of the client certificate.", Form: secret, Secret: true},
			"Access.key":             {Doc: "Reference to the PEM of the client's private key: of the certificate, or of the user over SSH.", Form: secret, Secret: true},
			"Access.insecure-reason": {Doc: "Switches the verification of the certificate or host key off for this device, for this reason. It is printed at every use and recorded in the evidence.", Prose: true},
			"Access.user":            {Doc: "Account to log in to over SSH."},
			"Access.password":        {Doc: "Reference to the password of the user.", Form: secret, Secret: true},
			"Access.agent":           {Doc: "Whether the keys of the agent at SSH_AUTH_SOCK are offered."},
			"Access.known-hosts":     {Doc: "Reference to host keys in OpenSSH's known_hosts format, such as file:known_hosts.", Form: secret, Secret: true},
			"Access.jump":            {Doc: "Hosts that the connection goes through, the nearest first."},
			"Access.adapter":         {Doc: "What the device's command line is like, where the driver is command-line: a file of the workspace, or the name of an adapter that comes with Towpath.", Form: adapterRef},
			"Access.image-server":    {Doc: "The server that the device fetches images from, which Towpath runs while it does. The adapter says how it fetches."},
			"Access.console":         {Doc: "The console line, or one for each controller card, that the command line is spoken over, where the driver is command-line. With an address beside it, images go there by SSH."},
			"Access.snmp":            {Doc: "Who asks, where the driver is snmp."},

			"JumpHost.address":         {Doc: "Where its SSH service listens.", Form: document.HostPort},
			"JumpHost.user":            {Doc: "Account to log in to."},
			"JumpHost.key":             {Doc: "Reference to the PEM of the user's private key.", Form: secret, Secret: true},
			"JumpHost.password":        {Doc: "Reference to the password of the user.", Form: secret, Secret: true},
			"JumpHost.agent":           {Doc: "Whether the keys of the agent at SSH_AUTH_SOCK are offered."},
			"JumpHost.known-hosts":     {Doc: "Reference to host keys in OpenSSH's known_hosts format; none means those of the device.", Form: secret, Secret: true},
			"JumpHost.insecure-reason": {Doc: "Switches the verification of its host key off, for this reason.", Prose: true},

			"SNMP.community":     {Doc: "Reference to the community of version 2c, which goes over the network in clear.", Form: secret, Secret: true},
			"SNMP.user":          {Doc: "User name of version 3."},
			"SNMP.auth-protocol": {Doc: "Authentication protocol; none means SHA-256.", Words: SNMPAuthProtocols()},
			"SNMP.auth-secret":   {Doc: "Reference to the authentication secret.", Form: secret, Secret: true},
			"SNMP.priv-protocol": {Doc: "Privacy protocol; none means AES-128.", Words: SNMPPrivProtocols()},
			"SNMP.priv-secret":   {Doc: "Reference to the privacy secret.", Form: secret, Secret: true},
			"SNMP.context":       {Doc: "Name of the context, where the device has several."},

			"ImageServer.listen":          {Doc: "Address and port here that the device can reach.", Form: document.HostPort},
			"ImageServer.host":            {Doc: "Name or address, with or without a port, that the device calls it by, where that is not what it listens on."},
			"ImageServer.from":            {Doc: "Address, or addresses, that the device fetches from, where that is not the one that it is driven at: only they may fetch.", Form: fromRef},
			"ImageServer.certificate":     {Doc: "Reference to the PEM of the server's certificate, which the device must accept; without it images go by HTTP, and the hash alone protects them.", Form: secret, Secret: true},
			"ImageServer.key":             {Doc: "Reference to the PEM of the certificate's private key.", Form: secret, Secret: true},
			"ConsoleLine.address":         {Doc: "Where the console server serves the line by SSH; none where each controller card says it.", Form: document.HostPort},
			"ConsoleLine.user":            {Doc: "Account on the console server; some choose the line by it."},
			"ConsoleLine.key":             {Doc: "Reference to the PEM of the user's private key, for the console server.", Form: secret, Secret: true},
			"ConsoleLine.password":        {Doc: "Reference to the password of the user, for the console server.", Form: secret, Secret: true},
			"ConsoleLine.agent":           {Doc: "Whether the keys of the agent at SSH_AUTH_SOCK are offered to the console server."},
			"ConsoleLine.known-hosts":     {Doc: "Reference to the console server's host keys in OpenSSH's known_hosts format.", Form: secret, Secret: true},
			"ConsoleLine.insecure-reason": {Doc: "Switches the verification of the console server's host key off, for this reason. It is printed at every use and recorded in the evidence.", Prose: true},
			"ConsoleLine.jump":            {Doc: "Hosts that the connection to the console server goes through, the nearest first."},
			"ConsoleLine.login":           {Doc: "Who logs in to the device on the line; none where the line asks nobody."},
			"ConsoleLine.open-session":    {Doc: "What is done where somebody's session is open on the line: refuse leaves it, log-out ends it and begins ours, use types into it. None means refuse.", Words: []string{OpenSessionRefuse, OpenSessionLogOut, OpenSessionUse}},
			"ConsoleLine.settle":          {Doc: "How long the line must be quiet before its last line is taken for a prompt or a question; half a second where it is left out.", Range: document.Above(0)},
			"ConsoleLine.controllers":     {Doc: "The line of each controller card, where each has its own. Commands go over that of the card which takes them."},

			"ControllerConsole.controller":      {Doc: "The controller card, as the device names it.", Form: document.Name},
			"ControllerConsole.address":         {Doc: "Where the console server serves its line by SSH; none means that of all.", Form: document.HostPort},
			"ControllerConsole.user":            {Doc: "Account on the console server; none means that of all."},
			"ControllerConsole.key":             {Doc: "Reference to the PEM of the user's private key. Where a card has neither key nor password nor agent, those of all hold.", Form: secret, Secret: true},
			"ControllerConsole.password":        {Doc: "Reference to the password of the user.", Form: secret, Secret: true},
			"ControllerConsole.agent":           {Doc: "Whether the keys of the agent at SSH_AUTH_SOCK are offered."},
			"ControllerConsole.known-hosts":     {Doc: "Reference to the console server's host keys in OpenSSH's known_hosts format; none means those of all.", Form: secret, Secret: true},
			"ControllerConsole.insecure-reason": {Doc: "Switches the verification of the console server's host key off, for this reason.", Prose: true},
			"ControllerConsole.jump":            {Doc: "Hosts that the connection goes through, the nearest first; none means those of all."},

			"ConsoleLogin.user":     {Doc: "Account of the device, for the adapter's {user}."},
			"ConsoleLogin.password": {Doc: "Reference to its password, for the adapter's {password}.", Form: secret, Secret: true},

			"Console.address": {Doc: "Where the console server answers, by TCP.", Form: document.HostPort},

			"RedundancyGroup.name":     {Doc: "Name, unique in the fleet."},
			"RedundancyGroup.members":  {Doc: "Ids of the devices.", Form: document.Name, Want: "the id of a device", Unique: true},
			"RedundancyGroup.at-least": {Doc: "How many must stay in service.", Range: document.From(1)},

			"Endpoint.device":    device("Id of the device."),
			"Endpoint.interface": {Doc: "Name of the interface on it."},

			"Link.id":            {Doc: "Identifier, unique in the fleet."},
			"Link.a":             {Doc: "One end."},
			"Link.b":             {Doc: "The other end."},
			"Link.capacity":      {Doc: "What it carries in each direction.", Range: document.Above(0)},
			"Link.metric-ab":     with(metric, "IGP metric from a to b; 0 or none means 1."),
			"Link.metric-ba":     with(metric, "IGP metric from b to a; 0 or none means that from a to b."),
			"Link.shared-risk":   {Doc: "Names of what it shares with other links that fail with it: a duct, a fibre, a line card.", Unique: true},
			"Link.members":       {Doc: "How many links the aggregate has, which share its capacity alike; none means 1.", Range: document.From(1)},
			"Link.minimum-links": {Doc: "With fewer members than this the aggregate is down; none means 1.", Range: document.From(1)},

			"RiskGroup.name":    {Doc: "Name, unique in the fleet; links may name it in shared-risk."},
			"RiskGroup.kind":    {Doc: "What it is.", Words: RiskKinds()},
			"RiskGroup.links":   {Doc: "Ids of links, besides those that name the group themselves.", Unique: true},
			"RiskGroup.devices": {Doc: "Ids of the devices.", Form: document.Name, Want: "the id of a device", Unique: true},

			"Attachment.name":     with(name, "Name, unique among devices and attachments."),
			"Attachment.at":       {Doc: "Where it is attached, the preferred end first.", NotEmpty: true},
			"Attachment.gateway":  {Doc: "How it sends where it has several ends: vrrp to the first that is there (RFC 9568), anycast to all alike. None means anycast.", Words: []string{GatewayVRRP, GatewayAnycast}},
			"Attachment.capacity": {Doc: "What each end carries in each direction; none means that it never limits.", Range: document.Above(0)},

			"Demand.name": {Doc: "Name, for messages."},
			"Demand.from": end("Id of the device, or name of the attachment, where the traffic enters."),
			"Demand.to":   end("Id of the device, or name of the attachment, where it leaves."),
			"Demand.rate": {Doc: "How much it is.", Range: document.Above(0)},
		},
	}
}

// Reference splits the reference into its scheme, "env" or "file", and the
// name or path. ok is false for the zero value and for what is no reference.
func (r SecretRef) Reference() (scheme, name string, ok bool) {
	if !secret.Check(string(r)) {
		return "", "", false
	}
	scheme, name, ok = strings.Cut(string(r), ":")
	return scheme, name, ok
}
