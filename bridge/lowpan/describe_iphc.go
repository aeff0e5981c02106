package lowpan

import "fmt"

func (l *listing) base(at int, b0, b1 byte) {
	l.add(at, 0, 3, "dispatch", "IPHC", secIPHC)
	l.add(at, 3, 2, "TF", [4]string{"ECN, DSCP and flow label", "ECN and flow label, DSCP 0",
		"ECN and DSCP, flow label 0", "traffic class and flow label 0"}[b0>>3&3], secIPHC)
	nh := "in-line"
	if b0&iphcNH != 0 {
		nh = "NHC follows the addresses"
	}
	l.add(at, 5, 1, "NH", nh, secIPHC)
	hops := "in-line"
	if h := hopLimits[b0&3]; h != 0 {
		hops = fmt.Sprint(h)
	}
	l.add(at, 6, 2, "HLIM", hops, secIPHC)
	at++
	cid := "context 0 for both"
	if b1&iphcCID != 0 {
		cid = "context identifiers follow"
	}
	l.add(at, 0, 1, "CID", cid, secIPHC)
	l.add(at, 1, 1, "SAC", stateName(b1&iphcSAC), secIPHC)
	l.add(at, 2, 2, "SAM", modeName(b1&iphcSAC != 0, b1>>4&3, "unspecified address"), secIPHC)
	m := "unicast"
	if b1&iphcM != 0 {
		m = "multicast"
	}
	l.add(at, 4, 1, "M", m, secIPHC)
	l.add(at, 5, 1, "DAC", stateName(b1&iphcDAC), secIPHC)
	dam := modeName(b1&iphcDAC != 0, b1&3, "reserved")
	switch {
	case b1&iphcM != 0 && b1&iphcDAC != 0:
		dam = "48 bits in-line"
		if b1&3 != 0 {
			dam = "reserved"
		}
	case b1&iphcM != 0:
		dam = fmt.Sprintf("%d bits in-line", 8*multicastLen[b1&3])
	}
	l.add(at, 6, 2, "DAM", dam, secIPHC)
}

func stateName(stateful byte) string {
	if stateful != 0 {
		return "context"
	}
	return "no context"
}

// modeName returns the meaning of SAM or DAM; first is that of 0 with a context.
func modeName(stateful bool, mode byte, first string) string {
	if stateful && mode == 0 {
		return first
	}
	if mode == 3 {
		return "elided"
	}
	return fmt.Sprintf("%d bits in-line", 8*inlineLen[mode])
}

func (l *listing) cid(at int, cid byte) {
	l.add(at, 0, 4, "SCI", fmt.Sprintf("source context %d", cid>>4), secCID)
	l.add(at, 4, 4, "DCI", fmt.Sprintf("destination context %d", cid&0x0f), secCID)
}

func (l *listing) trafficFlow(at int, tf, ecn, dscp byte, flow uint32) {
	if tf == 3 {
		l.add(at, 0, 0, "traffic class and flow label", "0", secInline)
		return
	}
	l.add(at, 0, 2, "ECN", fmt.Sprint(ecn), secInline)
	switch tf {
	case 0:
		l.add(at, 2, 6, "DSCP", fmt.Sprint(dscp), secInline)
		l.add(at+1, 0, 4, "pad", "", secInline)
		l.add(at+1, 4, 20, "flow label", fmt.Sprintf("0x%05x", flow), secInline)
	case 1:
		l.add(at, 2, 2, "pad", "", secInline)
		l.add(at, 4, 20, "flow label", fmt.Sprintf("0x%05x", flow), secInline)
	case 2:
		l.add(at, 2, 6, "DSCP", fmt.Sprint(dscp), secInline)
	}
}

func (l *listing) proto(at int, name string, proto byte, section string) {
	l.add(at, 0, 8, name, protoName(proto), section)
}

func (l *listing) hopLimit(at int, hops byte) {
	l.add(at, 0, 8, "hop limit", fmt.Sprint(hops), secIPHC)
}

// address records a unicast address with n octets in-line at the offset at.
func (l *listing) address(at, n int, name string, a address, stateful bool, mode, cid byte) {
	meaning, section := a.netip().String(), secIPHC
	switch {
	case stateful && mode == 0:
	case stateful && mode == 3:
		meaning += fmt.Sprintf(", from context %d and the encapsulating header", cid)
		section = secIID
	case stateful:
		meaning += fmt.Sprintf(", with context %d", cid)
		section = secCID
	case mode == 3:
		meaning += ", from the encapsulating header"
		section = secIID
	}
	l.add(at, 0, 8*n, name, meaning, section)
}

// group records a multicast address with n octets in-line at the offset at.
func (l *listing) group(at, n int, a address, stateful bool, mode, cid byte) {
	meaning, section := a.netip().String(), secMulticast
	switch {
	case stateful:
		meaning += fmt.Sprintf(", with context %d", cid)
		section = secMcastCtx
	case mode == 0:
		section = secIPHC
	}
	l.add(at, 0, 8*n, "destination address", meaning, section)
}
