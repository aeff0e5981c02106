package host

import (
	"context"
	"fmt"
	"strings"
	"time"

	"culvert/cmd/culvert/internal/cli"
	"culvert/cmd/culvert/internal/control"
	"culvert/cmd/culvert/internal/findings"
)

// These checks show what the daemon knows of the running site: its radios, its nodes and
// what was lost.

// maxNamed bounds the names in one line.
const maxNamed = 10

// askDaemon gets what the running daemon answers under a name of /control.
func (h *host) askDaemon(ctx context.Context, name string, answer any) error {
	ctx, cancel := context.WithTimeout(ctx, control.ControlTimeout)
	defer cancel()
	c, err := control.DialControl(ctx, h.file)
	if err != nil {
		return err
	}
	defer c.Close()
	return c.Control(ctx, name, false, nil, answer)
}

// siteAnswer returns what the daemon knows of the site, which it is asked once. It returns
// nil, and says so in f, if there is no answer.
func (h *host) siteAnswer(ctx context.Context, f *findings.Finding) *control.SiteAnswer {
	if !h.running {
		f.NotTried("needs a running daemon")
		return nil
	}
	if h.site == nil && h.siteErr == nil {
		var a control.SiteAnswer
		if h.siteErr = h.askDaemon(ctx, "site", &a); h.siteErr == nil {
			h.site = &a
		}
	}
	if h.siteErr != nil {
		f.NotTried("%v", h.siteErr)
		return nil
	}
	return h.site
}

// eachSiteMesh runs check for each mesh of the running daemon and joins the findings.
func (h *host) eachSiteMesh(ctx context.Context, f *findings.Finding, check func(m *control.SiteMesh, f *findings.Finding)) {
	a := h.siteAnswer(ctx, f)
	if a == nil {
		return
	}
	join(f, a.Meshes, func(m control.SiteMesh, one *findings.Finding) {
		if check(&m, one); len(a.Meshes) > 1 {
			one.Found = "mesh " + m.Mesh + ": " + one.Found
		}
	})
}

// join runs check for each of list. It puts the worst verdict, and all that was found and
// is to be done, into f.
func join[T any](f *findings.Finding, list []T, check func(v T, one *findings.Finding)) {
	severity := map[findings.Verdict]int{findings.VerdictNotTried: 1, findings.VerdictNote: 2, findings.VerdictWrong: 3}
	f.Verdict = findings.VerdictOK
	var found, remedies []string
	for _, v := range list {
		var one findings.Finding
		check(v, &one)
		if severity[one.Verdict] > severity[f.Verdict] {
			f.Verdict = one.Verdict
		}
		found = append(found, one.Found)
		if one.Remedy != "" {
			remedies = append(remedies, one.Remedy)
		}
	}
	f.Found, f.Remedy = strings.Join(found, "\n"), strings.Join(remedies, "\n")
}

// checkRadios reports radios that are down.
func (h *host) checkRadios(ctx context.Context, f *findings.Finding) {
	h.eachSiteMesh(ctx, f, func(m *control.SiteMesh, f *findings.Finding) {
		switch {
		case m.RadioUp:
			f.OK("up since %s", clockTime(m.RadioSince))
			return
		case m.RadioSince == nil:
			f.Wrong("the radio of mesh %s has not answered since the daemon started: no node can be reached", m.Mesh)
		default:
			f.Wrong("the radio of mesh %s has been down since %s: no node can be reached", m.Mesh, clockTime(m.RadioSince))
		}
		if m.RadioCause != "" {
			f.Found += "\n" + cli.Printable([]byte(m.RadioCause))
		}
		f.Remedy = "check its cable and power, and the device in [mesh.radio]; then stop the daemon and run 'culvert check --radio --mesh " + m.Mesh + "'"
	})
}

// clockTime formats t without the date if it is recent; nil is "-".
func clockTime(t *time.Time) string {
	switch {
	case t == nil:
		return "-"
	case time.Since(*t) > 20*time.Hour:
		return t.Local().Format("2006-01-02 15:04")
	}
	return t.Local().Format("15:04:05")
}

