package radiocheck

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"culvert/bridge/ieee802154"
	"culvert/bridge/radio"
	"culvert/bridge/radio/netif"
	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/conf"
	"culvert/cmd/culvert/internal/control"
	"culvert/cmd/culvert/internal/findings"
	"culvert/cmd/culvert/internal/simulate"
)

// radioWaits are how long the check of a radio waits.
type radioWaits struct {
	Answer time.Duration // for up and alive
	List   time.Duration // for the next record of the list of nodes
	Join   time.Duration // for a first node, where the list is empty
	Result time.Duration // of a frame
	Listen time.Duration // for what comes by itself
}

// radioTrial is what the check of a radio side needs, however that is attached.
type radioTrial struct {
	what      string // "serial line /dev/ttyS1"
	program   bool   // the radio side is a program that is started here
	waits     radioWaits
	node      ieee802154.Addr // to send to; none: the first that the radio lists
	noSend    bool
	report    *findings.CheckReport
	head      *announcement // what the radio said of itself; nil before
	unreached bool          // it was never there
}

// announcement is what a radio side announces, as the report shows it.
type announcement struct {
	Attachment  string          `json:"attachment"`
	Notice      string          `json:"notice,omitempty"`
	EUI64       string          `json:"eui64"`
	Short       string          `json:"short"`
	PAN         string          `json:"pan"`
	Version     uint8           `json:"version,omitempty"`
	Boot        uint64          `json:"boot"`
	Name        string          `json:"name"`
	Channel     uint8           `json:"channel"`
	Features    []string        `json:"features"`
	MaxShort    int             `json:"max_short"`
	MaxExtended int             `json:"max_extended"`
	Credits     int             `json:"credits"`
	Nodes       []announcedNode `json:"nodes"`
	NodeCount   int             `json:"node_count"`
}

// announcedNode is a node that the radio lists.
type announcedNode struct {
	Address string   `json:"address"`
	Short   string   `json:"short,omitempty"`
	Hops    uint8    `json:"hops,omitempty"`
	Parents []string `json:"parents,omitempty"`
}

// Bounds of what the report shows of the list.
const (
	shownNodes = 16   // in text
	keptNodes  = 4096 // in all
)

// featureWords are the words of PROTOCOL.md, lowest bit first.
var featureWords = []string{"multihop", "broadcast", "parents", "linkstats", "assign", "cancel"}

// announce makes an announcement of what the radio said.
func announce(what string, i radio.Info, credits int) *announcement {
	a := &announcement{
		Attachment: what, EUI64: i.EUI64.String(), Short: i.Short.String(), PAN: fmt.Sprintf("%04x", i.PAN),
		Version: i.Version, Boot: i.Boot, Name: i.Name, Channel: i.Channel, Features: []string{},
		MaxShort: i.MaxShort, MaxExtended: i.MaxExtended, Credits: credits, Nodes: []announcedNode{},
	}
	for bit := range 32 {
		switch {
		case i.Feature>>bit&1 == 0:
		case bit < len(featureWords):
			a.Features = append(a.Features, featureWords[bit])
		default:
			a.Features = append(a.Features, strconv.FormatUint(1<<bit, 10))
		}
	}
	return a
}

// addNode takes a node of the list.
func (a *announcement) addNode(n radio.NodeInfo) {
	a.NodeCount++
	if len(a.Nodes) >= keptNodes {
		return
	}
	out := announcedNode{Address: n.Addr.String(), Hops: n.Hops}
	if !n.Short.IsNone() {
		out.Short = n.Short.String()
	}
	for _, p := range n.Parents {
		if !p.IsNone() {
			out.Parents = append(out.Parents, p.String())
		}
	}
	a.Nodes = append(a.Nodes, out)
}

