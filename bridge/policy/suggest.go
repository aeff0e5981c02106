package policy

import (
	"net/netip"
	"strconv"
	"strings"

	"culvert/bridge/ipv6"
)

// ServiceOf returns the service that a packet with the tuple asks for.
func ServiceOf(t Tuple) Service {
	switch {
	case t.Echo:
		return Service{Proto: ipv6.ProtoICMPv6, Echo: true}
	case (t.Proto == ipv6.ProtoUDP || t.Proto == ipv6.ProtoTCP) && !t.Later:
		return Service{Proto: t.Proto, Port: t.DestinationPort}
	}
	return Service{Any: true}
}

// Suggest returns the rule that would let a packet with the tuple pass, and no more:
// between the nodes with the labels from and to, which are empty where that end is
// outside the mesh.
func Suggest(t Tuple, mesh, from, to string) Rule {
	end := func(label string, a netip.Addr) End {
		if label != "" {
			return End{Mesh: mesh, Pattern: label}
		}
		return End{Prefix: netip.PrefixFrom(a, a.BitLen())}
	}
	return Rule{
		From:     []End{end(from, t.Source)},
		To:       []End{end(to, t.Destination)},
		Services: []Service{ServiceOf(t)},
	}
}

// Text writes the rule as the configuration has it, with what sep holds between its
// lines.
func (r Rule) Text(sep string) string {
	var b strings.Builder
	b.WriteString("[[rule]]")
	list := func(key string, n int, word func(int) string) {
		b.WriteString(sep + key + " = ")
		if n != 1 {
			b.WriteString("[")
		}
		for i := range n {
			if i > 0 {
				b.WriteString(", ")
			}
			b.WriteString("'" + word(i) + "'")
		}
		if n != 1 {
			b.WriteString("]")
		}
	}
	list("from", len(r.From), func(i int) string { return r.From[i].String() })
	list("to", len(r.To), func(i int) string { return r.To[i].String() })
	list("service", len(r.Services), func(i int) string { return r.Services[i].String() })
	word := func(key, value string) { b.WriteString(sep + key + " = '" + value + "'") }
	if r.Deny {
		word("action", "deny")
	}
	if r.Answer {
		b.WriteString(sep + "answer = true")
	}
	for _, x := range [...]struct {
		key string
		r   Rate
	}{{"rate", r.Source}, {"rate_node", r.Node}, {"rate_mesh", r.Mesh}} {
		if x.r.limited() {
			word(x.key, x.r.String())
		}
	}
	return b.String()
}

// String writes a Rate as ParseRate reads it.
func (r Rate) String() string {
	unit := map[int64]string{1e9: "s", 60e9: "min", 3600e9: "h"}[int64(r.Per)]
	s := strconv.Itoa(r.Packets) + "/" + unit
	if r.burst() != r.Packets {
		s += " burst " + strconv.Itoa(r.Burst)
	}
	return s
}
