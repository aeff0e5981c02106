package output

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"maps"
	"net"
	"net/netip"
	"sync"
	"time"

	"github.com/plgd-dev/go-coap/v3/message"
	"github.com/plgd-dev/go-coap/v3/message/codes"
	"github.com/plgd-dev/go-coap/v3/udp/coder"
	"pgregory.net/rapid"

	"culvert/coap/msg"
	"culvert/coap/nodeclient"
)

// machine is the node of the model: a CoAP server whose output is what was written last, and
// which may fall silent. It knows what the model allows it to be told.
type machine struct {
	conn *net.UDPConn

	mu      sync.Mutex
	silent  bool
	value   string
	now     time.Time            // of the model: what was sent before it began has been taken
	locked  bool                 // of the model
	last    map[string]time.Time // deadline of each value but the safe one
	told    map[string]bool      // values that came
	mids    map[uint16]bool
	faults  []string
	barrier chan struct{}
	came    func(value string) // nil: nobody is told

	// The radio, while it is dead: datagrams wait, as they do in the queue of a mesh, and go on
	// when it is back, unless the daemon said by then that they must not.
	dead   bool
	held   []heldDatagram
	limits map[uint16]time.Time // by Message ID: no transmission from then on
}

// heldDatagram waits for the radio.
type heldDatagram struct {
	b    []byte
	from netip.AddrPort
}

func newMachine(t rapid.TB) *machine {
	c, err := net.ListenUDP("udp6", &net.UDPAddr{IP: net.IPv6loopback})
	if err != nil {
		t.Fatal(err)
	}
	return &machine{conn: c, value: "0", last: map[string]time.Time{}, told: map[string]bool{}, mids: map[uint16]bool{}, limits: map[uint16]time.Time{}, barrier: make(chan struct{}, 1)}
}

func (m *machine) run() {
	buf := make([]byte, 2048)
	for {
		n, from, err := m.conn.ReadFromUDPAddrPort(buf)
		if err != nil {
			return
		}
		if n == 1 || n == 4 && buf[0] == 0x70 { // a Reset: nothing else here is answered by one
			m.barrier <- struct{}{}
			continue
		}
		if m.hold(buf[:n], from) {
			continue
		}
		if b := m.take(buf[:n]); b != nil {
			_, _ = m.conn.WriteToUDPAddrPort(b, from)
		}
	}
}

// hold keeps a datagram while the radio is dead, and reports whether it did.
func (m *machine) hold(b []byte, from netip.AddrPort) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.dead {
		m.held = append(m.held, heldDatagram{bytes.Clone(b), from})
	}
	return m.dead
}

// notAfter is what the daemon tells a mesh of a message.
func (m *machine) notAfter(_ string, _ netip.AddrPort, _, id uint16, at time.Time) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.limits[id] = at
	return nil
}

// radio kills the radio, or has it go on at a time with what waits.
func (m *machine) radio(dead bool, now time.Time) {
	m.mu.Lock()
	held := m.held
	m.dead, m.held = dead, nil
	if dead {
		m.held = held
	}
	limits := maps.Clone(m.limits)
	m.mu.Unlock()
	if dead {
		return
	}
	for _, d := range held {
		if at, ok := limits[binary.BigEndian.Uint16(d.b[2:])]; ok && !now.Before(at) {
			continue
		}
		if b := m.take(d.b); b != nil {
			_, _ = m.conn.WriteToUDPAddrPort(b, d.from)
		}
	}
}

// answers reports whether what is sent to the machine draws an answer.
func (m *machine) answers() bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return !m.silent && !m.dead
}

// voids has no value act from now on that was written before a time.
func (m *machine) voids(now time.Time) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for v, until := range m.last {
		if until.After(now) {
			m.last[v] = now.Add(-1)
		}
	}
}

// take answers one datagram, and looks at whether it may come.
func (m *machine) take(b []byte) []byte {
	q := message.Message{Options: make(message.Options, 0, msg.MaxOptions)}
	if _, err := coder.DefaultCoder.Decode(b, &q); err != nil || q.Type != message.Confirmable {
		return nil
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if v := string(q.Payload); q.Code == codes.PUT && v != "0" {
		switch until, known := m.last[v]; {
		case !known:
			m.faults = append(m.faults, "a value came that nobody wrote: "+v)
		case m.now.After(until):
			m.faults = append(m.faults, fmt.Sprintf("%s came %v after its deadline", v, m.now.Sub(until)))
		case m.locked:
			m.faults = append(m.faults, v+" came while the output was locked out")
		}
		m.told[v] = true
	}
	if m.silent {
		return nil
	}
	a := message.Message{Type: message.Acknowledgement, MessageID: q.MessageID, Token: q.Token, Code: codes.Content}
	if q.Code == codes.PUT {
		if m.came != nil {
			m.came(string(q.Payload))
		}
		a.Code = codes.Changed
		if !m.mids[uint16(q.MessageID)] { // RFC 7252, section 4.5
			m.mids[uint16(q.MessageID)] = true
			m.value = string(q.Payload)
		}
	} else {
		a.Payload = []byte(m.value)
	}
	return msg.Encode(a)
}

// settle waits until the machine has taken all that was sent to it before.
func (m *machine) settle(t rapid.TB) {
	c, err := net.DialUDP("udp6", nil, m.conn.LocalAddr().(*net.UDPAddr))
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if _, err := c.Write([]byte{0}); err != nil {
		t.Fatal(err)
	}
	<-m.barrier
}

// settleClient waits until a client has taken all that was sent to it before: a confirmable
// message that fits nothing draws a Reset (RFC 7252, section 4.2).
func (m *machine) settleClient(t rapid.TB, c *nodeclient.Client) {
	at := netip.AddrPortFrom(netip.IPv6Loopback(), c.LocalAddr().Port())
	stray := msg.Encode(message.Message{Type: message.Confirmable, Code: codes.Content, MessageID: 1, Token: []byte("stray")})
	if _, err := m.conn.WriteToUDPAddrPort(stray, at); err != nil {
		t.Fatal(err)
	}
	<-m.barrier
}

// forget drops what waits for the radio, and lets no value come any more that was written
// before.
func (m *machine) forget() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.held, m.limits, m.last = nil, map[uint16]time.Time{}, map[string]time.Time{}
}

// void has a value that did not come so far, and of which the client has an answer, come no
// more.
func (m *machine) void(value string, now time.Time) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if _, ok := m.last[value]; ok && !m.told[value] {
		m.last[value] = now.Add(-1)
	}
}
