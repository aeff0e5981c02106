package coap

import (
	"encoding/json"
	"fmt"

	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/api"
	"culvert/coap/msg"
)

// controlResource is /control/..., which exists on the control socket only.
func (s *Server) controlResource(req *msg.Request, p msg.Path) msg.Response {
	if r, ok := s.opts.Resources[p.Part[1]]; ok && p.Len == 2 {
		return s.serveControl(req, r)
	}
	if p.Len != 2 || p.Part[1] != "status" {
		return msg.Errorf(codes.NotFound, "there is no such thing under /control")
	}
	return msg.GetOnly(func(*msg.Request) msg.Response {
		if _, ok := msg.Accept(req, msg.FormatJSON); !ok {
			return msg.NotAcceptable(msg.FormatJSON)
		}
		st := api.Status{Version: s.opts.Version, Started: s.started.UTC(), Meshes: []string{}, UDP: []string{}}
		for _, m := range s.opts.Meshes {
			st.Meshes = append(st.Meshes, m.Name)
			st.Nodes += m.Table.Len()
		}
		for _, a := range s.UDPAddrs() {
			st.UDP = append(st.UDP, a.String())
		}
		st.You.UID, st.You.GID = req.Peer.UID, req.Peer.GID
		b, err := json.Marshal(st)
		if err != nil {
			return s.internal(err)
		}
		return msg.Content(msg.FormatJSON, b)
	})(req)
}

// internal is the response to a defect of the front.
func (s *Server) internal(err error) msg.Response {
	s.log.Error("CoAP answer not made", "error", err)
	return msg.Errorf(codes.InternalServerError, "%s", fmt.Sprint(err))
}
