package main

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"

	"culvert/bridge/adapt"
	"culvert/bridge/ieee802154"
	"culvert/bridge/ipv6"
	"culvert/bridge/lowpan"
	"culvert/bridge/radio"
	"culvert/cmd/culvert/internal/programtest"
	"culvert/coap/api"
	"culvert/tun/tuntest"
)

const nodesEachTime = 12

// registrar is a radio side whose nodes register an address each (RFC 8505, 5.6),
// and which remembers what was acknowledged.
type registrar struct {
	t      *testing.T
	prefix netip.Prefix
	gw     ieee802154.Addr

	mu    sync.Mutex // guards what follows
	enc   *radio.Encoder
	acked map[netip.Addr]bool
	asked int
	far   *adapt.Sender
}

// address is what node i registers; it comes from no link address.
func (r *registrar) address(i int) netip.Addr {
	return ipv6.Join(r.prefix.Addr(), ipv6.IID(0x7a11_0000_0000_0000+uint64(i)))
}

func registering(i int) ieee802154.Addr { return ieee802154.Extended(0x00005eef10010000 + uint64(i)) }

func (r *registrar) listen(path string) {
	l, err := net.Listen("unix", path)
	if err != nil {
		r.t.Fatal(err)
	}
	var wg sync.WaitGroup
	r.t.Cleanup(func() { l.Close(); wg.Wait() })
	wg.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			wg.Go(func() { defer c.Close(); r.serve(c) })
		}
	})
}

func (r *registrar) serve(c net.Conn) {
	dec := radio.NewDecoder(c)
	receiver := adapt.NewReceiver(adapt.Options{})
	contexts := lowpan.NewContexts(map[uint8]netip.Prefix{0: r.prefix})
	r.mu.Lock()
	enc := radio.NewEncoder(c)
	r.mu.Unlock()
	say := func(rec *radio.Record) {
		r.mu.Lock()
		defer r.mu.Unlock()
		_ = enc.Encode(rec) // a daemon that was killed hears nothing
	}
	info := radio.Info{Version: radio.Version, EUI64: r.gw, PAN: 0x5eef, Boot: 7, MaxShort: 102, MaxExtended: 96}
	var rec radio.Record
	for dec.Decode(&rec) == nil {
		switch rec.Kind {
		case radio.RecordHello:
			say(&radio.Record{Kind: radio.RecordUp, Session: rec.Session, Info: info, Credits: 16})
			r.mu.Lock()
			r.enc = enc
			r.mu.Unlock()
		case radio.RecordKeepalive:
			say(&radio.Record{Kind: radio.RecordAlive, ID: rec.ID, Info: info})
		case radio.RecordSend:
			got, err := receiver.Receive(lowpan.Peer{From: r.gw, To: rec.Frame.To}, rec.Frame.Payload, contexts, time.Now())
			if err == nil {
				r.heard(got.Packet)
			}
			say(&radio.Record{Kind: radio.RecordResult, ID: rec.ID, Outcome: radio.OutcomeDelivered})
		}
	}
}

