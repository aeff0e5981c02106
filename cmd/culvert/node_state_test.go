package main

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"
	"unicode/utf8"

	"culvert/bridge/node"
	"culvert/cmd/culvert/internal/programtest"
	"culvert/coap/api"
	"culvert/tun/tuntest"
)

// disturbed is the example site with a radio that is a program of its own, which a test
// can disturb by its control socket.
type disturbed struct {
	*programtest.Running
	socket string
}

// startDisturbed starts the daemon on the example site, whose nodes report every second,
// with one text of its configuration for another.
func startDisturbed(t *testing.T, ns *tuntest.NS, edits ...string) disturbed {
	t.Helper()
	file := programtest.CopySite(t)
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	d := disturbed{socket: filepath.Join(filepath.Dir(file), "sim")}
	edits = append(edits, "kind = \"simulated\"\nsite = \"site.toml\"\n", "kind = \"stream\"\naddress = \"unix:radio\"\n")
	changed := string(text)
	for i := 0; i < len(edits); i += 2 {
		if !strings.Contains(changed, edits[i]) {
			t.Fatalf("the example site has no %q", edits[i])
		}
		changed = strings.Replace(changed, edits[i], edits[i+1], 1)
	}
	if err := os.WriteFile(file, []byte(changed), 0o600); err != nil {
		t.Fatal(err)
	}
	tuntest.Start(t, ns.Command(programtest.Built(t), "simulate", "--period", "1s", "--control", d.socket, "--listen", "unix:"+filepath.Join(filepath.Dir(file), "radio")))
	d.Running = programtest.StartRun(t, ns, file)
	return d
}

// tell gives the simulation a command.
func (d disturbed) tell(command ...string) {
	d.T.Helper()
	args := append([]string{"simulate", "tell", d.socket}, command...)
	if out, err := d.Ns.Command(programtest.Built(d.T), args...).CombinedOutput(); err != nil {
		d.T.Fatalf("%q: %v\n%s", args, err, out)
	}
}

// table returns what `culvert nodes` prints, and holds that it fits 100 columns.
func (d disturbed) table(flags ...string) string {
	d.T.Helper()
	out, err := d.Ns.Command(programtest.Built(d.T), append([]string{"nodes", "--config", d.Config}, flags...)...).Output()
	if err != nil {
		return err.Error()
	}
	for line := range strings.Lines(string(out)) {
		if n := utf8.RuneCountInString(strings.TrimRight(line, "\n")); len(flags) == 0 && n > 100 {
			d.T.Errorf("%d columns: %s", n, line)
		}
	}
	return string(out)
}

// wait waits until a node is what is asked for, and returns it.
func (d disturbed) wait(name, what string, is func(api.NodeState) bool) (found api.NodeState) {
	d.T.Helper()
	tuntest.Poll(d.T, 90*time.Second, func() (bool, string) {
		for _, n := range d.Nodes() {
			if found = n; n.Node == name && is(n) {
				return true, ""
			}
		}
		return false, fmt.Sprintf("%s is not %s:\n%s", name, what, d.table("--wide"))
	})
	return found
}

func (d disturbed) waitState(name string, s node.State) api.NodeState {
	d.T.Helper()
	return d.wait(name, s.String(), func(n api.NodeState) bool { return n.State == s.String() })
}

// silenceLearned lets a node fall silent while its period is learned. On a machine that
// stands still now and then the gaps between its reports can be too irregular to say
// when one is due; then it reports again until they are not.
func (d disturbed) silenceLearned(name string) {
	d.T.Helper()
	learned := func(n api.NodeState) bool { return n.Learned }
	for range 20 {
		d.wait(name, "of a learned period", learned)
		d.tell("silent", name)
		if n := d.wait(name, "listed", func(api.NodeState) bool { return true }); n.Learned {
			return
		}
		d.tell("silent", name, "0")
	}
	d.T.Fatalf("the period of %s is never learned", name)
}

