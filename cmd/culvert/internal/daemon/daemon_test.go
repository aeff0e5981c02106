package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"net/netip"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"culvert/bridge"
	"culvert/bridge/forward"
	"culvert/bridge/forward/forwardtest"
	"culvert/bridge/ieee802154"
	"culvert/bridge/node"
	"culvert/bridge/policy"
	"culvert/cmd/culvert/internal/conf"
	"culvert/cmd/culvert/internal/programtest"
)

func TestGroup(t *testing.T) {
	wait := func(ctx context.Context) error { <-ctx.Done(); return nil }
	boom := errors.New("boom")
	for _, c := range []struct {
		name   string
		parts  []part
		failed string // why the daemon ends
		ended  string // what stop returns
	}{
		{"all wait", []part{{"a", wait}, {"b", wait}}, "", ""},
		{"one fails", []part{{"a", wait}, {"b", func(context.Context) error { return boom }}}, "b: boom", ""},
		{"one ends", []part{{"a", func(context.Context) error { return nil }}}, "a has ended without being told to", ""},
		{"one fails at its end", []part{{"a", func(ctx context.Context) error { <-ctx.Done(); return boom }}}, "", "a: boom"},
	} {
		t.Run(c.name, func(t *testing.T) {
			failed := make(chan error, 8)
			g, ctx := newGroup(func(err error) { failed <- err })
			for _, p := range c.parts {
				g.start(ctx, p)
			}
			if c.failed != "" {
				if err := <-failed; err.Error() != c.failed {
					t.Errorf("the daemon ends by %v, want %s", err, c.failed)
				}
			}
			err := g.stop(t.Context())
			if c.ended == "" && err != nil || c.ended != "" && (err == nil || err.Error() != c.ended) {
				t.Errorf("stop: %v, want %q", err, c.ended)
			}
			if len(failed) > 0 {
				t.Errorf("the daemon ends by %v", <-failed)
			}
		})
	}
}

// TestGroupHangs holds that a part that does not end is named, and not waited for
// forever.
func TestGroupHangs(t *testing.T) {
	release := make(chan struct{})
	g, ctx := newGroup(func(error) {})
	g.start(ctx, part{"the pump", func(context.Context) error { <-release; return nil }})
	deadline, cancel := context.WithCancel(t.Context())
	cancel()
	if err := g.stop(deadline); err == nil || err.Error() != "not stopped within 8s: the pump" {
		t.Errorf("stop: %v", err)
	}
	close(release)
	g.ended.Wait()
}

// TestLogger holds that both formats and all levels are taken.
func TestLogger(t *testing.T) {
	for _, level := range []string{"debug", "info", "warn", "error"} {
		out := &programtest.ProgramOutput{}
		log, err := newLogger(out, runOptions{logFormat: "json", logLevel: level})
		if err != nil {
			t.Fatal(err)
		}
		log.Error("said", "mesh", "fenland")
		var line struct{ Level, Msg, Mesh string }
		if err := json.Unmarshal([]byte(out.String()), &line); err != nil || line.Msg != "said" || line.Mesh != "fenland" {
			t.Errorf("%s: %v %s", level, err, out)
		}
	}
}

// TestChangedKeys compares two files key by key.
func TestChangedKeys(t *testing.T) {
	parse := func(text string) map[string]any {
		_, root := conf.ParseDocument("c.toml", []byte(text))
		return root.M
	}
	was := parse("state_dir = 'a'\n[http]\nlisten = 'x'\n[[mesh]]\nname = 'fenland'\nairtime_node = '5 B/s'\nplace = [{name = 'a', eui64 = '1'}, {name = 'b'}]\n" +
		"[mesh.radio]\nkind = 'serial'\n[[mesh]]\nname = 'yard'\n[[rule]]\nfrom = 'any'\n")
	is := parse("state_dir = 'b'\n[[mesh]]\nname = 'wharf'\n[[mesh]]\nname = 'fenland'\nairtime_node = '6 B/s'\nflows = {udp = '5 min'}\nplace = [{name = 'b'}, {name = 'a', eui64 = '2'}]\n" +
		"[mesh.radio]\nkind = 'stream'\n[coap]\nlisten = []\n")
	want := []string{"coap", "http", `mesh "fenland": radio.kind`, `mesh "wharf"`, `mesh "yard"`, "state_dir"}
	if got := changedKeys(was, is); !slices.Equal(got, want) {
		t.Errorf("got  %q\nwant %q", got, want)
	}
	if got := changedKeys(was, was); len(got) != 0 {
		t.Errorf("the same: %q", got)
	}
}

