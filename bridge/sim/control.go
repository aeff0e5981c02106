package sim

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

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

// commands returns the table of commands; longer ones stand before those that they
// begin with.
func commands() []command {
	return []command{
		{"list", 0, show(listNodes)},
		{"links", 0, show(listLinks)},
		{"stats", 0, show(listStats)},
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

func listStats(m *Mesh, w *tabwriter.Writer) {
	s := m.Stats()
	for _, row := range []struct {
		name  string
		value uint64
	}{
		{"nodes joined", uint64(m.Joined())},
		{"frames from the daemon", s.FromDaemon},
		{"of these lost", s.DaemonLost},
		{"frames at nodes", s.ToNodes},
		{"frames from nodes", s.FromNodes},
		{"of these lost", s.NodesLost},
		{"frames to the daemon", s.ToDaemon},
		{"attempts", s.Attempts},
		{"of these lost", s.AttemptsLost},
		{"packets received by nodes", s.PacketsReceived},
		{"packets sent by nodes", s.PacketsSent},
		{"echo requests answered", s.Echoes},
		{"reports of readings", s.Reports},
		{"changes of parent", s.ParentChanges},
	} {
		fmt.Fprintf(w, "%s\t%d\n", row.name, row.value)
	}
	for o, n := range s.Outcomes {
		if n > 0 {
			fmt.Fprintf(w, "result %s\t%d\n", radio.Outcome(o), n)
		}
	}
	for reason, n := range s.Drops {
		if n > 0 {
			fmt.Fprintf(w, "dropped in a node, %s\t%d\n", dropWord(reason), n)
		}
	}
}
