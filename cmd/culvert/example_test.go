package main

import (
	"testing"

	"culvert/cmd/culvert/internal/conf"
	"culvert/cmd/culvert/internal/simulate"
	"culvert/deploy/fenland"
)

// TestConfigExample holds that the example site's configuration is accepted, and that
// its places are the nodes of its plan.
func TestConfigExample(t *testing.T) {
	cfg, err := conf.ParseConfig("culvert.toml", "/", fenland.Config)
	if err != nil {
		t.Fatal(err)
	}
	s, err := simulate.LoadSite("")
	if err != nil {
		t.Fatal(err)
	}
	m := cfg.Meshes[0]
	if s.Prefix != m.Prefix || s.Name != m.Name || len(s.Nodes) != len(m.Places) {
		t.Fatalf("plan %s, %v, %d nodes; configuration %s, %v, %d places", s.Name, s.Prefix, len(s.Nodes), m.Name, m.Prefix, len(m.Places))
	}
	for i, n := range s.Nodes {
		if n.Name != m.Places[i].Name || n.EUI64 != m.Places[i].Eui64 {
			t.Errorf("node %d: %s %v; place %s %v", i, n.Name, n.EUI64, m.Places[i].Name, m.Places[i].Eui64)
		}
	}
}
