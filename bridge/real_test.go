package bridge_test

// What the tests with a real TUN share: a namespace, a mesh whose radio is a
// simulated one behind the link protocol, and programs of the host.

import (
	"context"
	"errors"
	"net"
	"net/netip"
	"sync"
	"testing"
	"time"

	"culvert/bridge"
	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
	"culvert/bridge/radio"
	"culvert/bridge/sim"
	"culvert/tun"
	"culvert/tun/tuntest"
)

const device = "mesh0"

// estate is a plan of six places, one to three hops away, each with two parents
// where the plan allows. Invented.
func estate() sim.Site {
	place := func(name string, n uint64, short uint16) sim.Place {
		p := sim.Place{Name: name, EUI64: eui(n)}
		if short != 0 {
			p.Short = ieee802154.Short(short)
		}
		return p
	}
	link := func(a, b string) sim.Link { return sim.Link{A: a, B: b, Delivery: 1} }
	return sim.Site{
		Name: "fenland", Prefix: prefix, PAN: 0xbeef,
		Gateway: sim.Place{EUI64: gwEUI},
		Nodes: []sim.Place{
			place("north-sump", 2, 2), place("bank-east", 3, 3), place("mast", 4, 4),
			place("grain-bin", 5, 0), place("cold-store", 6, 0), place("pump-house", 7, 0),
		},
		Links: []sim.Link{
			link("gateway", "mast"), link("gateway", "bank-east"), link("mast", "north-sump"), link("bank-east", "north-sump"),
			link("mast", "grain-bin"), link("bank-east", "grain-bin"), link("north-sump", "cold-store"),
			link("grain-bin", "cold-store"), link("grain-bin", "pump-house"), link("north-sump", "pump-house"),
		},
	}
}

// world is a simulated mesh that runs until the test ends.
func world(t testing.TB, o sim.Options, speed float64) *sim.Radio {
	t.Helper()
	m, err := sim.New(o)
	if err != nil {
		t.Fatal(err)
	}
	r := sim.NewRadio(m, sim.RadioOptions{Speed: speed})
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() {
		if err := r.Run(ctx); err != nil && !errors.Is(err, context.Canceled) {
			t.Error(err)
		}
	})
	t.Cleanup(func() { cancel(); wg.Wait() })
	return r
}

// openIn opens the TUN interface in a namespace.
func openIn(n *tuntest.NS, p netip.Prefix, gateway netip.Addr) func() (bridge.Tun, error) {
	return func() (bridge.Tun, error) {
		var d *tun.Device
		var err error
		n.Do(func() { d, err = tun.Open(tun.Options{Name: device, Prefix: p, Gateway: gateway}) })
		if err != nil {
			return nil, err // not a nil *tun.Device in an interface
		}
		return d, nil
	}
}

// joined waits until the radio lists a number of nodes: they are up, or joining as long
// as they have sent nothing.
func joined(t testing.TB, m running, n int) {
	t.Helper()
	tuntest.Poll(t, 60*time.Second, func() (bool, string) {
		nodes := m.Stats().Nodes.Nodes
		return nodes[node.Up]+nodes[node.Joining] == n, m.log.String()
	})
}

// realMesh is a mesh with a real TUN in a namespace of its own, joined to a
// simulated radio whose nodes are all up.
func realMesh(t testing.TB, r *sim.Radio, n int) (running, *tuntest.NS) {
	t.Helper()
	ns := tuntest.NewNS(t)
	m := start(t, bridge.Options{
		Radio:   radio.NewLink("simulated radio", r.Dial, radio.Options{}),
		OpenTun: openIn(ns, prefix, netip.Addr{}),
	})
	joined(t, m, n)
	return m, ns
}

// ping sends an echo request by the kernel of the namespace, and returns what ping
// had to say. Each may be tried so often.
func ping(t testing.TB, ns *tuntest.NS, to netip.Addr, octets, tries int) (ok bool, out string) {
	t.Helper()
	tool := tuntest.Tool(t, "ping", "iputils-ping")
	for range tries {
		b, err := ns.Command(tool, "-6", "-n", "-c", "1", "-W", "8", "-s", itoa(octets), to.String()).CombinedOutput()
		if err == nil {
			return true, string(b)
		}
		out = string(b)
	}
	return false, out
}

// dialIn opens a UDP socket in a namespace.
func dialIn(t testing.TB, n *tuntest.NS, to netip.AddrPort) *net.UDPConn {
	t.Helper()
	var c *net.UDPConn
	n.Do(func() {
		var err error
		if c, err = net.DialUDP("udp6", nil, net.UDPAddrFromAddrPort(to)); err != nil {
			t.Fatal(err)
		}
	})
	t.Cleanup(func() { c.Close() })
	return c
}
