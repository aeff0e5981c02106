package sim

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"culvert/bridge/drop"
	"culvert/bridge/radio"
)

// Commands is the help for Exec's lines.
const Commands = `list                     the nodes: state, way to the gateway, frames
links                    the radio links: attempts, acknowledged
stats                    counts of the whole mesh
reset                    set all counts to zero
cut node NODE            switch a node off
restore node NODE        switch it on: it boots and joins again
reboot node NODE         both
reboot NODE              restart its program only: it stays in the mesh and says nothing, and has
                         forgotten its observers, settings and output
silent NODE [SECONDS]    its program hangs: it hears nothing and says nothing; 0 ends it, none: no end
mute NODE [SECONDS]      it hears and obeys, and says nothing
slow NODE SECONDS        it answers CoAP so late, and acknowledges at once; 0 ends it
slow NODE SECONDS quiet  it answers so late, and is silent meanwhile
interlock NODE on|off    the local interlock of its output: off, and writes of 1 refused (4.09)
notify NODE              its observers are notified now
stale-order NODE         its next notification goes out behind the one after it
duplicate NODE           its next CoAP message goes out twice
etag NODE                its entity tags change, its representations do not
log NODE WORD            a line more in its /log, at the front
coap                     the nodes: CoAP messages, observers, output and its lease
observers                who observes which node
cut link NODE NODE       a radio link carries nothing; the gateway's radio is "gateway"
restore link NODE NODE
cut radio                switch the gateway's radio off
restore radio            switch it on: it comes up with a new boot id
cut line                 close the line to the daemon, and open no other
cut line silent          leave it open, but let nothing pass
restore line             the radio is there again, with the same boot id
loss P                   lose this share of all attempts (0 to 1), on every radio link
loss site                lose what the site's plan says
json list                the same as list, links, stats or observers, as one line of JSON
help                     this list
`

// command is one that Exec knows: its words, and how many arguments follow.
type command struct {
	words string
	args  int
	do    func(r *Radio, args []string) (string, error)
}

// onMesh makes a command of what a Mesh does.
func onMesh(f func(m *Mesh, args []string) error) func(*Radio, []string) (string, error) {
	return func(r *Radio, args []string) (string, error) {
		var err error
		r.Do(func(m *Mesh) { err = f(m, args) })
		r.poke()
		return "", err
	}
}

// show makes a command of what a Mesh tells.
func show(f func(m *Mesh, w *tabwriter.Writer)) func(*Radio, []string) (string, error) {
	return func(r *Radio, _ []string) (string, error) {
		var b strings.Builder
		w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
		r.Do(func(m *Mesh) { f(m, w) })
		w.Flush()
		return b.String(), nil
	}
}

// encode makes a command of what a Mesh tells to machines.
func encode(f func(m *Mesh) any) func(*Radio, []string) (string, error) {
	return func(r *Radio, _ []string) (string, error) {
		var v any
		r.Do(func(m *Mesh) { v = f(m) })
		b, err := json.Marshal(v)
		return string(b) + "\n", err
	}
}

