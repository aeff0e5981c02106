package tun_test

import (
	"bytes"
	"errors"
	"log/slog"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"culvert/tun"
	"culvert/tun/tuntest"
)

// altered runs f on a thread of its own in n, whose mounts and capabilities f may change.
func altered(t *testing.T, n *tuntest.NS, f func()) {
	t.Helper()
	n.Do(func() {
		if err := unix.Unshare(unix.CLONE_FS | unix.CLONE_NEWNS); err != nil {
			t.Fatal(err)
		}
		f()
	})
}

func mount(t *testing.T, source, target, kind string, flags uintptr) {
	t.Helper()
	if err := unix.Mount(source, target, kind, flags, ""); err != nil {
		t.Fatalf("mount %s: %v", target, err)
	}
}

// restrict leaves the calling thread the capabilities in keep, a bit each.
func restrict(t *testing.T, keep uint32) {
	t.Helper()
	header := unix.CapUserHeader{Version: unix.LINUX_CAPABILITY_VERSION_3}
	data := [2]unix.CapUserData{{Effective: keep, Permitted: keep}}
	if err := unix.Capset(&header, &data[0]); err != nil {
		t.Fatal(err)
	}
}

func TestDeviceFileRefused(t *testing.T) {
	n := tuntest.NewNS(t)
	tests := []struct {
		name  string
		hide  func()
		wants []string
	}{
		{"absent", func() { mount(t, "none", "/dev/net", "tmpfs", 0) },
			[]string{"tun: mesh0: open /dev/net/tun: no such file", "modprobe tun"}},
		{"not permitted", func() {
			mount(t, "/dev/net/tun", "/dev/net/tun", "", unix.MS_BIND)
			mount(t, "", "/dev/net/tun", "", unix.MS_BIND|unix.MS_REMOUNT|unix.MS_NODEV|unix.MS_NOSUID|unix.MS_NOEXEC)
		}, []string{"tun: mesh0: open /dev/net/tun: permission denied", "chmod 0666 /dev/net/tun", "DeviceAllow"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			altered(t, n, func() {
				tt.hide()
				_, err := tun.Open(meshOptions())
				for _, want := range tt.wants {
					if err == nil || !strings.Contains(err.Error(), want) {
						t.Errorf("%v\nwant %s", err, want)
					}
				}
			})
		})
	}
}

// One capability is enough, and its lack is told by its name.
func TestCapability(t *testing.T) {
	n := tuntest.NewNS(t)
	before := snapshot(t, n)
	altered(t, n, func() {
		restrict(t, 0)
		if _, err := tun.Open(meshOptions()); err == nil || !strings.Contains(err.Error(), "CAP_NET_ADMIN is needed") || !errors.Is(err, unix.EPERM) {
			t.Errorf("without capabilities: %v", err)
		}
	})
	same(t, "after a refusal", snapshot(t, n), before)
	altered(t, n, func() {
		restrict(t, 1<<unix.CAP_NET_ADMIN)
		d, err := tun.Open(meshOptions())
		if err != nil {
			t.Errorf("with CAP_NET_ADMIN: %v", err)
			return
		}
		same(t, "rules", rules(t, n), meshRules("mesh0 "+meshPrefix.String()))
		if err := d.Close(); err != nil {
			t.Error(err)
		}
	})
	same(t, "after Close", snapshot(t, n), before)
}

// Where kernel parameters may not be written, as in many containers and under a
// hardened service manager, the interface works, and a warning tells what is open.
func TestParametersRefused(t *testing.T) {
	tests := []struct {
		name   string
		hide   func(t *testing.T)
		preset bool // the parameters are right already
		warns  bool
	}{
		{"read-only", readOnlyProcSys, false, true},
		{"absent", func(t *testing.T) { mount(t, "none", "/proc/sys", "tmpfs", 0) }, false, true},
		{"read-only but right", readOnlyProcSys, true, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			n := tuntest.NewNS(t)
			if tt.preset {
				for _, key := range []string{"accept_ra", "autoconf", "accept_redirects"} {
					n.Sysctl("net.ipv6.conf.default."+key, "0")
				}
			}
			var log bytes.Buffer
			o := meshOptions()
			o.Log = slog.New(slog.NewTextHandler(&log, nil))
			altered(t, n, func() {
				tt.hide(t)
				d, err := tun.Open(o)
				if err != nil {
					t.Error(err)
					return
				}
				same(t, "addresses", addresses(t, n), []string{gateway.String(), linkLocal.String()})
				if err := d.Close(); err != nil {
					t.Error(err)
				}
			})
			warned := strings.Contains(log.String(), "net.ipv6.conf.mesh0.accept_ra=0")
			if warned != tt.warns || strings.Count(log.String(), "\n") > 1 {
				t.Errorf("the log says: %s", log.String())
			}
		})
	}
}

func readOnlyProcSys(t *testing.T) {
	mount(t, "/proc/sys", "/proc/sys", "", unix.MS_BIND|unix.MS_REC)
	mount(t, "", "/proc/sys", "", unix.MS_BIND|unix.MS_REMOUNT|unix.MS_RDONLY|unix.MS_NOSUID|unix.MS_NODEV|unix.MS_NOEXEC)
}

// A descriptor is lost neither by a failure nor to a program started meanwhile.
func TestDescriptors(t *testing.T) {
	n := tuntest.NewNS(t)
	d := open(t, n, meshOptions())
	inherited, err := n.Command("ls", "-l", "/proc/self/fd").CombinedOutput()
	if err != nil || strings.Contains(string(inherited), "/net/tun") {
		t.Errorf("a program inherits the device: %v\n%s", err, inherited)
	}
	before := openDescriptors(t)
	for range 5 {
		if _, err := tryOpen(n, meshOptions()); err == nil || !strings.Contains(err.Error(), "in use by another process") {
			t.Errorf("second Open: %v", err)
		}
		altered(t, n, func() {
			restrict(t, 0)
			o := meshOptions()
			o.Name = "mesh1"
			if _, err := tun.Open(o); err == nil {
				t.Error("opened without capabilities")
			}
		})
	}
	if after := openDescriptors(t); after != before {
		t.Errorf("%d descriptors before failures, %d after", before, after)
	}
	if err := d.Close(); err != nil {
		t.Error(err)
	}
}
