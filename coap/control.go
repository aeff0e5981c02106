package coap

import (
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"sync"
	"time"

	"culvert/coap/api"
	"culvert/coap/msg"

	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// controlDoor is the Unix socket on which the commands ask. Whoever may open it may
// do everything; who that is, the file's mode and owner say.
type controlDoor struct {
	s        *Server
	listener *net.UnixListener
	unlock   func() // removes the socket file and lets the path go

	mu    sync.Mutex
	conns map[*net.UnixConn]struct{}
	ended bool
	once  sync.Once
}

// accept serves connections until the socket is closed, and returns when all of
// them have ended.
func (d *controlDoor) accept() error {
	var wg sync.WaitGroup
	defer wg.Wait()
	for {
		c, err := d.listener.AcceptUnix()
		if errors.Is(err, net.ErrClosed) {
			return err
		}
		if err != nil {
			// Out of descriptors, or the peer was gone again.
			d.s.log.Warn("control socket: connection not taken", "error", err)
			time.Sleep(50 * time.Millisecond)
			continue
		}
		uid, gid, err := credentials(c)
		if err != nil {
			d.s.log.Warn("control socket: peer not known", "error", err)
			c.Close()
			continue
		}
		if !d.add(c) {
			d.s.log.Warn("control socket: too many connections", "limit", maxStreams)
			c.Close()
			continue
		}
		wg.Go(func() {
			d.s.serveStream(c, msg.Peer{Door: msg.DoorControl, Conn: d.s.number(), UID: uid, GID: gid})
			d.mu.Lock()
			delete(d.conns, c)
			d.mu.Unlock()
		})
	}
}

// add takes a connection in, if there is room.
func (d *controlDoor) add(c *net.UnixConn) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.ended || len(d.conns) >= maxStreams {
		return false
	}
	d.conns[c] = struct{}{}
	return true
}

// close ends the door and every connection through it.
func (d *controlDoor) close() {
	d.once.Do(func() {
		d.listener.Close()
		d.mu.Lock()
		d.ended = true
		for c := range d.conns {
			c.Close()
		}
		d.mu.Unlock()
		d.unlock()
	})
}

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

// internal is the answer to a defect of ours.
func (s *Server) internal(err error) msg.Response {
	s.log.Error("CoAP answer not made", "error", err)
	return msg.Errorf(codes.InternalServerError, "%s", fmt.Sprint(err))
}
