package mdns

import (
	"bytes"
	"encoding/binary"
	"math/rand/v2"
	"net/netip"
	"slices"
	"strings"
	"time"

	"golang.org/x/net/dns/dnsmessage"
)

// listing is the answer to a query for all instances of the service. Queries that
// come at about the same time share one listing, which may take several messages.
type listing struct {
	due         time.Time
	from        netip.Addr          // the first querier
	known       map[string]struct{} // instances that every querier already has
	labels      []string            // nil before the first message
	started     bool
	withDetails bool
}

// answer sends the answer to a query.
func (r *Responder) answer(now time.Time, q *query, send Send) {
	if !q.hasQuestions && len(q.instances) > 0 {
		// The rest of a truncated query (RFC 6762, section 7.2).
		if l := r.list; l != nil && !l.started && l.from == q.from.Addr() {
			for label := range q.instances {
				if l.known == nil {
					l.known = map[string]struct{}{}
				}
				l.known[label] = struct{}{}
			}
		}
		return
	}
	if len(q.questions) == 0 {
		return
	}
	r.stats.Queries++
	// A unicast answer must stay on the link (RFC 6762, section 11).
	if !q.from.Addr().IsLinkLocalUnicast() {
		if q.legacy() {
			return
		}
		q.unicast = false
	}
	answers, additional := r.collect(now, q)
	if q.listing && !q.legacy() {
		r.scheduleListing(now, q)
	}
	if len(answers) == 0 && !(q.listing && q.legacy()) {
		return
	}
	if !r.bucket.Take(now) {
		r.stats.Limited++
		return
	}
	r.stats.Answers++
	b := newBuilder(0, flagsResponse)
	to := netip.AddrPort{}
	if q.unicast {
		to = q.from
	}
	if q.legacy() {
		to = q.from
		b = newBuilder(q.id, flagsResponse)
		b.plain, b.ttlCap = true, legacyTTL
		b.ask(strings.TrimSuffix(q.questions[0].Name.String(), "."), uint16(q.questions[0].Type), uint16(q.questions[0].Class)&^classTop)
	}
	fits := true
	for _, rec := range answers {
		fits = fits && b.add(sectionAnswer, rec, false)
	}
	if q.listing && q.legacy() {
		for _, label := range r.instances(nil) {
			fits = fits && b.add(sectionAnswer, r.pointer(r.names[label]), false)
		}
	}
	for _, rec := range additional {
		if !fits || !b.add(sectionAdditional, rec, false) {
			break
		}
	}
	if !fits {
		binary.BigEndian.PutUint16(b.b[2:], flagsResponse|flagTruncated)
	}
	send(to, b.bytes())
}

// collect returns the answers to questions about single names, and the additional
// records.
func (r *Responder) collect(now time.Time, q *query) (answers, additional []record) {
	single := q.legacy() || q.unicast
	for _, question := range q.questions {
		s := lower(question.Name)
		if s == metaQuery && wants(question.Type, typePTR) && r.counts[live]+r.counts[announcing] > 0 {
			answers = append(answers, record{name: metaQuery, kind: typePTR, ttl: otherTTL, target: r.service})
		}
		n := r.nameFor(s)
		if n == nil || n.state != announcing && n.state != live {
			continue
		}
		recs, more := r.recordsFor(n, s, question.Type)
		recs = slices.DeleteFunc(recs, func(rec record) bool {
			known, ok := q.known[knownKey{rec.name, rec.kind}]
			return ok && bytes.Equal(known, rec.data()) || !single && r.recentlySent(now, n, rec, q.probe)
		})
		if len(recs) == 0 {
			continue
		}
		answers, additional = append(answers, recs...), append(additional, more...)
	}
	return answers, additional
}

// recentlySent reports whether rec was multicast so recently that it must not be sent
// again. If not, it records that rec is being sent.
func (r *Responder) recentlySent(now time.Time, n *name, rec record, probe bool) bool {
	least := multicastInterval
	if probe {
		least = defenceInterval
	}
	last := &n.lastSent[rec.slot()]
	if now.Sub(*last) < least {
		r.stats.Limited++
		return true
	}
	*last = now
	return false
}

// recordsFor returns the records for a question about name s of n.
func (r *Responder) recordsFor(n *name, s string, asked dnsmessage.Type) (answers, additional []record) {
	switch {
	case strings.HasSuffix(s, ".arpa"):
		if wants(asked, typePTR) {
			return []record{r.reverse(n)}, nil
		}
	case s == n.Label+".local":
		none := onlyTypes(s, typeAAAA)
		if wants(asked, typeAAAA) {
			return []record{r.address(n)}, []record{none}
		}
		return []record{none}, []record{r.address(n)}
	default:
		if wants(asked, typeSRV) {
			answers, additional = append(answers, r.server(n)), append(additional, r.address(n))
		}
		if wants(asked, typeTXT) {
			answers = append(answers, r.text(n))
		}
		if answers == nil {
			answers = []record{onlyTypes(s, typeTXT, typeSRV)}
		}
	}
	return answers, additional
}

// scheduleListing schedules a listing after a random delay. In that time further queries
// for the same may arrive (RFC 6762, section 6), or the rest of a truncated query
// (section 7.2).
func (r *Responder) scheduleListing(now time.Time, q *query) {
	l := &r.list
	if *l != nil && (*l).started {
		l = &r.nextList
	}
	if *l == nil {
		due := now.Add(20*time.Millisecond + rand.N(100*time.Millisecond))
		if q.truncated {
			due = now.Add(400*time.Millisecond + rand.N(100*time.Millisecond))
		}
		if t := r.listed.Add(multicastInterval); t.After(due) {
			due = t
		}
		*l = &listing{due: due, from: q.from.Addr(), known: q.instances}
		return
	}
	for label := range (*l).known {
		if _, ok := q.instances[label]; !ok {
			delete((*l).known, label)
		}
	}
}

// instances returns the labels of verified names, except those in known, sorted.
func (r *Responder) instances(known map[string]struct{}) []string {
	out := make([]string, 0, len(r.names))
	for label, n := range r.names {
		if _, ok := known[label]; !ok && (n.state == announcing || n.state == live) {
			out = append(out, label)
		}
	}
	slices.Sort(out)
	return out
}

// sendListing sends the next message of a listing when it is due.
func (r *Responder) sendListing(now time.Time, send Send) {
	l := r.list
	if l == nil || l.due.After(now) {
		return
	}
	if !l.started {
		l.started, l.labels = true, r.instances(l.known)
		l.withDetails = len(l.labels) <= maxDetailed
	}
	b := newBuilder(0, flagsResponse)
	var sent []*name
	for len(l.labels) > 0 {
		n := r.names[l.labels[0]]
		if n != nil && (n.state == announcing || n.state == live) {
			if !b.add(sectionAnswer, r.pointer(n), false) {
				break
			}
			sent = append(sent, n)
		}
		l.labels = l.labels[1:]
	}
	if l.withDetails {
		for _, n := range sent { // RFC 6763, section 12.1
			b.addAll(sectionAdditional, []record{r.server(n), r.text(n), r.address(n)})
		}
	}
	if len(sent) > 0 {
		r.stats.Answers++
		send(netip.AddrPort{}, b.bytes())
	}
	if l.due = now.Add(listingInterval); len(l.labels) > 0 {
		return
	}
	r.listed = now
	if r.list, r.nextList = r.nextList, nil; r.list != nil {
		if t := now.Add(multicastInterval); r.list.due.Before(t) {
			r.list.due = t
		}
	}
}
