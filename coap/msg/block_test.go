package msg

import (
	"fmt"
	"net/netip"
	"testing"
	"time"

	"github.com/plgd-dev/go-coap/v3/message/codes"
)

// Uploads: too many at once are refused, and those that are idle make room.
func TestUploadsAreBounded(t *testing.T) {
	now := time.Now()
	var up Uploads
	first, body := Block{More: true}, make([]byte, 16)
	for i := range maxUploads + 1 {
		r := up.Add(&Request{Payload: body, Peer: Peer{Addr: netip.AddrPortFrom(netip.IPv6Loopback(), uint16(i))}}, first, now)
		if want := codes.Continue; i < maxUploads && r.Code != want || i == maxUploads && r.Code != codes.ServiceUnavailable {
			t.Fatalf("upload %d: %v", i, r.Code)
		}
	}
	if r := up.Add(&Request{Payload: body, Peer: Peer{Addr: netip.AddrPortFrom(netip.IPv6Loopback(), 999)}}, first, now.Add(2*uploadIdle)); r.Code != codes.Continue || len(up.open) != 1 {
		t.Errorf("after the others were idle: %v, %d open", r.Code, len(up.open))
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
