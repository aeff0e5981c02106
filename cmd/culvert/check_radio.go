package main

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
)

// radioWaits are how long the check of a radio waits.
type radioWaits struct {
	answer time.Duration // for up and alive
	list   time.Duration // for the next record of the list of nodes
	join   time.Duration // for a first node, where the list is empty
	result time.Duration // of a frame
	listen time.Duration // for what comes by itself
}

// radioTrial is what the check of a radio side needs, however that is attached.
type radioTrial struct {
	what      string // "serial line /dev/ttyS1"
	program   bool   // the radio side is a program that is started here
	waits     radioWaits
	node      ieee802154.Addr // to send to; none: the first that the radio lists
	noSend    bool
	report    *checkReport
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
			text += ", " + plural(int(n.Hops), "hop")
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
	if t.report.json {
		return nil
	}
	return a.print(t.report.w)
}

// checkRadio is `culvert check --radio`.
func checkRadio(ctx context.Context, cmd *cobra.Command, g *globals, o checkOptions, r *checkReport) error {
	t := &radioTrial{waits: o.waits, noSend: o.noSend, report: r}
	if o.node != "" {
		a, err := ieee802154.ParseAddr(o.node)
		if err != nil || !a.IsNode() {
			return asUsage(fmt.Errorf("--node %q: want an EUI-64 like 00:00:5e:ef:10:00:00:05, or a short address like 00:12", o.node))
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
	ctx, cancel := context.WithTimeout(ctx, o.limit)
	defer cancel()
	log := slog.New(slog.NewTextHandler(cmd.ErrOrStderr(), nil))
	if c.mesh.radio.kind == radioInterface {
		name := c.mesh.radio.name
		t.what = "interface " + name
		a, err := netif.Open(netif.Options{Name: name, Log: log})
		if err != nil {
			return unreachablef("%w", err)
		}
		err = tryContract(ctx, t, a)
		return t.end(err)
	}
	what, dial, run, err := c.mesh.dialer(log)
	if err != nil {
		return err
	}
	var wg sync.WaitGroup
	defer wg.Wait()
	defer stop()
	if run != nil {
		wg.Go(func() { run(world) })
	}
	t.what, t.program = what, c.mesh.radio.kind == radioProcess
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
	err = t.report.end(t.head)
	if quiet := (*exitError)(nil); t.unreached && errors.As(err, &quiet) && quiet.code == exitBad {
		quiet.code = exitUnreachable
	}
	return err
}

// chosenRadio is the radio that is to be checked.
type chosenRadio struct {
	mesh    meshConfig
	control string // of the daemon that may use it; empty: not known
}

// chosen returns the radio that the flags name.
func (o checkOptions) chosen(g *globals) (chosenRadio, error) {
	var c radioConfig
	switch {
	case o.serial != "":
		c = radioConfig{kind: radioSerial, device: o.serial, speed: defaultSpeed}
		if device, speed, ok := strings.Cut(o.serial, ","); ok {
			n, err := strconv.Atoi(speed)
			if err != nil {
				return chosenRadio{}, asUsage(fmt.Errorf("--serial %q: want DEVICE or DEVICE,SPEED with the speed in baud, like /dev/ttyUSB0,115200", o.serial))
			}
			c.device, c.speed = device, n
		}
	case o.stream != "":
		c = radioConfig{kind: radioStream, address: o.stream}
	case o.process != "":
		c = radioConfig{kind: radioProcess, command: append([]string{o.process}, o.args...)}
	case o.iface != "":
		if !isIfaceName(o.iface) {
			return chosenRadio{}, asUsage(fmt.Errorf("--interface %q: want the name of a Linux IEEE 802.15.4 interface, like wpan0", o.iface))
		}
		c = radioConfig{kind: radioInterface, name: o.iface}
	default:
		return configured(g, o.mesh)
	}
	return chosenRadio{mesh: meshConfig{radio: c}}, nil
}

// configured returns the radio of a mesh of the configuration.
func configured(g *globals, name string) (chosenRadio, error) {
	cfg, err := loadConfig(g.config)
	if err != nil {
		return chosenRadio{}, err
	}
	var names []string
	for _, m := range cfg.meshes {
		if m.name == name || name == "" && len(cfg.meshes) == 1 {
			return chosenRadio{mesh: m, control: cfg.control}, nil
		}
		names = append(names, m.name)
	}
	if name == "" {
		return chosenRadio{}, usagef("%s has several meshes: choose one with --mesh: %s", g.config, strings.Join(names, ", "))
	}
	return chosenRadio{}, usagef("--mesh %q: %s has no such mesh, but %s", name, g.config, strings.Join(names, ", "))
}

// free makes sure that no daemon uses the radio: many radio sides serve the last who
// comes, so that the check would cut the daemon off.
func free(ctx context.Context, c chosenRadio) error {
	if c.control == "" || c.mesh.radio.kind == radioSimulated {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, controlTimeout)
	defer cancel()
	var d net.Dialer
	conn, err := d.DialContext(ctx, "unix", c.control)
	if err != nil {
		return nil
	}
	conn.Close()
	return &exitError{exitUnreachable, errors.New("the daemon runs and has this radio: stop it first (it listens at " + c.control + ")")}
}

// dialer returns what opens the octet stream to a mesh's radio. A simulated radio
// comes with a world, which must run beside it.
func (c meshConfig) dialer(log *slog.Logger) (what string, dial radio.Dial, world func(context.Context) error, err error) {
	o := radio.Options{Log: log}
	switch r := c.radio; r.kind {
	case radioSerial:
		what = "serial line " + r.device
		dial, err = radio.SerialOptions{Options: o, Device: r.device, Speed: r.speed}.Dial()
	case radioStream:
		what = "stream " + r.address
		dial, err = radio.StreamOptions{Options: o, Address: r.address}.Dial()
	case radioProcess:
		what = "process " + r.command[0]
		dial, err = radio.ProcessOptions{Options: o, Command: r.command, Dir: r.dir()}.Dial()
	case radioSimulated:
		s, serr := simulated(c, log)
		if serr != nil {
			return "", nil, nil, serr
		}
		what, dial, world = "simulated radio", s.Dial, s.Run
	default:
		err = fmt.Errorf("radio of kind %q cannot be checked", r.kind)
	}
	if err != nil {
		return "", nil, nil, asUsage(err)
	}
	return what, dial, world, nil
}
