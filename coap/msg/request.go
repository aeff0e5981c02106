package msg

import (
	"bytes"
	"encoding/binary"
	"errors"
	"net/netip"
	"slices"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// ParsePath sets Path from the options. All parts share one string.
func (r *Request) ParsePath() {
	var room [128]byte
	var ends [maxSegments]int
	all, n := room[:0], 0
	for _, o := range r.Options {
		if o.ID != message.URIPath {
			continue
		}
		if n < maxSegments {
			all = append(all, o.Value...)
			ends[n] = len(all)
		}
		n++
	}
	joined, begin := string(all), 0
	r.Path.Len = n
	for i := range r.Path.Part {
		if i >= n {
			r.Path.Part[i] = ""
			continue
		}
		r.Path.Part[i] = joined[begin:ends[i]]
		begin = ends[i]
	}
}

// Path is the request's Uri-Path in parts.
type Path struct {
	Part [maxSegments]string
	Len  int // of the request, also above maxSegments
}

// ResourcePath is the path of the node's resource in one string.
func ResourcePath(o message.Options, id message.OptionID) string {
	var b []byte
	for _, x := range o {
		if x.ID == id {
			b = append(append(b, '/'), x.Value...)
		}
	}
	return string(b)
}

// CheckPath returns an error if a path must not be passed on. RFC 7252, section 5.10.1: no
// Uri-Path is "." or ".."; here a node that joins the parts with slashes finds none either.
// A NUL would end the path for a node written in C.
func CheckPath(o message.Options) error {
	for _, x := range o {
		if x.ID != message.URIPath {
			continue
		}
		for part := range bytes.SplitSeq(x.Value, []byte("/")) {
			switch string(part) {
			case ".", "..":
				return errors.New(`no part of a path may be "." or ".." (RFC 7252, section 5.10.1)`)
			}
		}
		if bytes.IndexByte(x.Value, 0) >= 0 {
			return errors.New("a part of the path holds a NUL")
		}
	}
	return nil
}

// ViaProxy reports whether a request names its target as a forward proxy's does.
func ViaProxy(req *Request) bool {
	_, uri := Option(req.Options, message.ProxyURI)
	_, scheme := Option(req.Options, message.ProxyScheme)
	return uri || scheme
}

// Peer is the client's endpoint. It is comparable: with a request's cache key it names
// the block-wise transfers of one client, with a token an observation.
type Peer struct {
	Door     Door
	Addr     netip.AddrPort // none for the control socket
	Local    netip.Addr     // UDP: the address to which the client sent
	Conn     uint64         // number of the UDP socket, the connection, or the DTLS session
	Proved   *Credential    // nil for an anonymous client
	UID, GID uint32         // control socket: of the client's process
}

// Network is the prefix by which clients are counted: the /64 of an address, or the /24 of
// IPv4. Whoever has one address of a network usually has more of them.
func Network(a netip.Addr) netip.Prefix {
	a = a.Unmap().WithZone("")
	bits := 64
	if a.Is4() {
		bits = 24
	}
	p, err := a.Prefix(bits)
	if err != nil {
		return netip.Prefix{}
	}
	return p
}

// Credential is what a client proved when its session or connection began: that it has
// the key of a PSK identity, or a certificate with this subject.
type Credential struct {
	Name    string
	PSK     []byte
	Subject string
}

// ObservationKey names an observation: a client's endpoint and its token (RFC 7641,
// section 4.1).
type ObservationKey struct {
	Peer     Peer
	Token    [8]byte
	TokenLen uint8
}

// MessageKey names a message exchanged with one client over UDP or DTLS: a Message ID
// counts between two addresses of one socket.
type MessageKey struct {
	Socket uint64
	Remote netip.AddrPort
	Local  netip.Addr
	ID     uint16
}

// Notifier is a socket through which clients are sent notifications.
type Notifier interface {
	// NextKey returns the key of the next message to a client.
	NextKey(Peer) MessageKey
	// Notify sends m under the key. confirmed is false if m was to be confirmable and
	// went out non-confirmable, because too many await their acknowledgement.
	Notify(key MessageKey, m message.Message, source []byte) (confirmed bool)
}

// Connection is a connection through which a client is sent notifications.
type Connection interface {
	// Wake has the connection's writer fetch the notifications that are due.
	Wake()
	// Closed reports whether nothing more is read from the connection.
	Closed() bool
}

// Request is one request, whichever door it came through. Its slices alias the
// door's buffer until clone.
type Request struct {
	Code    codes.Code
	Options message.Options
	Path    Path // of options, as parsePath found it
	Payload []byte
	Peer    Peer
	Room    int    // octets of the largest payload that a response without blocks may have
	BERT    bool   // the client takes several blocks in one message (RFC 8323, section 6)
	Label   string // node below whose path the response's links and locations are moved
	// Confirmed says that a person has confirmed a write that may move something; on the
	// control socket only.
	Confirmed bool
	Direct    bool // the client named the node itself, as to a forward proxy: links stay as they are

	// The way to notify the client; both are nil where the door cannot.
	Token      [8]byte
	TokenLen   uint8
	Notifier   Notifier
	Source     []byte // with notifier: control message or session that gives the response its source
	Connection Connection
}

// Observation is the key under which the request registers an observation.
func (r *Request) Observation() ObservationKey { return ObservationKey{r.Peer, r.Token, r.TokenLen} }

// Anonymous reports whether the client proved no identity. A process at the control socket
// is known by its user.
func (r *Request) Anonymous() bool { return r.Peer.Anonymous() }

// Anonymous reports whether the client proved no identity.
func (p *Peer) Anonymous() bool { return p.Proved == nil && p.Door != DoorControl }

// sameClient reports whether two endpoints are those of one client: of one identity or
// user, or, without an identity, of one address.
func (p *Peer) sameClient(q Peer) bool {
	switch {
	case p.Door == DoorControl || q.Door == DoorControl:
		return p.Door == q.Door && p.UID == q.UID
	case p.Proved != nil && q.Proved != nil:
		return p.Proved.Name == q.Proved.Name
	case p.Proved != nil || q.Proved != nil:
		return false
	}
	return p.Addr.Addr() == q.Addr.Addr()
}

// Clone copies the request, so that it outlives the door's buffer.
func (r *Request) Clone() *Request {
	c := *r
	c.Payload = slices.Clone(r.Payload)
	c.Options = CloneOptions(r.Options)
	return &c
}

// CacheKey identifies a request but for its payload, and whose it is (RFC 7252,
// section 5.6; RFC 7959, section 2.4): the blocks of one body share it.
type CacheKey struct {
	Peer    Peer
	Request string
}

// CacheKey returns the request's key.
func (r *Request) CacheKey() CacheKey {
	b := []byte{byte(r.Code)}
	for _, o := range r.Options {
		if NoCacheKey(o.ID) || o.ID == message.Block1 || o.ID == message.Block2 || o.ID == message.Observe {
			continue
		}
		b = binary.BigEndian.AppendUint16(b, uint16(o.ID))
		b = binary.BigEndian.AppendUint16(b, uint16(len(o.Value)))
		b = append(b, o.Value...)
	}
	return CacheKey{r.Peer, string(b)}
}

// Door is a way in.
type Door uint8

// String returns the word for d in logs and metrics.
func (d Door) String() string {
	switch d {
	case DoorControl:
		return "control"
	case DoorDTLS:
		return "dtls"
	case DoorTCP:
		return "tcp"
	case DoorTLS:
		return "tls"
	case DoorHTTP:
		return "http"
	}
	return "udp"
}

// maxSegments bounds the parts of a path that the tree looks at; a node's own
// resource may have more.
const maxSegments = 8

// The doors.
const (
	DoorUDP     Door = iota
	DoorControl      // the Unix socket
	DoorDTLS         // RFC 7252, section 9
	DoorTCP          // RFC 8323
	DoorTLS          // RFC 8323, section 9
	DoorHTTP         // RFC 8075, for reading
	NumDoors
)

// Own reports whether the path leads to a node's own CoAP server.
func (p *Path) Own() bool { return p.Len >= 3 && p.Part[0] == "nodes" && p.Part[2] == "own" }
