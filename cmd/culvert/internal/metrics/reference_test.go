package metrics

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"culvert/bridge"
	"culvert/bridge/forward"
	"culvert/bridge/lan"
	"culvert/bridge/node"
	"culvert/bridge/reading"
	"culvert/bridge/senml"
	"culvert/bridge/store"
	"culvert/coap"
	"culvert/coap/msg"
)

// everything is a pedantic registry that has each metric that there is.
func everything(t *testing.T) prometheus.Gatherer {
	t.Helper()
	m := newMesh(t)
	n := m.Nodes().Attach(node.Joined{EUI64: eui(5)}, time.Unix(1795600800, 0)).Node
	n.Heard(time.Unix(1795600800, 0), -60, 1)
	full := static(func(s *scrape) {
		New(Options{
			Meshes: []*bridge.Mesh{m}, State: func() store.Stats { return store.Stats{} }, Reload: func() (bool, time.Time) { return true, time.Unix(1795600800, 0) },
			Upstream: func() lan.Stats {
				return lan.Stats{Interfaces: []lan.InterfaceStats{{Name: "eth0"}, {Name: "eth1"}}}
			},
		}).Collect(s.ch)
		s.counter(icmpErrors, 1, "other", "1", "3")
		s.coap(coap.Stats{
			Requests:  []coap.Requests{{Door: msg.DoorUDP, Method: "GET", Code: "2.05", Count: 1}},
			Datagrams: []reading.Datagrams{{Mesh: "fenland", Result: "taken"}},
		})
		s.readings([]reading.Reading{{Mesh: "fenland", Node: "mast", Reading: senml.Reading{Name: "temp", Kind: senml.Value}}})
	})
	r := prometheus.NewPedanticRegistry()
	r.MustRegister(full)
	return r
}

// documented reads the rows of the reference: name, type, labels, meaning, advice.
func documented(t *testing.T) map[string][]string {
	t.Helper()
	b, err := os.ReadFile("../../../../deploy/METRICS.md")
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][]string{}
	for line := range strings.Lines(string(b)) {
		if !strings.HasPrefix(line, "| `culvert_") {
			continue
		}
		cells := strings.Split(strings.Trim(line, "| \n"), "|")
		if strings.HasSuffix(line, "| |\n") {
			cells = append(cells, "") // no advice
		}
		for i := range cells {
			cells[i] = strings.TrimSpace(cells[i])
		}
		name := strings.Trim(cells[0], "`")
		if len(cells) != 5 {
			t.Errorf("%s: %d cells: %q", name, len(cells), cells)
			continue
		}
		if out[name] != nil {
			t.Errorf("%s stands there twice", name)
		}
		out[name] = cells
	}
	return out
}

// The reference and what is really exposed are the same: every metric, its type, its
// labels, and the words of those labels that have a closed set of them.
func TestReference(t *testing.T) {
	said := documented(t)
	families, err := everything(t).Gather()
	if err != nil {
		t.Fatal(err)
	}
	have := map[string]bool{}
	for _, f := range families {
		have[f.GetName()] = true
	}
	described := make(chan *prometheus.Desc, 200)
	New(Options{}).Describe(described)
	close(described)
	for d := range described {
		_, name, _ := strings.Cut(d.String(), `fqName: "`)
		if name, _, _ = strings.Cut(name, `"`); !have[name] {
			t.Errorf("%s is described and not collected here: the rest of this test says nothing of it", name)
		}
	}
	for name := range said {
		if !have[name] {
			t.Errorf("%s is in the reference, and there is no such metric", name)
		}
	}
	for _, f := range families {
		name := f.GetName()
		row := said[name]
		if row == nil {
			t.Errorf("%s has no line in deploy/METRICS.md", name)
			continue
		}
		if want := strings.ToLower(f.GetType().String()); row[1] != want {
			t.Errorf("%s: type %q; it is a %s", name, row[1], want)
		}
		var labels []string
		for _, m := range f.GetMetric() {
			for _, l := range m.GetLabel() {
				if !slices.Contains(labels, l.GetName()) {
					labels = append(labels, l.GetName())
				}
				switch l.GetName() {
				case "event", "state", "origin", "result":
					if w := "`" + l.GetValue() + "`"; !strings.Contains(row[3], w) {
						t.Errorf("%s: no word about %s %s", name, l.GetName(), w)
					}
				}
			}
		}
		var want []string
		if row[2] != "" {
			want = strings.Split(row[2], ", ")
		}
		slices.Sort(want)
		slices.Sort(labels)
		if !slices.Equal(labels, want) {
			t.Errorf("%s: labels %q; it has %q", name, want, labels)
		}
	}
}

