package main

import (
	"fmt"
	"path"
	"strings"
	"time"

	"culvert/bridge/policy"
)

// What the keys of a [[rule]] may hold.
const (
	wantEnd     = `a prefix like "fd5e:2a11:77c0::/48", nodes like "fenland/*" or "fenland/grain-bin", or "any"; several as an array`
	wantService = `coap, coaps, echo, any, udp, tcp, udp/PORT or tcp/PORT; several as an array`
	wantRate    = `packets in a time, like "5/s", "30/min" or "100/h burst 20"`
	wantAir     = `octets on the air in a second, like "1000 B/s" or "1000 B/s burst 8000", or "none" for no limit`
)

// ruleExample is a rule to begin with, as a reader would copy it.
const ruleExample = "[[rule]]\nfrom    = 'fd5e:2a11:77c0::/48'\nto      = 'fenland/*'\nservice = ['coap', 'echo']"

// rules reads the [[rule]] tables, which name meshes and places that were read
// before.
func (r *configReader) rules(t *table, meshes []meshConfig) []policy.Rule {
	tables := t.tables("rule")
	if len(tables) > policy.MaxRules {
		t.errorf("rule", "%d of them; want at most %d", len(tables), policy.MaxRules)
		tables = nil
	}
	var out []policy.Rule
	for _, rt := range tables {
		out = append(out, r.rule(rt, meshes))
	}
	return out
}

func (r *configReader) rule(t *table, meshes []meshConfig) policy.Rule {
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
			t.elementErrorf("service", i, "%s; want %s", describe(s), wantService)
		}
		rule.Services = append(rule.Services, service)
	}
	rule.Answer = t.boolean("answer", false)
	rule.Source = t.rate("rate", rule.Deny)
	rule.Node = t.rate("rate_node", rule.Deny)
	rule.Mesh = t.rate("rate_mesh", rule.Deny)
	t.close(nil)
	return rule
}

// ends reads one side of a rule.
func (r *configReader) ends(t *table, key string, meshes []meshConfig) []policy.End {
	var out []policy.End
	for i, s := range t.oneOrMore(key, wantEnd) {
		if s == "" {
			continue
		}
		end, err := policy.ParseEnd(s)
		switch {
		case err != nil:
			t.elementErrorf(key, i, "%s; want %s", describe(s), wantEnd)
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
func unknownEnd(end policy.End, meshes []meshConfig) string {
	var names []string
	found := false
	for _, m := range meshes {
		names = append(names, m.name)
		if ok, _ := path.Match(end.Mesh, m.name); !ok {
			continue
		}
		found = true
		for _, p := range m.places {
			if ok, _ := path.Match(end.Pattern, p.name); ok {
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
func (r *configReader) limits(t *table) (l policy.Limits, flows int) {
	air := func(key string) (a policy.Air) {
		if s, ok := t.text(key, wantAir); ok {
			var err error
			if a, err = policy.ParseAir(s); err != nil {
				t.errorf(key, "%s; want %s", describe(s), wantAir)
			}
		}
		return a
	}
	l.NodeAir, l.MeshAir = air("airtime_node"), air("airtime_mesh")
	flows = int(t.integer("max_flows", 0, 64, 1<<20, "a number of flows"))
	f := t.table("flows")
	if f == nil {
		return l, flows
	}
	l.UDP = f.duration("udp", policy.MinimumUDP, 24*time.Hour)
	l.TCP = f.duration("tcp", time.Minute, 7*24*time.Hour)
	l.Echo = f.duration("echo", time.Second, time.Hour)
	f.close(nil)
	return l, flows
}

// oneOrMore returns the string under key, or the strings of the array there; the key
// must be there. Elements that are none are noted and come as empty strings.
func (t *table) oneOrMore(key, want string) []string {
	v, ok := t.value(key)
	switch v := v.(type) {
	case string:
		if v == "" {
			t.errorf(key, "empty; want %s", want)
		}
		return []string{v}
	case []any:
		if len(v) == 0 {
			t.errorf(key, "empty; want %s", want)
		}
		return t.texts(key, want)
	}
	if !ok {
		t.errorf(key, "missing; want %s", want)
	} else {
		t.errorf(key, "%s; want %s", describe(v), want)
	}
	return nil
}

// boolean returns the truth value under key, or def where it is absent.
func (t *table) boolean(key string, def bool) bool {
	v, ok := t.value(key)
	if !ok {
		return def
	}
	b, ok := v.(bool)
	if !ok {
		t.errorf(key, "%s; want true or false", describe(v))
		return def
	}
	return b
}

// rate returns the rate under key, none where it is absent. A rule that denies has
// none.
func (t *table) rate(key string, deny bool) policy.Rate {
	s, ok := t.text(key, wantRate)
	if !ok {
		return policy.Rate{}
	}
	rate, err := policy.ParseRate(s)
	switch {
	case err != nil:
		t.errorf(key, "%s; want %s", describe(s), wantRate)
	case deny:
		t.errorf(key, "a rule that denies lets nothing pass, at whatever rate; take it out")
	}
	return rate
}

// rateOfErrors returns the rate under key in messages a second, zero where it is absent.
func (t *table) rateOfErrors(key string) policy.Rate {
	const want = `messages in a second, like "100/s" or "100/s burst 50"`
	s, ok := t.text(key, want)
	if !ok {
		return policy.Rate{}
	}
	rate, err := policy.ParseRate(s)
	if err != nil || rate.Per != time.Second {
		t.errorf(key, "%s; want %s", describe(s), want)
		return policy.Rate{}
	}
	return rate
}

// duration returns the time under key, zero where it is absent.
func (t *table) duration(key string, least, most time.Duration) time.Duration {
	want := fmt.Sprintf("a time from %s to %s, like \"90 s\", \"5 min\" or \"2 h\"", durationText(least), durationText(most))
	s, ok := t.text(key, want)
	if !ok {
		return 0
	}
	d, err := parseTime(s)
	if err != nil || d < least || d > most {
		t.errorf(key, "%s; want %s", describe(s), want)
		return 0
	}
	return d
}
