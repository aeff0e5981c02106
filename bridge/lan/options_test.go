package lan

import (
	"context"
	"net/netip"
	"strings"
	"testing"
	"time"

	"culvert/bridge/node"
)

func goodOptions(t *testing.T) Options {
	t.Helper()
	table, err := node.New(node.Options{Prefix: prefix(meshPrefix)})
	if err != nil {
		t.Fatal(err)
	}
	return Options{Interfaces: []string{"eth0", "eth0.10"}, State: "/tmp/none", Meshes: []Mesh{{Name: "fenland", Interface: "mesh0", Table: table}}}
}

func TestOptions(t *testing.T) {
	u, err := New(goodOptions(t))
	if err != nil {
		t.Fatal(err)
	}
	if m := *u.meshes.Load(); u.opts.Interval != 600*time.Second || len(m[0].Prefixes) != 1 || m[0].Prefixes[0] != prefix(meshPrefix) {
		t.Errorf("%+v %v", u.opts, m)
	}
	if s := u.Stats(); len(s.Interfaces) != 2 || s.Interfaces[0].Up || s.Forwarding {
		t.Errorf("%+v", s)
	}
	for want, change := range map[string]func(o *Options){
		"no interface":             func(o *Options) { o.Interfaces = nil },
		"is listed twice":          func(o *Options) { o.Interfaces = []string{"eth0", "eth0"} },
		`"" is no name`:            func(o *Options) { o.Interfaces = []string{""} },
		`"../eth0" is no name`:     func(o *Options) { o.Interfaces = []string{"../eth0"} },
		`"abcdefghijklmnop" is no`: func(o *Options) { o.Interfaces = []string{"abcdefghijklmnop"} },
		`"all" is no interface`:    func(o *Options) { o.Interfaces = []string{"all"} },
		"17 interfaces":            func(o *Options) { o.Interfaces = make([]string, 17) },
		"interval 3s":              func(o *Options) { o.Interval = 3 * time.Second },
		"interval 1h0m0s":          func(o *Options) { o.Interval = time.Hour },
		"no state file":            func(o *Options) { o.State = "" },
		`domain "Site"`:            func(o *Options) { o.Domain = "Site" },
		`domain "a..b"`:            func(o *Options) { o.Domain = "a..b" },
		`domain "example."`:        func(o *Options) { o.Domain = "example." },
		`domain "-a"`:              func(o *Options) { o.Domain = "-a" },
		"has no node table":        func(o *Options) { o.Meshes = []Mesh{{Name: "x"}} },
		`interface "eth0" must be`: func(o *Options) { o.Meshes[0].Interface = "eth0" },
		"prefix fd00::/48":         func(o *Options) { o.Meshes[0].Prefixes = []netip.Prefix{prefix("fd00::/48")} },
		"prefix fe80::/64":         func(o *Options) { o.Meshes[0].Prefixes = []netip.Prefix{prefix("fe80::/64")} },
		"prefix 2001:db8::1/64":    func(o *Options) { o.Meshes[0].Prefixes = []netip.Prefix{prefix("2001:db8::1/64")} },
		"at most 17 fit":           func(o *Options) { o.Meshes = make18(o.Meshes[0]) },
	} {
		o := goodOptions(t)
		change(&o)
		if _, err := New(o); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q in it", err, want)
		}
	}
	if err := u.SetMeshes([]Mesh{{Name: "x"}}); err == nil || len(*u.meshes.Load()) != 1 {
		t.Error("a bad list is taken")
	}
	o := goodOptions(t)
	o.Domain = "fenland.example"
	if _, err := New(o); err != nil {
		t.Error(err)
	}
}

func make18(m Mesh) []Mesh {
	out := make([]Mesh, 18)
	for i := range out {
		out[i] = m
	}
	return out
}

// A run that is over before it begins changes nothing, and leaves nobody behind
// (which TestMain looks for).
func TestRunEndsAtOnce(t *testing.T) {
	o := goodOptions(t)
	o.State = t.TempDir() + "/state.json"
	u, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := u.Run(ctx); err != nil {
		t.Error(err)
	}
}
