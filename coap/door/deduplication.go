package door

import (
	"container/list"
	"net/netip"
	"time"

	"culvert/coap/msg"
)

// exchanges are the exchanges of a UDP door in the last 247 s (EXCHANGE_LIFETIME), so that a
// repeated request is not carried out twice (RFC 7252, section 4.5). When they are full, the
// oldest exchange that has ended is evicted, one of the same address first.
type exchanges struct {
	byKey  map[msg.MessageKey]*rememberedExchange
	order  list.List // of *rememberedExchange, oldest first
	byHost map[netip.Addr]*list.List
	octets int
}

// rememberedExchange is one exchange.
type rememberedExchange struct {
	key    msg.MessageKey
	sum    uint64 // of the request's octets: another request may reuse its Message ID
	answer []byte // sent again for a repeated request; nil while there is none
	open   bool   // the request has no answer yet
	non    bool   // it is non-confirmable
	at     time.Time
	all    *list.Element // in exchanges.order
	host   *list.Element // in exchanges.byHost
}

func (m *exchanges) init() {
	m.byKey = map[msg.MessageKey]*rememberedExchange{}
	m.byHost = map[netip.Addr]*list.List{}
}

// begin looks a request up. If it is a repetition, it returns what is known of the
// first one. If not, it is remembered from now on; ok is false if there is no room
// for that.
func (m *exchanges) begin(k msg.MessageKey, sum uint64, now time.Time) (r *rememberedExchange, fresh, ok bool) {
	if old := m.byKey[k]; old != nil {
		if old.sum == sum && now.Sub(old.at) < old.lifetime() {
			return old, false, true
		}
		// The client has come round to this Message ID again: that it was reused too
		// early must not give it the answer to another question.
		m.remove(old)
	}
	host := m.byHost[k.Remote.Addr()]
	if host != nil && host.Len() >= maxRememberIP && !m.evict(host) {
		return nil, true, false
	}
	if len(m.byKey) >= MaxRemembered && !m.evict(&m.order) {
		return nil, true, false
	}
	if host = m.byHost[k.Remote.Addr()]; host == nil {
		host = list.New()
		m.byHost[k.Remote.Addr()] = host
	}
	r = &rememberedExchange{key: k, sum: sum, at: now, open: true}
	r.all, r.host = m.order.PushBack(r), host.PushBack(r)
	m.byKey[k] = r
	return r, true, true
}

// lifetime is for how long the request's Message ID may not be used again (RFC 7252,
// section 4.8.2).
func (r *rememberedExchange) lifetime() time.Duration {
	if r.non {
		return msg.NonLifetime
	}
	return msg.ExchangeLifetime
}

// evict removes the oldest exchange of l that has ended. Few are open at a time, as
// the nodes' queues are short; a list that starts with many of them is full.
func (m *exchanges) evict(l *list.List) bool {
	e := l.Front()
	for range 64 {
		if e == nil {
			return false
		}
		if r := e.Value.(*rememberedExchange); !r.open {
			m.remove(r)
			return true
		}
		e = e.Next()
	}
	return false
}

func (m *exchanges) remove(r *rememberedExchange) {
	if m.byKey[r.key] != r {
		return // it is out already
	}
	delete(m.byKey, r.key)
	m.octets -= len(r.answer)
	m.order.Remove(r.all)
	host := m.byHost[r.key.Remote.Addr()]
	host.Remove(r.host)
	if host.Len() == 0 {
		delete(m.byHost, r.key.Remote.Addr())
	}
}

// set gives a repetition its answer.
func (m *exchanges) set(r *rememberedExchange, answer []byte) {
	if m.byKey[r.key] != r {
		return
	}
	m.octets += len(answer) - len(r.answer)
	r.answer = answer
	for m.octets > rememberBytes && m.evict(&m.order) {
	}
}

// done is set for the last time.
func (m *exchanges) done(r *rememberedExchange, answer []byte) {
	r.open = false
	m.set(r, answer)
}

func (m *exchanges) expire(now time.Time) {
	for e := m.order.Front(); e != nil; e = m.order.Front() {
		r := e.Value.(*rememberedExchange)
		if now.Sub(r.at) < msg.ExchangeLifetime || r.open {
			return
		}
		m.remove(r)
	}
}
