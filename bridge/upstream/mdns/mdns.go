// Package mdns answers for hosts that cannot speak for themselves on a link:
// multicast DNS (RFC 6762) for their names and addresses, and DNS-based service
// discovery (RFC 6763) for one service of each.
package mdns

// Stats are the figures of a responder.
type Stats struct {
	Names     int    // that it answers for
	Waiting   int    // whose uniqueness is not yet known
	Withheld  int    // that another host on the link has
	Queries   uint64 // with a question about one of the names
	Answers   uint64 // messages sent in answer
	Announced uint64 // messages sent unasked: probes, announcements, farewells
	Limited   uint64 // answers left out because too many were asked for
	Malformed uint64 // messages that could not be read
}
