package mdns

import (
	"bytes"
	"cmp"
	"net/netip"
	"slices"
	"strings"
	"time"

	"golang.org/x/net/dns/dnsmessage"
)

const metaQuery = "_services._dns-sd._udp.local" // RFC 6763, section 9

// query is the part of one received message that concerns our names.
type query struct {
	id           uint16
	from         netip.AddrPort
	questions    []dnsmessage.Question // about our names only
	listing      bool                  // a question asks for all instances of the service
	hasQuestions bool                  // the message has a question section
	unicast      bool                  // the sender wants a unicast answer
	truncated    bool                  // more known answers follow
	probe        bool                  // its authority section proposes records
	known        map[knownKey][]byte   // answers that the sender already has
	instances    map[string]struct{}   // instances of the service among them
}

type knownKey struct {
	name string
	kind uint16
}

// legacy reports whether the sender is a simple resolver (RFC 6762, section 6.7).
func (q *query) legacy() bool { return q.from.Port() != Port }

// Receive handles a message that another host of the link sent to the multicast DNS
// group, and sends the answers that are due at once.
func (r *Responder) Receive(now time.Time, from netip.AddrPort, message []byte, send Send) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closing {
		return
	}
	var p dnsmessage.Parser
	h, err := p.Start(message)
	if err != nil {
		r.stats.Malformed++
		return
	}
	if h.OpCode != 0 || h.RCode != 0 { // RFC 6762, sections 18.3 and 18.11
		return
	}
	if h.Response {
		if from.Port() == Port { // section 6
			r.responses(now, from.Addr(), &p)
		}
		return
	}
	q := query{id: h.ID, from: from, truncated: h.Truncated}
	if !r.readQuery(now, &q, &p) {
		r.stats.Malformed++
		return
	}
	r.answer(now, &q, send)
}

// readQuery reads the sections of a query. It reports false for a malformed one.
func (r *Responder) readQuery(now time.Time, q *query, p *dnsmessage.Parser) bool {
	for range maxQuestions {
		question, err := p.Question()
		if err == dnsmessage.ErrSectionDone {
			break
		}
		if err != nil {
			return false
		}
		q.hasQuestions = true
		class := uint16(question.Class)
		if c := class &^ classTop; c != classIN && c != classANY || !r.isOurs(now, &question) {
			continue
		}
		q.unicast = q.unicast || class&classTop != 0
		q.questions = append(q.questions, question)
		q.listing = q.listing || lower(question.Name) == r.service && wants(question.Type, typePTR)
	}
	// With too many questions, what follows them cannot be told apart.
	if err := p.SkipAllQuestions(); err != nil {
		return false
	}
	if !r.readKnown(q, p) {
		return false
	}
	return r.readProbe(now, q, p)
}

// isOurs reports whether a question is about one of our names. A name that still waits
// to be probed for is moved ahead.
func (r *Responder) isOurs(now time.Time, q *dnsmessage.Question) bool {
	s := lower(q.Name)
	if s == r.service || s == metaQuery {
		return true
	}
	n := r.nameFor(s)
	if n != nil && n.state == probing && n.at < 0 && r.active < 2*maxProbing {
		r.schedule(n, now)
	}
	return n != nil
}

// nameFor returns the name to which s belongs: a host name, a service instance, or the
// reverse name of an address.
func (r *Responder) nameFor(s string) *name {
	if label, ok := strings.CutSuffix(s, "."+r.service); ok {
		return r.names[label]
	}
	if label, ok := strings.CutSuffix(s, ".local"); ok {
		return r.names[label]
	}
	if a, ok := reversed(s); ok {
		return r.addrs[a]
	}
	return nil
}

