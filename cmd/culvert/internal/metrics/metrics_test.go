package metrics

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"culvert/bridge"
	"culvert/bridge/drop"
	"culvert/bridge/forward"
	"culvert/bridge/ieee802154"
	"culvert/bridge/nd"
	"culvert/bridge/node"
	"culvert/bridge/radio"
	"culvert/bridge/reading"
	"culvert/bridge/senml"
	"culvert/coap"
	"culvert/coap/msg"
)

// noRadio is an attachment that nobody starts: the collector only reads.
type noRadio struct{}

func (noRadio) Receive([]byte) (radio.Event, error) { return radio.Event{}, io.EOF }
func (noRadio) Send(radio.Frame, uint32) error      { return errors.New("no radio") }
func (noRadio) Close() error                        { return nil }

func eui(i int) ieee802154.Addr { return ieee802154.Extended(0x00005eef10000000 + uint64(i)) }

func newMesh(t testing.TB, places ...node.Place) *bridge.Mesh {
	t.Helper()
	m, err := bridge.New(bridge.Options{
		Name: "fenland", Prefix: netip.MustParsePrefix("fd5e:2a11:77c0:1::/64"), Radio: noRadio{}, Places: places,
		OpenTun: func() (bridge.Tun, error) { return nil, errors.New("no TUN") },
	})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// static is a collector of what a test hands it.
type static func(*scrape)

func (f static) Describe(ch chan<- *prometheus.Desc) { New(Options{}).Describe(ch) }
func (f static) Collect(ch chan<- prometheus.Metric) {
	f(&scrape{ch: ch, log: slog.New(slog.DiscardHandler)})
}

// Each figure of the packet path under its fixed name, with different numbers, so
// that one mistaken for another shows.
func TestMeshFigures(t *testing.T) {
	s := bridge.Stats{Name: "fenland", Up: true}
	s.Forward.Radio.Up = true
	s.Forward.ToMesh = forward.Direction{Delivered: 11, Octets: 12, Frames: 13, FrameOctets: 14}
	s.Forward.FromMesh = forward.Direction{Delivered: 21, Octets: 22, Frames: 23, FrameOctets: 24}
	s.Forward.ToMesh.Dropped[drop.QueueFull] = 31
	s.Forward.FromMesh.FramesDropped[drop.HC1] = 32
	s.Forward.Errors = []forward.ErrorCount{{Type: 1, Code: 3, Count: 41}, {Type: 2, Code: 0, Count: 42}}
	s.Nodes.Nodes[node.Up], s.Nodes.Nodes[node.Silent] = 51, 52
	s.Forward.FromMesh.Handled, s.Forward.Discovery.Busy = 61, 68
	s.Forward.Discovery.Stats = nd.Stats{Advertisements: 62, Registrations: 63, Refused: 64, Claims: 65, Probes: 66, Expired: 67, Bindings: 79, Claimed: 8}
	c := static(func(x *scrape) { x.mesh(s) })
	want := `
# HELP culvert_addresses Addresses that nodes registered or claimed, beside the derived ones.
# TYPE culvert_addresses gauge
culvert_addresses{mesh="fenland",origin="claimed"} 8
culvert_addresses{mesh="fenland",origin="registered"} 71
# HELP culvert_icmp_errors_total ICMPv6 errors that the bridge itself sent.
# TYPE culvert_icmp_errors_total counter
culvert_icmp_errors_total{code="0",mesh="fenland",type="2"} 42
culvert_icmp_errors_total{code="3",mesh="fenland",type="1"} 41
# HELP culvert_mesh_up Whether the mesh's interface, its route and its radio are up (1) or not (0).
# TYPE culvert_mesh_up gauge
culvert_mesh_up{mesh="fenland"} 1
# HELP culvert_neighbor_discovery_total What neighbour discovery with the nodes did: messages taken and router advertisements sent; registrations accepted, renewals included, and refused; claims made; probes sent; lifetimes that ran out; messages for whose changes there was no room before the disk.
# TYPE culvert_neighbor_discovery_total counter
culvert_neighbor_discovery_total{event="advertisement",mesh="fenland"} 62
culvert_neighbor_discovery_total{event="busy",mesh="fenland"} 68
culvert_neighbor_discovery_total{event="claim",mesh="fenland"} 65
culvert_neighbor_discovery_total{event="expired",mesh="fenland"} 67
culvert_neighbor_discovery_total{event="message",mesh="fenland"} 61
culvert_neighbor_discovery_total{event="probe",mesh="fenland"} 66
culvert_neighbor_discovery_total{event="refused",mesh="fenland"} 64
culvert_neighbor_discovery_total{event="registration",mesh="fenland"} 63
# HELP culvert_nodes Nodes by state.
# TYPE culvert_nodes gauge
culvert_nodes{mesh="fenland",state="expected"} 0
culvert_nodes{mesh="fenland",state="joining"} 0
culvert_nodes{mesh="fenland",state="late"} 0
culvert_nodes{mesh="fenland",state="retired"} 0
culvert_nodes{mesh="fenland",state="silent"} 52
culvert_nodes{mesh="fenland",state="unknown"} 0
culvert_nodes{mesh="fenland",state="up"} 51
# HELP culvert_packet_bytes_total Octets of the IPv6 packets delivered.
# TYPE culvert_packet_bytes_total counter
culvert_packet_bytes_total{direction="from_mesh",mesh="fenland"} 22
culvert_packet_bytes_total{direction="to_mesh",mesh="fenland"} 12
# HELP culvert_packets_total IPv6 packets delivered: to the mesh with every frame acknowledged, from the mesh to the kernel.
# TYPE culvert_packets_total counter
culvert_packets_total{direction="from_mesh",mesh="fenland"} 21
culvert_packets_total{direction="to_mesh",mesh="fenland"} 11
# HELP culvert_radio_bytes_total Octets of MAC payload of the frames handed to the radio, and received from it.
# TYPE culvert_radio_bytes_total counter
culvert_radio_bytes_total{direction="from_mesh",mesh="fenland"} 24
culvert_radio_bytes_total{direction="to_mesh",mesh="fenland"} 14
# HELP culvert_radio_frames_total Frames handed to the radio, and received from it.
# TYPE culvert_radio_frames_total counter
culvert_radio_frames_total{direction="from_mesh",mesh="fenland"} 23
culvert_radio_frames_total{direction="to_mesh",mesh="fenland"} 13
# HELP culvert_radio_up Whether the mesh's radio is there (1) or not (0).
# TYPE culvert_radio_up gauge
culvert_radio_up{mesh="fenland"} 1
`
	if err := testutil.CollectAndCompare(c, strings.NewReader(want), "culvert_icmp_errors_total", "culvert_mesh_up", "culvert_nodes",
		"culvert_addresses", "culvert_neighbor_discovery_total",
		"culvert_packet_bytes_total", "culvert_packets_total", "culvert_radio_bytes_total", "culvert_radio_frames_total", "culvert_radio_up"); err != nil {
		t.Error(err)
	}
	// Every reason stands there in both directions, under its own word.
	r := prometheus.NewPedanticRegistry()
	r.MustRegister(c)
	families, err := r.Gather()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range families {
		if n := f.GetName(); n != "culvert_dropped_packets_total" && n != "culvert_dropped_frames_total" {
			continue
		}
		if got, want := len(f.GetMetric()), 2*int(drop.Count-1); got != want {
			t.Errorf("%s has %d series, want %d", f.GetName(), got, want)
		}
		for _, m := range f.GetMetric() {
			label := map[string]string{}
			for _, l := range m.GetLabel() {
				label[l.GetName()] = l.GetValue()
			}
			reason, ok := drop.ByWord(label["reason"])
			if !ok || reason == drop.None {
				t.Errorf("reason %q", label["reason"])
			}
			want := 0.0
			switch {
			case reason == drop.QueueFull && label["direction"] == toMesh && f.GetName() == "culvert_dropped_packets_total":
				want = 31
			case reason == drop.HC1 && label["direction"] == fromMesh && f.GetName() == "culvert_dropped_frames_total":
				want = 32
			}
			if got := m.GetCounter().GetValue(); got != want {
				t.Errorf("%s%v is %v, want %v", f.GetName(), label, got, want)
			}
		}
	}
}

// Nodes come and go with the table; addresses stand in node_info alone.
func TestNodeSeries(t *testing.T) {
	m := newMesh(t, node.Place{Name: "grain-bin", EUI64: eui(5)}, node.Place{Name: "mast"})
	at := time.Unix(1795600800, 500e6)
	table := m.Nodes()
	n := table.Attach(node.Joined{EUI64: eui(5)}, at).Node
	n.Heard(at, -67, 2)
	table.Confirm(n, at)
	stranger := table.Learn(eui(9), at).Node
	stranger.Heard(at, 0, 0)
	c := New(Options{Meshes: []*bridge.Mesh{m}, Version: "1.2", Revision: "abc", GoVersion: "go1.26"})
	names := []string{"culvert_build_info", "culvert_node_up", "culvert_node_last_heard_timestamp_seconds", "culvert_node_info", "culvert_node_reading"}
	want := `
# HELP culvert_build_info What runs; the value is always 1.
# TYPE culvert_build_info gauge
culvert_build_info{goversion="go1.26",revision="abc",version="1.2"} 1
# HELP culvert_node_info Addresses of the node; the value is always 1.
# TYPE culvert_node_info gauge
culvert_node_info{address="",eui64="",mesh="fenland",node="mast"} 1
culvert_node_info{address="fd5e:2a11:77c0:1:200:5eef:1000:5",eui64="00:00:5e:ef:10:00:00:05",mesh="fenland",node="grain-bin"} 1
culvert_node_info{address="fd5e:2a11:77c0:1:200:5eef:1000:9",eui64="00:00:5e:ef:10:00:00:09",mesh="fenland",node="00:00:5e:ef:10:00:00:09"} 1
# HELP culvert_node_last_heard_timestamp_seconds When the last frame of the node arrived, in Unix time.
# TYPE culvert_node_last_heard_timestamp_seconds gauge
culvert_node_last_heard_timestamp_seconds{mesh="fenland",node="00:00:5e:ef:10:00:00:09"} 1.7956008005e+09
culvert_node_last_heard_timestamp_seconds{mesh="fenland",node="grain-bin"} 1.7956008005e+09
# HELP culvert_node_up Whether the node is up or late (1) or not (0).
# TYPE culvert_node_up gauge
culvert_node_up{mesh="fenland",node="00:00:5e:ef:10:00:00:09"} 0
culvert_node_up{mesh="fenland",node="grain-bin"} 1
culvert_node_up{mesh="fenland",node="mast"} 0
`
	if err := testutil.CollectAndCompare(c, strings.NewReader(want), names...); err != nil {
		t.Error(err)
	}
	table.Tick(at.Add(24*time.Hour), func(node.Change) {})
	if !stranger.Removed() {
		t.Fatal("the stranger is still in the table")
	}
	var kept []string
	for line := range strings.Lines(want) {
		if !strings.Contains(line, "00:09\"") {
			kept = append(kept, line)
		}
	}
	if err := testutil.CollectAndCompare(c, strings.NewReader(strings.Join(kept, "")), names...); err != nil {
		t.Errorf("after the stranger left: %v", err)
	}
}

// Readings that are numbers or flags, and what the CoAP front counted.
func TestCoAPFigures(t *testing.T) {
	at := time.Unix(1795600800, 250e6)
	c := static(func(x *scrape) {
		x.readings([]reading.Reading{
			{Mesh: "fenland", Node: "mast", Reading: senml.Reading{Name: "temp", Unit: "Cel", Kind: senml.Value, Value: 4.5, Time: at}},
			{Mesh: "fenland", Node: "mast", Reading: senml.Reading{Name: "door", Kind: senml.BoolValue, Bool: true, Time: at.Add(-time.Hour)}},
			{Mesh: "fenland", Node: "mast", Reading: senml.Reading{Name: "say", Kind: senml.StringValue, String: "x"}},
			{Mesh: "fenland", Node: "mast", Reading: senml.Reading{Name: "temp", Unit: "K", Kind: senml.Value, Value: 1}},
		})
		x.coap(coap.Stats{Datagrams: []reading.Datagrams{{Mesh: "fenland", Result: "taken", Count: 12}, {Mesh: "fenland", Result: "length", Count: 1}}, CacheHits: 31, Observers: 100, Observations: 1, Requests: []coap.Requests{{Door: msg.DoorUDP, Method: "GET", Code: "2.05", Count: 7}, {Door: msg.DoorControl, Method: "PUT", Code: "4.04", Count: 8}}})
	})
	want := `
# HELP culvert_bare_datagrams_total Datagrams that came to a decoder, by what became of them.
# TYPE culvert_bare_datagrams_total counter
culvert_bare_datagrams_total{mesh="fenland",result="length"} 1
culvert_bare_datagrams_total{mesh="fenland",result="taken"} 12
# HELP culvert_coap_cache_hits_total CoAP requests answered from what is kept of nodes' answers.
# TYPE culvert_coap_cache_hits_total counter
culvert_coap_cache_hits_total 31
# HELP culvert_coap_observations Observations of nodes now, which serve all clients.
# TYPE culvert_coap_observations gauge
culvert_coap_observations 1
# HELP culvert_coap_observers Observations by CoAP clients now.
# TYPE culvert_coap_observers gauge
culvert_coap_observers 100
# HELP culvert_coap_requests_total CoAP requests by the door they came through, their method and the code of the answer.
# TYPE culvert_coap_requests_total counter
culvert_coap_requests_total{code="2.05",door="udp",method="GET"} 7
culvert_coap_requests_total{code="4.04",door="control",method="PUT"} 8
# HELP culvert_node_reading Latest value that the node published.
# TYPE culvert_node_reading gauge
culvert_node_reading{mesh="fenland",name="door",node="mast",unit=""} 1
culvert_node_reading{mesh="fenland",name="temp",node="mast",unit="Cel"} 4.5
# HELP culvert_node_reading_timestamp_seconds When the latest value that the node published was measured, in Unix time.
# TYPE culvert_node_reading_timestamp_seconds gauge
culvert_node_reading_timestamp_seconds{mesh="fenland",name="door",node="mast",unit=""} 1.79559720025e+09
culvert_node_reading_timestamp_seconds{mesh="fenland",name="temp",node="mast",unit="Cel"} 1.79560080025e+09
`
	if err := testutil.CollectAndCompare(c, strings.NewReader(want), "culvert_bare_datagrams_total", "culvert_coap_cache_hits_total", "culvert_coap_observations",
		"culvert_coap_observers", "culvert_coap_requests_total", "culvert_node_reading", "culvert_node_reading_timestamp_seconds"); err != nil {
		t.Error(err)
	}
}

// A whole daemon's collector on a pedantic registry, and Prometheus's own judge of
// names and help texts.
func TestPromtool(t *testing.T) {
	path, err := exec.LookPath("promtool")
	if err != nil {
		t.Fatal("promtool is not installed: apt-get install -y --no-install-recommends prometheus")
	}
	m := newMesh(t)
	for i := range 20 {
		n := m.Nodes().Attach(node.Joined{EUI64: eui(i + 1)}, time.Now()).Node
		n.Heard(time.Now(), -60, 1)
	}
	c := New(Options{Meshes: []*bridge.Mesh{m}, CoAP: coap.New(coap.Options{})})
	pedantic := prometheus.NewPedanticRegistry()
	pedantic.MustRegister(c)
	if _, err := pedantic.Gather(); err != nil {
		t.Error(err)
	}
	text := get(t, c.Handler(), "")
	for _, name := range []string{"culvert_mesh_up{", "culvert_dropped_frames_total{", "culvert_node_up{", "go_goroutines ", "process_open_fds "} {
		if !strings.Contains(text, "\n"+name) {
			t.Errorf("no %s in the answer", name)
		}
	}
	for _, in := range []string{text, text + "# TYPE culvert_bad_gauge_total gauge\nculvert_bad_gauge_total 1\n"} {
		ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
		cmd := exec.CommandContext(ctx, path, "check", "metrics")
		cmd.Stdin = strings.NewReader(in)
		out, err := cmd.CombinedOutput()
		cancel()
		if bad := in != text; (err != nil) != bad {
			t.Errorf("promtool, with a bad metric added %v: %v\n%s", bad, err, out)
		}
	}
}

func get(t testing.TB, h http.Handler, accept string) string {
	t.Helper()
	w := httptest.NewRecorder()
	r := httptest.NewRequest("GET", "/metrics", nil)
	if accept != "" {
		r.Header.Set("Accept", accept)
	}
	h.ServeHTTP(w, r)
	if w.Code != http.StatusOK {
		t.Fatalf("%d %s", w.Code, w.Body.Bytes())
	}
	return w.Body.String()
}

// Names: base units, _total on counters alone, mesh first among the labels of what
// belongs to one.
func TestNames(t *testing.T) {
	ch := make(chan *prometheus.Desc, 100)
	New(Options{}).Describe(ch)
	close(ch)
	var names []string
	for d := range ch {
		s := d.String()
		_, name, _ := strings.Cut(s, `fqName: "`)
		name, _, _ = strings.Cut(name, `"`)
		names = append(names, name)
		if !strings.HasPrefix(name, "culvert_") {
			t.Errorf("%s has another prefix", name)
		}
		if strings.HasPrefix(name, "culvert_node_") && !strings.Contains(s, "{mesh,node") {
			t.Errorf("%s: %s", name, s)
		}
	}
	fixed := []string{ // TestReference has the whole list
		"culvert_build_info", "culvert_mesh_up", "culvert_radio_up", "culvert_packets_total", "culvert_packet_bytes_total",
		"culvert_radio_frames_total", "culvert_radio_bytes_total", "culvert_dropped_packets_total", "culvert_dropped_frames_total",
		"culvert_icmp_errors_total", "culvert_addresses", "culvert_neighbor_discovery_total", "culvert_nodes", "culvert_node_up", "culvert_node_last_heard_timestamp_seconds",
		"culvert_node_reading", "culvert_node_reading_timestamp_seconds", "culvert_bare_datagrams_total", "culvert_node_info", "culvert_coap_requests_total", "culvert_coap_cache_hits_total", "culvert_coap_observers", "culvert_coap_observations",
		"culvert_rules", "culvert_flows", "culvert_scan_sources", "culvert_config_reload_ok", "culvert_config_reload_timestamp_seconds",
	}
	for _, f := range fixed {
		if !slices.Contains(names, f) {
			t.Errorf("%s is missing", f)
		}
	}
}

// A label passes from one node to another while an answer is made: the answer
// stays whole.
func TestScrapeWhileNodesChange(t *testing.T) {
	m := newMesh(t)
	c := New(Options{Meshes: []*bridge.Mesh{m}})
	r := prometheus.NewPedanticRegistry()
	r.MustRegister(c)
	stop := make(chan struct{})
	done := make(chan struct{})
	go func() {
		defer close(done)
		for i := 0; ; i++ {
			select {
			case <-stop:
				return
			default:
			}
			// One short address goes round among many nodes without an EUI-64 known.
			m.Nodes().Attach(node.Joined{EUI64: eui(i%50 + 1), Short: ieee802154.Short(uint16(i%7 + 1))}, time.Now())
			m.Nodes().Learn(ieee802154.Short(uint16(i%7+1)), time.Now())
		}
	}()
	for range 200 {
		if _, err := r.Gather(); err != nil {
			t.Fatal(err)
		}
	}
	close(stop)
	<-done
}

// The answer's size and cost with 10,000 nodes.
func BenchmarkScrape10000Nodes(b *testing.B) {
	m := newMesh(b)
	for i := range 10000 {
		n := m.Nodes().Attach(node.Joined{EUI64: eui(i + 1), Short: ieee802154.Short(uint16(i + 1))}, time.Now()).Node
		n.Heard(time.Now(), -60, 1)
	}
	h := New(Options{Meshes: []*bridge.Mesh{m}}).Handler()
	size := len(get(b, h, ""))
	b.ReportAllocs()
	for b.Loop() {
		w := discard{h: http.Header{}}
		h.ServeHTTP(&w, httptest.NewRequest("GET", "/metrics", nil))
		if w.n < size/2 {
			b.Fatal(w.n)
		}
	}
	b.ReportMetric(float64(size), "octets/scrape")
}

type discard struct {
	h http.Header
	n int
}

func (d *discard) Header() http.Header         { return d.h }
func (d *discard) Write(b []byte) (int, error) { d.n += len(b); return len(b), nil }
func (d *discard) WriteHeader(int)             {}

// What cannot be collected is logged, and the rest is served.
func TestErrorLog(t *testing.T) {
	var b bytes.Buffer
	errorLog{slog.New(slog.NewTextHandler(&b, nil))}.Println("error gathering metrics:", fmt.Errorf("no such thing"))
	if !strings.Contains(b.String(), "no such thing") {
		t.Error(b.String())
	}
}
