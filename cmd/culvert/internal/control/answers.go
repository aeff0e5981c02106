package control

import (
	"net/netip"
	"time"

	"culvert/bridge/ieee802154"
)

// PathAnswer is what the daemon knows of the way of a packet to a node: the answer of
// /control/path.
type PathAnswer struct {
	Mesh      string       `json:"mesh"`
	Interface string       `json:"interface"`
	Prefix    netip.Prefix `json:"prefix"`
	Gateway   netip.Addr   `json:"gateway"`
	Shared    []string     `json:"shared_with,omitempty"` // interfaces of a network that may have the prefix too
	TunUp     bool         `json:"tun_up"`
	RadioUp   bool         `json:"radio_up"`

	Node      string     `json:"node"`
	Address   netip.Addr `json:"address"` // the packet's destination
	State     string     `json:"state"`
	Admitted  bool       `json:"admitted"`
	Reachable bool       `json:"reachable"` // it has a link address, and the radio did not say that it is gone
	Heard     *time.Time `json:"heard,omitempty"`

	Own     bool   `json:"own"`  // the packet is the gateway's own: no rule is asked
	Rule    int    `json:"rule"` // that decides, from 1; 0 is none
	Allow   bool   `json:"allow"`
	Unnamed bool   `json:"unnamed,omitempty"` // "any" is not enough
	Text    string `json:"text,omitempty"`    // of the rule, or of one that would let the packet pass

	Packets    int        `json:"packets"` // in the node's queue
	Octets     int        `json:"octets"`
	MaxPackets int        `json:"max_packets"`
	MaxOctets  int        `json:"max_octets"`
	Last       string     `json:"last_result,omitempty"` // of the last frame to the node
	LastAt     *time.Time `json:"last_result_at,omitempty"`
	InARow     int        `json:"failed_in_a_row"` // frames, the last one included
	Acked      uint64     `json:"frames_acknowledged"`
	Failed     uint64     `json:"frames_failed"`
}

// RefusedAnswer is what did not pass lately: the answer of /control/refused.
type RefusedAnswer struct {
	Rules    int              `json:"rules"`
	Refused  []RefusedTraffic `json:"refused"`
	Scanners []Scanner        `json:"scanners"`
}

// RefusedTraffic is what no rule let pass, of one /64 outside, one node and one
// service.
type RefusedTraffic struct {
	Mesh    string    `json:"mesh"`
	From    string    `json:"from"` // as a rule would name it
	To      string    `json:"to"`
	Service string    `json:"service"`
	Packets uint64    `json:"packets"`
	Last    time.Time `json:"last"`
	Unnamed bool      `json:"unnamed,omitempty"`
	Rule    string    `json:"rule"` // that would let it pass
}

// Scanner is a /64 that asked for addresses that no node holds.
type Scanner struct {
	Mesh    string       `json:"mesh"`
	Source  netip.Prefix `json:"source"`
	Packets uint64       `json:"packets"`
	Last    time.Time    `json:"last"`
}

// SiteAnswer is how the running site does: the answer of /control/site, which
// `culvert check` turns into rows.
type SiteAnswer struct {
	Since  time.Time  `json:"since"` // from when on Lost counts
	Meshes []SiteMesh `json:"meshes"`
	State  *SiteState `json:"state,omitempty"`
	// Outputs is how the declared outputs do; nil where none is.
	Outputs *SiteOutputs `json:"outputs,omitempty"`
	// Upstream is what [upstream] did, by interface; nil where it is not configured.
	Upstream []SiteUpstream `json:"upstream,omitempty"`
}

// SiteMesh is one mesh of it.
type SiteMesh struct {
	Mesh       string     `json:"mesh"`
	Interface  string     `json:"interface"`
	TunUp      bool       `json:"tun_up"`
	RadioUp    bool       `json:"radio_up"`
	RadioSince *time.Time `json:"radio_since,omitempty"` // it is up, or down
	RadioCause string     `json:"radio_cause,omitempty"` // why it is down

	Nodes  map[string]int `json:"nodes"` // by state, strangers left out
	Silent []SiteNode     `json:"silent"`
	Late   []SiteNode     `json:"late"`
	// Strangers are devices that are no place, where places are configured.
	Strangers []SiteNode  `json:"strangers"`
	Admit     string      `json:"admit"`               // "listed" or "any"
	AdmitWhy  string      `json:"admit_why,omitempty"` // why that is in force
	Places    []SitePlace `json:"places"`              // that another device than the configured one holds
	Lost      []SiteLoss  `json:"lost"`
	// Contexts are nodes whose sampled packets have wrong checksums, Unanswered nodes
	// that took packets and never sent one.
	Contexts   []SiteContext `json:"contexts"`
	Unanswered []SiteContext `json:"unanswered"`
}

