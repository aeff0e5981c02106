package sim

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"culvert/bridge/senml"
)

// The paths of a node's resources, besides those of its sensors.
const (
	pathCore     = "/.well-known/core"
	pathReadings = "/readings"
	pathPeriod   = "/period"
	pathOutput   = "/output"
	pathLease    = "/output/lease"
	pathLabel    = "/label"
	pathConfig   = "/config"
	pathLog      = "/log"
)

// maxPeriod bounds /period, in seconds: a day.
const maxPeriod = 86400

// maxShort bounds the body of a short value, in octets.
const maxShort = 32

// The seconds for which readings, and the listing, stay fresh.
const (
	readingAge = 10
	listingAge = 3600
)

// link is one entry of the listing (RFC 6690).
type link struct {
	path, kind, use, formats string // href, rt, if, ct
	observable               bool
}

var links = [...]link{
	{"/temp", "temperature", "sensor", "0 110 112", true},
	{"/hum", "humidity", "sensor", "0 110 112", true},
	{"/batt", "battery", "sensor", "0 110 112", true},
	{pathReadings, "readings", "sensor", "110 112", true},
	{pathPeriod, "period", "parameter", "0", false},
	{pathOutput, "output", "actuator", "0", true},
	{pathLease, "lease", "status", "0", false},
	{pathLabel, "label", "parameter", "0", false},
	{pathConfig, "config", "parameter", "50 60", false},
	{pathLog, "log", "log", "0", false},
}

func (l link) append(b []byte) []byte {
	b = append(b, "<"+l.path+`>;rt="`+l.kind+`";if="`+l.use+`";ct=`...)
	if strings.Contains(l.formats, " ") {
		b = append(b, `"`+l.formats+`"`...)
	} else {
		b = append(b, l.formats...)
	}
	if l.observable {
		b = append(b, ";obs"...) // RFC 7641, section 6
	}
	return b
}

// matches applies a query filter (RFC 6690, section 4.1): name=value or
// name=prefix*.
func (l link) matches(query string) bool {
	name, want, ok := strings.Cut(query, "=")
	if !ok {
		return l.observable && name == "obs"
	}
	have, ok := map[string]string{"href": l.path, "rt": l.kind, "if": l.use, "ct": l.formats}[name]
	if !ok {
		return false
	}
	prefix, wild := strings.CutSuffix(want, "*")
	for _, v := range strings.Fields(have) { // space-separated values match one by one
		if v == want || wild && strings.HasPrefix(v, prefix) {
			return true
		}
	}
	return false
}

// resource answers a request for one of the node's resources; the representation
// goes to m.scratch.
func (m *Mesh) resource(n int32, in message, req *request) answer {
	path := req.pathString()
	switch path {
	case pathCore:
		return m.listing(in, req)
	case pathReadings:
		return m.measured(n, sensors[:], in, req)
	case pathPeriod:
		return m.periodResource(n, in, req)
	case pathOutput:
		return m.outputResource(n, in, req)
	case pathLease:
		return m.leaseResource(n, in, req)
	case pathLabel:
		return m.labelResource(n, in, req)
	case pathConfig:
		return m.configResource(n, in, req)
	case pathLog:
		return m.logResource(n, in, req)
	}
	for i, s := range sensors {
		if path == "/"+s.name {
			return m.measured(n, sensors[i:i+1], in, req)
		}
	}
	if number, ok := strings.CutPrefix(path, pathLog+"/"); ok {
		return m.lineResource(n, number, in, req)
	}
	return m.diagnose(codeNotFound, "see /.well-known/core")
}

func accepts(req *request, formats ...int) bool {
	return req.accept < 0 || slices.Contains(formats, req.accept)
}

func (m *Mesh) listing(in message, req *request) answer {
	if in.code != codeGET {
		return status(codeNoMethod)
	}
	if !accepts(req, formatLinks) {
		return m.diagnose(codeNotAccept, "application/link-format (40) only")
	}
	for _, l := range links {
		if req.queries > 0 && !l.matches(string(req.query)) {
			continue
		}
		if len(m.scratch) > 0 {
			m.scratch = append(m.scratch, ',')
		}
		m.scratch = l.append(m.scratch)
	}
	return content(formatLinks, listingAge)
}

// measured answers for one sensor, a number in plain text or SenML for who asks, or
// for several, in SenML.
func (m *Mesh) measured(n int32, which []sensor, in message, req *request) answer {
	if in.code != codeGET {
		return status(codeNoMethod)
	}
	format := formatText
	if len(which) > 1 {
		format = formatSenML
	}
	if !accepts(req, format, formatSenML, formatSenMLCBOR) {
		return m.diagnose(codeNotAccept, "SenML (110, 112), of one sensor text/plain (0) too")
	}
	if req.accept >= 0 {
		format = req.accept
	}
	r := m.readingsOf(n)
	var err error
	switch format {
	case formatSenML:
		m.scratch, err = senml.AppendJSON(m.scratch, pack(m.nodes[n].eui64, r, which...))
	case formatSenMLCBOR:
		m.scratch, err = senml.AppendCBOR(m.scratch, pack(m.nodes[n].eui64, r, which...))
	default:
		m.scratch = which[0].appendValue(m.scratch, r)
	}
	if err != nil {
		return m.diagnose(codeInternal, "no SenML")
	}
	return content(format, readingAge)
}

// shortValue returns the body of a write to a resource that takes one short value in
// plain text. A refusal with code 0 is none.
func (m *Mesh) shortValue(in message, req *request) (value string, refusal answer) {
	if req.block1 > 7 || len(in.payload) > maxShort { // more blocks follow, or came before
		return "", m.tooLarge(maxShort, "one short value")
	}
	if req.format > formatText {
		return "", m.diagnose(codeUnsupported, "text/plain (0) only")
	}
	return strings.TrimSpace(string(in.payload)), answer{}
}

// periodResource answers for /period: the time between reports, in seconds.
func (m *Mesh) periodResource(n int32, in message, req *request) answer {
	nd := &m.nodes[n]
	switch in.code {
	case codeGET:
		if !accepts(req, formatText) {
			return m.diagnose(codeNotAccept, "text/plain (0) only")
		}
		m.scratch = strconv.AppendInt(m.scratch, int64(nd.period/time.Second), 10)
		return content(formatText, 0)
	case codePUT:
	default:
		return status(codeNoMethod)
	}
	value, refusal := m.shortValue(in, req)
	if refusal.code != 0 {
		return refusal
	}
	sec, err := strconv.ParseUint(value, 10, 32)
	if err != nil || sec < 1 || sec > maxPeriod {
		return m.diagnose(codeBadRequest, "seconds, 1 to 86400")
	}
	nd.period = time.Duration(sec) * time.Second
	if nd.reportAt != 0 {
		m.agenda.drop(eventReport, n) // or changes of mind would fill the agenda
	}
	m.scheduleReport(n, m.now+nd.period)
	m.makeDue(n, m.now+nd.period, func(*observer) bool { return true })
	return status(codeChanged)
}

// readingsOf returns what the sensors of a node see now.
func (m *Mesh) readingsOf(n int32) readings {
	nd := &m.nodes[n]
	seed, _ := nd.eui64.EUI64()
	return nd.climate().at(m.seed^mix(seed), m.start.Add(m.now), m.now)
}
