package coap

import (
	"sync/atomic"

	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/bridge/reading"
	"culvert/coap/msg"
)

// counters are the front's figures.
type counters struct {
	requests [msg.NumDoors][8][256]atomic.Uint64 // by door, method (0: none that is known) and code of the answer
}

// Requests is a number of requests that had the same answer.
type Requests struct {
	Door   msg.Door
	Method string // GET and so on; "unknown"
	Code   string // 2.05 and so on
	Count  uint64
}

// Stats are the front's figures since its start.
type Stats struct {
	Requests         []Requests // those that are not zero
	MalformedUDP     uint64     // messages that could not be read
	MalformedControl uint64
	MalformedDTLS    uint64
	MalformedTCP     uint64
	MalformedTLS     uint64
	Sessions         uint64 // DTLS sessions that were opened
	SessionsTLS      uint64 // TLS connections whose client's identity was found good, or who showed none
	FailedDTLS       uint64 // handshakes of clients that were there, and could not prove an identity
	FailedTLS        uint64
	Abandoned        uint64 // DTLS handshakes whose client never proved its address, those evicted included
	Evicted          uint64 // of them, and of others: ended early because too many were under way
	Stray            uint64 // datagrams to a DTLS door that belong to no session and begin none
	StreamsRefused   uint64 // connections of TCP and TLS doors above the limits
	Duplicates       uint64 // repetitions answered from memory, or passed over
	GaveUp           uint64 // answers that their client never acknowledged
	NodeMessages     uint64 // messages sent to nodes, retransmissions included
	NodeResent       uint64 // retransmissions among them
	NodeTimeouts     uint64 // requests to which the node did not answer
	CacheHits        uint64 // requests answered from what is kept of nodes
	Cached           int    // answers that are kept
	Observers        int    // clients' observations
	Observations     int    // of nodes, for all of those
	Notifications    uint64 // sent to clients, retransmissions not included
	Challenged       uint64 // large answers that gave way to a challenge
	Disordered       uint64 // notifications of nodes that were older than one before
	OutputsDone      uint64 // writes to outputs by their outcome
	OutputsRefused   uint64
	OutputsUnknown   uint64
	OutputsLocked    int    // declared outputs that are locked out
	AuditFailures    uint64 // lines of the audit log that the disk did not take
	LockOutsNotSafe  int    // lock-outs that would not outlive the daemon: the disk did not take them yet
	AuditFull        bool   // the audit log has no room for a write, since it keeps the last week
	AuditUnread      int    // lines of the audit log that could not be read when it was opened
	AuditShut        string // why the audit log cannot be opened, so that no output is driven; empty: it is open
	Outputs          int    // that are declared
	ReadingsRejected uint64 // packs of readings that could not be taken
	ReadingsRefused  uint64 // names of readings for which the node had no room
	ReadingsClock    uint64 // packs whose times were those of a wrong clock
	Datagrams        []reading.Datagrams
	Registrations    int // in the resource directory
}

var methods = [8]string{"unknown", "GET", "POST", "PUT", "DELETE", "FETCH", "PATCH", "iPATCH"}

// count counts r as the answer to req, and returns it.
func (s *Server) count(req *msg.Request, r msg.Response) msg.Response {
	m := req.Code
	if m > codes.IPATCH {
		m = 0
	}
	s.counts.requests[req.Peer.Door][m][r.Code&0xff].Add(1)
	return r
}

// Stats returns the figures now.
func (s *Server) Stats() Stats {
	c, watching, nodes := &s.counts, s.observers.Stats(), s.nodes.Stats()
	d, readings, outputs := s.doors.Stats(), s.readings.Stats(), s.outputs.Stats()
	out := Stats{
		MalformedUDP: d.Malformed[msg.DoorUDP], MalformedControl: d.Malformed[msg.DoorControl],
		MalformedDTLS: d.Malformed[msg.DoorDTLS], MalformedTCP: d.Malformed[msg.DoorTCP], MalformedTLS: d.Malformed[msg.DoorTLS],
		Sessions: d.Sessions, SessionsTLS: d.SessionsTLS, FailedDTLS: d.HandshakesFailed[msg.DoorDTLS], FailedTLS: d.HandshakesFailed[msg.DoorTLS],
		Abandoned: d.Abandoned, Evicted: d.Evicted, Stray: d.Stray, StreamsRefused: d.StreamsRefused,
		Duplicates: d.Duplicates, GaveUp: d.GaveUp,
		NodeMessages: nodes.Messages, NodeResent: nodes.Retransmissions, NodeTimeouts: nodes.Timeouts,
		CacheHits: nodes.CacheHits, Observers: watching.Observers,
		Notifications: watching.Notifications, Disordered: nodes.Disordered, Challenged: d.Challenged,
		OutputsDone: outputs.Done, OutputsRefused: outputs.Refused, OutputsUnknown: outputs.Unknown, OutputsLocked: outputs.Locked, AuditFailures: outputs.AuditFailures,
		LockOutsNotSafe: outputs.NotSafe, AuditFull: outputs.AuditFull, AuditShut: outputs.AuditShut, AuditUnread: outputs.AuditUnread, Outputs: outputs.Declared,
		ReadingsRejected: readings.Rejected, ReadingsRefused: readings.Refused,
		ReadingsClock: readings.Clock, Datagrams: s.bareStats(),
	}
	out.Cached, out.Observations = nodes.Cached, nodes.Observations
	out.Registrations = s.directory.Len()
	for door := range msg.NumDoors {
		for m := range c.requests[door] {
			for code := range c.requests[door][m] {
				if n := c.requests[door][m][code].Load(); n > 0 {
					out.Requests = append(out.Requests, Requests{door, methods[m], msg.CodeText(codes.Code(code)), n})
				}
			}
		}
	}
	return out
}

// bareStats returns how bare datagrams ended.
func (s *Server) bareStats() []reading.Datagrams {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.bare.Stats()
}
