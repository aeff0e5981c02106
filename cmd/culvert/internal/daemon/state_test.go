package daemon

import (
	"log/slog"
	"net/netip"
	"os"
	"path/filepath"
	"testing"

	"culvert/cmd/culvert/internal/conf"
)

// prefix = "generate" gives each mesh a /64 of its own in one unique local /48 (RFC
// 4193, 3.1), and the same one at every start.
func TestGeneratedPrefix(t *testing.T) {
	dir := t.TempDir()
	prefixes := func() (out []netip.Prefix) {
		cfg := &conf.Config{StateDir: dir, Meshes: []conf.MeshConfig{{Name: "fenland", Generate: true},
			{Name: "yard", Prefix: netip.MustParsePrefix("2001:db8:5:4::/64")}, {Name: "orchard", Generate: true}}}
		s, err := openState(cfg, slog.New(slog.DiscardHandler))
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		for _, m := range cfg.Meshes {
			out = append(out, m.Prefix)
		}
		return out
	}
	first := prefixes()
	a, b := first[0].Addr().As16(), first[2].Addr().As16()
	if a[0] != 0xfd || [6]byte(a[:6]) != [6]byte(b[:6]) || a == b || first[0].Bits() != 64 || first[0] != first[0].Masked() ||
		first[1] != netip.MustParsePrefix("2001:db8:5:4::/64") || [5]byte(a[1:6]) == [5]byte{} {
		t.Errorf("generated %v", first)
	}
	if again := prefixes(); again[0] != first[0] || again[2] != first[2] {
		t.Errorf("generated %v, then %v", first, again)
	}
}

// A damaged file is put aside and does not stop the daemon.
func TestStateDamaged(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, conf.StateFile), []byte("not a store, not at all, but long enough to be looked at"), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := openState(&conf.Config{StateDir: dir}, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if aside, _ := filepath.Glob(filepath.Join(dir, conf.StateFile+".damaged-*")); len(aside) != 1 {
		t.Errorf("put aside: %v", aside)
	}
}
