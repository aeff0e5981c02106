package host

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/netip"
	"os"
	"os/exec"
	"slices"
	"strings"
)

// forwardedPacket is the first packet of a flow, as the packet filter sees it.
type forwardedPacket struct {
	in, out  string // interfaces
	src, dst netip.Addr
	proto    string // tcp, udp, ipv6-icmp
	port     uint16 // of the destination
}

// filterResult is what the packet filter does with a packet.
type filterResult uint8

const (
	filterAccepts filterResult = iota
	filterDrops
	filterUnknown // a rule has conditions that cannot be evaluated
)

// nftRuleset is the part of `nft --json list ruleset` that is evaluated.
type nftRuleset struct {
	Objects []struct {
		Chain *nftChain `json:"chain"`
		Rule  *nftRule  `json:"rule"`
	} `json:"nftables"`
}

type nftChain struct {
	Family, Table, Name string
	Type, Hook, Policy  string // empty unless it is a base chain
}

type nftRule struct {
	Family, Table, Chain string
	Handle               int
	Expr                 []map[string]json.RawMessage
}

// evaluate returns what the base chains of the forward hook do with p, and which rule or
// policy decides. It evaluates matches on interfaces, addresses, protocols and ports. Any
// other condition makes the result unknown, unless an earlier rule decides.
func (r *nftRuleset) evaluate(p forwardedPacket) (v filterResult, where string) {
	for _, o := range r.Objects {
		c := o.Chain
		if c == nil || c.Hook != "forward" || c.Type != "filter" || c.Family != "inet" && c.Family != "ip6" {
			continue
		}
		got, at := r.evaluateChain(*c, p, 0)
		switch {
		case got == nftDrop || got == nftReturn && c.Policy == "drop":
			if at == "" {
				at = fmt.Sprintf("the policy of chain %s %s %s", c.Family, c.Table, c.Name)
			}
			return filterDrops, at
		case got == nftUnknown:
			v, where = filterUnknown, at
		}
	}
	return v, where
}

// nftAction is what a chain or rule does.
type nftAction uint8

const (
	nftReturn   nftAction = iota // no decision
	nftJumpBack                  // return to the calling chain
	nftAccept
	nftDrop
	nftUnknown
)

const maxNftDepth = 16 // the kernel's limit of jumps

// evaluateChain evaluates the rules of one chain in order.
func (r *nftRuleset) evaluateChain(c nftChain, p forwardedPacket, depth int) (nftAction, string) {
	unsure := ""
	for _, o := range r.Objects {
		rule := o.Rule
		if rule == nil || rule.Family != c.Family || rule.Table != c.Table || rule.Chain != c.Name {
			continue
		}
		at := fmt.Sprintf("rule %d of chain %s %s %s", rule.Handle, rule.Family, rule.Table, rule.Chain)
		match, action, target := rule.evaluate(p)
		if match == no {
			continue
		}
		if target != "" && depth < maxNftDepth {
			var inner string
			action, inner = r.evaluateChain(nftChain{Family: c.Family, Table: c.Table, Name: target}, p, depth+1)
			if inner != "" {
				at = inner
			}
		}
		switch {
		case action == nftReturn:
		case action == nftJumpBack && match == yes && unsure == "":
			return nftReturn, ""
		case match == maybe || action == nftJumpBack || action == nftUnknown:
			unsure = at
		case unsure != "":
			return nftUnknown, unsure
		default:
			return action, at
		}
	}
	if unsure != "" {
		return nftUnknown, unsure
	}
	return nftReturn, ""
}

// matching tells whether a condition matches a packet.
type matching uint8

const (
	no matching = iota
	yes
	maybe
)

// evaluate returns whether the rule matches and what it then does.
func (r *nftRule) evaluate(p forwardedPacket) (match matching, action nftAction, jump string) {
	match = yes
	for _, e := range r.Expr {
		for key, raw := range e {
			switch key {
			case "match":
				switch p.matches(raw) {
				case no:
					return no, nftReturn, ""
				case maybe:
					match = maybe
				}
			case "accept":
				action = nftAccept
			case "drop", "reject":
				action = nftDrop
			case "jump", "goto":
				var to struct{ Target string }
				if json.Unmarshal(raw, &to) == nil {
					jump = to.Target
				}
			case "return":
				action = nftJumpBack
			case "counter", "log", "comment":
			case "limit", "quota":
				match = maybe
			default:
				match, action = maybe, nftUnknown
			}
		}
	}
	return match, action, jump
}

// matches evaluates one comparison.
func (p forwardedPacket) matches(raw json.RawMessage) matching {
	var m struct {
		Op   string
		Left struct {
			Meta    *struct{ Key string }
			Payload *struct{ Protocol, Field string }
			CT      *struct{ Key string }
		}
		Right json.RawMessage
	}
	if json.Unmarshal(raw, &m) != nil || m.Op != "==" && m.Op != "!=" && m.Op != "in" {
		return maybe
	}
	got := maybe
	switch l := m.Left; {
	case l.Meta != nil:
		got = p.meta(l.Meta.Key, m.Right)
	case l.CT != nil && l.CT.Key == "state":
		got = isOneOf(m.Right, "new")
	case l.Payload != nil:
		got = p.payload(l.Payload.Protocol, l.Payload.Field, m.Right)
	}
	if m.Op == "!=" && got != maybe {
		return yes - got // yes is 1, no is 0
	}
	return got
}

