package netns_test

import (
	"os"
	"os/exec"
	"strings"
	"testing"

	"culvert/tun/netns"
	"culvert/tun/tuntest"

	"github.com/vishvananda/netlink"
)

func TestMain(m *testing.M) {
	if os.Getenv("CULVERT_NETNS_CHILD") != "" {
		os.Exit(child())
	}
	tuntest.Main(m)
}

// child prints the state of its namespaces.
func child() int {
	if err := netns.Enter(); err != nil {
		println(err.Error())
		return 1
	}
	links, err := netlink.LinkList()
	if err != nil || len(links) == 0 {
		return 1
	}
	ns, _ := os.Readlink("/proc/self/ns/net")
	for _, l := range links {
		os.Stdout.WriteString(l.Attrs().Name + " " + l.Attrs().Flags.String() + "\n")
	}
	os.Stdout.WriteString(ns + "\n")
	return 0
}

// A child has a network namespace of its own, with the loopback interface up.
func TestOwnNamespace(t *testing.T) {
	tuntest.Own(t)
	outside, err := os.Readlink("/proc/self/ns/net")
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("/proc/self/exe")
	cmd.Env = append(os.Environ(), "CULVERT_NETNS_CHILD=1")
	cmd.SysProcAttr = netns.Attr(false)
	cmd.SysProcAttr.Pdeathsig = 0 // this test does not lock its thread
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if s := string(out); !strings.Contains(s, "lo up|loopback") || strings.Contains(s, outside) {
		t.Errorf("inside: %s; outside: %s", s, outside)
	}
}
