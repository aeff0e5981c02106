package observe

import (
	"net/netip"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/msg"
)

// door is a socket that records what it is given to send.
type door struct {
	next uint16
	sent []message.Message
}

func (d *door) NextKey(p msg.Peer) msg.MessageKey {
	d.next++
	return msg.MessageKey{Remote: p.Addr, ID: d.next}
}

func (d *door) Notify(_ msg.MessageKey, m message.Message, _ []byte) bool {
	d.sent = append(d.sent, m)
	return true
}

// site is a subject with one observer, whose clock the test moves.
func site(t *testing.T) (o *Observers, d *door, sub *Subject, now *time.Time) {
	t.Helper()
	at := time.Date(2026, 11, 30, 8, 0, 0, 0, time.UTC)
	now, d = &at, &door{}
	o = New(&msg.Transfers{}, func(r msg.Response, _ string) msg.Response { return r }, func() time.Time { return *now })
	sub = NewSubject(func() {})
	req := &msg.Request{Code: codes.GET, Options: message.Options{{ID: message.Observe}}, Room: 1024, Notifier: d,
		Peer: msg.Peer{Addr: netip.MustParseAddrPort("[::1]:5000")}}
	o.Set(sub, msg.Content(msg.FormatText, []byte("0")), at, false)
	if r := o.Attach(req, sub, msg.Content(msg.FormatText, []byte("0"))); msg.Uint(r.Options, message.Observe) < 0 {
		t.Fatal("it is not observed")
	}
	return o, d, sub, now
}

// 7641-OBS02: clients have an order of the front's own, which wraps as section 3.4 of RFC
// 7641 wants it.
func TestObserveOwnOrder(t *testing.T) {
	o, d, sub, now := site(t)
	o.order = 1<<24 - 4
	last := int64(-1)
	for i := range 6 {
		o.Set(sub, msg.Content(msg.FormatText, []byte{byte('1' + i)}), *now, true)
		o.notifyDirty()
		v := msg.Uint(d.sent[len(d.sent)-1].Options, message.Observe)
		if newer := last < 0 || last < v && v-last < 1<<23 || last > v && last-v > 1<<23; !newer || v > 1<<24-1 {
			t.Errorf("%d after %d is not newer", v, last)
		}
		last = v
	}
	if last > 10 || len(d.sent) != 6 {
		t.Errorf("order %d after %d notifications: it did not wrap", last, len(d.sent))
	}
}

// A confirmable notification holds the next ones back until it is acknowledged; the
// latest state follows (RFC 7641, section 4.5.1). Nothing is left when the client rejects
// one.
func TestConfirmableHoldsBack(t *testing.T) {
	o, d, sub, now := site(t)
	*now = now.Add(ConfirmWithin)
	say := func(s string) {
		o.Set(sub, msg.Content(msg.FormatText, []byte(s)), *now, true)
		o.notifyDirty()
	}
	say("1")
	if len(d.sent) != 1 || d.sent[0].Type != message.Confirmable {
		t.Fatalf("%v", d.sent)
	}
	say("2")
	say("3")
	if len(d.sent) != 1 {
		t.Errorf("%d sent while one awaits its acknowledgement", len(d.sent))
	}
	key := msg.MessageKey{Remote: netip.MustParseAddrPort("[::1]:5000"), ID: d.next}
	o.Acknowledged(key)
	o.notifyDirty()
	if n := len(d.sent); n != 2 || string(d.sent[1].Payload) != "3" {
		t.Errorf("%d sent, the last is %q", n, d.sent[n-1].Payload)
	}
	key.ID = d.next
	o.Rejected(key)
	if len(o.byKey)+len(o.byMessage)+len(o.byNetwork)+o.anonymous+len(sub.all) != 0 {
		t.Errorf("left: %d, %d, %d, %d", len(o.byKey), len(o.byMessage), len(o.byNetwork)+o.anonymous, len(sub.all))
	}
}
