package nodeclient

import (
	"slices"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/msg"
)

// mostUrgentWait is how many ACK_TIMEOUTs an urgent exchange waits at most before it sends
// its message again: it doubles up to there, and goes on until the deadline. It is our
// choice: one small message each 8 s with the default of 2 s.
const mostUrgentWait = 4

// submitUrgentLocked begins x beside whatever is in progress.
func (u *queues) submitUrgentLocked(p *peer, x *Exchange, now time.Time) {
	p.urgent = append(p.urgent, x)
	u.countLocked(x, 1)
	u.busy[p] = struct{}{}
	x.due = x.NotBefore
	if !x.due.After(now) {
		u.beginUrgentLocked(p, x, now)
	}
}

// beginUrgentLocked sends x from its beginning, with a new Message ID and token. What
// cannot be sent now is tried again.
func (u *queues) beginUrgentLocked(p *peer, x *Exchange, now time.Time) {
	p.chooseBlocks(x)
	x.FromNode, x.progress = false, fromFirstBlock
	if err := u.sendLocked(p, x, now); err != nil {
		x.response = msg.Errorf(codes.InternalServerError, "towards the node: %v", err)
		x.phase, x.due = awaitsTurn, now.Add(p.transmission.AckTimeout)
	}
}

// tickUrgentLocked sends p's urgent exchanges again when they are due, and ends those whose
// time is over.
func (u *queues) tickUrgentLocked(p *peer, now time.Time) (ended []*Exchange) {
	for _, x := range slices.Clone(p.urgent) {
		switch {
		case now.After(x.Deadline):
			u.counts.timeouts.Add(1)
			r := msg.Errorf(codes.GatewayTimeout, "the node did not answer")
			switch {
			case x.phase == awaitsTurn && x.response.Code != 0:
				r = x.response
			case x.phase == awaitsAck && x.returnedNth == x.resent+1:
				r = x.returnedResponse
			}
			ended = append(ended, u.endUrgentLocked(p, x, r, now)...)
		case !now.After(x.due):
		case x.phase == awaitsTurn:
			u.beginUrgentLocked(p, x, now)
		case x.phase == awaitsAck:
			x.resent++
			x.wait = min(2*x.wait, mostUrgentWait*p.transmission.AckTimeout)
			x.due = now.Add(x.wait)
			u.counts.retransmissions.Add(1)
			if u.transmitLocked(p, x, now) != nil {
				return ended // the socket is closed, and close answers all
			}
		}
	}
	return ended
}

// endUrgentLocked ends x, or has it tried again later where the response does not settle
// it and there is time.
func (u *queues) endUrgentLocked(p *peer, x *Exchange, r msg.Response, now time.Time) []*Exchange {
	at := slices.Index(p.urgent, x)
	if at < 0 {
		return nil
	}
	x.response = r
	if again := now.Add(p.transmission.AckTimeout); !x.settled(r) && again.Before(x.Deadline) {
		x.phase, x.due = awaitsTurn, again
		return nil
	}
	p.urgent = slices.Delete(p.urgent, at, at+1)
	u.countLocked(x, -1)
	u.idleLocked(p, now)
	return []*Exchange{x}
}

// inProgress returns the exchange of p that m belongs to: that with its Message ID or its
// token, else the first of the queue.
func (p *peer) inProgress(m *message.Message) *Exchange {
	for _, x := range p.urgent {
		switch m.Type {
		case message.Acknowledgement, message.Reset:
			if uint16(m.MessageID) == x.mid && x.phase != awaitsTurn {
				return x
			}
		default:
			if x.phase != awaitsTurn && len(m.Token) == len(x.token) && [4]byte(m.Token) == x.token {
				return x
			}
		}
	}
	if len(p.queue) > 0 {
		return p.queue[0]
	}
	return nil
}

// sent returns the exchanges of p of which a message may be under way.
func (p *peer) sent() []*Exchange {
	return append(p.urgent[:len(p.urgent):len(p.urgent)], p.queue[:min(len(p.queue), 1)]...)
}

// withdraw ends x, wherever it waits, with r. A message of it that waits in a queue of the
// mesh is taken back; one that is in the air cannot be.
func (u *queues) withdraw(x *Exchange, r msg.Response) {
	u.mu.Lock()
	p := x.peer
	at := -1
	if p != nil {
		at = slices.Index(p.queue, x)
	}
	var ended []*Exchange
	switch {
	case p != nil && slices.Contains(p.urgent, x):
		u.recallLocked(x)
		x.Deadline = u.now()
		ended = u.endUrgentLocked(p, x, r, u.now())
	case at == 0:
		u.recallLocked(x)
		ended = u.endLocked(p, x, r, u.now())
	case at > 0:
		x.response = r
		p.queue = slices.Delete(p.queue, at, at+1)
		u.countLocked(x, -1)
		ended = []*Exchange{x}
	}
	u.mu.Unlock()
	answerAll(ended)
}

// extend gives an urgent exchange more time, if it is still in progress.
func (u *queues) extend(x *Exchange, deadline time.Time) {
	u.mu.Lock()
	defer u.mu.Unlock()
	if deadline.After(x.Deadline) {
		x.Deadline = deadline
	}
}