// Prometheus's own judge on every metric that there is, not only those of a daemon
// that has just started.
func TestPromtoolOnAll(t *testing.T) {
	path, err := exec.LookPath("promtool")
	if err != nil {
		t.Fatal("promtool is not installed: apt-get install -y --no-install-recommends prometheus")
	}
	families, err := everything(t).Gather()
	if err != nil {
		t.Fatal(err)
	}
	var text strings.Builder
	for _, f := range families {
		name := f.GetName()
		text.WriteString("# HELP " + name + " " + f.GetHelp() + "\n# TYPE " + name + " " + strings.ToLower(f.GetType().String()) + "\n")
		for _, m := range f.GetMetric() {
			var labels []string
			for _, l := range m.GetLabel() {
				labels = append(labels, l.GetName()+`="`+l.GetValue()+`"`)
			}
			text.WriteString(name + "{" + strings.Join(labels, ",") + "} 0\n")
		}
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, path, "check", "metrics")
	cmd.Stdin = strings.NewReader(text.String())
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}

// Each figure of the site's network stands under its own name: all are different here.
func TestUpstreamFigures(t *testing.T) {
	u := lan.Stats{Forwarding: true, HostRoutes: 101, RoutesRefused: 102, HostsWritten: 103, Interfaces: []lan.InterfaceStats{{
		Name: "eth0", Up: true, Routes: 104, Shared: 105, Advertised: 106, Solicited: 107, SendErrors: 108, Proxied: 109,
		Solicitations: 110, Answered: 111, Defended: 112, AddressConflicts: 113, GroupsUnavailable: 114,
	}}}
	n := &u.Interfaces[0].Names
	n.Names, n.Waiting, n.Withheld = 115, 116, 117
	n.Queries, n.Answers, n.Announced, n.Limited, n.Malformed = 118, 119, 120, 121, 122
	figures(t, func(s *scrape) { s.upstream(u) }, map[string]float64{
		"upstream_forwarding": 1, "upstream_host_routes": 101, "upstream_host_routes_refused_total": 102, "upstream_hosts_file_writes_total": 103,
		"upstream_up eth0": 1, "upstream_routes eth0": 104, "upstream_shared_prefixes eth0": 105, "upstream_advertisements_total eth0": 106,
		"upstream_router_solicitations_total eth0": 107, "upstream_send_errors_total eth0": 108, "upstream_proxied_addresses eth0": 109,
		"upstream_neighbor_solicitations_total eth0": 110, "upstream_neighbor_answers_total eth0": 111, "upstream_address_defenses_total eth0": 112,
		"upstream_address_conflicts eth0": 113, "upstream_group_failures_total eth0": 114,
		"upstream_names eth0 answered": 115, "upstream_names eth0 waiting": 116, "upstream_names eth0 withheld": 117,
		"upstream_name_messages_total query eth0": 118, "upstream_name_messages_total answer eth0": 119,
		"upstream_name_messages_total announcement eth0": 120, "upstream_name_messages_total limited eth0": 121,
		"upstream_name_messages_total malformed eth0": 122,
	})
}

