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

// passage is a forwarded packet as a packet filter sees it, the first of its flow.
type passage struct {
	in, out  string // interfaces
	src, dst netip.Addr
	proto    string // tcp, udp, ipv6-icmp
	port     uint16 // of the destination
}

// filterVerdict is what a packet filter does with a packet, as far as can be told.
type filterVerdict uint8

// The verdicts.
const (
	filterAccepts filterVerdict = iota
	filterDrops
	filterUnsure // a rule asks for something that is not known here
)

// nftRuleset is the part of `nft --json list ruleset` that is looked at.
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

// judge says what the base chains for forwarded packets do with p, and which chain and
// rule decides. It knows matches of interfaces, addresses, protocols and ports; a rule
// that asks for more makes it unsure, unless something before it has decided.
func (r *nftRuleset) judge(p passage) (v filterVerdict, where string) {
	for _, o := range r.Objects {
		c := o.Chain
		if c == nil || c.Hook != "forward" || c.Type != "filter" || c.Family != "inet" && c.Family != "ip6" {
			continue
		}
		got, at := r.walk(*c, p, 0)
		switch {
		case got == nftDrop || got == nftReturn && c.Policy == "drop":
			if at == "" {
				at = fmt.Sprintf("the policy of chain %s %s %s", c.Family, c.Table, c.Name)
			}
			return filterDrops, at
		case got == nftUnsure:
			v, where = filterUnsure, at
		}
	}
	return v, where
}

// What a chain or rule does.
type nftAction uint8

const (
	nftReturn nftAction = iota // nothing
	nftBack                    // back to what called the chain
	nftAccept
	nftDrop
	nftUnsure
)

const maxNftDepth = 16 // the kernel's limit of jumps

// walk goes through the rules of one chain.
func (r *nftRuleset) walk(c nftChain, p passage, depth int) (nftAction, string) {
	unsure := ""
	for _, o := range r.Objects {
		rule := o.Rule
		if rule == nil || rule.Family != c.Family || rule.Table != c.Table || rule.Chain != c.Name {
			continue
		}
		at := fmt.Sprintf("rule %d of chain %s %s %s", rule.Handle, rule.Family, rule.Table, rule.Chain)
		match, action, target := rule.apply(p)
		if match == no {
			continue
		}
		if target != "" && depth < maxNftDepth {
			var inner string
			action, inner = r.walk(nftChain{Family: c.Family, Table: c.Table, Name: target}, p, depth+1)
			if inner != "" {
				at = inner
			}
		}
		switch {
		case action == nftReturn:
		case action == nftBack && match == yes && unsure == "":
			return nftReturn, ""
		case match == maybe || action == nftBack || action == nftUnsure:
			unsure = at
		case unsure != "":
			return nftUnsure, unsure
		default:
			return action, at
		}
	}
	if unsure != "" {
		return nftUnsure, unsure
	}
	return nftReturn, ""
}

// matching is whether a packet is meant, as far as can be told.
type matching uint8

const (
	no matching = iota
	yes
	maybe
)

// apply says whether a rule matches, and what it does then.
func (r *nftRule) apply(p passage) (match matching, action nftAction, jump string) {
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
				action = nftBack
			case "counter", "log", "comment":
			case "limit", "quota":
				match = maybe
			default:
				match, action = maybe, nftUnsure
			}
		}
	}
	return match, action, jump
}

// matches looks at one comparison.
func (p passage) matches(raw json.RawMessage) matching {
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

func (p passage) meta(key string, right json.RawMessage) matching {
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

func (p passage) payload(protocol, field string, right json.RawMessage) matching {
	switch protocol + " " + field {
	case "ip6 saddr":
		return holds(right, p.src)
	case "ip6 daddr":
		return holds(right, p.dst)
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

// each calls f for each element of a value: itself, or those of a set or list. It
// returns yes at the first yes.
func each(raw json.RawMessage, f func(json.RawMessage) matching) matching {
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
	return each(raw, func(e json.RawMessage) matching {
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
	return each(raw, func(e json.RawMessage) matching {
		var n uint16
		var r struct{ Range []uint16 }
		switch {
		case json.Unmarshal(e, &n) == nil:
			return truth(n == port)
		case json.Unmarshal(e, &r) == nil && len(r.Range) == 2:
			return truth(r.Range[0] <= port && port <= r.Range[1])
		}
		return maybe
	})
}

func holds(raw json.RawMessage, a netip.Addr) matching {
	return each(raw, func(e json.RawMessage) matching {
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
			return truth(one == a)
		}
		if json.Unmarshal(e, &p) == nil && p.Prefix != nil {
			return truth(netip.PrefixFrom(p.Prefix.Addr, p.Prefix.Len).Contains(a))
		}
		return maybe
	})
}

func truth(b bool) matching {
	if b {
		return yes
	}
	return no
}

// readFilter reads the packet filter of this host; nil and a reason where that cannot
// be done.
func readFilter(ctx context.Context) (*nftRuleset, string) {
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

// legacyFilter reports whether the older packet filter has a table, which nft does not
// show.
func legacyFilter() bool {
	b, err := os.ReadFile("/proc/self/net/ip6_tables_names")
	return err == nil && slices.Contains(strings.Fields(string(b)), "filter")
}
