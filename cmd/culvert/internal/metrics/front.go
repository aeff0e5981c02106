package metrics

import (
	"github.com/prometheus/client_golang/prometheus"

	"culvert/coap"
	"culvert/coap/api"
	"culvert/coap/msg"
)

// The metrics of the CoAP front.
var (
	coapRequests      = desc("coap_requests_total", "CoAP requests by the door they came through, their method and the code of the answer.", "door", "method", "code")
	coapMalformed     = desc("coap_malformed_total", "CoAP messages that could not be read.", "door")
	coapHandshakes    = desc("coap_handshakes_total", "Handshakes of clients that have ended: a session was opened; the client was there and failed to prove an identity; its address was never proved to be its own.", "door", "result")
	coapEvicted       = desc("coap_handshakes_evicted_total", "DTLS handshakes ended early because too many were under way; among them some that count as abandoned or failed too.")
	coapStray         = desc("coap_stray_datagrams_total", "Datagrams to a DTLS door that belong to no session and begin none.")
	coapRefused       = desc("coap_connections_refused_total", "Connections to TCP and TLS doors above the limits.")
	coapDuplicates    = desc("coap_duplicates_total", "Repeated requests answered from memory, or passed over.")
	coapUnacked       = desc("coap_answers_unacknowledged_total", "Answers that their client never acknowledged.")
	coapNodeMessages  = desc("coap_node_messages_total", "Messages sent to nodes, retransmissions included.")
	coapNodeResent    = desc("coap_node_retransmissions_total", "Messages sent to nodes again for want of an acknowledgement.")
	coapNodeTimeouts  = desc("coap_node_timeouts_total", "Requests to which the node did not answer in time.")
	coapNotifications = desc("coap_notifications_total", "Notifications sent to clients, retransmissions not included.")
	coapDisordered    = desc("coap_disordered_notifications_total", "Notifications of nodes that were older than one before, and passed over.")
	coapChallenges    = desc("coap_challenges_total", "Large answers that gave way to a challenge, since the client's address was not proved.")
	coapHits          = desc("coap_cache_hits_total", "CoAP requests answered from what is kept of nodes' answers.")
	coapCached        = desc("coap_cached_answers", "Answers of nodes that are kept.")
	coapObservers     = desc("coap_observers", "Observations by CoAP clients now.")
	coapObservations  = desc("coap_observations", "Observations of nodes now, which serve all clients.")
	outputWrites      = desc("output_writes_total", "Writes to outputs by their outcome.", "outcome")
	outputsLocked     = desc("outputs_locked", "Declared outputs that are locked out.")
	lockOutsNotSafe   = desc("output_lockouts_not_safe", "Lock-outs of outputs that the disk did not take yet, so that they would not outlive the daemon.")
	auditFull         = desc("audit_full", "1 if the audit log has no room for a write, since it keeps the last week.")
	auditFailures     = desc("audit_failures_total", "Lines of the audit log that the disk did not take.")
	coapRegistrations = desc("coap_directory_registrations", "Registrations in the resource directory.")
	readingsRejected  = desc("readings_rejected_total", "Packs of readings that could not be taken: not in a format that is, or from no node.")
	readingsRefused   = desc("readings_without_room_total", "Readings left out because their node has the most names already.")
	readingsClock     = desc("readings_wrong_clock_total", "Packs of readings whose times were those of a wrong clock.")
	bareDatagrams     = desc("bare_datagrams_total", "Datagrams that came to a decoder, by what became of them.", "mesh", "result")
)

var frontDescs = []*prometheus.Desc{
	coapRequests, coapMalformed, coapHandshakes, coapEvicted, coapStray, coapRefused, coapDuplicates, coapUnacked,
	coapNodeMessages, coapNodeResent, coapNodeTimeouts, coapNotifications, coapDisordered, coapChallenges,
	coapHits, coapCached, coapObservers, coapObservations, coapRegistrations, outputWrites, outputsLocked, lockOutsNotSafe, auditFull, auditFailures,
	readingsRejected, readingsRefused, readingsClock, bareDatagrams,
}

// The results of a handshake.
const (
	opened    = "opened"
	failed    = "failed"
	abandoned = "abandoned"
)

// coap shows the CoAP front's figures.
func (s *scrape) coap(c coap.Stats) {
	for _, r := range c.Requests {
		s.counter(coapRequests, r.Count, r.Door.String(), r.Method, r.Code)
	}
	dtls, tls := msg.DoorDTLS.String(), msg.DoorTLS.String()
	for door, n := range map[msg.Door]uint64{msg.DoorUDP: c.MalformedUDP, msg.DoorControl: c.MalformedControl,
		msg.DoorDTLS: c.MalformedDTLS, msg.DoorTCP: c.MalformedTCP, msg.DoorTLS: c.MalformedTLS} {
		s.counter(coapMalformed, n, door.String())
	}
	s.counter(coapHandshakes, c.Sessions, dtls, opened)
	s.counter(coapHandshakes, c.FailedDTLS, dtls, failed)
	s.counter(coapHandshakes, c.Abandoned, dtls, abandoned)
	s.counter(coapHandshakes, c.SessionsTLS, tls, opened)
	s.counter(coapHandshakes, c.FailedTLS, tls, failed)
	s.counter(coapEvicted, c.Evicted)
	s.counter(coapStray, c.Stray)
	s.counter(coapRefused, c.StreamsRefused)
	s.counter(coapDuplicates, c.Duplicates)
	s.counter(coapUnacked, c.GaveUp)
	s.counter(coapNodeMessages, c.NodeMessages)
	s.counter(coapNodeResent, c.NodeResent)
	s.counter(coapNodeTimeouts, c.NodeTimeouts)
	s.counter(coapNotifications, c.Notifications)
	s.counter(coapDisordered, c.Disordered)
	s.counter(coapChallenges, c.Challenged)
	s.counter(coapHits, c.CacheHits)
	s.gauge(coapCached, float64(c.Cached))
	s.gauge(coapObservers, float64(c.Observers))
	s.gauge(coapObservations, float64(c.Observations))
	s.gauge(coapRegistrations, float64(c.Registrations))
	s.counter(outputWrites, c.OutputsDone, api.OutcomeDone)
	s.counter(outputWrites, c.OutputsRefused, api.OutcomeRefused)
	s.counter(outputWrites, c.OutputsUnknown, api.OutcomeUnknown)
	s.gauge(outputsLocked, float64(c.OutputsLocked))
	s.gauge(lockOutsNotSafe, float64(c.LockOutsNotSafe))
	full := 0.0
	if c.AuditFull {
		full = 1
	}
	s.gauge(auditFull, full)
	s.counter(auditFailures, c.AuditFailures)
	s.counter(readingsRejected, c.ReadingsRejected)
	s.counter(readingsRefused, c.ReadingsRefused)
	s.counter(readingsClock, c.ReadingsClock)
	for _, d := range c.Datagrams {
		s.counter(bareDatagrams, d.Count, d.Mesh, d.Result)
	}
}
