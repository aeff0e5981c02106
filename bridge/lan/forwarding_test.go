package lan

import (
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"culvert/tun/tuntest"

	"github.com/vishvananda/netlink"
)

// onKernel gives f the kernel parameters of a fresh namespace with the interfaces
// named, on a thread that is in it. Each entry is "name accept_ra forwarding".
func onKernel(t *testing.T, entries []string, f func(ns *tuntest.NS, look func() host)) {
	t.Helper()
	ns := tuntest.NewNS(t)
	for i, e := range entries {
		if f := strings.Fields(e); f[0] != "all" && f[0] != "default" {
			attrs := netlink.NewLinkAttrs()
			attrs.Name = f[0]
			if err := ns.Handle().LinkAdd(&netlink.Veth{LinkAttrs: attrs, PeerName: fmt.Sprintf("peer%d", i)}); err != nil {
				t.Fatal(err)
			}
		}
	}
	for _, e := range entries {
		f := strings.Fields(e)
		ns.Sysctl("net.ipv6.conf."+f[0]+".forwarding", f[2])
		ns.Sysctl("net.ipv6.conf."+f[0]+".accept_ra", f[1])
	}
	ns.Do(func() {
		f(ns, func() host {
			h, err := readHost(ns.Handle())
			if err != nil {
				t.Fatal(err)
			}
			return h
		})
	})
}

// values are accept_ra and forwarding of the interfaces, as their files have them.
func values(t *testing.T, names ...string) string {
	t.Helper()
	var b strings.Builder
	for _, name := range names {
		fmt.Fprint(&b, name)
		for _, key := range []string{keyAcceptRA, keyForwarding} {
			v, err := os.ReadFile(filepath.Join(parameterRoot, name, key))
			if err != nil {
				v = []byte("-")
			}
			fmt.Fprint(&b, " ", strings.TrimSpace(string(v)))
		}
		fmt.Fprint(&b, "; ")
	}
	return b.String()
}

func put(t *testing.T, name, key, value string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(parameterRoot, name, key), []byte(value), 0); err != nil {
		t.Fatal(err)
	}
}

// Whatever a host had before it has afterwards; what others changed meanwhile stays.
func TestForwardingPutBack(t *testing.T) {
	shown := []string{"all", "default", "lo", "eth0", "eth1"}
	for name, tt := range map[string]struct {
		links []string
		on    string // while it runs
		do    func(t *testing.T, ns *tuntest.NS)
		after string // if not as before
	}{
		"a plain host": {[]string{"eth0 1 0", "eth1 1 0"},
			"all 1 1; default 2 1; lo 1 1; eth0 2 1; eth1 2 1; ", nil, ""},
		"takes none": {[]string{"eth0 0 0", "eth1 2 0"},
			"all 1 1; default 2 1; lo 1 1; eth0 0 1; eth1 2 1; ", nil, ""},
		"one forwards by itself": {[]string{"eth0 1 0", "eth1 1 1"},
			"all 1 1; default 2 1; lo 1 1; eth0 2 1; eth1 1 1; ", nil, ""},
		"later ones forward by themselves": {[]string{"default 1 1", "eth0 1 0", "eth1 1 0"},
			"all 1 1; default 1 1; lo 1 1; eth0 2 1; eth1 2 1; ", nil, ""},
		"forwards already": {[]string{"all 1 1", "eth0 1 1", "eth1 1 1"},
			"all 1 1; default 1 1; lo 1 1; eth0 1 1; eth1 1 1; ", nil, ""},
		"somebody switches it off": {[]string{"eth0 1 0", "eth1 1 0"},
			"all 1 1; default 2 1; lo 1 1; eth0 2 1; eth1 2 1; ",
			func(t *testing.T, ns *tuntest.NS) { put(t, "all", keyForwarding, "0") }, ""},
		"somebody wants no advertisements any more": {[]string{"eth0 1 0", "eth1 1 0"},
			"all 1 1; default 2 1; lo 1 1; eth0 2 1; eth1 2 1; ",
			func(t *testing.T, ns *tuntest.NS) { put(t, "eth0", keyAcceptRA, "0") },
			"all 1 0; default 1 0; lo 1 0; eth0 0 0; eth1 1 0; "},
		"an interface goes": {[]string{"eth0 1 0", "eth1 1 0"},
			"all 1 1; default 2 1; lo 1 1; eth0 2 1; eth1 2 1; ",
			func(t *testing.T, ns *tuntest.NS) {
				if err := ns.Handle().LinkDel(ns.Link("eth1")); err != nil {
					t.Fatal(err)
				}
			},
			"all 1 0; default 1 0; lo 1 0; eth0 1 0; eth1 - -; "},
	} {
		t.Run(name, func(t *testing.T) {
			onKernel(t, tt.links, func(ns *tuntest.NS, look func() host) {
				state := filepath.Join(t.TempDir(), "state.json")
				before := values(t, shown...)
				f := &forwarding{root: parameterRoot, path: state, log: slog.New(slog.DiscardHandler)}
				for range 2 { // the second time there is nothing to do
					if err := f.follow(look()); err != nil {
						t.Fatal(err)
					}
				}
				if got := values(t, shown...); got != tt.on {
					t.Errorf("while it runs:\n%s, want\n%s", got, tt.on)
				}
				if h := look(); !h.forwarding {
					t.Error("the host does not say that it forwards")
				}
				if tt.do != nil {
					tt.do(t, ns)
				}
				if err := f.follow(look()); err != nil {
					t.Fatal(err)
				}
				if err := f.putBack(); err != nil {
					t.Fatal(err)
				}
				want := before
				if tt.after != "" {
					want = tt.after
				}
				if got := values(t, shown...); got != want {
					t.Errorf("afterwards:\n%s, want\n%s", got, want)
				}
				if _, err := os.Stat(state); !os.IsNotExist(err) {
					t.Errorf("the state file: %v", err)
				}
			})
		})
	}
}

