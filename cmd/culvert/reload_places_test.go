package main

import (
	"fmt"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"culvert/bridge/node"
	"culvert/cmd/culvert/internal/programtest"
	"culvert/tun/tuntest"
)

// TestReloadPlaces adds places to the file of a running daemon, renames and removes them:
// the device gets the name, the rules that name it, and its metrics, and loses them
// again; what was bound by `culvert replace` stays bound.
func TestReloadPlaces(t *testing.T) {
	t.Parallel()
	ns := tuntest.NewNS(t)
	config := programtest.CopySite(t)
	b, err := os.ReadFile(config)
	if err != nil {
		t.Fatal(err)
	}
	const (
		cold     = "[[mesh.place]]\nname  = \"cold-store\"\neui64 = \"00:00:5e:ef:10:00:00:06\"\n"
		coldAddr = "fd5e:2a11:77c0:1:200:5eef:1000:6"
		binAddr  = "fd5e:2a11:77c0:1:200:5eef:1000:5"
		coldEUI  = "00:00:5e:ef:10:00:00:06"
	)
	whole := string(b)
	whole = whole[:strings.Index(whole, "[[rule]]")] +
		"[[rule]]\nfrom = \"fd5e:2a11:77c0:5::/64\"\nto = [\"fenland/cold-store\", \"fenland/grain-bin\"]\nservice = \"echo\"\n\n" + whole[strings.Index(whole, "[coap]"):]
	without := strings.Replace(whole, cold, "", 1)
	write := func(text string) {
		t.Helper()
		if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if len(without) == len(whole) {
		t.Fatal("the example has no cold-store")
	}
	write(strings.ReplaceAll(without, "fenland/cold-store", "fenland/cold-*"))
	r := programtest.StartRun(t, ns, config)
	l := newLAN(t, ns)
	run := func(code int, want string, args ...string) {
		t.Helper()
		if a := runProgram(t, ns, "", append(args, "--config", config)...); a.code != code || !strings.Contains(a.out+a.err, want) {
			t.Errorf("%s: %v, want exit code %d and %q", strings.Join(args, " "), a, code, want)
		}
	}
	place := func(label string) string {
		return gaugeOf(r, `culvert_node_place{mesh="fenland",node="`+label+`"}`)
	}
	holds := func(when, label, eui, placed string, stranger bool) {
		t.Helper()
		tuntest.Poll(t, 10*time.Second, func() (bool, string) { // the daemon keeps a listing for a moment
			for _, n := range r.Nodes() {
				if n.EUI64.String() == eui {
					return n.Node == label && n.Stranger == stranger && n.State != node.Expected.String(), fmt.Sprintf("%s: %+v", when, n)
				}
			}
			return false, fmt.Sprintf("%s: no node is %s", when, eui)
		})
		if v := place(label); v != placed {
			t.Errorf("%s: culvert_node_place of %s is %s", when, label, v)
		}
	}
	holds("at first", coldEUI, coldEUI, "0", true)

	write(whole)
	run(0, "6 places", "reload")
	holds("added", "cold-store", coldEUI, "1", false)
	if v := place(coldEUI); v != "missing" {
		t.Errorf("a place has metrics under its EUI-64 too: %s", v)
	}
	if !l.reaches(t, coldAddr) {
		t.Error("the place that the rule names is not reached")
	}
	if strings.Contains(r.Log.String(), "count from the next start") {
		t.Errorf("a restart is asked for:\n%s", r.Log)
	}

	write(strings.Replace(whole, `name  = "cold-store"`, `name  = "ice-house"`, 1))
	run(1, "rule.to", "reload") // the rule names a place that there is no more: nothing changes
	holds("refused", "cold-store", coldEUI, "1", false)
	write(strings.ReplaceAll(whole, "cold-store", "ice-house"))
	run(0, "6 places", "reload")
	holds("renamed", "ice-house", coldEUI, "1", false)

	// grain-bin is bound to another device; the file goes on to name the old one.
	run(0, "CAUTION", "replace", "grain-bin", "00:00:5e:ef:10:00:00:99")
	write(strings.ReplaceAll(without, "fenland/cold-store", "fenland/cold-*"))
	run(0, "5 places", "reload")
	holds("removed", coldEUI, coldEUI, "0", true)
	if l.reaches(t, coldAddr) {
		t.Error("a stranger is reached under admit = \"listed\"")
	}
	replaced := false
	for _, n := range r.Nodes() {
		replaced = replaced || n.Node == "grain-bin" && n.EUI64.String() == "00:00:5e:ef:10:00:00:99"
	}
	if !replaced {
		t.Errorf("a device that replace bound lost its place by a reload: %+v", r.Nodes())
	}
	// The file names the new device, then another one, which counts.
	write(strings.Replace(without, `eui64 = "00:00:5e:ef:10:00:00:05"`, `eui64 = "`+coldEUI+`"`, 1))
	run(1, "rule.to", "reload")
	write(strings.ReplaceAll(strings.Replace(without, `eui64 = "00:00:5e:ef:10:00:00:05"`, `eui64 = "`+coldEUI+`"`, 1), "fenland/cold-store", "fenland/cold-*"))
	run(0, "5 places", "reload")
	holds("the file names another device", "grain-bin", coldEUI, "1", false)
	if !l.reaches(t, coldAddr) || l.reaches(t, binAddr) {
		t.Error("the retired device is reached, or the one that has its place is not")
	}
	// Admission never changes by a reload.
	none := without[:strings.Index(without, "[[mesh.place]]")] + "[coap]\nlisten = [\"udp [::1]:5683\"]\n"
	write(strings.Replace(none, `admit     = "listed"`, "#", 1))
	run(0, "the next start serves any node", "reload")
	holds("without places", coldEUI, coldEUI, "0", true)
	if l.reaches(t, coldAddr) {
		t.Error("a stranger is served after a reload that took admit out of the file")
	}
	if code := r.Stop(syscall.SIGTERM); code != 0 {
		t.Errorf("exit code %d", code)
	}
}
