package policy

import (
	"encoding/binary"
	"time"
)

// What a flow on the port of CoAP shows in the clear (RFC 7252, section 3; RFC 7641).

// Types of a message (RFC 7252, section 3).
const (
	typeCON = iota
	typeNON
	typeACK
	typeRST
)

// Codes and options (RFC 7252, sections 12.1 and 12.2; RFC 7641, 2; RFC 7959, 2.1; RFC
// 8132, 2).
const (
	codeEmpty     = 0
	codeGET       = 1
	codeFETCH     = 5
	optionObserve = 6
	optionBlock2  = 23

	coapHeaderLen = 4
	maxToken      = 8
	payloadMarker = 0xff
)

// Values of message.observe.
const (
	observeNone     = iota
	observeRegister // the value 0 in a request; any value in a response
	observeCancel   // the value 1 in a request
	observeOther
)

// message is what the packet path reads of a CoAP message.
type message struct {
	valid   bool // it has a header and a token
	typ     uint8
	code    uint8
	id      uint16
	token   uint32 // a hash of the token, never 0
	observe uint8
	block   bool // a block of a body, but not the first (RFC 7959)
}

// class is the class of the code: 0 request, 2 success, 4 and 5 errors.
func (m *message) class() uint8 { return m.code >> 5 }

// response reports whether the message is a response, in any message type that may carry
// one (RFC 7252, table 1 and section 5.9).
func (m *message) response() bool {
	c := m.class()
	return m.valid && m.typ != typeRST && (c == 2 || c == 4 || c == 5)
}

// parseCoAP reads the header of a CoAP message, and its options as far as they are there:
// b may be cut, as in a first fragment.
func parseCoAP(b []byte) (m message) {
	if len(b) < coapHeaderLen || b[0]>>6 != 1 {
		return m
	}
	tkl := int(b[0] & 15)
	if tkl > maxToken || len(b) < coapHeaderLen+tkl {
		return m
	}
	m = message{valid: true, typ: b[0] >> 4 & 3, code: b[1], id: binary.BigEndian.Uint16(b[2:])}
	h := uint32(2166136261) ^ uint32(tkl) // FNV-1a
	for _, c := range b[coapHeaderLen : coapHeaderLen+tkl] {
		h = (h ^ uint32(c)) * 16777619
	}
	m.token = max(h, 1)
	if m.code == codeGET || m.code == codeFETCH || m.class() == 2 {
		m.options(b[coapHeaderLen+tkl:])
	}
	return m
}

// options reads Observe and Block2 (RFC 7252, section 3.1).
func (m *message) options(b []byte) {
	for number := 0; len(b) > 0 && b[0] != payloadMarker && number <= optionBlock2; {
		delta, length := int(b[0]>>4), int(b[0]&15)
		b = b[1:]
		var ok bool
		if delta, b, ok = extended(delta, b); !ok {
			return
		}
		if length, b, ok = extended(length, b); !ok || length > len(b) {
			return
		}
		number += delta
		value := b[:length]
		b = b[length:]
		switch number {
		case optionObserve:
			if m.observe == observeNone {
				m.observe = observeOf(m, value)
			}
		case optionBlock2:
			m.block = laterBlock(value)
		}
	}
}

// extended returns a delta or length of an option whose nibble is n.
func extended(n int, b []byte) (int, []byte, bool) {
	switch {
	case n < 13:
		return n, b, true
	case n == 13 && len(b) >= 1:
		return int(b[0]) + 13, b[1:], true
	case n == 14 && len(b) >= 2:
		return int(binary.BigEndian.Uint16(b)) + 269, b[2:], true
	}
	return 0, b, false
}

func observeOf(m *message, value []byte) uint8 {
	if m.class() != 0 {
		return observeRegister
	}
	v := uint32(0)
	for _, c := range value[:min(len(value), 4)] {
		v = v<<8 | uint32(c)
	}
	switch v {
	case 0:
		return observeRegister
	case 1:
		return observeCancel
	}
	return observeOther
}

// laterBlock reports whether a Block2 option names another block than the first.
func laterBlock(value []byte) bool {
	v := uint32(0)
	for _, c := range value[:min(len(value), 4)] {
		v = v<<8 | uint32(c)
	}
	return v>>4 != 0
}

// maxObservations is the number of observations that a flow remembers. While one of
// them stands, the flow stays for all. Our choice.
const maxObservations = 4

// observeLife is for how long a flow with an observation stays after its opener's last
// packet: a server sends a confirmable notification at least every 24 hours (RFC 7641,
// section 4.5), which the opener acknowledges.
const observeLife = int64(25 * time.Hour)

// observation is one that the opener of a flow asked for.
type observation struct {
	token  uint32 // 0: the place is free
	id     uint16 // Message ID of the last notification
	stands bool   // it was answered with Observe
}

// request takes note of a valid message of the opener.
func (f *flow) request(m *message) {
	switch {
	case m.typ == typeRST: // RFC 7641, section 3.6
		for i := range f.observed {
			if o := &f.observed[i]; o.stands && o.id == m.id {
				*o = observation{}
			}
		}
	case m.code != codeGET && m.code != codeFETCH:
	case m.observe == observeCancel: // RFC 7641, section 3.6
		if o := f.observation(m.token); o != nil {
			*o = observation{}
		}
	case m.observe == observeRegister:
		if f.observation(m.token) == nil {
			f.ask(m.token)
		}
	}
}

// ask remembers that the opener asked for an observation, in place of a request for
// another that has no answer yet if there is no room. What finds none is not
// remembered.
func (f *flow) ask(token uint32) {
	var at *observation
	for i := range f.observed {
		o := &f.observed[i]
		if o.token == 0 {
			at = o
			break
		}
		if !o.stands && at == nil {
			at = o
		}
	}
	if at != nil {
		*at = observation{token: token}
	}
}

// response takes note of a response of the other side.
func (f *flow) response(m *message) {
	o := f.observation(m.token)
	if o == nil {
		return
	}
	switch {
	case m.class() == 2 && m.observe != observeNone:
		o.stands, o.id = true, m.id
	case m.class() == 2 && m.block:
		// A later block of a notification's body has no Observe (RFC 7959, section 3.4).
	default: // RFC 7641, sections 3.2 and 4.2
		*o = observation{}
	}
	f.extend()
}

func (f *flow) observation(token uint32) *observation {
	for i := range f.observed {
		if o := &f.observed[i]; o.token == token {
			return o
		}
	}
	return nil
}

// extend sets until when answers pass.
func (f *flow) extend() {
	life := f.life
	for i := range f.observed {
		if f.observed[i].stands {
			life = max(life, observeLife)
			break
		}
	}
	f.until = f.opener + life
}