// readKnown reads the known answers, which are not sent again (RFC 6762, section 7.1)
// if at least half of their lifetime remains.
func (r *Responder) readKnown(q *query, p *dnsmessage.Parser) bool {
	for range maxRecords {
		h, err := p.AnswerHeader()
		if err == dnsmessage.ErrSectionDone {
			return true
		}
		if err != nil {
			return false
		}
		s := lower(h.Name)
		isInstance := s == r.service && h.Type == typePTR
		if !isInstance && r.nameFor(s) == nil {
			if p.SkipAnswer() != nil {
				return false
			}
			continue
		}
		data, ok := recordData(p, h)
		if !ok {
			return false
		}
		ttl := uint32(hostTTL)
		if h.Type == typePTR || h.Type == typeTXT {
			ttl = otherTTL
		}
		if h.TTL < ttl/2 {
			continue
		}
		if !isInstance {
			if q.known == nil {
				q.known = map[knownKey][]byte{}
			}
			q.known[knownKey{s, uint16(h.Type)}] = data
			continue
		}
		if label, ok := strings.CutSuffix(nameOf(data), "."+r.service); ok && r.names[label] != nil {
			if q.instances == nil {
				q.instances = map[string]struct{}{}
			}
			q.instances[label] = struct{}{}
		}
	}
	return p.SkipAllAnswers() == nil
}

// readProbe reads the records that another host proposes for names that it probes for.
// Of two hosts that probe at once, the lexicographically later data wins (RFC 6762,
// section 8.2).
func (r *Responder) readProbe(now time.Time, q *query, p *dnsmessage.Parser) bool {
	theirs := map[string][]proposal{}
	for range maxRecords {
		h, err := p.AuthorityHeader()
		if err == dnsmessage.ErrSectionDone {
			break
		}
		if err != nil {
			return false
		}
		q.probe = true
		s := lower(h.Name)
		if n := r.nameFor(s); n == nil || n.state != probing || strings.HasSuffix(s, ".arpa") {
			if p.SkipAuthority() != nil {
				return false
			}
			continue
		}
		data, ok := recordData(p, h)
		if !ok {
			return false
		}
		theirs[s] = append(theirs[s], proposal{uint16(h.Class) &^ classTop, uint16(h.Type), data})
	}
	for s, list := range theirs {
		n := r.nameFor(s)
		if n == nil || n.state != probing || n.sent == 0 {
			continue
		}
		if compareProposals(r.proposalsFor(n, s), list) < 0 {
			n.sent = 0
			r.schedule(n, now.Add(tiebreakWait))
		}
	}
	return true
}

type proposal struct {
	class, kind uint16
	data        []byte
}

func (r *Responder) proposalsFor(n *name, s string) []proposal {
	if s == n.Label+".local" {
		return []proposal{{classIN, typeAAAA, r.address(n).data()}}
	}
	return []proposal{{classIN, typeTXT, r.text(n).data()}, {classIN, typeSRV, r.server(n).data()}}
}

// compareProposals orders two lists of records (RFC 6762, section 8.2.1).
func compareProposals(a, b []proposal) int {
	order := func(x, y proposal) int {
		return cmp.Or(cmp.Compare(x.class, y.class), cmp.Compare(x.kind, y.kind), bytes.Compare(x.data, y.data))
	}
	slices.SortFunc(a, order)
	slices.SortFunc(b, order)
	return slices.CompareFunc(a, b, order)
}

// responses looks for conflicts: records of other hosts with our names (RFC 6762,
// section 9).
func (r *Responder) responses(now time.Time, from netip.Addr, p *dnsmessage.Parser) {
	if p.SkipAllQuestions() != nil {
		r.stats.Malformed++
		return
	}
	sections := [...]struct {
		header func() (dnsmessage.ResourceHeader, error)
		skip   func() error
	}{{p.AnswerHeader, p.SkipAnswer}, {p.AuthorityHeader, p.SkipAuthority}, {p.AdditionalHeader, p.SkipAdditional}}
	for _, section := range sections {
		for countActive := 0; ; countActive++ {
			h, err := section.header()
			if err == dnsmessage.ErrSectionDone {
				break
			}
			if err != nil || countActive > maxRecords {
				r.stats.Malformed++
				return
			}
			s := lower(h.Name)
			n := r.nameFor(s)
			if n == nil || h.TTL == 0 || uint16(h.Class)&^classTop != classIN || strings.HasSuffix(s, ".arpa") {
				if section.skip() != nil {
					r.stats.Malformed++
					return
				}
				continue
			}
			data, ok := recordData(p, h)
			if !ok {
				r.stats.Malformed++
				return
			}
			if r.contradicts(n, s, uint16(h.Type), data) {
				r.conflict(now, n, from)
			}
		}
	}
}