// print prints the announcement for people.
func (a *announcement) print(w io.Writer) error {
	dash := func(s string) string {
		if s == "" {
			return "none"
		}
		return s
	}
	channel := "unknown, or hopping"
	if a.Channel != 0 {
		channel = strconv.Itoa(int(a.Channel))
	}
	var b strings.Builder
	line := func(key, format string, args ...any) {
		fmt.Fprintf(&b, "  %-13s %s\n", key, fmt.Sprintf(format, args...))
	}
	fmt.Fprintf(&b, "%s announces:\n", a.Attachment)
	line("EUI-64", "%s", a.EUI64)
	line("short address", "%s, in PAN %s", a.Short, a.PAN)
	line("channel", "%s", channel)
	if a.Version > 0 {
		line("name", "\"%s\", version %d of the protocol, boot %d", a.Name, a.Version, a.Boot)
	}
	line("features", "%s", dash(strings.Join(a.Features, ", ")))
	line("MAC payload", "at most %d octets to a short address, %d to an EUI-64", a.MaxShort, a.MaxExtended)
	line("credits", "%d", a.Credits)
	line("nodes", "%d", a.NodeCount)
	for i, n := range a.Nodes {
		if i == shownNodes {
			line("", "... and %d more", a.NodeCount-shownNodes)
			break
		}
		text := n.Address
		if n.Short != "" {
			text += ", short " + n.Short
		}
		if n.Hops > 0 {
			text += ", " + cli.Plural(int(n.Hops), "hop")
		}
		if len(n.Parents) > 0 {
			text += ", by " + strings.Join(n.Parents, " or ")
		}
		line("", "%s", text)
	}
	if a.Notice != "" {
		fmt.Fprintf(&b, "\n%s\n", a.Notice)
	}
	_, err := fmt.Fprintln(w, b.String())
	return err
}

// airNotice tells whoever runs the check what happens on the air.
const airNotice = "Frames go on the air now: up to 20 echo requests (ping) to a node and to all nodes, one frame\n" +
	"that is too long to be sent, and where the radio can do it, to a node the short address that\n" +
	"it has already. They move nothing; --no-send leaves them out."

// show prints what the radio announces, once it is known.
func (t *radioTrial) show(a *announcement) error {
	if !t.noSend {
		a.Notice = airNotice
	}
	t.head = a
	if t.report.Json {
		return nil
	}
	return a.print(t.report.W)
}

// CheckRadio is `culvert check --radio`.
func CheckRadio(ctx context.Context, cmd *cobra.Command, g *cli.Globals, o RadioOptions, r *findings.CheckReport) error {
	t := &radioTrial{waits: o.Waits, noSend: o.NoSend, report: r}
	if o.Node != "" {
		a, err := ieee802154.ParseAddr(o.Node)
		if err != nil || !a.IsNode() {
			return cli.AsUsage(fmt.Errorf("--node %q: want an EUI-64 like 00:00:5e:ef:10:00:00:05, or a short address like 00:12", o.Node))
		}
		t.node = a
	}
	c, err := o.chosen(g)
	if err != nil {
		return err
	}
	if err := free(ctx, c); err != nil {
		return err
	}
	// The world of a simulated radio outlives the time limit: the report ends first.
	world, stop := context.WithCancel(ctx)
	defer stop()
	ctx, cancel := context.WithTimeout(ctx, o.Limit)
	defer cancel()
	log := slog.New(slog.NewTextHandler(cmd.ErrOrStderr(), nil))
	if c.mesh.Radio.Kind == conf.RadioInterface {
		name := c.mesh.Radio.Name
		t.what = "interface " + name
		a, err := netif.Open(netif.Options{Name: name, Log: log})
		if err != nil {
			return cli.Unreachablef("%w", err)
		}
		err = tryContract(ctx, t, a)
		return t.end(err)
	}
	what, dial, run, err := dialerOf(c.mesh, log)
	if err != nil {
		return err
	}
	var wg sync.WaitGroup
	defer wg.Wait()
	defer stop()
	if run != nil {
		wg.Go(func() { run(world) })
	}
	t.what, t.program = what, c.mesh.Radio.Kind == conf.RadioProcess
	return t.end(tryLink(ctx, t, dial))
}

// end ends the report after a trial that ended with err.
func (t *radioTrial) end(err error) error {
	if err != nil {
		return err
	}
	if t.head == nil {
		t.head = &announcement{Attachment: t.what}
	}
	err = t.report.End(t.head)
	if quiet := (*cli.ExitError)(nil); t.unreached && errors.As(err, &quiet) && quiet.Code == cli.ExitBad {
		quiet.Code = cli.ExitUnreachable
	}
	return err
}

// chosenRadio is the radio that is to be checked.
type chosenRadio struct {
	mesh    conf.MeshConfig
	control string // of the daemon that may use it; empty: not known
}