// A node whose program hangs stays in the mesh, and is late, then silent; the report
// period is the configured one at mast and learned elsewhere. While the radio is off
// every node is unknown, and up again afterwards.
func TestNodeStatesFollowTheSite(t *testing.T) {
	t.Parallel()
	d := startDisturbed(t, tuntest.NewNS(t), "report    = \"1 min\" ", "late_after = 4\nsilent_after = 8\nsilent_least = \"9 s\" ",
		"name  = \"mast\"\n", "name  = \"mast\"\nreport = \"1 s\"\n")
	up := func() {
		t.Helper()
		for _, name := range []string{"north-sump", "bank-east", "mast", "grain-bin", "cold-store", "pump-house"} {
			d.waitState(name, node.Up)
		}
	}
	up()
	for _, name := range []string{"grain-bin", "bank-east"} { // by CoAP, and in bare datagrams
		d.wait(name, "of a learned period", func(n api.NodeState) bool { return n.Learned && n.Period > 0.8 && n.Period < 2.5 })
	}
	far := d.wait("pump-house", "below a parent", func(n api.NodeState) bool { return len(n.Parents) > 0 })
	if !slices.Contains([]string{"grain-bin", "cold-store"}, far.Parents[0]) {
		t.Errorf("the parents of pump-house are %v", far.Parents)
	}
	if text := d.table(); !strings.Contains(text, far.Parents[0]) || strings.Contains(text, "not yet") {
		t.Errorf("no parent, or an age that is not known:\n%s", text)
	}

	d.tell("silent", "mast")
	d.silenceLearned("grain-bin")
	silent := d.waitState("mast", node.Silent)
	if want := fmt.Sprintf(", %d reports of 1 s missed", silent.Missed); silent.Missed < 9 || !strings.HasPrefix(silent.Status, "silent ") || !strings.HasSuffix(silent.Status, want) {
		t.Errorf("%q, %d missed", silent.Status, silent.Missed)
	}
	d.waitState("grain-bin", node.Silent)
	if text := d.table(); !strings.Contains(text, "\nmast: silent ") || !strings.Contains(text, " reports of 1 s missed\n") {
		t.Errorf("no words for what is silent:\n%s", text)
	}
	if v := gaugeOf(d.Running, `culvert_node_up{mesh="fenland",node="mast"}`); v != "0" {
		t.Errorf("culvert_node_up of mast is %q", v)
	}
	if !regexp.MustCompile(`(?s)nodes? late" [^\n]*mast.*nodes? silent" [^\n]*mast`).MatchString(d.Log.String()) {
		t.Error("the log does not say that mast became late, then silent")
	}
	d.tell("silent", "mast", "0")
	d.tell("silent", "grain-bin", "0")
	up()

	d.tell("cut", "radio")
	d.waitState("pump-house", node.Unknown)
	if n, v := gaugeOf(d.Running, `culvert_nodes{mesh="fenland",state="unknown"}`), gaugeOf(d.Running, `culvert_node_up{mesh="fenland",node="pump-house"}`); n != "6" || v != "0" {
		t.Errorf("%q nodes are unknown, culvert_node_up is %q", n, v)
	}
	if text := d.table(); !strings.Contains(text, "6 nodes of mesh fenland unknown: its radio is down") {
		t.Errorf("no words for the radio:\n%s", text)
	}
	d.tell("restore", "radio")
	up()
	if code := d.Stop(syscall.SIGTERM); code != 0 {
		t.Errorf("exit code %d", code)
	}
}