// SiteOutputs is how the declared outputs do.
type SiteOutputs struct {
	Declared int    `json:"declared"`
	Locked   int    `json:"locked"`
	NotSafe  int    `json:"lockouts_not_safe"`     // lock-outs that the disk did not take yet
	Full     bool   `json:"audit_full"`            // the audit log has no room, since it keeps the last week
	Shut     string `json:"audit_cause,omitempty"` // why the audit log cannot be opened
	Unread   int    `json:"audit_unread"`          // lines that could not be read at the start
	Failures uint64 `json:"audit_failures"`        // lines that the disk did not take, since the start
	Unknown  uint64 `json:"writes_unknown"`        // writes since the start of which nobody knows whether they acted
}

// SiteNode is a node that is not as it should be.
type SiteNode struct {
	Node  string     `json:"node"`
	State string     `json:"state"`
	Heard *time.Time `json:"heard,omitempty"`
}

// SitePlace is a place whose device is not the one that the configuration names.
type SitePlace struct {
	Place  string          `json:"place"`
	Listed ieee802154.Addr `json:"configured"`
	Device ieee802154.Addr `json:"device"`
}

// SiteLoss are packets or frames that ended lately for one reason.
type SiteLoss struct {
	Direction string `json:"direction"`
	Reason    string `json:"reason"`
	Count     uint64 `json:"count"`
	Of        uint64 `json:"of"` // offered, or received, in that time
	Frames    bool   `json:"frames,omitempty"`
	Fault     bool   `json:"fault"` // the reason is one that a well site does not have
}

// SiteContext are packets of a node, and how many of them were bad.
type SiteContext struct {
	Node  string `json:"node"`
	Tried uint64 `json:"tried"`
	Wrong uint64 `json:"wrong"`
}

// SiteUpstream is what was sent on one interface of the site's network.
type SiteUpstream struct {
	Interface  string `json:"interface"`
	Up         bool   `json:"up"`
	Advertised uint64 `json:"advertised"`
	Errors     uint64 `json:"errors"`
}

// MaxSiteNodes bounds each list of nodes in a SiteAnswer.
const MaxSiteNodes = 50

// SiteState is how the file does in which the daemon keeps what nodes register.
type SiteState struct {
	Kept     bool   `json:"kept"`
	Cause    string `json:"cause,omitempty"` // why not
	Restart  bool   `json:"restart"`         // it stays so until the daemon starts again
	Failures uint64 `json:"failures"`        // writes that failed since the daemon started
}

// Forgotten is what came of `culvert forget`: the answer of /control/forget.
type Forgotten struct {
	Mesh  string `json:"mesh"`
	Node  string `json:"node"`
	Was   string `json:"was"`             // its state
	Place bool   `json:"place,omitempty"` // it is a place, which stays, and is expected again
}

// Reloaded is what came of a reload.
type Reloaded struct {
	Rules      int      `json:"rules"`
	Identities int      `json:"identities"`
	Outputs    int      `json:"outputs"`
	Changed    bool     `json:"changed"` // the rules are others than before
	Places     int      `json:"places"`
	Restart    []string `json:"restart,omitempty"` // keys that changed, and count from the next start on
	Warnings   []string `json:"warnings,omitempty"`
}

// ReplaceAnswer is what came of `culvert replace`: the answer of /control/replace.
type ReplaceAnswer struct {
	Mesh    string           `json:"mesh"`
	Place   string           `json:"place"`
	EUI64   ieee802154.Addr  `json:"eui64"`
	Retired *ieee802154.Addr `json:"retired,omitempty"` // no device stood there before
	State   string           `json:"state"`             // of the place, now
}
