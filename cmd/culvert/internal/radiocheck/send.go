package radiocheck

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"net/netip"
	"time"

	"culvert/bridge/adapt"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
	"culvert/bridge/radio"
	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/findings"
)

// echoIdentifier marks the echo requests of this program (RFC 4443, section 4.1).
const echoIdentifier = "cu"

// echoPayload is the least that an echo request may carry; short, so that it fits into
// every frame.
const echoPayload = "mesh"

// echoRequest returns an echo request from a radio's link-local address to another one
// as the payload of one frame (RFC 6282). Nodes answer it and do nothing else.
func echoRequest(i *radio.Info, to ieee802154.Addr, dst netip.Addr, seq uint16, room int) ([]byte, error) {
	iid, _ := ipv6.IIDOf(i.EUI64)
	src := ipv6.LinkLocal(iid)
	msg := append([]byte{ipv6.TypeEchoRequest, 0, 0, 0}, echoIdentifier...)
	msg = append(binary.BigEndian.AppendUint16(msg, seq), echoPayload...)
	s, d := src.As16(), dst.As16()
	binary.BigEndian.PutUint16(msg[2:], ipv6.Checksum(s[:], d[:], ipv6.ProtoICMPv6, msg))
	pkt := ipv6.Header{PayloadLen: len(msg), NextHeader: ipv6.ProtoICMPv6, HopLimit: 64, Source: src, Destination: dst}.AppendTo(nil)
	// From the short address nothing is elided that the far end could get wrong: the
	// radio may send from either.
	from := i.Short
	if from.IsNone() {
		from = i.EUI64
	}
	var out adapt.Outgoing
	if err := adapt.NewSender(seq).Start(&out, append(pkt, msg...), lowpan.Peer{From: from, To: to}, nil, room); err != nil {
		return nil, err
	}
	payload := out.Append(nil)
	if !out.Done() {
		return nil, fmt.Errorf("an echo request needs more than one frame of %d octets", room)
	}
	return payload, nil
}

// room returns how many octets a frame to an address may carry.
func room(i *radio.Info, to ieee802154.Addr) int {
	if to.IsExtended() {
		return i.MaxExtended
	}
	return i.MaxShort
}

// echoTo returns an echo request for a node, to be sent to the address; to all nodes if
// that is the broadcast address.
func echoTo(i *radio.Info, n radio.NodeInfo, to ieee802154.Addr, seq uint32) ([]byte, error) {
	dst := ipv6.AllNodes
	if !to.IsBroadcast() {
		owner := n.Addr // a node's link-local address comes from its EUI-64, where it is known
		if owner.IsNone() {
			owner = to
		}
		iid, _ := ipv6.IIDOf(owner)
		dst = ipv6.LinkLocal(iid)
	}
	return echoRequest(i, to, dst, uint16(seq), room(i, to))
}

// ask sends echo requests to a node, and returns nil where that is not possible.
func (p *probe) ask(f *findings.Finding, n radio.NodeInfo, to ieee802154.Addr) *sentFrame {
	payload, err := echoTo(&p.up.Info, n, to, p.lastID)
	if err != nil {
		f.Set(findings.VerdictNotTried, "%v", err)
		return nil
	}
	return p.send(to, payload)
}

// one sends one echo request and waits for its result.
func (p *probe) one(ctx context.Context, f *findings.Finding, n radio.NodeInfo, to ieee802154.Addr) *sentFrame {
	s := p.ask(f, n, to)
	if s == nil {
		return nil
	}
	if why := p.results(ctx, s); why != "" {
		f.Set(findings.VerdictWrong, "%s", why)
		p.mute = "results do not come"
		return nil
	}
	f.Set(findings.VerdictOK, "%v after %v", s.outcome, millis(s.after))
	return s
}

func (p *probe) checkSend(ctx context.Context, f *findings.Finding) {
	to := p.reachable()
	f.Tried = fmt.Sprintf("an echo request to %v", to)
	p.one(ctx, f, p.target, to)
}

