package sim

import (
	"encoding/hex"
	"testing"
	"time"

	"github.com/gopacket/gopacket/layers"
)

// The octets of a bare report; those expected come of Python's
// struct.pack('>hHHB', -1234, 815, 3012, 1).
func TestBareReport(t *testing.T) {
	if got := hex.EncodeToString(appendBare(nil, readings{temp: -12.34, hum: 81.5, batt: 3.012}, true)); got != "fb2e032f0bc401" {
		t.Error(got)
	}
	s := chain(2)
	s.Nodes[0].Bare = 61620
	m, _ := start(t, Options{Site: s, Seed: 1, Period: 10 * time.Second})
	h := newHost(t, m)
	joined(t, m)
	m.SetLoss(0)
	m.Advance(m.Now() + time.Minute)
	bare, posts := 0, 0
	for _, b := range h.packets {
		udp := decode(t, b).TransportLayer().(*layers.UDP)
		if udp.DstPort == 5683 {
			posts++
			continue
		}
		bare++
		if udp.DstPort != 61620 || udp.SrcPort != 61620 || len(udp.Payload) != 7 {
			t.Errorf("port %d to %d, %x", udp.SrcPort, udp.DstPort, udp.Payload)
		}
	}
	if bare < 4 || posts < 4 {
		t.Errorf("%d bare datagrams and %d reports in a minute, want about six each", bare, posts)
	}
}
