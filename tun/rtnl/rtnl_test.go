package rtnl

import (
	"errors"
	"net"
	"net/netip"
	"testing"

	"github.com/vishvananda/netlink"
)

func TestDump(t *testing.T) {
	other := errors.New("no permission")
	for _, tt := range []struct {
		name  string
		errs  []error // of the calls in turn
		calls int
		err   error
	}{
		{"at once", []error{nil}, 1, nil},
		{"interrupted twice", []error{netlink.ErrDumpInterrupted, netlink.ErrDumpInterrupted, nil}, 3, nil},
		{"another error", []error{other}, 1, other},
		{"always interrupted", []error{netlink.ErrDumpInterrupted}, dumpAttempts, netlink.ErrDumpInterrupted},
	} {
		calls := 0
		_, err := Dump(func() ([]int, error) {
			calls++
			return nil, tt.errs[min(calls, len(tt.errs))-1]
		})
		if calls != tt.calls || !errors.Is(err, tt.err) {
			t.Errorf("%s: %d calls, error %v; want %d, %v", tt.name, calls, err, tt.calls, tt.err)
		}
	}
}

func TestPrefix(t *testing.T) {
	for _, s := range []string{"2001:db8::/64", "fd5e:2a11:77c0:1::1/128", "::/0", "192.0.2.0/24"} {
		p := netip.MustParsePrefix(s)
		if got := Prefix(IPNet(p)); got != p {
			t.Errorf("%s became %v", s, got)
		}
	}
	for _, n := range []*net.IPNet{nil, {IP: net.IP{1, 2, 3}}} {
		if got := Prefix(n); got.IsValid() {
			t.Errorf("%v became %v", n, got)
		}
	}
}
