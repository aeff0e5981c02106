package main

import (
	"errors"
	"fmt"
	"net/netip"
	"os"
	"path/filepath"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
	"culvert/bridge/policy"
	"culvert/bridge/reading"
	"culvert/coap/access"
	"culvert/coap/nodeclient"
	"culvert/coap/output"
)

// config is a configuration file that was read and found valid: paths are
// absolute, defaults filled in.
type config struct {
	file       string
	stateDir   string
	control    string // path of the control socket
	meshes     []meshConfig
	rules      []policy.Rule           // of what may pass, first match wins
	coapListen []netip.AddrPort        // UDP
	doors      doorConfig              // the other doors of the CoAP front
	nodes      nodeclient.Transmission // how nodes are asked
	access     *access.List            // who may do what there
	undeclared output.UndeclaredPolicy // what becomes of writes to actuators that are no output; empty: ask
	outputs    []output.Output         // resources of nodes that move something
	httpListen string                  // host:port; empty is none
	upstream   *upstreamConfig         // nil: nothing is said on the site's network
	raw        map[string]any          // as it stands in the file
}

// meshConfig is one [[mesh]].
type meshConfig struct {
	name            string
	iface           string
	prefix          netip.Prefix // a /64; filled in later if it is generated
	generate        bool         // prefix = "generate"
	gateway         netip.Addr   // this host's own; the zero address is prefix::1
	registered      bool         // addresses = "registered"
	contexts        []contextConfig
	noPrefixContext bool // prefix_context = false
	full            bool // encoding = "full"
	listed          bool // only places are served
	admitAbsent     bool // the file does not say what admit is
	report          node.Reporting
	elidedPorts     []uint16
	limits          policy.Limits // of the air, and of the life of flows
	icmpErrors      policy.Rate   // that the gateway sends, a second; zero is the default
	flows           int           // 0 is the default
	radio           radioConfig
	places          []placeConfig
	nodes           *nodeclient.Transmission // how its nodes are asked, where that differs
	decoders        []reading.Decoder        // of bare datagrams; the address is filled in later
}

// radioKind says how a mesh's radio is attached.
type radioKind string

// The kinds of [mesh.radio].
const (
	radioSerial    radioKind = "serial"
	radioStream    radioKind = "stream"
	radioProcess   radioKind = "process"
	radioInterface radioKind = "interface"
	radioSimulated radioKind = "simulated"
)

// radioConfig is one [mesh.radio]; which fields count depends on the kind.
type radioConfig struct {
	kind    radioKind
	device  string   // serial: path
	speed   int      // serial: baud
	address string   // stream: HOST:PORT or unix:PATH
	command []string // process: program and arguments
	name    string   // interface: of a Linux IEEE 802.15.4 interface
	site    string   // simulated: path
	control string   // simulated: path of the socket that takes commands; filled in by the daemon

	meshHeaders bool // mesh headers of RFC 4944, 5.2, are believed
}

// placeConfig is one [[mesh.place]].
type placeConfig struct {
	name   string
	eui64  ieee802154.Addr
	full   *bool         // encoding; nil takes the mesh's
	period time.Duration // report; 0 takes the mesh's
}

// The defaults of the top level.
const (
	defaultStateDir = "/var/lib/culvert"
	defaultControl  = "/run/culvert/control.sock"
	defaultSpeed    = 115200 // baud
)

// loadConfig reads the configuration file. An error ends the program with
// exitUsage; where the file was read it is of configErrors.
func loadConfig(path string) (*config, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, usagef("configuration %s: %w", path, err)
	}
	info, err := os.Stat(abs)
	if err == nil && info.Size() > maxConfigOctets {
		return nil, usagef("configuration %s: %d octets; want at most %d", path, info.Size(), maxConfigOctets)
	}
	data, err := os.ReadFile(abs)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return nil, usagef("configuration %s does not exist; name another with --config FILE", path)
	case err != nil:
		return nil, usagef("configuration: %w", err)
	}
	cfg, err := parseConfig(path, filepath.Dir(abs), data)
	if err != nil {
		return nil, &exitError{exitUsage, err}
	}
	return cfg, nil
}

// plural returns "1 error" or "3 errors".
func plural(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// parseConfig reads the text of a configuration file. Errors name the file as
// file; relative paths count from dir. All errors are returned at once, as
// configErrors.
func parseConfig(file, dir string, data []byte) (*config, error) {
	doc, root := parseDocument(file, data)
	if root == nil {
		return nil, doc.sorted()
	}
	r := configReader{dir: dir, names: map[string]int{}, meshNames: map[string]bool{},
		ifaces: map[string]bool{}, prefixes: map[netip.Prefix]bool{}, devices: map[ieee802154.Addr]string{}}
	cfg := r.root(root)
	cfg.file, cfg.raw = file, root.m
	if err := doc.sorted(); err != nil {
		return nil, err
	}
	return cfg, nil
}
