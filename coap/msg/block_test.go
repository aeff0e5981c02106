package msg

import (
	"fmt"
	"net/netip"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// Uploads: too many at once are refused, by address, of clients without an identity and in
// all; those that are idle make room. Clients without an identity never take the last place.
func TestUploadsAreBounded(t *testing.T) {
	now := time.Now()
	var up Uploads
	at := func(host, port int) Peer {
		return Peer{Addr: netip.AddrPortFrom(netip.AddrFrom16([16]byte{0x20, 1, 0xd, 0xb8, 14: byte(host >> 8), 15: byte(host)}), uint16(port))}
	}
	known := func(name string, port int) Peer {
		p := at(1, port)
		p.Door, p.Proved = DoorDTLS, &Credential{Name: name}
		return p
	}
	add := func(p Peer, when time.Time) codes.Code {
		return up.Add(&Request{Payload: make([]byte, 16), Peer: p}, Block{More: true}, when).Code
	}
	for host := range 3 * anonUploads {
		for port := range peerUploads + 2 {
			want := codes.Continue
			if port >= peerUploads || host >= anonUploads/peerUploads {
				want = codes.ServiceUnavailable
			}
			if got := add(at(host+1, port+1), now); got != want {
				t.Fatalf("address %d, upload %d: %v, want %v", host, port, got, want)
			}
		}
	}
	for i := range ownUploads + 1 {
		if got := add(known("operator", i), now); (got == codes.Continue) != (i < ownUploads) {
			t.Errorf("upload %d of an identity: %v", i, got)
		}
	}
	if got := add(Peer{Door: DoorControl, Conn: 1}, now); got != codes.Continue {
		t.Errorf("the control socket: %v", got)
	}
	for i := 0; len(up.open) < maxUploads; i++ {
		add(known(fmt.Sprint("other", i/8), i), now)
	}
	if got := add(known("last", 1), now); got != codes.ServiceUnavailable {
		t.Errorf("beyond all places: %v", got)
	}
	if got := add(at(1, 999), now.Add(2*uploadIdle)); got != codes.Continue || len(up.open) != 1 {
		t.Errorf("after the others were idle: %v, %d open", got, len(up.open))
	}
}

// What clients can make the front keep is bounded.
func TestTransfersAreBounded(t *testing.T) {
	var tr Transfers
	now := time.Now()
	body := make([]byte, 100<<10)
	for i := range 3 * maxTransfers {
		k := CacheKey{Peer: Peer{Addr: netip.AddrPortFrom(netip.IPv6LinkLocalAllNodes(), uint16(i))}, Request: fmt.Sprint(i)}
		tr.Keep(k, Response{Payload: body}, now)
		tr.Keep(k, Response{Payload: body}, now)
	}
	if len(tr.open) > maxTransfers || tr.octets > maxTransfer || len(tr.open) != tr.order.Len() {
		t.Errorf("%d transfers with %d octets, %d in order", len(tr.open), tr.octets, tr.order.Len())
	}
	tr.Expire(now.Add(transferIdle + time.Second))
	if len(tr.open) != 0 || tr.octets != 0 {
		t.Errorf("%d transfers with %d octets are left", len(tr.open), tr.octets)
	}
}
