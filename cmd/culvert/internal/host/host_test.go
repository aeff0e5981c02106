package host

import (
	"context"
	"log/slog"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"golang.org/x/sys/unix"

	"culvert/bridge/node"
	"culvert/cmd/culvert/internal/findings"
	"culvert/coap"
)

// hostReport makes the checks of a host.
func hostReport(t *testing.T, h *host) *findings.CheckReport {
	t.Helper()
	var out strings.Builder
	r := &findings.CheckReport{W: &out}
	if err := h.run(t.Context(), r); err != nil {
		t.Fatal(err)
	}
	if len(r.Findings) != len(hostChecks) {
		t.Errorf("%d findings:\n%s", len(r.Findings), out.String())
	}
	return r
}

// TestCheckHost holds what is said of a host, and that each fault comes with what to do.
func TestCheckHost(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	const mesh = "control = \"control\"\n[[mesh]]\nname = \"fenland\"\ninterface = \"mesh0\"\nprefix = \"2001:db8:1::/64\"\n"
	good := write("good.toml", mesh+"radio = { kind = \"stream\", address = \"unix:radio\" }\n")
	wpan := write("wpan.toml", mesh+"radio = { kind = \"interface\", name = \"wpan0\" }\n")
	bad := write("bad.toml", "control = \"control\"\n[[mesh]]\nname = \"Fenland\"\n")
	device := write("tun", "")
	ran := write("ran.toml", "state_dir = \"ran\"\n"+mesh+"radio = { kind = \"stream\", address = \"unix:radio\" }\n")
	if err := os.Mkdir(filepath.Join(dir, "ran"), 0o700); err != nil {
		t.Fatal(err)
	}
	write("ran/state.db", "")
	const admin, raw = 1 << unix.CAP_NET_ADMIN, 1 << unix.CAP_NET_RAW
	caps := func(c uint64) func() (uint64, error) { return func() (uint64, error) { return c, nil } }
	for _, c := range []struct {
		name string
		host host
		want map[string]findings.Verdict
		says map[string]string
	}{
		{"fit", host{file: good, tun: device, caps: caps(admin), clock: systemClock},
			map[string]findings.Verdict{"configuration": findings.VerdictOK, "daemon": findings.VerdictNote, "tun": findings.VerdictOK, "capabilities": findings.VerdictOK},
			map[string]string{"daemon": "nothing listens at"}},
		{"it ran and does not", host{file: ran, tun: device, caps: caps(admin), clock: systemClock},
			map[string]findings.Verdict{"daemon": findings.VerdictWrong}, map[string]string{"daemon": "has run with this state_dir before"}},
		{"broken file", host{file: bad, tun: device, caps: caps(admin), clock: systemClock},
			map[string]findings.Verdict{"configuration": findings.VerdictWrong, "daemon": findings.VerdictNote, "tun": findings.VerdictOK, "capabilities": findings.VerdictOK},
			map[string]string{"configuration": `mesh.name: "Fenland"; want a DNS label`}},
		{"no file", host{file: filepath.Join(dir, "none.toml"), tun: device, caps: caps(admin), clock: systemClock},
			map[string]findings.Verdict{"configuration": findings.VerdictWrong, "daemon": findings.VerdictNotTried, "tun": findings.VerdictOK, "capabilities": findings.VerdictOK},
			map[string]string{"configuration": "does not exist"}},
		{"no driver", host{file: good, tun: filepath.Join(dir, "none"), caps: caps(admin), clock: systemClock},
			map[string]findings.Verdict{"configuration": findings.VerdictOK, "daemon": findings.VerdictNote, "tun": findings.VerdictWrong, "capabilities": findings.VerdictOK},
			map[string]string{"tun": "no such file"}},
		{"no rights", host{file: good, tun: device, caps: caps(raw), clock: systemClock},
			map[string]findings.Verdict{"configuration": findings.VerdictOK, "daemon": findings.VerdictNote, "tun": findings.VerdictOK, "capabilities": findings.VerdictWrong},
			map[string]string{"capabilities": "lacks CAP_NET_ADMIN (needed for the TUN interface"}},
		{"no rights on the radio", host{file: wpan, tun: device, caps: caps(admin), clock: systemClock},
			map[string]findings.Verdict{"configuration": findings.VerdictOK, "daemon": findings.VerdictNote, "tun": findings.VerdictOK, "capabilities": findings.VerdictWrong},
			map[string]string{"capabilities": "lacks CAP_NET_RAW (needed for the radio interface)"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := hostReport(t, &c.host)
			for _, f := range r.Findings {
				if c.want[f.Check] == "" {
					continue
				}
				if f.Verdict != c.want[f.Check] || !strings.Contains(f.Found, c.says[f.Check]) || f.Verdict == findings.VerdictWrong && f.Remedy == "" {
					t.Errorf("%s: %s, want %s with %q: %s (%s)", f.Check, f.Verdict, c.want[f.Check], c.says[f.Check], f.Found, f.Remedy)
				}
			}
		})
	}
	t.Run("a daemon runs", func(t *testing.T) { daemonRuns(t, good, device) })
}

// daemonRuns holds what is said where a daemon runs, and where something else listens.
func daemonRuns(t *testing.T, file, device string) {
	path := filepath.Join(filepath.Dir(file), "control")
	s := coap.New(coap.Options{Control: path, Version: "7", Log: slog.New(slog.DiscardHandler),
		Meshes: node.Meshes{{Name: "fenland", Table: emptyTable(t)}}})
	if err := s.Listen(); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() { s.Run(ctx) })
	lacking := func() (uint64, error) { return 0, nil }
	r := hostReport(t, &host{file: file, tun: device, caps: lacking, clock: systemClock})
	stop()
	wg.Wait()
	if f := rowFound(r, "daemon"); f.Verdict != findings.VerdictOK || !strings.HasPrefix(f.Found, "version 7, running since ") || !strings.HasSuffix(f.Found, " with 1 mesh and 0 nodes") {
		t.Errorf("daemon: %+v", f)
	}
	// Whoever asks without rights, the daemon has them.
	if f := rowFound(r, "capabilities"); f.Verdict != findings.VerdictNote {
		t.Errorf("capabilities: %+v", f)
	}

	os.Remove(path)
	l, err := net.Listen("unix", path)
	if err != nil {
		t.Fatal(err)
	}
	wg.Go(func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			conn.Close()
		}
	})
	r = hostReport(t, &host{file: file, tun: device, caps: lacking, clock: systemClock})
	l.Close()
	wg.Wait()
	if f := rowFound(r, "daemon"); f.Verdict == findings.VerdictOK || f.Remedy == "" {
		t.Errorf("something else listens, and the daemon is %+v", f)
	}
}

// rowFound returns what the report says of a check.
func rowFound(r *findings.CheckReport, name string) findings.Finding {
	for _, f := range r.Findings {
		if f.Check == name {
			return f
		}
	}
	return findings.Finding{}
}

func emptyTable(t *testing.T) *node.Table {
	t.Helper()
	table, err := node.New(node.Options{Prefix: netip.MustParsePrefix("2001:db8:1::/64")})
	if err != nil {
		t.Fatal(err)
	}
	return table
}
