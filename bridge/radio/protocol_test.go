package radio

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"io"
	"net"
	"os"
	"regexp"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/fxamacker/cbor/v2"

	"culvert/bridge/drop"
)

var update = flag.Bool("update", false, "write the examples of PROTOCOL.md anew")

const protocol = "PROTOCOL.md"

func document(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile(protocol)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// block compares a fenced block of PROTOCOL.md with what the code makes, or writes
// it anew.
func block(t *testing.T, info, want string) {
	t.Helper()
	doc := document(t)
	re := regexp.MustCompile("(?s)```" + regexp.QuoteMeta(info) + "\n(.*?)```\n")
	m := re.FindStringSubmatchIndex(doc)
	if m == nil {
		t.Errorf("%s has no block %q", protocol, info)
		return
	}
	if got := doc[m[2]:m[3]]; got == want {
		return
	} else if !*update {
		t.Errorf("%s, block %q:\n%swant\n%s(go test -run Protocol -update writes it)", protocol, info, got, want)
		return
	}
	if err := os.WriteFile(protocol, []byte(doc[:m[2]]+want+doc[m[3]:]), 0o644); err != nil {
		t.Fatal(err)
	}
}

// Each kind of record has its heading, and an example: its items as another CBOR
// library writes them, its octets, and what goes over the line.
func TestProtocolExamples(t *testing.T) {
	for _, c := range samples() {
		body := c.octets(t)
		items, err := cbor.Diagnose(body)
		if err != nil {
			t.Fatal(err)
		}
		block(t, "example "+c.name, fmt.Sprintf("record  %s\nbody    %x\nline    %x\n", items, body, AppendFramed(nil, body)))
		if heading := fmt.Sprintf("\n#### %d %s\n", c.record.Kind, c.name); !strings.Contains(document(t), heading) {
			t.Errorf("%s has no heading %q", protocol, heading)
		}
	}
}

// The tables of numbers and words are those of the code.
func TestProtocolTables(t *testing.T) {
	doc := document(t)
	row := func(cells ...any) {
		t.Helper()
		want := "\n|"
		for _, c := range cells {
			want += fmt.Sprintf(" %v |", c)
		}
		if !strings.Contains(doc, want) {
			t.Errorf("%s has no row %q", protocol, want[1:])
		}
	}
	for o := OutcomeFirstHop; o <= OutcomeLost; o++ {
		row(uint8(o), o)
	}
	for d := DiscardOther; d <= DiscardForeign; d++ {
		row(uint8(d), d)
	}
	for f, word := range map[Features]string{
		FeatureMultihop: "multihop", FeatureBroadcast: "broadcast", FeatureParents: "parents",
		FeatureLinkStats: "linkstats", FeatureAssign: "assign", FeatureCancel: "cancel",
	} {
		row(uint32(f), word)
	}
	o := Options{}.withDefaults()
	row("version", Version)
	row("longest frame between flags, FCS included, before escapes", fmt.Sprint(MaxRecord, " octets"))
	row("shortest", fmt.Sprint(minFrame, " octets"))
	row("longest MAC payload", fmt.Sprint(MaxPayload, " octets"))
	row("longest text", fmt.Sprint(MaxText, " octets"))
	row("credits used at most", MaxCredits)
	row("items within items of an element that is passed over", maxDepth)
	row("hello said again, keepalive", fmt.Sprintf("every %.0f s", o.Keepalive.Seconds()))
	row("unanswered keepalives, then dead", silentAfter)
	row("result given up", fmt.Sprintf("%.0f s", o.ResultTimeout.Seconds()))
	row("stream opened again after", fmt.Sprintf("%d ms to %.0f s", o.RetryMin.Milliseconds(), o.RetryMax.Seconds()))
	row("after a wrong version", fmt.Sprintf("%.0f s", o.RefusedRetry.Seconds()))
	if exitGrace != 500*time.Millisecond || defaultSpeed != 115200 {
		t.Error("the table of streams has old numbers")
	}
	// Sections that drop reasons name.
	for _, r := range []drop.Reason{drop.RadioDiscard, drop.RadioDown, drop.RadioFailed, drop.LinkRecord} {
		_, section, _ := strings.Cut(r.Section(), ", ")
		if !regexp.MustCompile(`(?mi)^#+ (\d+ )?` + regexp.QuoteMeta(section) + `$`).MatchString(doc) {
			t.Errorf("%s has no section %q, which the drop reason %v names", protocol, section, r)
		}
	}
}

// The conversation at the end of PROTOCOL.md is had with a real Link, whose octets
// are those that stand there.
func TestProtocolConversation(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ours, theirs := net.Pipe()
		l := NewLink("radio", func(context.Context) (io.ReadWriteCloser, error) { return ours, nil }, Options{})
		r := receive(t, l)
		var out strings.Builder
		dec := NewDecoder(theirs)
		daemon := func(k RecordKind, what string) Record {
			var rec Record
			body, err := dec.next()
			if err != nil || rec.Parse(body) != nil || rec.Kind != k {
				t.Fatalf("the daemon says %x, %v; want kind %d", body, err, k)
			}
			rec.Frame.Payload = bytes.Clone(rec.Frame.Payload)
			fmt.Fprintf(&out, "> %x  %s\n", AppendFramed(nil, body), what)
			return rec
		}
		radio := func(rec Record, what string) {
			wire := AppendFramed(nil, rec.AppendTo(nil))
			fmt.Fprintf(&out, "< %x  %s\n", wire, what)
			if _, err := theirs.Write(wire); err != nil {
				t.Fatal(err)
			}
		}
		hello := daemon(RecordHello, "hello")
		up := upRecord(hello.Session)
		up.Info.Feature = FeatureMultihop
		radio(up, "up, with the session of hello")
		r.next(EventUp)
		daemon(RecordTime, "time")
		radio(Record{Kind: RecordAttached, Node: NodeInfo{Addr: sump, Hops: 1}}, "attached: one node")
		radio(Record{Kind: RecordSnapshot}, "snapshot")
		r.next(EventAttached)
		r.next(EventSnapshot)
		// A compressed UDP packet: row hdlc-iphc of the vectors.
		payload := unhex(t, "7e33f01633163331a4636f6170")
		if err := l.Send(Frame{To: sump, Payload: payload}, 1); err != nil {
			t.Fatal(err)
		}
		daemon(RecordSend, "send 1")
		radio(Record{Kind: RecordResult, ID: 1, Outcome: OutcomeDelivered}, "result 1: delivered")
		r.next(EventResult)
		radio(Record{Kind: RecordFrame, Clock: 1_500_000, Frame: Frame{From: sump, To: gateway, Payload: payload, Signal: -60, Hops: 1}}, "frame: the node's answer")
		r.next(EventFrame)
		alive := daemon(RecordKeepalive, "keepalive, a second after hello")
		radio(Record{Kind: RecordAlive, ID: alive.ID, Clock: 2_000_000, Info: Info{Boot: up.Info.Boot}}, "alive")
		l.Close()
		r.ends()
		block(t, "exchange", out.String())
	})
}