// accept_ra is written before forwarding, on every interface, and the state file
// before both.
func TestForwardingOrder(t *testing.T) {
	onKernel(t, []string{"eth0 1 0", "eth1 1 0"}, func(ns *tuntest.NS, look func() host) {
		newForwarding := func(path string) *forwarding {
			return &forwarding{root: parameterRoot, path: path, log: slog.New(slog.DiscardHandler)}
		}
		f := newForwarding(filepath.Join(t.TempDir(), "state.json"))
		var got []string
		for _, p := range f.planEnable(look()) {
			if !strings.HasPrefix(p.Interface, "peer") {
				got = append(got, p.Interface+"."+p.Key)
			}
		}
		if want := []string{"eth0.accept_ra", "eth1.accept_ra", "default.accept_ra", "all.forwarding"}; !slices.Equal(got, want) {
			t.Errorf("%v, want %v", got, want)
		}

		// Without a state file nothing is changed: a kill could not be undone.
		before := values(t, "all", "default", "eth0", "eth1")
		f = newForwarding(filepath.Join(t.TempDir(), "no", "such", "folder"))
		if err := f.follow(look()); err == nil || !strings.Contains(err.Error(), "could not be restored") {
			t.Errorf("%v", err)
		}
		if now := values(t, "all", "default", "eth0", "eth1"); now != before {
			t.Errorf("changed to %s", now)
		}
		// It is tried again, and then works.
		f.path = filepath.Join(t.TempDir(), "state.json")
		if err := f.follow(look()); err != nil || !look().forwarding {
			t.Errorf("the second time: %v", err)
		}
		if err := f.putBack(); err != nil {
			t.Error(err)
		}
	})
}

// An interface that keeps its accept_ra keeps forwarding off: the default route
// counts for more.
func TestForwardingKeepsDefaultRoute(t *testing.T) {
	root := t.TempDir()
	for _, dir := range []string{"all", "default", filepath.Join("eth1", keyAcceptRA)} { // a folder cannot be written
		if err := os.MkdirAll(filepath.Join(root, dir), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	all := filepath.Join(root, "all", keyForwarding)
	if err := os.WriteFile(all, []byte("0"), 0o644); err != nil {
		t.Fatal(err)
	}
	f := &forwarding{root: root, path: filepath.Join(t.TempDir(), "state.json"), log: slog.New(slog.DiscardHandler)}
	h := host{links: map[string]*link{"eth1": {name: "eth1", acceptRA: 1}}}
	if err := f.follow(h); err == nil || !strings.Contains(err.Error(), "net.ipv6.conf.eth1.accept_ra = 2") {
		t.Errorf("%v", err)
	}
	if b, err := os.ReadFile(all); err != nil || string(b) != "0" {
		t.Errorf("forwarding is %s, %v", b, err)
	}
	if _, err := os.Stat(f.path); !os.IsNotExist(err) {
		t.Errorf("there is a state file though nothing was changed: %v", err)
	}
}

// State files that are none, of another boot, of another namespace.
func TestStateFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "state.json")
	if s, err := load(path); err != nil || !s.empty() {
		t.Errorf("without a file: %v %v", s, err)
	}
	if err := Restore(path); err != nil {
		t.Errorf("without a file: %v", err)
	}
	good := saved{Parameters: []parameter{{"eth9", keyAcceptRA, "1", "2"}}}
	if err := good.store(path); err != nil {
		t.Fatal(err)
	}
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v %v", info, err)
	}
	if s, err := load(path); err != nil || !slices.Equal(s.Parameters, good.Parameters) {
		t.Errorf("%v %v", s, err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for name, tt := range map[string]struct{ content, want string }{
		"empty":             {"", "cannot be read"},
		"cut":               {string(text[:len(text)/2]), "cannot be read"},
		"unknown key":       {`{"boot":"x","more":1}`, "cannot be read"},
		"too large":         {`{"boot":"` + strings.Repeat("x", maxStateFile) + `"}`, "too large"},
		"another namespace": {strings.Replace(string(text), good.Namespace, "net:[1]", 1), "another network namespace"},
		"another boot":      {strings.Replace(string(text), good.Boot, "00000000-0000-0000-0000-000000000000", 1), ""},
	} {
		if err := os.WriteFile(path, []byte(tt.content), 0o600); err != nil {
			t.Fatal(err)
		}
		s, err := load(path)
		if !s.empty() || tt.want == "" && err != nil || tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want)) {
			t.Errorf("%s: %v %v", name, s, err)
		}
	}
	if err := Restore(path); err != nil { // of another boot, the last one or not
		if _, stat := os.Stat(path); stat != nil {
			t.Errorf("%v, and the file is gone", err)
		}
	}
	left, err := filepath.Glob(filepath.Join(filepath.Dir(path), ".*"))
	if err != nil || len(left) > 0 {
		t.Errorf("files left behind: %v %v", left, err)
	}
}
