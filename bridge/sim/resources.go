package sim

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"culvert/bridge/senml"
)

// The paths of a node's resources.
const (
	pathCore   = "/.well-known/core"
	pathPeriod = "/period"
	pathOutput = "/output"
)

// maxPeriod bounds /period, in seconds: a day.
const maxPeriod = 86400

// link is one entry of the listing: its text and what a query can ask for.
type link struct {
	text       string
	attributes map[string]string
}

var links = []link{
	{`</temp>;rt="temperature";if="sensor";ct="0 110 112"`, map[string]string{"href": "/temp", "rt": "temperature", "if": "sensor", "ct": "0 110 112"}},
	{`</hum>;rt="humidity";if="sensor";ct="0 110 112"`, map[string]string{"href": "/hum", "rt": "humidity", "if": "sensor", "ct": "0 110 112"}},
	{`</batt>;rt="battery";if="sensor";ct="0 110 112"`, map[string]string{"href": "/batt", "rt": "battery", "if": "sensor", "ct": "0 110 112"}},
	{`</period>;rt="period";if="parameter";ct=0`, map[string]string{"href": "/period", "rt": "period", "if": "parameter", "ct": "0"}},
	{`</output>;rt="output";if="actuator";ct=0`, map[string]string{"href": "/output", "rt": "output", "if": "actuator", "ct": "0"}},
}

// resource answers a request for one of the node's resources; the representation
// goes to m.scratch.
func (m *Mesh) resource(n int32, in message, req *request) answer {
	path := req.pathString()
	switch path {
	case pathCore:
		if in.code != codeGET {
			return answer{code: codeNoMethod}
		}
		if !accepts(req, formatLinks) {
			return diagnose(m, codeNotAccept, "application/link-format (40) only")
		}
		m.appendLinks(req)
		return answer{code: codeContent, format: formatLinks, maxAge: 3600}
	case pathPeriod, pathOutput:
		return m.setting(n, path, in, req)
	}
	for _, s := range sensors {
		if path == "/"+s.name {
			return m.measured(n, s, in, req)
		}
	}
	return diagnose(m, codeNotFound, "see /.well-known/core")
}

func accepts(req *request, formats ...int) bool {
	return req.accept < 0 || slices.Contains(formats, req.accept)
}

func (m *Mesh) appendLinks(req *request) {
	for _, l := range links {
		if req.queries > 0 && !linkMatches(string(req.query), l.attributes) {
			continue
		}
		if len(m.scratch) > 0 {
			m.scratch = append(m.scratch, ',')
		}
		m.scratch = append(m.scratch, l.text...)
	}
}

// measured answers for a sensor: a number in plain text, or SenML for who asks.
func (m *Mesh) measured(n int32, s sensor, in message, req *request) answer {
	if in.code != codeGET {
		return answer{code: codeNoMethod}
	}
	if !accepts(req, formatText, formatSenML, formatSenMLCBOR) {
		return diagnose(m, codeNotAccept, "text/plain (0) or SenML (110, 112)")
	}
	r := m.readingsOf(n)
	a := answer{code: codeContent, format: max(req.accept, formatText), maxAge: 10}
	var err error
	switch a.format {
	case formatSenML:
		m.scratch, err = senml.AppendJSON(m.scratch, pack(m.nodes[n].eui64, r, s))
	case formatSenMLCBOR:
		m.scratch, err = senml.AppendCBOR(m.scratch, pack(m.nodes[n].eui64, r, s))
	default:
		m.scratch = s.appendValue(m.scratch, r)
	}
	if err != nil {
		m.scratch = m.scratch[:0]
		return diagnose(m, codeInternal, "no SenML")
	}
	return a
}

// setting answers for what can be written: the period of the reports, in seconds,
// and the output. Nothing moves behind a simulated output. On a real site one starts
// a pump: whatever it drives needs an interlock of its own beside the machine.
func (m *Mesh) setting(n int32, path string, in message, req *request) answer {
	nd := &m.nodes[n]
	switch in.code {
	case codeGET:
		if !accepts(req, formatText) {
			return diagnose(m, codeNotAccept, "text/plain (0) only")
		}
		if path == pathPeriod {
			m.scratch = strconv.AppendInt(m.scratch, int64(nd.period/time.Second), 10)
		} else {
			m.scratch = strconv.AppendInt(m.scratch, int64(nd.output), 10)
		}
		return answer{code: codeContent, format: formatText, maxAge: 0}
	case codePUT:
	default:
		return answer{code: codeNoMethod}
	}
	if req.block1 > 7 || len(in.payload) > 32 { // more blocks follow, or came before
		return diagnose(m, codeTooLarge, "one short value")
	}
	if req.format > 0 {
		return diagnose(m, codeUnsupported, "text/plain (0) only")
	}
	value := strings.TrimSpace(string(in.payload))
	if path == pathOutput {
		switch value {
		case "1", "on":
			nd.output = 1
		case "0", "off":
			nd.output = 0
		default:
			return diagnose(m, codeBadRequest, "0, 1, off or on")
		}
		return answer{code: codeChanged}
	}
	sec, err := strconv.ParseUint(value, 10, 32)
	if err != nil || sec < 1 || sec > maxPeriod {
		return diagnose(m, codeBadRequest, "seconds, 1 to 86400")
	}
	nd.period = time.Duration(sec) * time.Second
	m.scheduleReport(n, m.now+nd.period)
	return answer{code: codeChanged}
}

// readingsOf returns what the sensors of a node see now.
func (m *Mesh) readingsOf(n int32) readings {
	nd := &m.nodes[n]
	seed, _ := nd.eui64.EUI64()
	return nd.climate().at(m.seed^mix(seed), m.start.Add(m.now), m.now)
}

// outputOf reports a node's output as the listing shows it.
func (n *node) outputOf() string {
	if n.output == 0 {
		return "off"
	}
	return "on"
}