// contradicts reports whether a record of another host conflicts with those of n.
func (r *Responder) contradicts(n *name, s string, kind uint16, data []byte) bool {
	isHost := s == n.Label+".local"
	switch {
	case isHost && kind == typeA:
		return true // our NSEC record denies it
	case isHost && kind == typeAAAA:
		return !bytes.Equal(data, r.address(n).data())
	case !isHost && kind == typeSRV:
		return !bytes.Equal(data[min(4, len(data)):], r.server(n).data()[4:])
	case !isHost && kind == typeTXT:
		return !bytes.Equal(data, r.text(n).data())
	}
	return false
}

// recordData reads the data of the record whose header was read, names in it in full and
// in lower case.
func recordData(p *dnsmessage.Parser, h dnsmessage.ResourceHeader) ([]byte, bool) {
	switch h.Type {
	case dnsmessage.TypePTR:
		x, err := p.PTRResource()
		return appendName(nil, lower(x.PTR)), err == nil
	case dnsmessage.TypeSRV:
		x, err := p.SRVResource()
		b := []byte{byte(x.Priority >> 8), byte(x.Priority), byte(x.Weight >> 8), byte(x.Weight), byte(x.Port >> 8), byte(x.Port)}
		return appendName(b, lower(x.Target)), err == nil
	case dnsmessage.TypeAAAA:
		x, err := p.AAAAResource()
		return x.AAAA[:], err == nil
	}
	x, err := p.UnknownResource()
	return x.Data, err == nil
}

// nameOf turns the wire form of appendName back.
func nameOf(b []byte) string {
	var out []byte
	for len(b) > 0 && b[0] != 0 && int(b[0]) < len(b) {
		if out != nil {
			out = append(out, '.')
		}
		out = append(out, b[1:1+b[0]]...)
		b = b[1+b[0]:]
	}
	return string(out)
}

// lower returns a name in lower case (ASCII only, RFC 6762, section 16), without the
// dot at the end.
func lower(n dnsmessage.Name) string {
	b := n.Data[:n.Length]
	if len(b) > 0 && b[len(b)-1] == '.' {
		b = b[:len(b)-1]
	}
	out := make([]byte, len(b))
	for i, c := range b {
		if c >= 'A' && c <= 'Z' {
			c += 'a' - 'A'
		}
		out[i] = c
	}
	return string(out)
}

// reversed reads the address out of a name such as reverseName makes.
func reversed(s string) (netip.Addr, bool) {
	const suffix = ".ip6.arpa"
	if len(s) != 63+len(suffix) || s[63:] != suffix {
		return netip.Addr{}, false
	}
	var b [16]byte
	for i := range 32 {
		var v byte
		switch c := s[2*i]; {
		case c >= '0' && c <= '9':
			v = c - '0'
		case c >= 'a' && c <= 'f':
			v = c - 'a' + 10
		default:
			return netip.Addr{}, false
		}
		if i < 31 && s[2*i+1] != '.' {
			return netip.Addr{}, false
		}
		b[15-i/2] |= v << (4 * (i % 2))
	}
	return netip.AddrFrom16(b), true
}

// wants reports whether a question for asked takes records of kind.
func wants(hasQuestions dnsmessage.Type, kind uint16) bool {
	return hasQuestions == dnsmessage.Type(kind) || hasQuestions == typeANY
}
