package lowpan

// pages skips page switches (RFC 8025) and the routing headers of page 1 (RFC 8138), and
// returns the dispatch of the packet. A frame starts in page 0. Routing headers are not
// restored: they stand for headers that the mesh added, and the path through the mesh ends here.
func (d *decoder) pages() (dispatch, error) {
	page := 0
	for {
		if d.at == len(d.b) {
			return 0, errEmpty
		}
		o := d.b[d.at]
		switch kind := dispatchOf(o); {
		case kind == dispatchPage:
			if d.list != nil {
				d.list.page(d.at, o&0xf)
			}
			page = int(o & 0xf)
			if page > 1 {
				return 0, errPage
			}
			d.at++
		case page == 0 || kind == dispatchIPHC:
			return kind, nil
		case kind == dispatchMesh: // 10xxxxxx is 6LoRH in page 1
			if err := d.routing(); err != nil {
				return 0, err
			}
		case kind == dispatchNALP:
			return 0, errNotLowpan
		default: // page 1 defines nothing else
			return 0, errDispatch
		}
	}
}

// The types of critical routing headers that can be skipped (RFC 8138, sections 5 and 6).
const (
	lorhLastSRH = 4 // types 0 to 4: source routing, addresses of 1 << type octets
	lorhRPI     = 5
)

// routing skips one 6LoWPAN routing header (RFC 8138, section 4). An elective one has its
// length in the first octet; the length of a critical one depends on its type.
func (d *decoder) routing() error {
	// Fragment offsets count the expanded routing headers, whose length only the sender knows.
	if d.size > 0 {
		return errLoRHFragment
	}
	at := d.at
	b, err := d.take(2, errLoRHCut)
	if err != nil {
		return err
	}
	critical, low, kind := b[0]&0x20 == 0, int(b[0]&0x1f), b[1]
	n := 0
	switch {
	case !critical:
		n = low
	case kind <= lorhLastSRH: // section 5.1: Size is the number of hops less one
		n = (low + 1) << kind
	case kind == lorhRPI: // section 6.3: octets of RPLInstanceID and SenderRank
		n = 3
		if low&0x02 != 0 { // I: the instance is 0
			n--
		}
		if low&0x01 != 0 { // K: the rank has 8 bits
			n--
		}
	default:
		return errLoRHCritical
	}
	if _, err := d.take(n, errLoRHCut); err != nil {
		return err
	}
	if d.list != nil {
		d.list.routing(at, critical, kind, n)
	}
	return nil
}