// commands returns the table of commands; longer ones stand before those that they
// begin with.
func commands() []command {
	return []command{
		{"list", 0, show(listNodes)},
		{"links", 0, show(listLinks)},
		{"stats", 0, show(listStats)},
		{"json list", 0, encode(func(m *Mesh) any { return m.Nodes() })},
		{"json links", 0, encode(func(m *Mesh) any { return m.Hops() })},
		{"json stats", 0, encode(func(m *Mesh) any { return statsByName(m) })},
		{"reset", 0, onMesh(func(m *Mesh, _ []string) error { m.ResetStats(); return nil })},
		{"cut node", 1, onMesh(func(m *Mesh, a []string) error { return m.CutNode(a[0]) })},
		{"restore node", 1, onMesh(func(m *Mesh, a []string) error { return m.RestoreNode(a[0]) })},
		{"reboot node", 1, onMesh(func(m *Mesh, a []string) error {
			if err := m.CutNode(a[0]); err != nil {
				return err
			}
			return m.RestoreNode(a[0])
		})},
		{"reboot", 1, onNode((*Mesh).Reboot)},
		{"notify", 1, onNode((*Mesh).Notify)},
		{"stale-order", 1, onNode((*Mesh).StaleOrder)},
		{"duplicate", 1, onNode((*Mesh).Duplicate)},
		{"etag", 1, onNode((*Mesh).ChangeTags)},
		{"log", 2, onMesh(func(m *Mesh, a []string) error { return m.AddLog(a[0], a[1]) })},
		{"silent", 1, onMesh(func(m *Mesh, a []string) error { return m.Silence(a[0], -1) })},
		{"silent", 2, onMesh(func(m *Mesh, a []string) error { return forSeconds(a, m.Silence) })},
		{"mute", 1, onMesh(func(m *Mesh, a []string) error { return m.Mute(a[0], -1) })},
		{"mute", 2, onMesh(func(m *Mesh, a []string) error { return forSeconds(a, m.Mute) })},
		{"slow", 2, onMesh(func(m *Mesh, a []string) error {
			return forSeconds(a, func(name string, d time.Duration) error { return m.Slow(name, d, false) })
		})},
		{"slow", 3, onMesh(func(m *Mesh, a []string) error {
			if a[2] != "quiet" {
				return fmt.Errorf("sim: slow NODE SECONDS %q: want \"quiet\", or nothing", a[2])
			}
			return forSeconds(a, func(name string, d time.Duration) error { return m.Slow(name, d, true) })
		})},
		{"interlock", 2, onMesh(func(m *Mesh, a []string) error {
			if a[1] != "on" && a[1] != "off" {
				return fmt.Errorf("sim: interlock NODE %q: want on or off", a[1])
			}
			return m.Interlock(a[0], a[1] == "on")
		})},
		{"coap", 0, show(listCoAP)},
		{"observers", 0, show(listObservers)},
		{"json observers", 0, encode(func(m *Mesh) any { return m.Observers() })},
		{"cut link", 2, onMesh(func(m *Mesh, a []string) error { return m.CutLink(a[0], a[1]) })},
		{"restore link", 2, onMesh(func(m *Mesh, a []string) error { return m.RestoreLink(a[0], a[1]) })},
		{"cut radio", 0, onMesh(func(m *Mesh, _ []string) error { return m.CutRadio() })},
		{"restore radio", 0, onMesh(func(m *Mesh, _ []string) error { return m.RestoreRadio() })},
		{"cut line silent", 0, func(r *Radio, _ []string) (string, error) { r.CutLine(true); return "", nil }},
		{"cut line", 0, func(r *Radio, _ []string) (string, error) { r.CutLine(false); return "", nil }},
		{"restore line", 0, func(r *Radio, _ []string) (string, error) { r.RestoreLine(); return "", nil }},
		{"loss site", 0, onMesh(func(m *Mesh, _ []string) error { m.SiteLoss(); return nil })},
		{"loss", 1, onMesh(func(m *Mesh, a []string) error {
			p, err := strconv.ParseFloat(a[0], 64)
			if err != nil {
				return fmt.Errorf("sim: loss %q: want a number from 0 to 1, or \"site\"", a[0])
			}
			return m.SetLoss(p)
		})},
		{"help", 0, func(*Radio, []string) (string, error) { return Commands, nil }},
	}
}

// onNode makes a command of what a Mesh does to one node.
func onNode(f func(m *Mesh, name string) error) func(*Radio, []string) (string, error) {
	return onMesh(func(m *Mesh, args []string) error { return f(m, args[0]) })
}

// forSeconds calls f with a node's name and a time, from the words of a command.
func forSeconds(args []string, f func(string, time.Duration) error) error {
	sec, err := strconv.ParseFloat(args[1], 64)
	if err != nil || !(sec >= 0 && sec <= maxPeriod) {
		return fmt.Errorf("sim: %q: want seconds, 0 to %d", args[1], maxPeriod)
	}
	return f(args[0], time.Duration(sec*float64(time.Second)))
}

// Exec carries out one line of Commands, and returns what it has to say.
func (r *Radio) Exec(line string) (string, error) {
	words := strings.Fields(line)
	var miscounted error
	for _, c := range commands() {
		name := strings.Fields(c.words)
		if len(words) < len(name) || !slices.Equal(words[:len(name)], name) {
			continue
		}
		args := words[len(name):]
		if len(args) == c.args {
			return c.do(r, args)
		}
		if miscounted == nil {
			miscounted = fmt.Errorf("sim: %q takes %d names or numbers, and %d were given", c.words, c.args, len(args))
		}
	}
	if miscounted != nil {
		return "", miscounted
	}
	return "", fmt.Errorf("sim: command %q is not known: try help", strings.TrimSpace(line))
}

