package dissect

import (
	"bytes"
	"encoding/hex"
	"slices"
	"strings"
	"testing"

	"culvert/bridge/bridgetest"
	"culvert/cmd/culvert/internal/cli"
)

// reportCase returns the case with the given id.
func reportCase(t *testing.T, id string) bridgetest.Report {
	t.Helper()
	for _, r := range bridgetest.Reports(t) {
		if r.ID == id {
			return r
		}
	}
	t.Fatalf("no report %s", id)
	return bridgetest.Report{}
}

// explainReport asks explain for one frame each.
func explainReport(t *testing.T, list []bridgetest.ReportVector) []explained {
	t.Helper()
	var lines []line
	for _, v := range list {
		lines = append(lines, vectorLine(bridgetest.ReportContexts(), []bridgetest.Frame{{From: v.From, To: v.To, Payload: v.Frame}}, nil))
	}
	out := askLines[explained](t, cli.ExitOK, "explain", lines)
	for i, a := range out {
		checkAnswer(t, list[i].Name, 1, a)
	}
	return out
}

// The single frames of the reports: what has a packet beside it expands to it, what
// has none is dropped. Each case's right result says so in prose.
func TestReportFrames(t *testing.T) {
	// C13 lets a program that knows mesh, broadcast and paging headers take them off.
	headers := []string{"BC0 0x50 + IPHC", "mesh header 0xb5 + IPHC", "page switch 0xf1 + IPHC"}
	for _, id := range []string{"C01", "C02", "C03", "C05", "C08", "C09", "C13", "C15", "I03", "T01"} {
		t.Run(id, func(t *testing.T) {
			r := reportCase(t, id)
			list := slices.DeleteFunc(r.Vectors, func(v bridgetest.ReportVector) bool { return v.Frame == nil })
			for i, a := range explainReport(t, list) {
				v := list[i]
				expands := v.Packet != nil || slices.Contains(headers, v.Name) || id == "I03"
				switch {
				case expands && (len(*a.Packets) != 1 || a.Drops != nil):
					t.Errorf("%s: %v %+v, want one packet", v.Name, *a.Packets, a.Drops)
				case v.Packet != nil && (*a.Packets)[0] != hex.EncodeToString(v.Packet):
					t.Errorf("%s: %s\nwant %x (%s)", v.Name, (*a.Packets)[0], v.Packet, v.Expect)
				case !expands && (len(*a.Packets) != 0 || len(a.Drops) == 0):
					t.Errorf("%s: %v %+v, want a drop (%s)", v.Name, *a.Packets, a.Drops, v.Expect)
				}
			}
		})
	}
}

// C05 and C08: every proper prefix of a good frame that ends within its headers is
// dropped as truncated; one that ends within the payload is a shorter packet.
func TestReportPrefixes(t *testing.T) {
	for id, payload := range map[string]int{"C05": 4, "C08": 4} { // octets of UDP payload in each
		var cuts []bridgetest.ReportVector
		var headers []int
		for _, v := range reportCase(t, id).Vectors {
			if v.Packet == nil {
				continue
			}
			for n := range v.Frame {
				c := v
				c.Frame = v.Frame[:n]
				cuts = append(cuts, c)
				headers = append(headers, len(v.Frame)-payload)
			}
		}
		for i, a := range explainReport(t, cuts) {
			n := len(cuts[i].Frame)
			if whole := n >= headers[i]; whole != (len(*a.Packets) == 1) || !whole && a.Reason != "truncated" {
				t.Errorf("%s, %s, cut to %d octets with %d of headers: %v %+v", id, cuts[i].Name, n, headers[i], *a.Packets, a.Drops)
			}
		}
	}
}

// C09: a bad fragment does no harm to a good datagram that follows, under the same
// tag or another.
func TestReportBadFragmentsBesideGood(t *testing.T) {
	r := reportCase(t, "C09")
	packet := reportCase(t, "C10").Vectors[0].Packet
	var lines []line
	for _, v := range r.Vectors {
		for _, tag := range []int{1, 0, 0x0102, 0x4242} {
			a := askLines[compressed](t, cli.ExitOK, "compress", []line{packetLine(v.From, v.To, nil, packet, line{"tag": tag})})
			frames := []bridgetest.Frame{{From: v.From, To: v.To, Payload: v.Frame}}
			for _, f := range a[0].octets(t, v.Name) {
				frames = append(frames, bridgetest.Frame{From: v.From, To: v.To, Payload: f})
			}
			lines = append(lines, vectorLine(nil, frames, nil))
		}
	}
	for i, a := range askLines[explained](t, cli.ExitOK, "explain", lines) {
		if !slices.Equal(*a.Packets, hexes([][]byte{packet})) || len(a.Drops) == 0 {
			t.Errorf("%s, then a good datagram: %v %+v", r.Vectors[i/4].Name, *a.Packets, a.Drops)
		}
	}
}