// chosen returns the radio that the flags name.
func (o RadioOptions) chosen(g *cli.Globals) (chosenRadio, error) {
	var c conf.RadioConfig
	switch {
	case o.Serial != "":
		c = conf.RadioConfig{Kind: conf.RadioSerial, Device: o.Serial, Speed: conf.DefaultSpeed}
		if device, speed, ok := strings.Cut(o.Serial, ","); ok {
			n, err := strconv.Atoi(speed)
			if err != nil {
				return chosenRadio{}, cli.AsUsage(fmt.Errorf("--serial %q: want DEVICE or DEVICE,SPEED with the speed in baud, like /dev/ttyUSB0,115200", o.Serial))
			}
			c.Device, c.Speed = device, n
		}
	case o.Stream != "":
		c = conf.RadioConfig{Kind: conf.RadioStream, Address: o.Stream}
	case o.Process != "":
		c = conf.RadioConfig{Kind: conf.RadioProcess, Command: append([]string{o.Process}, o.Args...)}
	case o.Iface != "":
		if !conf.IsIfaceName(o.Iface) {
			return chosenRadio{}, cli.AsUsage(fmt.Errorf("--interface %q: want the name of a Linux IEEE 802.15.4 interface, like wpan0", o.Iface))
		}
		c = conf.RadioConfig{Kind: conf.RadioInterface, Name: o.Iface}
	default:
		return configured(g, o.Mesh)
	}
	return chosenRadio{mesh: conf.MeshConfig{Radio: c}}, nil
}

// configured returns the radio of a mesh of the configuration.
func configured(g *cli.Globals, name string) (chosenRadio, error) {
	cfg, err := conf.LoadConfig(g.Config)
	if err != nil {
		return chosenRadio{}, err
	}
	var names []string
	for _, m := range cfg.Meshes {
		if m.Name == name || name == "" && len(cfg.Meshes) == 1 {
			return chosenRadio{mesh: m, control: cfg.Control}, nil
		}
		names = append(names, m.Name)
	}
	if name == "" {
		return chosenRadio{}, cli.Usagef("%s has several meshes: choose one with --mesh: %s", g.Config, strings.Join(names, ", "))
	}
	return chosenRadio{}, cli.Usagef("--mesh %q: %s has no such mesh, but %s", name, g.Config, strings.Join(names, ", "))
}

// free makes sure that no daemon uses the radio: many radio sides serve the last who
// comes, so that the check would cut the daemon off.
func free(ctx context.Context, c chosenRadio) error {
	if c.control == "" || c.mesh.Radio.Kind == conf.RadioSimulated {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, control.ControlTimeout)
	defer cancel()
	var d net.Dialer
	conn, err := d.DialContext(ctx, "unix", c.control)
	if err != nil {
		return nil
	}
	conn.Close()
	return &cli.ExitError{Code: cli.ExitUnreachable, Err: errors.New("the daemon runs and has this radio: stop it first (it listens at " + c.control + ")")}
}

// dialerOf returns what opens the octet stream to a mesh's radio. A simulated radio
// comes with a world, which must run beside it.
func dialerOf(c conf.MeshConfig, log *slog.Logger) (what string, dial radio.Dial, world func(context.Context) error, err error) {
	o := radio.Options{Log: log}
	switch r := c.Radio; r.Kind {
	case conf.RadioSerial:
		what = "serial line " + r.Device
		dial, err = radio.SerialOptions{Options: o, Device: r.Device, Speed: r.Speed}.Dial()
	case conf.RadioStream:
		what = "stream " + r.Address
		dial, err = radio.StreamOptions{Options: o, Address: r.Address}.Dial()
	case conf.RadioProcess:
		what = "process " + r.Command[0]
		dial, err = radio.ProcessOptions{Options: o, Command: r.Command, Dir: r.Dir()}.Dial()
	case conf.RadioSimulated:
		s, serr := simulate.Simulated(c, log)
		if serr != nil {
			return "", nil, nil, serr
		}
		what, dial, world = "simulated radio", s.Dial, s.Run
	default:
		err = fmt.Errorf("radio of kind %q cannot be checked", r.Kind)
	}
	if err != nil {
		return "", nil, nil, cli.AsUsage(err)
	}
	return what, dial, world, nil
}