func (p *probe) checkSendShort(ctx context.Context, f *findings.Finding) {
	to := p.address(false)
	if to.IsNone() || to == p.reachable() {
		f.Set(findings.VerdictNotTried, "%v has no second address to which the radio sends", p.target.Addr)
		return
	}
	f.Tried = fmt.Sprintf("an echo request to %v", to)
	p.one(ctx, f, p.target, to)
}

// strangers are of the range that RFC 9542 keeps for documents: no device has them.
func stranger(listed []radio.NodeInfo) ieee802154.Addr {
	const first, last = 0x00005eef100000fe, 0x00005eef10000080
	for v := uint64(first); v > last; v-- {
		a, taken := ieee802154.Extended(v), false
		for _, n := range listed {
			taken = taken || n.Addr == a
		}
		if !taken {
			return a
		}
	}
	return ieee802154.Extended(first)
}

func (p *probe) checkSendUnknown(ctx context.Context, f *findings.Finding) {
	if p.up.Info.MaxExtended == 0 {
		f.Set(findings.VerdictNotOffered, "the radio sends to no EUI-64")
		return
	}
	to := stranger(p.nodes)
	f.Tried = fmt.Sprintf("an echo request to %v, which nobody has", to)
	if s := p.one(ctx, f, radio.NodeInfo{Addr: to}, to); s != nil && s.outcome == radio.OutcomeDelivered {
		f.Set(findings.VerdictWrong, "result %d, %v", s.outcome, s.outcome)
	}
}

func (p *probe) checkBroadcast(ctx context.Context, f *findings.Finding) {
	switch i := &p.up.Info; {
	case i.Feature&radio.FeatureBroadcast == 0:
		f.Set(findings.VerdictNotOffered, "up does not name feature %d, broadcast", radio.FeatureBroadcast)
	case i.MaxShort == 0:
		f.Set(findings.VerdictWrong, "up names feature %d, broadcast, and allows no payload to a short address", radio.FeatureBroadcast)
	default:
		f.Tried = fmt.Sprintf("an echo request to %v, for all nodes", ieee802154.Broadcast)
		p.one(ctx, f, radio.NodeInfo{}, ieee802154.Broadcast)
	}
}

func (p *probe) checkTooLong(ctx context.Context, f *findings.Finding) {
	to := p.reachable()
	n := room(&p.up.Info, to) + 1
	if n > radio.MaxPayload {
		f.Set(findings.VerdictNotOffered, "the longest payload of the protocol is not too long for the radio")
		return
	}
	f.Tried = fmt.Sprintf("%d octets to %v", n, to)
	s := p.send(to, make([]byte, n)) // of 00: no frame of a 6LoWPAN (RFC 4944, section 5.1)
	if errors.Is(s.refused, radio.ErrTooLong) {
		f.Set(findings.VerdictOK, "%v", s.refused)
	} else if why := p.results(ctx, s); why != "" {
		f.Set(findings.VerdictWrong, "%s", why)
		p.mute = "results do not come"
	} else if s.outcome != radio.OutcomeTooLong {
		f.Set(findings.VerdictWrong, "result %d, %v, where up allows %d octets", s.outcome, s.outcome, n-1)
	} else {
		f.Set(findings.VerdictOK, "%v", s.outcome)
	}
}

// burstMost bounds the frames that are sent at once.
const burstMost = 8

func (p *probe) checkBurst(ctx context.Context, f *findings.Finding) {
	n := min(p.credits-p.unresolved(), burstMost)
	f.Tried = fmt.Sprintf("%s at once, of %s", cli.Plural(n, "echo request"), cli.Plural(p.credits, "credit"))
	targets := append([]radio.NodeInfo{p.target}, p.nodes...)
	var frames []*sentFrame
	for i := range n {
		node := targets[i%len(targets)]
		to := node.Addr
		if room(&p.up.Info, to) == 0 {
			node, to = p.target, p.reachable()
		}
		s := p.ask(f, node, to)
		if s == nil {
			return
		}
		frames = append(frames, s)
	}
	if p.dial != nil && p.deaf == "" {
		if _, why := p.ping(ctx, nil); why != "" {
			f.Set(findings.VerdictWrong, "a keepalive behind them: %s", why)
			return
		}
	}
	if why := p.results(ctx, frames...); why != "" {
		f.Set(findings.VerdictWrong, "%s", why)
		p.mute = "results do not come"
		return
	}
	f.Set(findings.VerdictOK, "%s", outcomes(frames))
	for _, s := range frames {
		// A relay may be full at any time; the radio itself may not.
		if s.outcome == radio.OutcomeQueueFull && p.up.Info.Feature&radio.FeatureMultihop == 0 {
			f.Verdict = findings.VerdictWrong
		}
	}
}