// checkNodes names silent and late nodes.
func (h *host) checkNodes(ctx context.Context, f *findings.Finding) {
	h.eachSiteMesh(ctx, f, func(m *control.SiteMesh, f *findings.Finding) {
		total, parts := 0, []string{}
		for _, s := range []string{"up", "late", "silent", "joining", "expected", "unknown"} {
			if k := m.Nodes[s]; k > 0 {
				total += k
				parts = append(parts, fmt.Sprintf("%d %s", k, s))
			}
		}
		if total == 0 {
			f.Note("mesh %s has no nodes yet", m.Mesh).
				Do("switch on a node that has the mesh's keys and channels, and add a [[mesh.place]] for it")
			return
		}
		f.OK("%s: %s", cli.Plural(total, "node"), strings.Join(parts, ", "))
		if !m.RadioUp {
			f.Verdict = findings.VerdictNotTried
			f.Found += "; their states are unknown while the radio is down"
			return
		}
		now := time.Now()
		say := func(what string, nodes []control.SiteNode, total int) {
			if total == 0 {
				return
			}
			f.Verdict = findings.VerdictWrong
			f.Found += fmt.Sprintf("\n%s: %s", what, nodeList(nodes, total, func(n control.SiteNode) string {
				return fmt.Sprintf("%s (heard %s)", n.Node, cli.Ago(n.Heard, now))
			}))
		}
		say("silent", m.Silent, m.Nodes["silent"])
		say("late", m.Late, m.Nodes["late"])
		switch {
		case f.Verdict == findings.VerdictWrong:
			f.Remedy = "check their power supply and the nodes between; 'culvert check --to NODE' checks the path step by step"
		case m.Nodes["expected"] > 0:
			f.Verdict = findings.VerdictNote
			f.Remedy = "no frame ever came from the expected places: check that each device has power and that the place has its EUI-64"
		}
	})
}

// nodeList joins at most maxNamed names and says how many of total are left out.
func nodeList[T any](list []T, total int, say func(T) string) string {
	var names []string
	for _, n := range list[:min(len(list), maxNamed)] {
		names = append(names, say(n))
	}
	if more := total - len(names); more > 0 {
		names = append(names, fmt.Sprintf("and %d more", more))
	}
	return strings.Join(names, ", ")
}

// checkStrangers names the devices that no place lists, and says whether they are forwarded.
func (h *host) checkStrangers(ctx context.Context, f *findings.Finding) {
	h.eachSiteMesh(ctx, f, func(m *control.SiteMesh, f *findings.Finding) {
		inForce := fmt.Sprintf("admit is %q", m.Admit)
		if m.AdmitWhy != "" {
			inForce += " (" + m.AdmitWhy + ")"
		}
		if len(m.Strangers) == 0 {
			f.OK("%s; no stranger was heard", inForce)
			return
		}
		now := time.Now()
		names := nodeList(m.Strangers, len(m.Strangers), func(n control.SiteNode) string {
			return fmt.Sprintf("%s (heard %s)", n.Node, cli.Ago(n.Heard, now))
		})
		if m.Admit == "listed" {
			f.Note("%s: %s not forwarded: %s", inForce, cli.Plural(len(m.Strangers), "stranger"), names).
				Do("if it is yours, add a [[mesh.place]] with its EUI-64; if it replaces a device, run 'culvert replace PLACE EUI64'")
			return
		}
		f.Note("%s: %s forwarded like your own nodes: %s", inForce, cli.Plural(len(m.Strangers), "stranger"), names).
			Do("add a [[mesh.place]] for each of yours, then set admit = \"listed\"")
	})
}

// checkPlaces names places whose device is not the one in the file.
func (h *host) checkPlaces(ctx context.Context, f *findings.Finding) {
	h.eachSiteMesh(ctx, f, func(m *control.SiteMesh, f *findings.Finding) {
		if len(m.Places) == 0 {
			f.OK("every place has the device of the configuration")
			return
		}
		var lines []string
		for _, p := range m.Places {
			lines = append(lines, fmt.Sprintf("%s: the file says %v, 'culvert replace' bound %v", p.Place, p.Listed, p.Device))
		}
		f.Note("%s", strings.Join(lines, "\n")).
			Do("write the EUI-64 of the present device into the file")
	})
}

// Losses are a fault from this count and this share of packets on.
const (
	lostCount = 10
	lostShare = 0.05
)