// TestRulesBetweenMeshes holds rules that name nodes of two meshes: each mesh judges
// its own by name and the other's by address.
func TestRulesBetweenMeshes(t *testing.T) {
	mesh := func(name, prefix string, places ...node.Place) *bridge.Mesh {
		m, err := bridge.New(bridge.Options{Name: name, Prefix: netip.MustParsePrefix(prefix), Radio: forwardtest.NewRadio(),
			OpenTun: func() (bridge.Tun, error) { return forwardtest.NewTun(), nil }, Places: places, Policy: newEngine(conf.MeshConfig{Name: name})})
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	eui := func(n uint64) ieee802154.Addr { return ieee802154.Extended(0x00005eef10000000 + n) }
	fen := mesh("fen", "fd5e:2a11:77c0:1::/64", node.Place{Name: "mast", EUI64: eui(1)}, node.Place{Name: "pump", EUI64: eui(2)})
	yard := mesh("yard", "fd5e:2a11:77c0:2::/64", node.Place{Name: "gate", EUI64: eui(3)}, node.Place{Name: "lamp", EUI64: eui(4)})
	rule := func(from, to string, deny bool) policy.Rule {
		f, err1 := policy.ParseEnd(from)
		to2, err2 := policy.ParseEnd(to)
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		return policy.Rule{From: []policy.End{f}, To: []policy.End{to2}, Services: []policy.Service{{Any: true}}, Deny: deny}
	}
	// passes asks both meshes, as a packet would.
	passes := func(from *bridge.Mesh, a string, to *bridge.Mesh, b string) bool {
		src, dst := from.Nodes().ByLabel(a), to.Nodes().ByLabel(b)
		t := policy.Tuple{Source: from.Nodes().Address(src), Destination: to.Nodes().Address(dst), Proto: 17}
		allowed := func(m *bridge.Mesh, from, to *node.Node) bool {
			i, _ := m.Policy().Would(t, from, to)
			return i >= 0 && !m.Policy().Rules().Rule(i).Deny
		}
		return allowed(from, src, nil) && allowed(to, nil, dst)
	}
	for _, c := range []struct {
		name  string
		rules []policy.Rule
		want  [3]bool // mast to gate, pump to gate, mast to lamp
	}{
		{"none", nil, [3]bool{}},
		{"all", []policy.Rule{rule("fen/*", "yard/*", false)}, [3]bool{true, true, true}},
		{"one to one", []policy.Rule{rule("fen/mast", "yard/gate", false)}, [3]bool{true, false, false}},
		{"all but one to one", []policy.Rule{rule("fen/mast", "yard/gate", true), rule("*", "*", false)}, [3]bool{false, true, true}},
		{"all but to one", []policy.Rule{rule("fen", "yard/gate", true), rule("*", "*", false)}, [3]bool{false, false, true}},
		{"the other way", []policy.Rule{rule("yard/*", "fen/*", false)}, [3]bool{}},
	} {
		b, err := newRulebook(&conf.Config{Rules: c.rules, Raw: map[string]any{}}, []*bridge.Mesh{fen, yard}, slog.New(slog.DiscardHandler))
		if err != nil || b == nil {
			t.Fatal(err)
		}
		if got := [3]bool{passes(fen, "mast", yard, "gate"), passes(fen, "pump", yard, "gate"), passes(fen, "mast", yard, "lamp")}; got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// Each line to the journal begins with its priority (sd-daemon(3), SD_DEBUG to SD_ERR,
// whose numbers are those of syslog(3)), and has no time of its own; elsewhere nothing
// changes.
func TestJournalPriorities(t *testing.T) {
	say := func(log *slog.Logger) {
		log = log.With("mesh", "fenland").WithGroup("g")
		log.Debug("d", "time", 7)
		log.Info("i", "text", "two\nlines")
		log.Warn("w")
		log.Error("e")
	}
	for _, c := range []struct {
		name, format, stream string
		want                 string // a pattern
	}{
		{"text", "text", "", `^<7>level=DEBUG msg=d mesh=fenland g.time=7
<6>level=INFO msg=i mesh=fenland g.text="two\\nlines"
<4>level=WARN msg=w mesh=fenland
<3>level=ERROR msg=e mesh=fenland
$`},
		{"json", "json", "", `^<7>{"time":"[^"]+","level":"DEBUG".*\n<6>{.*\n<4>{.*\n<3>{"time":"[^"]+","level":"ERROR","msg":"e","mesh":"fenland"}\n$`},
		{"another stream", "text", "1:2", `^time=[^ ]+ level=DEBUG msg=d .*\ntime=`},
		{"no journal", "text", "none", `^time=[^ ]+ level=DEBUG msg=d .*\ntime=`},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, w, stream := programtest.JournalPipe(t)
			if c.stream != "" {
				stream = c.stream
			}
			t.Setenv("JOURNAL_STREAM", stream)
			log, err := newLogger(w, runOptions{logFormat: c.format, logLevel: "debug"})
			if err != nil {
				t.Fatal(err)
			}
			say(log)
			w.Close()
			b, err := io.ReadAll(r)
			if err != nil || !regexp.MustCompile(c.want).Match(b) {
				t.Errorf("%v, want %s:\n%s", err, c.want, b)
			}
		})
	}
	t.Setenv("JOURNAL_STREAM", "")
	_, w, stream := programtest.JournalPipe(t)
	t.Setenv("JOURNAL_STREAM", stream)
	log, err := newLogger(w, runOptions{logFormat: "text", logLevel: "warn"})
	if err != nil || log.Enabled(t.Context(), slog.LevelInfo) || !log.Enabled(t.Context(), slog.LevelWarn) {
		t.Error("--log-level does not hold in the journal", err)
	}
}

// What `systemctl status` shows.
func TestStatusLine(t *testing.T) {
	mesh := func(tun, routed, radio bool) meshStatus {
		return meshStatus{Stats: bridge.Stats{Name: "fenland", TunUp: tun, Routed: routed,
			Forward: forward.Stats{Radio: forward.RadioState{Up: radio}}}, up: 5, nodes: 6}
	}
	many := make([]meshStatus, 20)
	for _, c := range []struct {
		meshes []meshStatus
		state  error
		want   string
	}{
		{[]meshStatus{mesh(true, true, true)}, nil, "mesh fenland: radio up, 5 of 6 nodes"},
		{[]meshStatus{mesh(true, true, false), mesh(false, false, true)}, nil, "mesh fenland: radio down, 5 of 6 nodes; mesh fenland: interface down, 5 of 6 nodes"},
		{[]meshStatus{mesh(true, false, true)}, errors.New("disk full"), "mesh fenland: route missing, 5 of 6 nodes; state is not kept"},
		{many, nil, strings.Repeat("mesh : interface down, 0 of 0 nodes; ", statusMeshes) + "12 more meshes"},
	} {
		if got := statusLine(c.meshes, c.state); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

// What the reference says that a reload puts in force is what one does.
func TestConfigReferenceReload(t *testing.T) {
	b, err := os.ReadFile("../../../../deploy/CONFIGURATION.md")
	if err != nil {
		t.Fatal(err)
	}
	_, text, _ := strings.Cut(string(b), "`culvert reload` puts ")
	text, _, ok := strings.Cut(text, " in force")
	var said []string
	for i, word := range strings.Split(text, "`") {
		if i%2 == 1 {
			said = append(said, strings.TrimPrefix(strings.Trim(word, "[]"), "mesh."))
		}
	}
	if want := slices.Sorted(slices.Values(reloadable)); !ok || !slices.Equal(slices.Sorted(slices.Values(said)), want) {
		t.Errorf("the reference says %q, a reload puts in force %q", said, want)
	}
}
