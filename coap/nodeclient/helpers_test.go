package nodeclient

import (
	"net"
	"net/netip"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
	"culvert/coap/msg"
)

// newClient returns a client without meshes; its tests give addresses.
func newClient(t Transmission) *Client {
	t = t.WithDefaults()
	return New(Options{Default: &t})
}

// siteTable is a table with one node that is up.
func siteTable(t testing.TB) (*node.Table, *node.Node) {
	t.Helper()
	table, err := node.New(node.Options{Prefix: netip.MustParsePrefix("fd5e:2a11:77c0:1::/64")})
	if err != nil {
		t.Fatal(err)
	}
	return table, table.Attach(node.Joined{EUI64: ieee802154.Extended(0x00005eef10000005)}, time.Now()).Node
}

// response is a node's message.
func response(kind message.Type, mid int32, token []byte, code codes.Code, payload string, opts ...message.Option) []byte {
	return msg.Encode(message.Message{Type: kind, Code: code, MessageID: mid, Token: token, Payload: []byte(payload), Options: opts})
}

// unusedPort is an address where nothing listens.
func unusedPort(t *testing.T) netip.AddrPort {
	t.Helper()
	c, err := net.ListenUDP("udp6", &net.UDPAddr{IP: net.IPv6loopback})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	return c.LocalAddr().(*net.UDPAddr).AddrPort()
}