// The same for what the CoAP front counts.
func TestFrontFigures(t *testing.T) {
	c := coap.Stats{
		MalformedUDP: 101, MalformedControl: 102, MalformedDTLS: 103, MalformedTCP: 104, MalformedTLS: 105,
		Sessions: 106, SessionsTLS: 107, FailedDTLS: 108, FailedTLS: 109, Abandoned: 110, Evicted: 111, Stray: 112, StreamsRefused: 113,
		Duplicates: 114, GaveUp: 115, NodeMessages: 116, NodeResent: 117, NodeTimeouts: 118, CacheHits: 119, Cached: 120,
		Observers: 121, Observations: 122, Notifications: 123, Challenged: 124, Disordered: 125,
		ReadingsRejected: 126, ReadingsRefused: 127, ReadingsClock: 128, Registrations: 129,
		OutputsDone: 130, OutputsRefused: 131, OutputsUnknown: 132, OutputsLocked: 133, AuditFailures: 134,
		LockOutsNotSafe: 135, AuditFull: true,
	}
	figures(t, func(s *scrape) { s.coap(c) }, map[string]float64{
		"coap_malformed_total udp": 101, "coap_malformed_total control": 102, "coap_malformed_total dtls": 103, "coap_malformed_total tcp": 104,
		"coap_malformed_total tls": 105, "coap_handshakes_total dtls opened": 106, "coap_handshakes_total tls opened": 107,
		"coap_handshakes_total dtls failed": 108, "coap_handshakes_total tls failed": 109, "coap_handshakes_total dtls abandoned": 110,
		"coap_handshakes_evicted_total": 111, "coap_stray_datagrams_total": 112, "coap_connections_refused_total": 113,
		"coap_duplicates_total": 114, "coap_answers_unacknowledged_total": 115, "coap_node_messages_total": 116,
		"coap_node_retransmissions_total": 117, "coap_node_timeouts_total": 118, "coap_cache_hits_total": 119, "coap_cached_answers": 120,
		"coap_observers": 121, "coap_observations": 122, "coap_notifications_total": 123, "coap_challenges_total": 124,
		"coap_disordered_notifications_total": 125, "readings_rejected_total": 126, "readings_without_room_total": 127,
		"readings_wrong_clock_total": 128, "coap_directory_registrations": 129,
		"output_writes_total done": 130, "output_writes_total refused": 131, "output_writes_total unknown": 132,
		"outputs_locked": 133, "audit_failures_total": 134,
		"output_lockouts_not_safe": 135, "audit_full": 1,
	})
}

// And for what a mesh has beside the packets.
func TestQueueFigures(t *testing.T) {
	m := bridge.Stats{Name: "fenland", TunDowns: 101}
	m.Forward = forward.Stats{Limited: 102, Buffers: forward.Buffers{InUse: 103, Max: 104, Forwarded: 111}, Radio: forward.RadioState{Credits: 105, Downs: 106}}
	m.Forward.ToMesh = forward.Direction{Queued: 107, FramesReturned: 108, FramesInFlight: 109}
	m.Forward.FromMesh = forward.Direction{Queued: 110}
	figures(t, func(s *scrape) { s.mesh(m) }, map[string]float64{
		"interface_downs_total fenland": 101, "icmp_errors_withheld_total fenland": 102, "packet_buffers fenland": 103, "packet_buffers_forwarded fenland": 111,
		"packet_buffers_max fenland": 104, "radio_credits fenland": 105, "radio_downs_total fenland": 106, "queued_packets to_mesh fenland": 107,
		"radio_returned_frames_total fenland": 108, "radio_frames_in_flight fenland": 109, "queued_packets from_mesh fenland": 110,
	})
}

// A state that is not kept shows as 0, and each failed write counts.
func TestStateFigures(t *testing.T) {
	for failing, kept := range map[error]float64{nil: 1, errors.New("disk full"): 0} {
		c := New(Options{State: func() store.Stats { return store.Stats{Failing: failing, Failures: 101} }})
		want := map[string]float64{"build_info   ": 1, "state_kept": kept, "state_write_failures_total": 101}
		if kept == 0 {
			delete(want, "state_kept")
		}
		figures(t, func(s *scrape) { c.Collect(s.ch) }, want)
	}
}

// figures compares the series above zero with those wanted, whose keys are the name
// and the values of the labels in the order of the labels' names.
func figures(t *testing.T, f func(*scrape), want map[string]float64) {
	t.Helper()
	r := prometheus.NewPedanticRegistry()
	r.MustRegister(static(f))
	families, err := r.Gather()
	if err != nil {
		t.Fatal(err)
	}
	left := len(want)
	for _, f := range families {
		for _, m := range f.GetMetric() {
			key := strings.TrimPrefix(f.GetName(), "culvert_")
			for _, l := range m.GetLabel() {
				key += " " + l.GetValue()
			}
			v := m.GetCounter().GetValue() + m.GetGauge().GetValue()
			switch w, ok := want[key]; {
			case ok && v != w:
				t.Errorf("%s is %v, want %v", key, v, w)
			case !ok && v != 0:
				t.Errorf("%s is %v, and nothing is wanted", key, v)
			case ok:
				left--
			}
		}
	}
	if left != 0 {
		t.Errorf("%d series are missing", left)
	}
}