// Where admit is absent, the places of the file decide at the start. A device that is
// no place is a stranger under either; it can be forgotten, for the next run too.
func TestStrangersOfTheSite(t *testing.T) {
	t.Parallel()
	const cold = "[[mesh.place]]\nname  = \"cold-store\"\neui64 = \"00:00:5e:ef:10:00:00:06\"\n"
	const admit = "admit     = \"listed\" "
	const device, addr = "00:00:5e:ef:10:00:00:06", "fd5e:2a11:77c0:1:200:5eef:1000:6"
	for _, c := range []struct {
		name, admit, said, table string
		served                   bool
	}{
		{"absent", "", `admit=listed why="the key is absent, and the file had a [[mesh.place]] at the start"`, "1 stranger at no [[mesh.place]], 1 not served", false},
		{"any", "admit = \"any\" ", `admit=any why="the configuration says so"`, "1 stranger at no [[mesh.place]], 0 not served", true},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			ns := tuntest.NewNS(t)
			d := startDisturbed(t, ns, cold, "", admit, c.admit)
			if !strings.Contains(d.Log.String(), c.said) {
				t.Errorf("the log does not say %s", c.said)
			}
			n := d.wait(device, "a stranger that is up", func(n api.NodeState) bool { return n.Stranger && n.State == node.Up.String() })
			if n.Unserved == c.served {
				t.Errorf("%+v", n)
			}
			if text := d.table(); !strings.Contains(text, c.table) || !strings.Contains(text, "up, stranger") {
				t.Errorf("want %q in\n%s", c.table, text)
			}
			if (echoFrom(t, ns, addr) == "") != c.served {
				t.Errorf("the stranger is reached: %v, want %v", !c.served, c.served)
			}
			for name, want := range map[string]string{
				`culvert_strangers{mesh="fenland"}`:                        "1",
				`culvert_node_place{mesh="fenland",node="` + device + `"}`: "0",
				`culvert_node_place{mesh="fenland",node="mast"}`:           "1",
			} {
				if got := gaugeOf(d.Running, name); got != want {
					t.Errorf("%s is %q, want %s", name, got, want)
				}
			}
			if c.served {
				return
			}
			d.forgetsStranger(device)
		})
	}
}

// forgetsStranger switches a stranger off, forgets it, and starts the daemon anew.
func (d disturbed) forgetsStranger(device string) {
	t := d.T
	t.Helper()
	forget := func(code int, want, name string) {
		t.Helper()
		cmd := d.Ns.Command(programtest.Built(t), "forget", "--config", d.Config, name)
		out, _ := cmd.CombinedOutput()
		if got := cmd.ProcessState.ExitCode(); got != code || !strings.Contains(string(out), want) {
			t.Errorf("forget %s: exit code %d, want %d and %q:\n%s", name, got, code, want, out)
		}
	}
	d.tell("cut", "node", "cold-store")
	d.waitState(device, node.Silent)
	forget(1, `no node is called "silo"`, "silo")
	forget(0, device+" of mesh fenland is forgotten; it was silent", device)
	forget(0, "is expected again", "mast")
	gone := func(r *programtest.Running) {
		t.Helper()
		tuntest.Poll(t, 10*time.Second, func() (bool, string) {
			names := ""
			for _, n := range r.Nodes() {
				names += n.Node + " "
			}
			return names != "" && !strings.Contains(names, device), "there are " + names
		})
	}
	gone(d.Running)
	if v := gaugeOf(d.Running, `culvert_node_up{mesh="fenland",node="`+device+`"}`); v != "missing" {
		t.Errorf("culvert_node_up of it is still %q", v)
	}
	d.waitState("mast", node.Up)
	d.Stop(syscall.SIGKILL)
	text, err := os.ReadFile(d.Config)
	if err != nil {
		t.Fatal(err)
	}
	// Without a radio: what is there comes from the state.
	quiet := strings.Replace(string(text), "unix:radio", "unix:nobody", 1)
	if err := os.WriteFile(d.Config, []byte(quiet), 0o600); err != nil {
		t.Fatal(err)
	}
	r := programtest.StartNodes(t, d.Ns, d.Config, 0)
	gone(r)
	r.Stop(syscall.SIGTERM)
}