func (p forwardedPacket) meta(key string, right json.RawMessage) matching {
	switch key {
	case "iifname", "iif":
		return isOneOf(right, p.in)
	case "oifname", "oif":
		return isOneOf(right, p.out)
	case "l4proto":
		return isOneOf(right, p.proto)
	case "nfproto":
		return isOneOf(right, "ipv6")
	case "protocol":
		return isOneOf(right, "ip6")
	}
	return maybe
}

func (p forwardedPacket) payload(protocol, field string, right json.RawMessage) matching {
	switch protocol + " " + field {
	case "ip6 saddr":
		return containsAddr(right, p.src)
	case "ip6 daddr":
		return containsAddr(right, p.dst)
	case "ip6 nexthdr":
		return isOneOf(right, p.proto)
	case "icmpv6 type":
		if p.proto != "ipv6-icmp" {
			return no
		}
		return isOneOf(right, "echo-request")
	case "udp dport", "tcp dport":
		if p.proto != protocol {
			return no
		}
		return isPort(right, p.port)
	case "th dport":
		return isPort(right, p.port)
	}
	if strings.HasPrefix(protocol, "ip") && protocol != "ip6" {
		return no // another protocol family
	}
	return maybe
}

// anyOf calls f for a single value, or for each element of a set or list until one
// matches.
func anyOf(raw json.RawMessage, f func(json.RawMessage) matching) matching {
	var set struct{ Set []json.RawMessage }
	var list []json.RawMessage
	switch {
	case json.Unmarshal(raw, &list) == nil:
	case json.Unmarshal(raw, &set) == nil && set.Set != nil:
		list = set.Set
	default:
		return f(raw)
	}
	got := no
	for _, e := range list {
		if a := f(e); a == yes {
			return yes
		} else if a == maybe {
			got = maybe
		}
	}
	return got
}

func isOneOf(raw json.RawMessage, word string) matching {
	return anyOf(raw, func(e json.RawMessage) matching {
		var s string
		switch {
		case json.Unmarshal(e, &s) != nil:
			return maybe
		case s == word, strings.HasSuffix(s, "*") && strings.HasPrefix(word, strings.TrimSuffix(s, "*")):
			return yes
		case strings.HasPrefix(s, "@"):
			return maybe // a named set
		}
		return no
	})
}

func isPort(raw json.RawMessage, port uint16) matching {
	return anyOf(raw, func(e json.RawMessage) matching {
		var n uint16
		var r struct{ Range []uint16 }
		switch {
		case json.Unmarshal(e, &n) == nil:
			return matchIf(n == port)
		case json.Unmarshal(e, &r) == nil && len(r.Range) == 2:
			return matchIf(r.Range[0] <= port && port <= r.Range[1])
		}
		return maybe
	})
}

func containsAddr(raw json.RawMessage, a netip.Addr) matching {
	return anyOf(raw, func(e json.RawMessage) matching {
		var s string
		var p struct {
			Prefix *struct {
				Addr netip.Addr
				Len  int
			}
		}
		if json.Unmarshal(e, &s) == nil {
			one, err := netip.ParseAddr(s)
			if err != nil {
				return maybe
			}
			return matchIf(one == a)
		}
		if json.Unmarshal(e, &p) == nil && p.Prefix != nil {
			return matchIf(netip.PrefixFrom(p.Prefix.Addr, p.Prefix.Len).Contains(a))
		}
		return maybe
	})
}

func matchIf(b bool) matching {
	if b {
		return yes
	}
	return no
}

// readRuleset reads the nftables rules of this host. It returns nil and the reason if it
// cannot.
func readRuleset(ctx context.Context) (*nftRuleset, string) {
	tool, err := exec.LookPath("nft")
	if err != nil {
		tool = "/usr/sbin/nft" // not in every user's PATH
	}
	out, err := exec.CommandContext(ctx, tool, "--json", "list", "ruleset").Output()
	if errors.Is(err, os.ErrNotExist) {
		return nil, "nft is not installed, so the packet filter cannot be read"
	}
	if err != nil {
		text := err.Error()
		if exit := (*exec.ExitError)(nil); errors.As(err, &exit) && len(exit.Stderr) > 0 {
			text, _, _ = strings.Cut(string(exit.Stderr), "\n")
		}
		return nil, "the packet filter cannot be read: " + text
	}
	var r nftRuleset
	if err := json.Unmarshal(out, &r); err != nil {
		return nil, "the output of nft cannot be parsed: " + err.Error()
	}
	return &r, ""
}

// hasLegacyFilter reports whether there are legacy ip6tables rules, which nft does not list.
func hasLegacyFilter() bool {
	b, err := os.ReadFile("/proc/self/net/ip6_tables_names")
	return err == nil && slices.Contains(strings.Fields(string(b)), "filter")
}
