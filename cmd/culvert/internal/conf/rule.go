package conf

import (
	"fmt"
	"path"
	"strings"
	"time"

	"culvert/bridge/policy"
	"culvert/cmd/culvert/internal/cli"
)

// What the keys of a [[rule]] may hold.
const (
	wantEnd     = `a prefix like "fd5e:2a11:77c0::/48", nodes like "fenland/*" or "fenland/grain-bin", or "any"; several as an array`
	wantService = `coap, coaps, echo, any, udp, tcp, udp/PORT or tcp/PORT; several as an array`
	wantRate    = `packets in a time, like "5/s", "30/min" or "100/h burst 20"`
	wantAir     = `octets on the air in a second, like "1000 B/s" or "1000 B/s burst 8000", or "none" for no limit`
)

// RuleExample is a rule to begin with, as a reader would copy it.
const RuleExample = "[[rule]]\nfrom    = 'fd5e:2a11:77c0::/48'\nto      = 'fenland/*'\nservice = ['coap', 'echo']"

// rules reads the [[rule]] tables, which name meshes and places that were read
// before.
func (r *ConfigReader) rules(t *Table, meshes []MeshConfig) []policy.Rule {
	tables := t.Tables("rule")
	if len(tables) > policy.MaxRules {
		t.Errorf("rule", "%d of them; want at most %d", len(tables), policy.MaxRules)
		tables = nil
	}
	var out []policy.Rule
	for _, rt := range tables {
		out = append(out, r.rule(rt, meshes))
	}
	return out
}

func (r *ConfigReader) rule(t *Table, meshes []MeshConfig) policy.Rule {
	rule := policy.Rule{
		From: r.ends(t, "from", meshes),
		To:   r.ends(t, "to", meshes),
		Deny: t.word("action", []string{"allow", "deny"}) == "deny",
	}
	for i, s := range t.oneOrMore("service", wantService) {
		if s == "" {
			continue
		}
		service, err := policy.ParseService(s)
		if err != nil {
			t.elementErrorf("service", i, "%s; want %s", Describe(s), wantService)
		}
		rule.Services = append(rule.Services, service)
	}
	rule.Answer = t.boolean("answer", false)
	rule.Source = t.rate("rate", rule.Deny)
	rule.Node = t.rate("rate_node", rule.Deny)
	rule.Mesh = t.rate("rate_mesh", rule.Deny)
	t.Close(nil)
	return rule
}

// ends reads one side of a rule.
func (r *ConfigReader) ends(t *Table, key string, meshes []MeshConfig) []policy.End {
	var out []policy.End
	for i, s := range t.oneOrMore(key, wantEnd) {
		if s == "" {
			continue
		}
		end, err := policy.ParseEnd(s)
		switch {
		case err != nil:
			t.elementErrorf(key, i, "%s; want %s", Describe(s), wantEnd)
		case !end.Prefix.IsValid():
			if why := unknownEnd(end, meshes); why != "" {
				t.elementErrorf(key, i, "%s; want %s", why, wantEnd)
			}
		}
		out = append(out, end)
	}
	return out
}

// unknownEnd says why no node can ever be meant, empty if one can.
func unknownEnd(end policy.End, meshes []MeshConfig) string {
	var names []string
	found := false
	for _, m := range meshes {
		names = append(names, m.Name)
		if ok, _ := path.Match(end.Mesh, m.Name); !ok {
			continue
		}
		found = true
		for _, p := range m.Places {
			if ok, _ := path.Match(end.Pattern, p.Name); ok {
				return ""
			}
		}
	}
	switch {
	case !found:
		return fmt.Sprintf("no mesh is called %q: there is %s", end.Mesh, orList(names))
	case strings.Contains(end.Pattern, "*") || shapedLikeAddr(end.Pattern):
		return "" // a node that is no place yet may match
	}
	return fmt.Sprintf("no place of the mesh is called %q", end.Pattern)
}

// limits reads what of one [[mesh]] the packet path holds to besides the rules.
func (r *ConfigReader) limits(t *Table) (l policy.Limits, flows int) {
	air := func(key string) (a policy.Air) {
		if s, ok := t.Text(key, wantAir); ok {
			var err error
			if a, err = policy.ParseAir(s); err != nil {
				t.Errorf(key, "%s; want %s", Describe(s), wantAir)
			}
		}
		return a
	}
	l.NodeAir, l.MeshAir = air("airtime_node"), air("airtime_mesh")
	flows = int(t.Integer("max_flows", 0, 64, 1<<20, "a number of flows"))
	f := t.Table("flows")
	if f == nil {
		return l, flows
	}
	l.UDP = f.duration("udp", policy.MinimumUDP, 24*time.Hour)
	l.TCP = f.duration("tcp", time.Minute, 7*24*time.Hour)
	l.Echo = f.duration("echo", time.Second, time.Hour)
	f.Close(nil)
	return l, flows
}

// oneOrMore returns the string under key, or the strings of the array there; the key
// must be there. Elements that are none are noted and come as empty strings.
func (t *Table) oneOrMore(key, want string) []string {
	v, ok := t.Value(key)
	switch v := v.(type) {
	case string:
		if v == "" {
			t.Errorf(key, "empty; want %s", want)
		}
		return []string{v}
	case []any:
		if len(v) == 0 {
			t.Errorf(key, "empty; want %s", want)
		}
		return t.Texts(key, want)
	}
	if !ok {
		t.Errorf(key, "missing; want %s", want)
	} else {
		t.Errorf(key, "%s; want %s", Describe(v), want)
	}
	return nil
}

// boolean returns the truth value under key, or def where it is absent.
func (t *Table) boolean(key string, def bool) bool {
	v, ok := t.Value(key)
	if !ok {
		return def
	}
	b, ok := v.(bool)
	if !ok {
		t.Errorf(key, "%s; want true or false", Describe(v))
		return def
	}
	return b
}

// rate returns the rate under key, none where it is absent. A rule that denies has
// none.
func (t *Table) rate(key string, deny bool) policy.Rate {
	s, ok := t.Text(key, wantRate)
	if !ok {
		return policy.Rate{}
	}
	rate, err := policy.ParseRate(s)
	switch {
	case err != nil:
		t.Errorf(key, "%s; want %s", Describe(s), wantRate)
	case deny:
		t.Errorf(key, "a rule that denies lets nothing pass, at whatever rate; take it out")
	}
	return rate
}

// rateOfErrors returns the rate under key in messages a second, zero where it is absent.
func (t *Table) rateOfErrors(key string) policy.Rate {
	const want = `messages in a second, like "100/s" or "100/s burst 50"`
	s, ok := t.Text(key, want)
	if !ok {
		return policy.Rate{}
	}
	rate, err := policy.ParseRate(s)
	if err != nil || rate.Per != time.Second {
		t.Errorf(key, "%s; want %s", Describe(s), want)
		return policy.Rate{}
	}
	return rate
}

// duration returns the time under key, zero where it is absent.
func (t *Table) duration(key string, least, most time.Duration) time.Duration {
	want := fmt.Sprintf("a time from %s to %s, like \"90 s\", \"5 min\" or \"2 h\"", cli.DurationText(least), cli.DurationText(most))
	s, ok := t.Text(key, want)
	if !ok {
		return 0
	}
	d, err := cli.ParseTime(s)
	if err != nil || d < least || d > most {
		t.Errorf(key, "%s; want %s", Describe(s), want)
		return 0
	}
	return d
}
