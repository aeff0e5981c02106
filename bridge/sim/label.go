package sim

import (
	"bytes"
	"unicode/utf8"
)

// labelResource answers for /label: a text that somebody gave the node.
func (m *Mesh) labelResource(n int32, in message, req *request) answer {
	x := m.nodes[n].extra
	there := x != nil && x.label != nil
	switch in.code {
	case codeGET:
		switch {
		case !there:
			return m.diagnose(codeNotFound, "no label: PUT one")
		case !accepts(req, formatText):
			return m.diagnose(codeNotAccept, "text/plain (0) only")
		}
		m.scratch = append(m.scratch, x.label...)
		return content(formatText, -1)
	case codeDELETE:
		if there {
			x.label = nil
		}
		return status(codeDeleted) // also if there was none: RFC 7252, section 5.8.4
	case codePUT:
	default:
		return status(codeNoMethod)
	}
	switch {
	case req.format > formatText:
		return m.diagnose(codeUnsupported, "text/plain (0) only")
	case len(in.payload) == 0 || !utf8.Valid(in.payload):
		return m.diagnose(codeBadRequest, "1 to 1024 octets of UTF-8")
	}
	m.extraOf(n).label = bytes.Clone(in.payload)
	if there {
		return status(codeChanged)
	}
	return status(codeCreated)
}