// C02, C05 and C15: the forms that the encoder has to choose. C03 allows the address
// in full, too; ours takes the shorter form.
func TestReportCompress(t *testing.T) {
	for _, id := range []string{"C02", "C03", "C05", "C15"} {
		r := reportCase(t, id)
		var lines []line
		for _, v := range r.Vectors {
			lines = append(lines, packetLine(v.From, v.To, bridgetest.ReportContexts(), v.Packet, nil))
		}
		for i, a := range askLines[compressed](t, cli.ExitOK, "compress", lines) {
			if v := r.Vectors[i]; !bytes.Equal(a.octets(t, v.Name)[0], v.Frame) {
				t.Errorf("%s, %s: %v\nwant %x (%s)", id, v.Name, *a.Frames, v.Frame, v.Expect)
			}
		}
	}
}

// C10: a datagram of 248 octets in frames of 104: three of them, then silence.
func TestReportFragmenting(t *testing.T) {
	r := reportCase(t, "C10")
	in, first := r.Vectors[0], r.Vectors[1]
	a := askLines[compressed](t, cli.ExitOK, "compress", []line{
		packetLine(first.From, first.To, bridgetest.ReportContexts(), in.Packet, line{"frame_size": 104, "tag": 0x0102}),
	})
	frames := a[0].octets(t, "C10")
	checkFragments(t, "C10", frames, in.Packet, 104, 0x0102)
	if len(frames) != 3 {
		t.Errorf("%d frames, want 3", len(frames))
	}
	theirs := [][]byte{first.Frame, r.Vectors[2].Frame, r.Vectors[3].Frame}
	if sum(frames) > sum(theirs) {
		t.Errorf("%d octets, the report's answer has %d", sum(frames), sum(theirs))
	}
	for _, f := range [][][]byte{frames, theirs} {
		got := askLines[explained](t, cli.ExitOK, "explain", []line{framesFor(first.From, first.To, bridgetest.ReportContexts(), f, false)})
		if !slices.Equal(*got[0].Packets, hexes([][]byte{in.Packet})) {
			t.Errorf("decodes to %v %+v", *got[0].Packets, got[0].Drops)
		}
	}
}

// C12: datagrams over the link MTU of 1280 octets neither come in nor go out; one of
// exactly 1280 does both.
func TestReportMTU(t *testing.T) {
	r := reportCase(t, "C12")
	if a := explainReport(t, r.Vectors[:1]); a[0].Reason != "fragment-size" {
		t.Errorf("FRAG1 of 2047 octets: %+v", a[0])
	}
	packet := append(bytes.Clone(r.Vectors[1].Head), make([]byte, 1281-len(r.Vectors[1].Head))...)
	a := askLines[compressed](t, cli.ExitBad, "compress", []line{packetLine(r.Vectors[0].From, r.Vectors[0].To, nil, packet, nil)})
	if a[0].Frames != nil || a[0].Reason != "packet-too-big" || !strings.HasPrefix(a[0].Error, "line 1: packet-too-big: ") {
		t.Errorf("packet of 1281 octets: %+v", a[0])
	}
	packet = packet[:1280]
	packet[5]-- // the Payload Length, 0x4d9 to 0x4d8
	a = askLines[compressed](t, cli.ExitOK, "compress", []line{packetLine(r.Vectors[0].From, r.Vectors[0].To, nil, packet, nil)})
	got := askLines[explained](t, cli.ExitOK, "explain", []line{framesFor(r.Vectors[0].From, r.Vectors[0].To, nil, a[0].octets(t, "1280"), false)})
	if !slices.Equal(*got[0].Packets, hexes([][]byte{packet})) {
		t.Errorf("packet of 1280 octets: %v %+v", *got[0].Packets, got[0].Drops)
	}
}
