package node

import (
	"cmp"
	"time"
)

// State is what a node is for the bridge now.
type State uint8

// The states. A node is up once the radio lists it and a frame of it came, or once a
// packet of its own came through.
const (
	Expected State = iota // its place is configured, and nothing was ever heard of it
	Joining               // the radio lists it and no frame came yet, or frames came and no packet
	Up
	Late    // its reports are overdue: two periods by default
	Silent  // the radio says that it is gone, or ten periods passed by default
	Unknown // its radio is down, or came back and has not said yet whether the node is there
	Retired // taken out of service: kept for its history only

	// States is the number of states.
	States
)

// overdue is how a node's own record says Silent where the reason is that its reports
// do not come, and not the radio's word.
const overdue = States

var stateWords = [States]string{"expected", "joining", "up", "late", "silent", "unknown", "retired"}

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
	defaultMax     = 65536 // nodes in a table
	maxAddresses   = 16    // registered and claimed addresses of a node
	maxLinks       = 8     // radio links of a node whose statistics are kept
	forgetJoining  = 10 * time.Minute
	forgetUnplaced = 24 * time.Hour // without a frame, for a node that stands at no place
	// forgetGrace is how long the radio must have been up before a node is forgotten
	// that was silent for forgetUnplaced: the daemon may have been away all that time.
	forgetGrace = time.Hour
	page        = 256 // records that All copies at a time
)

// Defaults of Reporting.
const (
	DefaultLateAfter   = 2  // report periods
	DefaultSilentAfter = 10 // report periods
	DefaultSilentLeast = 5 * time.Minute
)

// Reporting says when a node reports, and when it is late or silent.
type Reporting struct {
	Period      time.Duration // between reports; 0: learned for each node
	LateAfter   int           // periods without a report after which a node is late; 0: DefaultLateAfter
	SilentAfter int           // and after which it is silent; 0: DefaultSilentAfter
	SilentLeast time.Duration // but never sooner than this; 0: DefaultSilentLeast
}

// WithDefaults returns r with every zero but Period filled in.
func (r Reporting) WithDefaults() Reporting {
	r.LateAfter = cmp.Or(r.LateAfter, DefaultLateAfter)
	r.SilentAfter = cmp.Or(r.SilentAfter, DefaultSilentAfter)
	r.SilentLeast = cmp.Or(r.SilentLeast, DefaultSilentLeast)
	return r
}
