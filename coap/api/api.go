// Package api holds the JSON of the front's resources, as the daemon writes it and the
// commands read it. deploy/RESOURCES.md is its reference.
package api

import (
	"net/netip"
	"time"

	"culvert/bridge/ieee802154"
)

// NodeState is what /nodes/NODE says of a node; /nodes is an array of
// these, sorted by label. What is unknown is left out.
type NodeState struct {
	Node     string           `json:"node"` // the label
	Mesh     string           `json:"mesh"`
	State    string           `json:"state"`
	Status   string           `json:"status"`                   // the state in words: "silent 4 min, 24 reports of 10 s missed"
	Since    *time.Time       `json:"since,omitempty"`          // when the state began
	Heard    *time.Time       `json:"heard,omitempty"`          // the last frame
	Reported *time.Time       `json:"reported,omitempty"`       // the last message with readings
	Period   float64          `json:"report_seconds,omitempty"` // between two reports, where it is known
	Learned  bool             `json:"report_learned,omitempty"` // it is not configured, but learned
	Missed   int              `json:"reports_missed,omitempty"` // since the last one
	Address  *netip.Addr      `json:"address,omitempty"`
	Others   []netip.Addr     `json:"other_addresses,omitempty"`
	EUI64    *ieee802154.Addr `json:"eui64,omitempty"`
	Short    *ieee802154.Addr `json:"short,omitempty"`
	Hops     uint8            `json:"hops,omitempty"`    // radio links to the gateway
	Signal   int8             `json:"signal,omitempty"`  // dBm, of the node's own link to its parent
	Parents  []string         `json:"parents,omitempty"` // labels, "gateway", or link addresses, preferred one first
	Supply   uint16           `json:"supply_mv,omitempty"`
	Battery  *uint8           `json:"battery_percent,omitempty"`
	Stranger bool             `json:"stranger,omitempty"`     // it stands at no place, in a mesh that has places
	Unserved bool             `json:"not_admitted,omitempty"` // it is seen and counted, and no packet passes
	Sink     string           `json:"readings_to,omitempty"`  // of /nodes/NODE alone: the URI to which the node sends its readings
}

// Status is what /control/status says of the daemon.
type Status struct {
	Version string    `json:"version"`
	Started time.Time `json:"started"`
	Meshes  []string  `json:"meshes"`
	Nodes   int       `json:"nodes"`
	UDP     []string  `json:"udp"` // addresses of the UDP doors
	You     struct {  // the client's process
		UID uint32 `json:"uid"`
		GID uint32 `json:"gid"`
	} `json:"you"`
}

// Outcomes of a write to an output.
const (
	OutcomeDone    = "done"    // the node accepted the write, and reads back the value
	OutcomeRefused = "refused" // nothing moved: the write was not sent, or the node rejected it
	OutcomeUnknown = "unknown" // it is not known whether the node acted
)

// Written is the answer to a write to an output.
type Written struct {
	ID       uint64 `json:"id,omitempty"` // in the audit log
	Outcome  string `json:"outcome"`
	Reason   string `json:"reason,omitempty"`
	Place    string `json:"place"`
	Resource string `json:"resource"`
	Value    string `json:"value"`
	Lease    int64  `json:"lease_seconds,omitempty"`
	Reads    string `json:"reads,omitempty"` // the node's answer to the read afterwards
	// Confirm says that the write was held back because no output declares the resource,
	// and may be sent again with client.Ask.Confirmed.
	Confirm bool      `json:"confirm,omitempty"`
	At      time.Time `json:"at"`
}

// OutputState is what /outputs says of an output.
type OutputState struct {
	Place    string   `json:"place"`
	Resource string   `json:"resource"`
	Lease    int64    `json:"lease_seconds,omitempty"`
	MaxLease int64    `json:"max_lease_seconds,omitempty"`
	Interval int64    `json:"interval_seconds,omitempty"`
	Who      []string `json:"who,omitempty"`
	Lock     *LockOut `json:"lock,omitempty"`
	Writing  bool     `json:"writing"`
	Safe     string   `json:"safe"`           // the value that makes the machine safe
	Last     *Written `json:"last,omitempty"` // the latest write since the daemon began
}

// LockOut blocks every write to an output, but those of its safe value, until it is lifted. Each identity has one of its
// own.
type LockOut struct {
	By     string    `json:"by"`
	Since  time.Time `json:"since"`
	Reason string    `json:"reason,omitempty"`
	Door   string    `json:"door,omitempty"` // through which it was made
	From   string    `json:"from,omitempty"` // the client's address
	// NotSafe is why the lock-out does not outlive the daemon yet, in words; empty once the
	// disk has it.
	NotSafe string `json:"not_safe,omitempty"`
	// Others are the lock-outs of other identities, in the order in which they were made.
	Others []LockOut `json:"others,omitempty"`
}

// Time returns t for JSON: in UTC, to the millisecond; nil for the zero time.
func Time(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = t.UTC().Truncate(time.Millisecond)
	return &t
}