func listNodes(m *Mesh, w *tabwriter.Writer) {
	fmt.Fprintln(w, "NODE\tEUI-64\tSHORT\tSTATE\tHOPS\tPARENTS\tSENT\tRECEIVED\tRELAYED\tLOST\tQUEUED\tOUTPUT")
	for _, n := range m.Nodes() {
		short := "-"
		if !n.Short.IsNone() {
			short = n.Short.String()
		}
		parents := strings.TrimSpace(n.Parents[0] + " " + n.Parents[1])
		if parents == "" {
			parents = "-"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%d\t%s\t%d\t%d\t%d\t%d\t%d\t%s\n", n.Name, n.EUI64, short, n.State,
			n.Hops, parents, n.Sent, n.Received, n.Relayed, n.Lost, n.Queued, n.Output)
	}
}

func listCoAP(m *Mesh, w *tabwriter.Writer) {
	fmt.Fprintln(w, "NODE\tRECEIVED\tSENT\tNOTIFICATIONS\tOBSERVERS\tOUTPUT\tLEASE\tINTERLOCK")
	for _, n := range m.Nodes() {
		lease, interlock := "-", "off"
		if n.Lease > 0 {
			lease = fmt.Sprintf("%d s", n.Lease)
		}
		if n.Interlock {
			interlock = "on"
		}
		fmt.Fprintf(w, "%s\t%d\t%d\t%d\t%d\t%s\t%s\t%s\n", n.Name, n.CoAPReceived, n.CoAPSent, n.Notifications,
			n.Observers, n.Output, lease, interlock)
	}
}

func listObservers(m *Mesh, w *tabwriter.Writer) {
	fmt.Fprintln(w, "NODE\tCLIENT\tTOKEN\tRESOURCE\tNOTIFICATIONS")
	for _, o := range m.Observers() {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%d\n", o.Node, o.Client, o.Token, o.Path, o.Notifications)
	}
}

func listLinks(m *Mesh, w *tabwriter.Writer) {
	fmt.Fprintln(w, "FROM\tTO\tATTEMPTS\tACKNOWLEDGED\tSHARE\t")
	for _, h := range m.Hops() {
		share, state := "-", ""
		if h.Attempts > 0 {
			share = fmt.Sprintf("%.1f %%", 100*float64(h.Acked)/float64(h.Attempts))
		}
		if h.Cut {
			state = "cut"
		}
		fmt.Fprintf(w, "%s\t%s\t%d\t%d\t%s\t%s\n", h.From, h.To, h.Attempts, h.Acked, share, state)
	}
}

// count is one count of the whole mesh.
type count struct {
	key, name string
	value     uint64
}

// counts returns the counts of the whole mesh in the order in which they are shown.
func counts(m *Mesh) []count {
	s := m.Stats()
	list := []count{
		{"joined", "nodes joined", uint64(m.Joined())},
		{"from_daemon", "frames from the daemon", s.FromDaemon},
		{"from_daemon_lost", "of these lost", s.DaemonLost},
		{"to_nodes", "frames at nodes", s.ToNodes},
		{"from_nodes", "frames from nodes", s.FromNodes},
		{"from_nodes_lost", "of these lost", s.NodesLost},
		{"to_daemon", "frames to the daemon", s.ToDaemon},
		{"attempts", "attempts", s.Attempts},
		{"attempts_lost", "of these lost", s.AttemptsLost},
		{"packets_received", "packets received by nodes", s.PacketsReceived},
		{"malformed", "of these malformed", s.Malformed},
		{"packets_sent", "packets sent by nodes", s.PacketsSent},
		{"echoes", "echo requests answered", s.Echoes},
		{"reports", "reports of readings", s.Reports},
		{"parent_changes", "changes of parent", s.ParentChanges},
	}
	for o, n := range s.Outcomes {
		if word := radio.Outcome(o).String(); n > 0 {
			list = append(list, count{"result_" + word, "result " + word, n})
		}
	}
	for i, n := range s.Drops {
		if word := drop.Reason(i).String(); n > 0 {
			list = append(list, count{"dropped_" + word, "dropped in a node, " + word, n})
		}
	}
	return list
}

func listStats(m *Mesh, w *tabwriter.Writer) {
	for _, c := range counts(m) {
		fmt.Fprintf(w, "%s\t%d\n", c.name, c.value)
	}
}

func statsByName(m *Mesh) map[string]uint64 {
	out := map[string]uint64{}
	for _, c := range counts(m) {
		out[c.key] = c.value
	}
	return out
}
