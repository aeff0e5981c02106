package bridgetest

import (
	"encoding/binary"
	"slices"
	"testing"
)

// The counts were taken when the files were made: a file cut short must not pass for a
// smaller one.
func TestEverythingLoads(t *testing.T) {
	vectors := Vectors(t, Sets(t)...)
	if len(vectors) != 3243 {
		t.Errorf("%d vectors, want 3243", len(vectors))
	}
	seen := map[string]bool{}
	for _, v := range vectors {
		if seen[v.ID] {
			t.Errorf("vector %s stands twice", v.ID)
		}
		seen[v.ID] = true
		if v.Expect.Action == "" {
			t.Errorf("%s has no action", v.ID)
		}
		if v.Times != nil && len(v.Times) != len(v.Frames) {
			t.Errorf("%s: %d times for %d frames", v.ID, len(v.Times), len(v.Frames))
		}
	}
	for name, want := range map[string]int{"vectors": 620, "quirks": 71} {
		list := KernelVectors(t)
		if name == "quirks" {
			list = KernelQuirks(t)
		}
		if len(list) != want {
			t.Errorf("%d kernel %s, want %d", len(list), name, want)
		}
		for _, v := range list {
			if len(v.Frames) == 0 || len(v.Frames) != len(v.MACFrames) || v.From.IsNone() || v.To.IsNone() {
				t.Errorf("kernel %s: %d frames, %d with MAC header, from %v to %v", v.Name, len(v.Frames), len(v.MACFrames), v.From, v.To)
			}
			if len(v.Packet) < 40 || len(v.Packet) != 40+int(binary.BigEndian.Uint16(v.Packet[4:])) {
				t.Errorf("kernel %s: packet of %d octets disagrees with its Payload Length", v.Name, len(v.Packet))
			}
		}
	}
	n := 0
	for _, r := range Reports(t) {
		for _, v := range r.Vectors {
			n++
			if v.Frame == nil && v.Packet == nil && v.Head == nil && v.CoAP == nil {
				t.Errorf("report %s, %s: no octets", r.ID, v.Name)
			}
		}
	}
	if n != 84 {
		t.Errorf("%d report vectors, want 84", n)
	}
}

// A frame of a report: the addresses are those in its MAC header.
func TestReportAddresses(t *testing.T) {
	for _, r := range Reports(t, "codec") {
		if r.ID != "C01" {
			continue
		}
		got := []string{}
		for _, v := range r.Vectors {
			got = append(got, v.From.String(), v.To.String())
		}
		want := []string{"00:00:5e:ef:10:00:00:0a", "00:01", "12:34", "00:00:5e:ef:10:00:00:01"}
		if !slices.Equal(got, want) {
			t.Errorf("addresses %q, want %q", got, want)
		}
		return
	}
	t.Fatal("no report C01")
}
