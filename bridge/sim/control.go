package sim

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

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
cut link NODE NODE       a radio link carries nothing; the gateway's radio is "gateway"
restore link NODE NODE
cut radio                switch the gateway's radio off
restore radio            switch it on: it comes up with a new boot id
cut line                 close the line to the daemon, and open no other
cut line silent          leave it open, but let nothing pass
restore line             the radio is there again, with the same boot id
loss P                   lose this share of all attempts (0 to 1), on every radio link
loss site                lose what the site's plan says
json list                the same as list, links or stats, as one line of JSON
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

// Exec carries out one line of Commands, and returns what it has to say.
func (r *Radio) Exec(line string) (string, error) {
	words := strings.Fields(line)
	for _, c := range commands() {
		name := strings.Fields(c.words)
		if len(words) < len(name) || !slices.Equal(words[:len(name)], name) {
			continue
		}
		args := words[len(name):]
		if len(args) != c.args {
			return "", fmt.Errorf("sim: %q takes %d names or numbers, and %d were given", c.words, c.args, len(args))
		}
		return c.do(r, args)
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
