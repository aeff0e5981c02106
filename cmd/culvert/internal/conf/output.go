package conf

import (
	"fmt"
	"slices"
	"time"

	"culvert/cmd/culvert/internal/cli"
	"culvert/coap/access"
	"culvert/coap/output"
)

// What the keys of [[output]] may hold.
const (
	wantResource = `the path of the node's own resource that drives it, like "/output"`
	wantPlace    = `the name of a place`
	wantWho      = `names of identities of [[access]] that may write`
	wantSafe     = `the value that makes the machine safe, like "0"`
	longestLease = 24 * time.Hour
)

// outputs reads the [[output]] tables.
func (r *ConfigReader) outputs(t *Table, cfg *Config) []output.Output {
	var out []output.Output
	for _, ot := range t.Tables("output") {
		o := r.output(ot, cfg)
		if slices.ContainsFunc(out, func(x output.Output) bool { return o.Resource != "" && x.Place == o.Place && x.Resource == o.Resource }) {
			ot.Errorf("resource", "%s of %s stands there twice", o.Resource, o.Place)
		}
		out = append(out, o)
	}
	return out
}

// output reads one [[output]].
func (r *ConfigReader) output(t *Table, cfg *Config) output.Output {
	o := output.Output{Safe: "0"}
	if s, ok := t.Required("place", wantPlace); ok {
		if r.names[s] == 0 {
			t.Errorf("place", "no place is called %q; want %s", s, wantPlace)
		}
		o.Place = s
	}
	if s, ok := t.Required("resource", wantResource); ok {
		at, err := output.CleanResource(s)
		if err != nil {
			t.Errorf("resource", "%s: %v; want %s", Describe(s), err, wantResource)
		}
		o.Resource = at
	}
	o.Lease = t.duration("lease", time.Second, longestLease)
	o.MaxLease = t.duration("max_lease", time.Second, longestLease)
	switch {
	case o.MaxLease == 0:
		o.MaxLease = o.Lease
	case o.Lease == 0:
		t.Errorf("max_lease", "there is no lease; want a lease too, which a write has that names none")
	case o.MaxLease < o.Lease:
		t.Errorf("max_lease", "shorter than the lease; want at least %s", cli.DurationText(o.Lease))
	}
	o.Interval = t.duration("interval", time.Second, 24*time.Hour)
	if s, ok := t.Text("safe", wantSafe); ok {
		if s == "" || len(s) > output.MaxValue {
			t.Errorf("safe", "%d octets; want %s, of 1 to %d octets", len(s), wantSafe, output.MaxValue)
		}
		o.Safe = s
	}
	if _, ok := t.M["off"]; ok { // the key's former name
		t.Errorf("off", "the key is called safe now; want safe, %s", wantSafe)
		delete(t.M, "off")
	}
	o.RefuseStale = t.word("stale_safe", []string{"send", "refuse"}) == "refuse"
	who := t.Texts("who", wantWho)
	if t.Has("who") && len(who) == 0 {
		t.Errorf("who", "empty: nobody could write it; want %s, or leave it out for every identity that may write", wantWho)
	}
	for i, s := range who {
		if may, known := cfg.Access.Rights(s); s != "" && (!known || may&access.MayWrite == 0) {
			t.elementErrorf("who", i, "%s; want %s", fmt.Sprintf("no identity %q may write", s), wantWho)
		}
		o.Who = append(o.Who, s)
	}
	t.Close(nil)
	return o
}
