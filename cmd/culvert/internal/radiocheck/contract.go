package radiocheck

import (
	"context"
	"errors"
	"net"
	"slices"
	"time"

	"culvert/bridge/ieee802154"
	"culvert/bridge/radio"
	"culvert/cmd/culvert/internal/findings"
)

// contractDocument is what an attachment keeps that speaks no link protocol.
const contractDocument = "bridge/radio/contract.go"

// contractChecks are the checks of such an attachment, in their order.
var contractChecks = []radioCheck{
	{name: "up", section: "Attachment", run: (*probe).checkUp,
		says: "Receive says up when the radio is there"},
	{name: "announcement", section: "Info", run: (*probe).checkAnnouncement,
		says: "the EUI-64 is a device's, the short address a node's or none, and a frame must have room in one of the payloads"},
	{name: "credits", section: "Event", run: (*probe).checkCredits,
		says: "up says how many frames may be unresolved"},
	{name: "send", section: "Attachment", run: (*probe).checkSend, needs: needTarget,
		says: "Send without an error promises one result with that id"},
	{name: "send-unknown", section: "Outcome", run: (*probe).checkSendUnknown, needs: needSend,
		says: "delivered says that the node itself has acknowledged"},
	{name: "broadcast", section: "Features", run: (*probe).checkBroadcast, needs: needSend,
		says: "a radio that broadcasts sends to 0xffff"},
	{name: "too-long", section: "Attachment", run: (*probe).checkTooLong, needs: needTarget,
		says: "a frame that is too long is refused, or ends as too-long"},
	{name: "burst", section: "Attachment", run: (*probe).checkBurst, needs: needTarget,
		says: "as many frames as there are credits are taken"},
	{name: "no-destination", section: "Attachment", run: (*probe).checkNoDestination, needs: needSend,
		says: "a frame without a destination is refused"},
	{name: "results", section: "Attachment", run: (*probe).checkResults, back: true,
		says: "for each frame that was taken there is one result, with its id"},
	{name: "frames", section: "Frame", run: (*probe).checkHeardFrames, back: true,
		says: "from and to are the addresses that the frame has: a node's, and the radio's own or a group's"},
	{name: "close", section: "Attachment", run: (*probe).checkClose,
		says: "Close ends a blocked call, and every later one, with net.ErrClosed"},
}

// tryContract makes every check of an attachment that speaks no link protocol.
func tryContract(ctx context.Context, t *radioTrial, a radio.Attachment) error {
	p := newProbe(t)
	p.give, p.document = a.Send, contractDocument
	p.line = attachmentLine(a)
	defer func() {
		if p.line != nil {
			p.line.close()
		}
	}()
	return p.makeAll(ctx, contractChecks, "credits")
}

// attached makes an attachment the far end of a line.
type attached struct{ radio.Attachment }

func (attached) Read([]byte) (int, error)  { return 0, net.ErrClosed }
func (attached) Write([]byte) (int, error) { return 0, net.ErrClosed }

// attachmentLine returns a line that hears the events of an attachment.
func attachmentLine(a radio.Attachment) *radioLine {
	l := &radioLine{conn: attached{a}, in: make(chan heard, lineQueue), done: make(chan struct{})}
	l.wg.Go(func() {
		defer close(l.in)
		b := make([]byte, radio.MaxRecord)
		for {
			ev, err := a.Receive(b)
			if err == nil && ev.Kind == radio.EventDown {
				err = ev.Cause
			}
			if err != nil {
				l.note(radio.LineStats{}, err)
				return
			}
			select {
			case l.in <- heard{rec: recordOf(&ev), at: time.Now()}:
			case <-l.done:
				// What is left is heard of by nobody, until Close has ended Receive.
			}
		}
	})
	return l
}

// recordOf returns an event as the record that says the same.
func recordOf(ev *radio.Event) radio.Record {
	r := radio.Record{
		Outcome: ev.Outcome, ID: ev.ID, Count: ev.Count, Credits: ev.Credits, Frame: ev.Frame,
		Node: ev.Node, Info: ev.Info, Link: ev.Link, Battery: ev.Battery, Text: []byte(ev.Text),
	}
	r.Frame.Payload = slices.Clone(ev.Frame.Payload)
	kinds := map[radio.Kind]radio.RecordKind{
		radio.EventUp: radio.RecordUp, radio.EventFrame: radio.RecordFrame, radio.EventResult: radio.RecordResult,
		radio.EventCredits: radio.RecordCredits, radio.EventAttached: radio.RecordAttached,
		radio.EventDetached: radio.RecordDetached, radio.EventParent: radio.RecordParents,
		radio.EventSnapshot: radio.RecordSnapshot, radio.EventLink: radio.RecordLink,
		radio.EventBattery: radio.RecordBattery, radio.EventText: radio.RecordText, radio.EventDiscard: radio.RecordDiscard,
	}
	if r.Kind = kinds[ev.Kind]; r.Kind == radio.RecordUp {
		r.Text = []byte(ev.Info.Name)
		r.Info.Version = radio.Version // that of the contract is this program's own
	}
	return r
}

// checkUp waits for the radio.
func (p *probe) checkUp(ctx context.Context, f *findings.Finding) {
	began := time.Now()
	var up radio.Record
	if !p.until(ctx, p.waits.Answer, func(h *heard) bool {
		up = h.rec
		return h.is(radio.RecordUp)
	}) {
		f.Set(findings.VerdictWrong, "no up: %s", p.silence(ctx, p.waits.Answer))
		p.dead, p.unreached = "the radio is not up", true
		return
	}
	p.take(&up)
	f.Set(findings.VerdictOK, "after %v", millis(time.Since(began)))
}

// checkNoDestination hands over a frame to nobody.
func (p *probe) checkNoDestination(_ context.Context, f *findings.Finding) {
	s := p.send(ieee802154.Addr{}, []byte{0}) // 00: no frame of a 6LoWPAN (RFC 4944, section 5.1)
	if errors.Is(s.refused, radio.ErrAddress) {
		f.Set(findings.VerdictOK, "%v", s.refused)
		return
	}
	f.Set(findings.VerdictWrong, "Send says %v, want %v", s.refused, radio.ErrAddress)
}

// checkHeardFrames listens for a while before it looks.
func (p *probe) checkHeardFrames(ctx context.Context, f *findings.Finding) {
	p.until(ctx, p.waits.Listen, nil)
	p.checkFrames(ctx, f)
}

// checkClose closes the attachment while Receive waits.
func (p *probe) checkClose(ctx context.Context, f *findings.Finding) {
	closed := make(chan struct{})
	go func(l *radioLine) {
		defer close(closed)
		l.close()
	}(p.line)
	select {
	case <-closed:
	case <-time.After(p.waits.Answer):
		f.Set(findings.VerdictWrong, "Close or Receive has not come back within %v", p.waits.Answer)
		p.line = nil // there is nothing that would end it
		return
	case <-ctx.Done():
		f.Set(findings.VerdictNotTried, "%s", findings.Expired(ctx))
		return
	}
	_, cause := p.line.seen()
	err := p.give(radio.Frame{To: ieee802154.Broadcast}, p.id())
	switch {
	case !errors.Is(cause, net.ErrClosed):
		f.Set(findings.VerdictWrong, "Receive says %v", cause)
	case !errors.Is(err, net.ErrClosed):
		f.Set(findings.VerdictWrong, "Send says %v", err)
	default:
		f.Set(findings.VerdictOK, "Receive and Send end")
	}
}
