package door

import (
	"errors"
	"net"
	"sync"
	"time"

	"culvert/coap/msg"
)

// controlDoor is the Unix socket of the commands. A process that may open it has all rights:
// mode and owner of the file decide.
type controlDoor struct {
	s        *Doors
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
			d.s.log.Warn("control socket: too many connections", "limit", MaxStreams)
			c.Close()
			continue
		}
		wg.Go(func() {
			d.s.ServeStream(c, msg.Peer{Door: msg.DoorControl, Conn: d.s.number(), UID: uid, GID: gid})
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
	if d.ended || len(d.conns) >= MaxStreams {
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