// checkLosses lists recent losses.
func (h *host) checkLosses(ctx context.Context, f *findings.Finding) {
	h.eachSiteMesh(ctx, f, func(m *control.SiteMesh, f *findings.Finding) {
		since := h.site.Since
		f.OK("nothing was lost since %s", clockTime(&since))
		var lines []string
		v := findings.VerdictOK
		for _, l := range m.Lost {
			if !l.Fault {
				continue
			}
			what := "packet"
			if l.Frames {
				what = "frame"
			}
			bad := l.Count >= lostCount && float64(l.Count) >= lostShare*float64(l.Of)
			lines = append(lines, fmt.Sprintf("%s: %s of %d %s the mesh", l.Reason, cli.Plural(int(l.Count), what), l.Of,
				strings.TrimSuffix(strings.ReplaceAll(l.Direction, "_", " "), " mesh")))
			if v = findings.VerdictNote; bad {
				f.Verdict = findings.VerdictWrong
			}
		}
		if len(lines) == 0 {
			return
		}
		if f.Verdict != findings.VerdictWrong {
			f.Verdict = v
		}
		f.Found = fmt.Sprintf("lost since %s:\n%s", clockTime(&since), strings.Join(lines, "\n"))
		f.Remedy = "DEVELOPERS.md, 'Where a frame or packet ends', explains each word; 'culvert nodes' shows which nodes have weak links"
	})
}

// checkContexts names nodes that seem to use another context 0.
func (h *host) checkContexts(ctx context.Context, f *findings.Finding) {
	h.eachSiteMesh(ctx, f, func(m *control.SiteMesh, f *findings.Finding) {
		switch {
		case len(m.Contexts) > 0:
			names := nodeList(m.Contexts, len(m.Contexts), func(c control.SiteContext) string {
				return fmt.Sprintf("%s (%d of %d packets)", c.Node, c.Wrong, c.Tried)
			})
			f.Wrong("packets with wrong checksums: %s. Such a node uses another context 0 than mesh %s to compress addresses, so nobody can talk to it", names, m.Mesh).
				Do("give the node the mesh prefix as context 0 (router advertisements carry it, RFC 6775, section 4.2), or set the node's contexts in [[mesh]]")
		case len(m.Unanswered) > 0:
			names := nodeList(m.Unanswered, len(m.Unanswered), func(c control.SiteContext) string {
				return fmt.Sprintf("%s (%d packets)", c.Node, c.Tried)
			})
			f.Note("delivered packets were never answered: %s", names).
				Do("the node may use another context 0 (its log would show wrong checksums), have no service at that port, or send nothing by design")
		default:
			f.OK("all verified checksums are right")
		}
	})
}

// checkUpstream checks that the advertisements of [upstream] are sent.
func (h *host) checkUpstream(ctx context.Context, f *findings.Finding) {
	if h.cfg == nil || h.cfg.Upstream == nil {
		f.OK("not configured: nothing is advertised on the site's network")
		return
	}
	a := h.siteAnswer(ctx, f)
	if a == nil {
		return
	}
	if len(a.Upstream) == 0 {
		f.Wrong("the file has [upstream], but the running daemon serves no interface of the site's network").
			Do("restart the daemon, so that it reads the changed file")
		return
	}
	join(f, a.Upstream, func(u control.SiteUpstream, one *findings.Finding) {
		one.OK("%s: %d router advertisements sent", u.Interface, u.Advertised)
		switch {
		case !u.Up:
			one.Wrong("%s is not up, or has no link-local address: nothing is sent there", u.Interface).
				Do(fmt.Sprintf("see 'ip -6 address show dev %s'", u.Interface))
		case u.Errors > 0 && u.Advertised == 0:
			one.Wrong("%s: no advertisement could be sent, %s", u.Interface, cli.Plural(int(u.Errors), "error")).
				Do("the daemon's log says why; under systemd the service needs the drop-in of deploy/UPSTREAM.md")
		case h.cfg.Upstream.Advertise && u.Advertised == 0:
			one.Wrong("%s: advertise is on, but nothing was sent yet", u.Interface).
				Do("the daemon's log says why; under systemd the service needs the drop-in of deploy/UPSTREAM.md")
		}
	})
}

// NodesRow returns the finding on nodes for an answer of the daemon.
func NodesRow(a *control.SiteAnswer) findings.Finding {
	f := findings.Finding{Check: "nodes"}
	(&host{running: true, site: a}).checkNodes(context.Background(), &f)
	return f
}