// heard notes an acknowledgement: a neighbour advertisement with a registration
// option of status 0.
func (r *registrar) heard(p ipv6.Packet) {
	if len(p) < 80 || p[6] != 58 || p[40] != 136 || p[64] != 33 || p[66] != 0 {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.acked[netip.AddrFrom16([16]byte(p[48:64]))] = true
}

// ask lets node i register, if the daemon is there.
func (r *registrar) ask(i int) {
	self := registering(i)
	iid, _ := ipv6.IIDOf(self)
	gw, _ := ipv6.IIDOf(r.gw)
	target := r.address(i).As16()
	msg := append([]byte{135, 0, 0, 0, 0, 0, 0, 0}, target[:]...)
	msg = append(msg, 1, 2)
	msg = append(self.AppendTo(msg), 0, 0, 0, 0, 0, 0)
	msg = binary.BigEndian.AppendUint16(append(msg, 33, 2, 0, 0, 1, 1), 600)
	msg = self.AppendTo(msg)
	src, dst := ipv6.LinkLocal(iid), ipv6.LinkLocal(gw)
	p := ipv6.Packet(ipv6.Header{NextHeader: 58, HopLimit: 255, Source: src, Destination: dst}.AppendTo(nil))
	p = append(p, msg...)
	binary.BigEndian.PutUint16(p[4:], uint16(len(msg)))
	binary.BigEndian.PutUint16(p[42:], ipv6.Checksum(p[8:24], p[24:40], 58, p[40:]))
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.enc == nil {
		return
	}
	r.asked++
	var o adapt.Outgoing
	if err := r.far.Start(&o, p, lowpan.Peer{From: self, To: r.gw}, nil, 96); err != nil {
		r.t.Error(err)
		return
	}
	for !o.Done() {
		f := radio.Frame{From: self, To: r.gw, Payload: o.Append(nil)}
		_ = r.enc.Encode(&radio.Record{Kind: radio.RecordFrame, Frame: f})
	}
}

// TestLongKilledWhileNodesRegister kills the daemon, at moments that nobody chose, while
// nodes register with it: every registration that was acknowledged is there after the
// next start. 12 times; 50 times with CULVERT_LONG=1.
func TestLongKilledWhileNodesRegister(t *testing.T) {
	t.Parallel()
	kills := 12
	if os.Getenv("CULVERT_LONG") != "" {
		kills = 50
	}
	ns := tuntest.NewNS(t)
	dir := t.TempDir()
	r := &registrar{t: t, prefix: netip.MustParsePrefix("2001:db8:5:1::/64"), gw: ieee802154.MustParseAddr("00005eef10000001"),
		acked: map[netip.Addr]bool{}, far: adapt.NewSender(1)}
	r.listen(filepath.Join(dir, "radio.sock"))
	config := filepath.Join(dir, "culvert.toml")
	text := fmt.Sprintf("state_dir = \"state\"\ncontrol = \"control.sock\"\n[[mesh]]\nname = \"fenland\"\ninterface = \"mesh0\"\n"+
		"prefix = %q\n[mesh.radio]\nkind = \"stream\"\naddress = \"unix:radio.sock\"\n", r.prefix)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	next, beforeAll := 0, 0
	for round := range kills + 1 {
		log := &programtest.ProgramOutput{}
		cmd := ns.Command(programtest.Built(t), "run", "--config", config)
		cmd.Stderr = log
		ended := tuntest.Start(t, cmd)
		have := map[netip.Addr]bool{}
		tuntest.Poll(t, 30*time.Second, func() (bool, string) {
			out, err := ns.Command(programtest.Built(t), "nodes", "--json", "--config", config).Output()
			var list []api.NodeState
			if err != nil || json.Unmarshal(out, &list) != nil {
				return false, "the daemon is not up\n" + log.String()
			}
			for _, n := range list {
				for _, a := range n.Others {
					have[a] = true
				}
			}
			return true, ""
		})
		r.mu.Lock()
		for a := range r.acked {
			if !have[a] {
				t.Errorf("after kill %d: %v was acknowledged and is not there", round, a)
			}
		}
		r.mu.Unlock()
		if t.Failed() || round == kills {
			_ = cmd.Process.Signal(syscall.SIGTERM)
			<-ended
			break
		}
		// Registrations come a few milliseconds apart; the kill somewhere among them.
		moment := time.After(time.Duration(rand.IntN(60)) * time.Millisecond)
		every := time.NewTicker(4 * time.Millisecond)
		last := next + nodesEachTime
		for killed := false; !killed; {
			select {
			case <-moment:
				killed = true
			case <-every.C:
				if next < last {
					r.ask(next)
					next++
				}
			}
		}
		every.Stop()
		if err := cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		<-ended
		r.mu.Lock()
		r.enc = nil
		beforeAll = len(r.acked)
		r.mu.Unlock()
	}
	t.Logf("%d kills; %d registrations asked for, %d acknowledged", kills, r.asked, beforeAll)
	if beforeAll < kills || beforeAll == r.asked {
		t.Errorf("%d of %d were acknowledged: the kills did not fall among them", beforeAll, r.asked)
	}
}
