package node

import "time"

// State is what a node is for the bridge now.
type State uint8

// The states. A node that the radio lists as attached is up; one of which only
// frames were seen is joining until a packet of its own came through.
const (
	Expected State = iota // its place is configured, and nothing was ever heard of it
	Joining               // frames of it were seen, no packet yet
	Up
	Late    // one report period overdue
	Silent  // the radio says that it is gone, or ten periods passed
	Retired // taken out of service: kept for its history only

	// States is the number of states.
	States
)

var stateWords = [States]string{"expected", "joining", "up", "late", "silent", "retired"}

// String returns the word for s in logs, metrics and resources.
func (s State) String() string {
	if s >= States {
		return "invalid"
	}
	return stateWords[s]
}

// Origin says how a node came to an address.
type Origin uint8

// The origins.
const (
	Derived    Origin = iota // the mesh prefix and the identifier of RFC 6282, 3.2.2
	Registered               // by a registration (RFC 6775, 8505)
	Claimed                  // by a valid duplicate address solicitation, first come (RFC 6620)
)

// String returns the word for o.
func (o Origin) String() string {
	switch o {
	case Derived:
		return "derived"
	case Registered:
		return "registered"
	case Claimed:
		return "claimed"
	}
	return "invalid"
}

// Admit says which nodes are served.
type Admit uint8

// The two policies of admission.
const (
	AdmitAny    Admit = iota // every node that joins the mesh
	AdmitListed              // only nodes whose EUI-64 stands at a place
)

// Our own limits.
const (
	defaultMax    = 65536           // nodes in a table
	maxAddresses  = 16              // registered and claimed addresses of a node
	maxLinks      = 8               // radio links of a node whose statistics are kept
	silentPeriods = 10              // report periods after which a node counts as silent
	silentLeast   = 5 * time.Minute // but never sooner where it would lose an address
	lateSlack     = 2               // report periods after which a node is one report overdue
	forgetJoining = 10 * time.Minute
	page          = 256 // records that All copies at a time
)