func (p *probe) checkCancel(ctx context.Context, f *findings.Finding) {
	if p.up.Info.Feature&radio.FeatureCancel == 0 {
		f.Set(findings.VerdictNotOffered, "up does not name feature %d, cancel", radio.FeatureCancel)
		return
	}
	n := min(p.credits-p.unresolved(), 2)
	f.Tried = fmt.Sprintf("%s, and cancel for the last at once", cli.Plural(n, "echo request"))
	var frames []*sentFrame
	for range n {
		s := p.ask(f, p.target, p.reachable())
		if s == nil {
			return
		}
		frames = append(frames, s)
	}
	last := &radio.Record{Kind: radio.RecordCancel, ID: frames[n-1].id}
	p.say(last)
	if why := p.results(ctx, frames...); why != "" {
		f.Set(findings.VerdictWrong, "%s", why)
		p.mute = "results do not come"
		return
	}
	// What is done, or never was, is not cancelled: what comes of it is a second result.
	if p.deaf == "" {
		p.ping(ctx, nil) // what comes twice anyway has come
	}
	extra := p.seen.resultTwice.n + p.seen.resultStrays.n
	p.say(last)
	p.say(&radio.Record{Kind: radio.RecordCancel, ID: p.id()})
	if _, why := p.ping(ctx, nil); why != "" && p.deaf == "" {
		f.Set(findings.VerdictWrong, "cancel of a frame that is done, and a keepalive: %s", why)
		return
	}
	if p.seen.resultTwice.n+p.seen.resultStrays.n > extra {
		f.Set(findings.VerdictWrong, "cancel of a frame that is done gives another result")
		return
	}
	f.Set(findings.VerdictOK, "%s", outcomes(frames))
}

// checkAssign gives a node the short address that it has: nothing changes.
func (p *probe) checkAssign(ctx context.Context, f *findings.Finding) {
	if p.up.Info.Feature&radio.FeatureAssign == 0 {
		f.Set(findings.VerdictNotOffered, "up does not name feature %d, assign", radio.FeatureAssign)
		return
	}
	if p.noSend {
		f.Set(findings.VerdictNotTried, "--no-send")
		return
	}
	var node radio.NodeInfo
	for _, n := range p.nodes {
		if n.Addr.IsExtended() && n.Short.IsShort() {
			node = n
			break
		}
	}
	if node.Addr.IsNone() {
		f.Set(findings.VerdictNotTried, "no listed node has a short address that it could be given again")
		return
	}
	f.Tried = fmt.Sprintf("to %v its short address %v again", node.Addr, node.Short)
	began := time.Now()
	p.say(&radio.Record{Kind: radio.RecordAssign, Node: radio.NodeInfo{Addr: node.Addr, Short: node.Short}})
	var got radio.NodeInfo
	if !p.until(ctx, p.waits.Result, func(h *heard) bool {
		got = h.rec.Node
		return h.is(radio.RecordAttached) && got.Addr == node.Addr
	}) {
		f.Set(findings.VerdictWrong, "no attached: %s", p.silence(ctx, p.waits.Result))
		return
	}
	if got.Short != node.Short {
		f.Set(findings.VerdictWrong, "attached with the short address %v", got.Short)
		return
	}
	f.Set(findings.VerdictOK, "attached after %v", millis(time.Since(began)))
}
