package sim

import (
	"bytes"
	"strconv"
	"time"
)

// maxLease bounds the lease of an output: a day.
const maxLease = 24 * time.Hour

// outputResource answers for /output. Nothing moves behind a simulated output. On a
// real site one starts a pump: whatever it drives needs an interlock of its own
// beside the machine.
func (m *Mesh) outputResource(n int32, in message, req *request) answer {
	switch in.code {
	case codeGET:
		if !accepts(req, formatText) {
			return m.diagnose(codeNotAccept, "text/plain (0) only")
		}
		m.scratch = strconv.AppendInt(m.scratch, int64(m.nodes[n].output), 10)
		return content(formatText, 0)
	case codePUT:
	default:
		return status(codeNoMethod)
	}
	value, refusal := m.shortValue(in, req)
	if refusal.code != 0 {
		return refusal
	}
	var on bool
	switch value {
	case "1", "on":
		on = true
	case "0", "off":
	default:
		return m.diagnose(codeBadRequest, "0, 1, off or on")
	}
	lease, ok := leaseOf(in.options, on)
	if !ok {
		return m.diagnose(codeBadRequest, "query: at most one for=SECONDS, 1 to 86400, with 1")
	}
	if !on {
		m.extraOf(n).writes++
		m.switchOutput(n, 0, 0)
		return status(codeChanged)
	}
	if x := m.nodes[n].extra; x != nil && x.interlock {
		return m.diagnose(codeConflict, "local interlock engaged")
	}
	m.extraOf(n).writes++
	m.switchOutput(n, 1, lease)
	return status(codeChanged)
}

// leaseOf reads the query of a write to the output. A query that is not understood
// is refused: a lease that is misspelt must not become none.
func leaseOf(options []byte, on bool) (time.Duration, bool) {
	list := queriesOf(options)
	if len(list) == 0 {
		return 0, true
	}
	text, ok := bytes.CutPrefix(list[0], []byte("for="))
	if !ok || len(list) > 1 || !on {
		return 0, false
	}
	sec, err := strconv.ParseUint(string(text), 10, 32)
	d := time.Duration(sec) * time.Second
	return d, err == nil && sec >= 1 && d <= maxLease
}

// switchOutput sets a node's output, and when it switches back; a lease of 0 is none.
func (m *Mesh) switchOutput(n int32, value uint8, lease time.Duration) {
	nd := &m.nodes[n]
	if nd.output != value {
		nd.output = value
		if nd.extra != nil {
			nd.extra.changed = true
		}
	}
	switch {
	case lease > 0:
		m.extraOf(n).leaseEnd = m.now + lease
	case nd.extra != nil:
		nd.extra.leaseEnd = 0
	}
}

// leaseLeft returns for how long a node's output stays on by its lease.
func (m *Mesh) leaseLeft(n int32) time.Duration {
	x := m.nodes[n].extra
	if x == nil || x.leaseEnd == 0 {
		return 0
	}
	return max(x.leaseEnd-m.now, 0)
}

// leaseResource answers for /output/lease.
func (m *Mesh) leaseResource(n int32, in message, req *request) answer {
	if in.code != codeGET {
		return status(codeNoMethod)
	}
	if !accepts(req, formatText) {
		return m.diagnose(codeNotAccept, "text/plain (0) only")
	}
	m.scratch = strconv.AppendInt(m.scratch, int64(leaseSeconds(m.leaseLeft(n))), 10)
	return content(formatText, 0)
}

// leaseSeconds rounds up: a lease that runs is not 0.
func leaseSeconds(left time.Duration) int { return int((left + time.Second - 1) / time.Second) }

// outputOf reports a node's output as the listing shows it.
func (n *node) outputOf() string {
	if n.output == 0 {
		return "off"
	}
	return "on"
}
