package output

import (
	"fmt"
	"strings"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/api"
	"culvert/coap/msg"
	"culvert/coap/nodeclient"
)

// superseded is why a write ends that gave way to one of the safe value.
const superseded = "superseded by a write of the safe value"

// wasStopped makes the outcome of a write that was withdrawn unknown: what was sent may
// have acted.
func (s *Outputs) wasStopped(o *write) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if o.stopped == "" {
		return false
	}
	o.Outcome, o.Reason = api.OutcomeUnknown, o.stopped
	if o.notSent {
		o.Reason += "; no message of it was sent"
	}
	if o.notSent && o.stopped != superseded {
		o.Outcome = api.OutcomeRefused
	}
	return true
}

// setOutcome says what the node's answer to the write amounts to; Outcome stays empty where
// it is to be read back.
func (o *write) setOutcome(put *nodeclient.Exchange, r msg.Response) {
	o.notSent = !put.Transmitted()
	switch {
	case o.notSent:
		o.Outcome, o.Reason = api.OutcomeRefused, "not sent: "+string(r.Payload)
	case !put.FromNode:
		o.Outcome, o.Reason = api.OutcomeUnknown, string(r.Payload)
	case r.Code>>5 == 4:
		o.Outcome, o.Reason = api.OutcomeRefused, fmt.Sprintf("the node says %s %s", msg.CodeText(r.Code), r.Payload)
	case r.Code>>5 != 2:
		o.Outcome, o.Reason = api.OutcomeUnknown, fmt.Sprintf("the node says %s %s", msg.CodeText(r.Code), r.Payload)
	}
}

// readBack compares what the node says of its output with what was written.
func (o *write) readBack(get *nodeclient.Exchange, r msg.Response) {
	if !get.FromNode || r.Code != codes.Content {
		o.Outcome, o.Reason = api.OutcomeUnknown, fmt.Sprintf("the node took it, but could not be asked what it did: %s %s", msg.CodeText(r.Code), r.Payload)
		return
	}
	o.Reads = string(r.Payload[:min(len(r.Payload), MaxValue)])
	if plainValue(o.Reads) == plainValue(o.Value) {
		o.Outcome = api.OutcomeDone
		return
	}
	o.Outcome, o.Reason = api.OutcomeUnknown, fmt.Sprintf("the node took it, but reads back %q: something else drives this output, or holds it", o.Reads)
}

// plainValue makes the usual words for a switch's states one.
func plainValue(s string) string {
	switch s = strings.ToLower(strings.TrimSpace(s)); s {
	case "on", "true":
		return "1"
	case "off", "false":
		return "0"
	}
	return s
}

// release gives the output free of a write that is over, and returns who waits for its
// outcome. A write of which nothing was sent does not count for the interval.
func (s *Outputs) release(o *write) []func(msg.Response) {
	s.mu.Lock()
	defer s.mu.Unlock()
	x := o.entry
	if x.pending == o {
		x.pending = nil
	}
	if x.safe == o {
		x.safe = nil
	}
	if o.notSent && x.begun.Equal(o.begun) {
		x.begun = o.before
	}
	return o.replies
}

// end writes down the outcome of a write, and answers.
func (s *Outputs) end(o *write, code codes.Code) {
	s.wg.Go(func() {
		replies := s.release(o) // first: a disk that hangs must not keep the next write waiting
		write := func() {
			if o.logged != nil {
				<-o.logged
			}
			done := o.written()
			if err := s.audit.outcome(o); err != nil {
				s.Log.Error("outcome not written to the audit log", "id", done.ID, "outcome", o.Outcome, "error", err)
			}
			s.mu.Lock()
			if last := o.entry.last; last == nil || !done.At.Before(last.At) {
				o.entry.last = &done
			}
			s.mu.Unlock()
			s.Log.Info("output written", "place", o.Place, "resource", o.Resource, "by", o.by, "outcome", o.Outcome, "id", done.ID)
		}
		if o.safe {
			s.within(write)
		} else {
			write()
		}
		switch o.Outcome {
		case api.OutcomeDone:
			code = codes.Changed
		case api.OutcomeUnknown:
			code = codes.GatewayTimeout
		}
		for i, reply := range replies {
			if i == 0 {
				reply(s.answer(o, code))
				continue
			}
			reply(s.text(o, code)) // one write, whoever waits for it
		}
	})
}

// refused answers a write that never left.
func (s *Outputs) refused(o *write, why string, code codes.Code, reply func(msg.Response)) {
	o.Outcome, o.Reason = api.OutcomeRefused, why
	s.wg.Go(func() {
		s.audit.refusal("refused", o)
		reply(s.answer(o, code))
	})
}

// answer is what the client gets, and counts the write.
func (s *Outputs) answer(o *write, code codes.Code) msg.Response {
	switch o.Outcome {
	case api.OutcomeDone:
		s.done.Add(1)
	case api.OutcomeRefused:
		s.refusedWrites.Add(1)
	default:
		s.unknown.Add(1)
	}
	return s.text(o, code)
}

// written is what the client is told, with the number of its line.
func (o *write) written() api.Written {
	w := o.Written
	w.ID = o.id.Load()
	return w
}

// text is the answer to a client.
func (s *Outputs) text(o *write, code codes.Code) msg.Response {
	r := msg.JSON(o.written())
	r.Code = code
	if o.wait > 0 {
		r.Options = msg.With(r.Options, message.MaxAge, msg.EncodeUint(o.wait))
	}
	return r
}
