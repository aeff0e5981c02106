package bridge_test

import (
	"bytes"
	"fmt"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"culvert/bridge/sim"
	"culvert/tun/tuntest"
)

func itoa(n int) string { return strconv.Itoa(n) }

// meshSpeed is how many times faster than in the field the simulated mesh lives in
// these tests.
const meshSpeed = 16

// The kernel's ping and libcoap's client reach every node of a multi-hop mesh
// through the real TUN, with payloads from 8 octets to the largest that an echo
// request on this link can carry, without losses and with a tenth of all
// transmission attempts lost. ping compares payloads by itself.
func TestHostProgramsReachNodes(t *testing.T) {
	for _, loss := range []float64{0, 0.1} {
		t.Run(fmt.Sprintf("%v %% of attempts lost", 100*loss), func(t *testing.T) {
			t.Parallel()
			site := estate()
			r := world(t, sim.Options{Site: site, Seed: 1, Period: -1}, meshSpeed)
			r.Do(func(m *sim.Mesh) {
				if err := m.SetLoss(loss); err != nil {
					t.Error(err)
				}
			})
			m, ns := realMesh(t, r, len(site.Nodes))
			const tries = 3 // a relay's queue may be full even where no attempt is lost
			var wg sync.WaitGroup
			for _, p := range site.Nodes {
				wg.Go(func() { reach(t, ns, p, tries) })
			}
			wg.Wait()
			settled(t, m.Mesh)
			s := m.Stats()
			if err := m.stop(); err != nil {
				t.Error(err)
			}
			t.Logf("to mesh %d packets in %d frames, dropped %v; from mesh %d packets in %d frames, dropped %v, frames %v",
				s.Forward.ToMesh.Delivered, s.Forward.ToMesh.Frames, words(s.Forward.ToMesh.Dropped),
				s.Forward.FromMesh.Delivered, s.Forward.FromMesh.Frames, words(s.Forward.FromMesh.Dropped), words(s.Forward.FromMesh.FramesDropped))
		})
	}
}

// reach tries one node with every payload.
func reach(t *testing.T, ns *tuntest.NS, p sim.Place, tries int) {
	to := global(p.EUI64)
	for _, octets := range []int{8, 9, 56, 100, 300, 700, 1232} {
		if ok, out := ping(t, ns, to, octets, tries); !ok {
			t.Errorf("%s: %d octets: no echo in %d tries:\n%s", p.Name, octets, tries, out)
			return
		}
	}
	for _, octets := range []int{16, 1232} { // ping needs 16 to take the time
		if !fullLength() {
			break
		}
		median, got := medianOf(t, ns, to.String(), octets)
		if got < 10 {
			t.Errorf("%s: %d of 20 echoes of %d octets", p.Name, got, octets)
		}
		t.Logf("%-10s %4d octets: median of %d round trips %.1f ms, where the mesh lives %d times faster than in the field", p.Name, octets, got, median, meshSpeed)
	}
	for _, octets := range []int{8, 1000} {
		coap(t, ns, to.String(), octets, tries)
	}
}

var rtt = regexp.MustCompile(`time=([0-9.]+) ms`)

// medianOf pings 20 times, and returns the median of the round trips in ms.
func medianOf(t *testing.T, ns *tuntest.NS, to string, octets int) (median float64, got int) {
	tool := tuntest.Tool(t, "ping", "iputils-ping")
	out, _ := ns.Command(tool, "-6", "-n", "-A", "-c", "20", "-W", "8", "-s", itoa(octets), to).CombinedOutput()
	var times []float64
	for _, m := range rtt.FindAllSubmatch(out, -1) {
		v, err := strconv.ParseFloat(string(m[1]), 64)
		if err != nil {
			t.Fatal(err)
		}
		times = append(times, v)
	}
	if len(times) == 0 {
		return 0, 0
	}
	slices.Sort(times)
	return times[len(times)/2], len(times)
}

// coap reads a temperature, and sends a request with a payload of some octets: the
// node's answer, 4.05 or 4.15, shows that it came whole.
func coap(t *testing.T, ns *tuntest.NS, to string, octets, tries int) {
	tool := tuntest.Tool(t, "coap-client-notls", "libcoap3-bin")
	file := t.TempDir() + "/payload"
	if err := os.WriteFile(file, bytes.Repeat([]byte("x"), octets), 0o600); err != nil {
		t.Error(err)
		return
	}
	for _, args := range [][]string{
		{"-B", "20", "coap://[" + to + "]/temp"},
		{"-B", "20", "-b", "1024", "-m", "post", "-f", file, "coap://[" + to + "]/temp"},
	} {
		var out []byte
		ok := false
		for i := 0; i < tries && !ok; i++ {
			out, _ = ns.Command(tool, args...).CombinedOutput()
			text := strings.TrimSpace(string(out))
			if _, err := strconv.ParseFloat(text, 64); err == nil {
				ok = true
			}
			ok = ok || strings.HasPrefix(text, "4.05") || strings.HasPrefix(text, "4.15")
		}
		if !ok {
			t.Errorf("%s: coap-client %s: %q", to, strings.Join(args, " "), out)
		}
	}
}
