package conf

import (
	"errors"
	"net/netip"
	"os"
	"path/filepath"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
	"culvert/bridge/policy"
	"culvert/bridge/reading"
	"culvert/cmd/culvert/internal/cli"
	"culvert/coap/access"
	"culvert/coap/nodeclient"
	"culvert/coap/output"
)

// Config is a configuration file that was read and found valid: paths are
// absolute, defaults filled in.
type Config struct {
	File       string
	StateDir   string
	Control    string // path of the control socket
	Meshes     []MeshConfig
	Rules      []policy.Rule           // of what may pass, first match wins
	CoapListen []netip.AddrPort        // UDP
	Doors      doorConfig              // the other doors of the CoAP front
	Nodes      nodeclient.Transmission // how nodes are asked
	Access     *access.List            // who may do what there
	Undeclared output.UndeclaredPolicy // what becomes of writes to actuators that are no output; empty: ask
	Outputs    []output.Output         // resources of nodes that move something
	HttpListen string                  // host:port; empty is none
	HttpNames  []string                // under which browsers may ask
	Upstream   *UpstreamConfig         // nil: nothing is said on the site's network
	Raw        map[string]any          // as it stands in the file
}

// MeshConfig is one [[mesh]].
type MeshConfig struct {
	Name            string
	Iface           string
	Prefix          netip.Prefix // a /64; filled in later if it is generated
	Generate        bool         // prefix = "generate"
	Gateway         netip.Addr   // this host's own; the zero address is prefix::1
	Registered      bool         // addresses = "registered"
	contexts        []contextConfig
	noPrefixContext bool // prefix_context = false
	Full            bool // encoding = "full"
	Listed          bool // only places are served
	AdmitAbsent     bool // the file does not say what admit is
	Report          node.Reporting
	ElidedPorts     []uint16
	Limits          policy.Limits // of the air, and of the life of flows
	IcmpErrors      policy.Rate   // that the gateway sends, a second; zero is the default
	Flows           int           // 0 is the default
	Radio           RadioConfig
	Places          []placeConfig
	Nodes           *nodeclient.Transmission // how its nodes are asked, where that differs
	decoders        []reading.Decoder        // of bare datagrams; the address is filled in later
}

// radioKind says how a mesh's radio is attached.
type radioKind string

// The kinds of [mesh.radio].
const (
	RadioSerial    radioKind = "serial"
	RadioStream    radioKind = "stream"
	RadioProcess   radioKind = "process"
	RadioInterface radioKind = "interface"
	RadioSimulated radioKind = "simulated"
)

// RadioConfig is one [mesh.radio]; which fields count depends on the kind.
type RadioConfig struct {
	Kind    radioKind
	Device  string   // serial: path
	Speed   int      // serial: baud
	Address string   // stream: HOST:PORT or unix:PATH
	Command []string // process: program and arguments
	Name    string   // interface: of a Linux IEEE 802.15.4 interface
	Site    string   // simulated: path
	Control string   // simulated: path of the socket that takes commands; filled in by the daemon

	MeshHeaders bool // mesh headers of RFC 4944, 5.2, are believed
}

// placeConfig is one [[mesh.place]].
type placeConfig struct {
	Name   string
	Eui64  ieee802154.Addr
	full   *bool         // encoding; nil takes the mesh's
	period time.Duration // report; 0 takes the mesh's
}

// The defaults of the top level.
const (
	defaultStateDir = "/var/lib/culvert"
	DefaultControl  = "/run/culvert/control.sock"
	DefaultSpeed    = 115200 // baud
)

// LoadConfig reads the configuration file. An error ends the program with
// exitUsage; where the file was read it is of ConfigErrors.
func LoadConfig(path string) (*Config, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, cli.Usagef("configuration %s: %w", path, err)
	}
	data, err := readBounded(abs, maxConfigOctets)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return nil, cli.Usagef("configuration %s does not exist; name another with --config FILE", path)
	case err != nil:
		return nil, cli.Usagef("configuration: %w", err)
	}
	cfg, err := ParseConfig(path, filepath.Dir(abs), data)
	if err != nil {
		return nil, &cli.ExitError{Code: cli.ExitUsage, Err: err}
	}
	return cfg, nil
}

// ParseConfig reads the text of a configuration file. Errors name the file as
// file; relative paths count from dir. All errors are returned at once, as
// ConfigErrors.
func ParseConfig(file, dir string, data []byte) (*Config, error) {
	doc, root := ParseDocument(file, data)
	if root == nil {
		return nil, doc.Sorted()
	}
	r := ConfigReader{Dir: dir, names: map[string]int{}, meshNames: map[string]bool{},
		ifaces: map[string]bool{}, prefixes: map[netip.Prefix]bool{}, devices: map[ieee802154.Addr]string{}}
	cfg := r.root(root)
	cfg.File, cfg.Raw = file, root.M
	if err := doc.Sorted(); err != nil {
		return nil, err
	}
	return cfg, nil
}

// StateFile is the file in state_dir that keeps the state of all meshes.
const StateFile = "state.db"
