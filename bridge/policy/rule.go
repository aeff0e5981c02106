// Package policy decides which packets may pass between the mesh and everything
// else: an immutable list of rules, and bounded tables of flows and token buckets
// that outlive a change of the rules (RFC 6092; RFC 4890 for ICMPv6). It does no
// I/O, holds no clock and allocates nothing per packet.
package policy

import (
	"errors"
	"fmt"
	"net/netip"
	"path"
	"strconv"
	"strings"
	"time"

	"culvert/bridge/ipv6"
)

// Rule lets packets pass, or stops them. In a list the first rule that matches
// decides.
type Rule struct {
	From, To []End     // any of them; at least one each
	Services []Service // any of them; at least one
	Deny     bool
	Answer   bool // what is denied is answered (destination unreachable, code 1) rather than lost in silence
	Source   Rate // for each source address
	Node     Rate // for each node
	Mesh     Rate // for all nodes together
}

// End is one side of a rule: a prefix of addresses, or nodes of a mesh by a
// pattern of labels in which * stands for any characters.
type End struct {
	Prefix  netip.Prefix // if valid
	Mesh    string       // else: the name of the mesh, * for all
	Pattern string       // and of the nodes in it
}

// ParseEnd reads "2001:db8::/32", "2001:db8::1", "any", "fenland/*",
// "fenland/grain-bin" or "fenland", which is all nodes of that mesh.
func ParseEnd(s string) (End, error) {
	switch {
	case s == "":
		return End{}, errors.New("is empty: want a prefix, any, MESH or MESH/PATTERN")
	case s == "any":
		return End{Prefix: netip.PrefixFrom(netip.IPv6Unspecified(), 0)}, nil
	case strings.Contains(before(s, "/"), ":"):
		if p, err := netip.ParsePrefix(s); err == nil && p.Addr().Is6() && !p.Addr().Is4In6() {
			return End{Prefix: p.Masked()}, nil
		}
		if a, err := netip.ParseAddr(s); err == nil && a.Is6() && !a.Is4In6() && a.Zone() == "" {
			return End{Prefix: netip.PrefixFrom(a, 128)}, nil
		}
		return End{}, fmt.Errorf("%q is no IPv6 prefix or address", s)
	}
	mesh, pattern, found := strings.Cut(s, "/")
	if !found {
		pattern = "*"
	}
	for _, part := range []string{mesh, pattern} {
		if part == "" || strings.ContainsFunc(part, func(r rune) bool {
			return r != '*' && r != '-' && r != ':' && (r < '0' || r > '9') && (r < 'a' || r > 'z') && (r < 'A' || r > 'Z')
		}) {
			return End{}, fmt.Errorf("%q: want a prefix, any, MESH or MESH/PATTERN, with * for any characters", s)
		}
	}
	return End{Mesh: mesh, Pattern: pattern}, nil
}

// before returns what stands before a separator, all of s without one.
func before(s, sep string) string {
	head, _, _ := strings.Cut(s, sep)
	return head
}

// String writes an End as ParseEnd reads it.
func (e End) String() string {
	switch {
	case e.Prefix.IsValid() && e.Prefix.Bits() == 0:
		return "any"
	case e.Prefix.IsValid():
		return e.Prefix.String()
	}
	return e.Mesh + "/" + e.Pattern
}

// matches reports whether the End names the node with the label in the mesh.
func (e End) matches(mesh, label string) bool {
	return !e.Prefix.IsValid() && glob(e.Mesh, mesh) && glob(e.Pattern, label)
}

// glob matches with * alone: patterns hold none of path.Match's other signs.
func glob(pattern, s string) bool {
	ok, err := path.Match(pattern, s)
	return ok && err == nil
}

// Service is what a packet is for: an upper-layer protocol and, for TCP and UDP, a
// port of the side that is asked.
type Service struct {
	Any   bool
	Proto uint8
	Port  uint16 // 0: every port
	Echo  bool   // ICMPv6 echo
}

// Ports of CoAP (RFC 7252, 12.6 and 12.7).
const (
	PortCoAP  = 5683
	PortCoAPS = 5684
)

// ParseService reads coap, coaps, echo, any, udp/PORT, tcp/PORT, udp or tcp.
func ParseService(s string) (Service, error) {
	switch s {
	case "any":
		return Service{Any: true}, nil
	case "echo":
		return Service{Proto: ipv6.ProtoICMPv6, Echo: true}, nil
	case "coap":
		return Service{Proto: ipv6.ProtoUDP, Port: PortCoAP}, nil
	case "coaps":
		return Service{Proto: ipv6.ProtoUDP, Port: PortCoAPS}, nil
	case "udp":
		return Service{Proto: ipv6.ProtoUDP}, nil
	case "tcp":
		return Service{Proto: ipv6.ProtoTCP}, nil
	}
	name, port, _ := strings.Cut(s, "/")
	proto := map[string]uint8{"udp": ipv6.ProtoUDP, "tcp": ipv6.ProtoTCP}[name]
	n, err := strconv.ParseUint(port, 10, 16)
	if proto == 0 || err != nil || n == 0 {
		return Service{}, fmt.Errorf("%q: want coap, coaps, echo, any, udp, tcp, udp/PORT or tcp/PORT", s)
	}
	return Service{Proto: proto, Port: uint16(n)}, nil
}

// String writes a Service as ParseService reads it.
func (s Service) String() string {
	switch s {
	case Service{Any: true}:
		return "any"
	case Service{Proto: ipv6.ProtoICMPv6, Echo: true}:
		return "echo"
	case Service{Proto: ipv6.ProtoUDP, Port: PortCoAP}:
		return "coap"
	case Service{Proto: ipv6.ProtoUDP, Port: PortCoAPS}:
		return "coaps"
	}
	name := "proto-" + strconv.Itoa(int(s.Proto))
	switch s.Proto {
	case ipv6.ProtoUDP:
		name = "udp"
	case ipv6.ProtoTCP:
		name = "tcp"
	}
	if s.Port == 0 {
		return name
	}
	return name + "/" + strconv.Itoa(int(s.Port))
}

// Rate is a token bucket: so many packets in a time, and as many at once as Burst.
// The zero value is no limit.
type Rate struct {
	Packets int
	Per     time.Duration
	Burst   int // 0: as many as Packets
}

// ParseRate reads "5/s", "30/min", "100/h", and "5/s burst 20".
func ParseRate(s string) (Rate, error) {
	bad := fmt.Errorf("%q: want N/s, N/min or N/h, and burst M behind it if M may come at once", s)
	fields := strings.Fields(s)
	if len(fields) != 1 && !(len(fields) == 3 && fields[1] == "burst") {
		return Rate{}, bad
	}
	count, unit, _ := strings.Cut(fields[0], "/")
	n, err := strconv.Atoi(count)
	per := map[string]time.Duration{"s": time.Second, "min": time.Minute, "h": time.Hour}[unit]
	if err != nil || n < 1 || n > 1_000_000 || per == 0 {
		return Rate{}, bad
	}
	r := Rate{Packets: n, Per: per, Burst: n}
	if len(fields) == 3 {
		if r.Burst, err = strconv.Atoi(fields[2]); err != nil || r.Burst < 1 || r.Burst > 1_000_000 {
			return Rate{}, bad
		}
	}
	return r, nil
}

// limited reports whether there is a limit at all.
func (r Rate) limited() bool { return r.Packets > 0 && r.Per > 0 }

func (r Rate) burst() int {
	if r.Burst > 0 {
		return r.Burst
	}
	return r.Packets
}
