package demo

import (
	"encoding/json"
	"fmt"
	"io"
	"time"

	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/simulate"
	"culvert/coap/api"
)

// demoReport tells, as it goes, what the demo does and finds; with --json it says
// everything at the end.
type demoReport struct {
	out     io.Writer
	json    bool
	options demoOptions

	rows   []DemoRow
	steps  []OutputStep
	faults []string
	joins  int
}

// say prints text for people.
func (r *demoReport) say(format string, args ...any) {
	if !r.json {
		fmt.Fprintf(r.out, format, args...)
	}
}

// fail notes something that went wrong with the demo as a whole.
func (r *demoReport) fail(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	r.faults = append(r.faults, text)
	r.say("FAILED: %s\n", text)
}

// good reports whether everything was reached.
func (r *demoReport) good() bool { return len(r.faults) == 0 }

// opening says what comes up.
func (r *demoReport) opening(s *site) {
	where := "a network namespace of its own"
	if r.options.here {
		where = "the network of this machine"
	}
	m := s.cfg.Meshes[0]
	r.say("The fenland estate, simulated, in %s.\nInterface %s, prefix %s, %d places.\n\nNodes joining the mesh:\n",
		where, m.Iface, m.Prefix, len(m.Places))
}

// joined says that a node has come up.
func (r *demoReport) joined(n api.NodeState, after time.Duration) {
	r.joins++
	r.say("  %5.1f s  %-12s %s\n", after.Seconds(), n.Node, n.Address)
}

// table begins the table of what each node answers.
func (r *demoReport) table(s *site) {
	r.say("%d of %d nodes have joined. Asking each one, through the kernel and %s:\n\n",
		r.joins, len(s.cfg.Meshes[0].Places), s.cfg.Meshes[0].Iface)
	r.say("  %-12s %4s  %-22s %s\n", "node", "hops", "ICMPv6 echo", "CoAP GET /temp")
}

// row says what came back from one node.
func (r *demoReport) row(row DemoRow) {
	r.rows = append(r.rows, row)
	hops := "?"
	if row.Hops > 0 {
		hops = fmt.Sprint(row.Hops)
	}
	echo := fmt.Sprintf("%.0f ms, hop limit %d", row.RTT*1000, row.HopLimit)
	if row.Tries > 1 {
		echo = fmt.Sprintf("%.0f ms, try %d", row.RTT*1000, row.Tries)
	}
	if row.EchoError != "" {
		echo = "FAILED"
	}
	temp := fmt.Sprintf("%.1f Cel", row.Temperature)
	if row.ReadError != "" {
		temp = "FAILED"
	}
	r.say("  %-12s %4s  %-22s %s\n", row.Node, hops, echo, temp)
	if row.EchoError != "" {
		r.fail("%s: echo: %s", row.Node, row.EchoError)
	}
	if row.ReadError != "" {
		r.fail("%s: temperature: %s", row.Node, row.ReadError)
	}
}

// output says what the output of the pump house did.
func (r *demoReport) output(steps []OutputStep) {
	r.steps = steps
	r.say("\nThe output of %s, which starts a pump:\n", outputPlace)
	for _, st := range steps {
		if st.Error != "" {
			r.fail("%s: switch %s: %s", outputPlace, st.Set, st.Error)
			continue
		}
		r.say("  switched %-4s read back %q, %d ms\n", st.Set+",", st.Read, st.Milli)
	}
	r.say(`  CAUTION: this pump is simulated. On a real site somebody may stand beside it:
  fit a local interlock that holds whatever arrives over the network, and follow
  the local codes, before anything drives an output from afar.
`)
}

// closing sums up and says how to go on.
func (r *demoReport) closing(s *site) error {
	if r.json {
		return json.NewEncoder(r.out).Encode(struct {
			OK     bool         `json:"ok"`
			Faults []string     `json:"faults"`
			Nodes  []DemoRow    `json:"nodes"`
			Output []OutputStep `json:"output"`
			Web    string       `json:"web,omitempty"`
		}{r.good(), append([]string{}, r.faults...), append([]DemoRow{}, r.rows...),
			append([]OutputStep{}, r.steps...), r.web(s)})
	}
	if r.good() {
		r.say("\nAll %d nodes were reached.\n", len(r.rows))
	} else {
		r.say("\n%s: not everything was reached.\n", cli.Plural(len(r.faults), "fault"))
	}
	switch {
	case r.options.shell:
		r.disturb(s)
	case r.options.stay:
		r.say("\nThe site stays up until Ctrl-C. On this machine:\n  %s/   the status page\n  %[1]s/metrics   figures for Prometheus\n", r.web(s))
		r.disturb(s)
	default:
		r.say("\nHow to go on:\n" +
			"  culvert demo --stay    keep the site up, with its web page on this machine\n" +
			"  culvert demo --shell   a shell inside: ping, a CoAP client, culvert nodes\n" +
			"  culvert run --help     your own site, with a radio\n")
	}
	return nil
}

// web returns where the HTTP side can be read while the site stays up.
func (r *demoReport) web(s *site) string {
	if !r.options.stay && !r.options.shell {
		return ""
	}
	return "http://" + s.web.String()
}

// disturb says how a node is cut and restored, from any shell of this machine.
func (r *demoReport) disturb(s *site) {
	tell := "culvert simulate tell " + simulate.ControlOfSimulation(s.cfg.Control, s.cfg.Meshes[0].Name)
	r.say("To cut a node and restore it:\n  %s cut node grain-bin\n  %[1]s restore node grain-bin\n  %[1]s help   what else can go wrong\n", tell)
}
