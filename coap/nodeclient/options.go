package nodeclient

import (
	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/msg"
)

// ForwardOptions returns the options for the node: the path below own, and without
// what concerns this hop alone (RFC 7252, section 5.7.3).
func ForwardOptions(in message.Options) (message.Options, msg.Response, bool) {
	var out message.Options
	skip := 3 // nodes, NODE, own
	for _, o := range in {
		switch o.ID {
		case message.URIPath:
			if skip > 0 {
				skip--
				continue
			}
		case message.URIHost, message.URIPort, message.Block1, message.Block2, message.Size1, message.Size2,
			message.Observe, message.MaxAge, message.NoResponse:
			continue
		case msg.OptHopLimit:
			// RFC 8768, section 3.
			v := msg.DecodeUint(o.Value)
			if len(o.Value) != 1 || v == 0 {
				return nil, msg.Errorf(codes.BadRequest, "Hop-Limit must be from 1 to 255"), false
			}
			if v == 1 {
				return nil, msg.Errorf(msg.CodeHopLimitReached, hopName), false
			}
			o.Value = msg.EncodeUint(v - 1)
		}
		out = append(out, o)
	}
	return out, msg.Response{}, true
}

// hopped is a node's answer without what concerns the hop to the node alone.
func WithoutHopOptions(r msg.Response) msg.Response {
	r.Options = msg.Without(r.Options, message.Block1, message.Block2, message.Size2, message.Observe)
	if r.Code == msg.CodeHopLimitReached && len(r.Payload) <= msg.MaxBody-len(hopName)-1 {
		// RFC 8768, section 4: each hop says who it is, the nearest first.
		r.Payload = append([]byte(hopName+" "), r.Payload...)
	}
	return r
}

// hopName is what the front calls itself where a Hop-Limit was reached.
const hopName = "culvert"

// checkResponseOptions returns the number of an option of an answer that is unsafe to forward
// and not known (RFC 7252, section 5.7.1).
func checkResponseOptions(o message.Options) (message.OptionID, bool) {
	for _, x := range o {
		switch x.ID {
		case message.Observe, message.MaxAge, message.Block1, message.Block2, message.Size1, message.Size2,
			message.LocationPath, message.LocationQuery, message.ETag, message.ContentFormat:
		default:
			if msg.UnsafeToForward(x.ID) {
				return x.ID, false
			}
		}
	}
	return 0, true
}
