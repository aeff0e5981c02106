package sim

import (
	"encoding/binary"
	"math"

	"culvert/bridge/ipv6"
)

// appendBare appends readings as a node reports them that speaks no CoAP to the
// gateway: an int16 of 0.01 degrees Celsius, a uint16 of 0.1 % relative humidity, a
// uint16 of millivolts, all in network order, and an octet of flags, whose bit 0 says
// that the output is on.
func appendBare(b []byte, r readings, on bool) []byte {
	b = binary.BigEndian.AppendUint16(b, uint16(int16(math.Round(r.temp*100))))
	b = binary.BigEndian.AppendUint16(b, uint16(math.Round(r.hum*10)))
	b = binary.BigEndian.AppendUint16(b, uint16(math.Round(r.batt*1000)))
	if on {
		return append(b, 1)
	}
	return append(b, 0)
}

// reportBare sends a node's readings to a port of the gateway, with nothing around
// them.
func (m *Mesh) reportBare(n int32, port uint16) {
	to := m.gatewayAddr()
	b := beginUDP(m.adaptation.upper[:0], port, port)
	b = appendBare(b, m.readingsOf(n), m.nodes[n].output != 0)
	m.adaptation.upper = b
	m.stats.Reports++
	src, link := m.address(n, to, to)
	m.sendUpper(n, link, src, to, ipv6.ProtoUDP, b)
}
