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

// These checks say how the running site does: what the daemon knows of its radios,
// its nodes and what was lost.

// maxNamed bounds the names in one line.
const maxNamed = 10

// askSite asks the daemon how the site does, once.
func (h *host) askSite(ctx context.Context) (*control.SiteAnswer, error) {
	if h.site != nil || h.siteErr != nil {
		return h.site, h.siteErr
	}
	ctx, cancel := context.WithTimeout(ctx, control.ControlTimeout)
	defer cancel()
	c, err := control.DialControl(ctx, h.file)
	if err != nil {
		h.siteErr = err
		return nil, err
	}
	defer c.Close()
	var a control.SiteAnswer
	if h.siteErr = c.Control(ctx, "site", false, nil, &a); h.siteErr == nil {
		h.site = &a
	}
	return h.site, h.siteErr
}

// eachSiteMesh calls look for each mesh of the running daemon, and keeps the worst of
// what it finds.
func (h *host) eachSiteMesh(ctx context.Context, f *findings.Finding, look func(m *control.SiteMesh, f *findings.Finding)) {
	if !h.running {
		f.Set(findings.VerdictNotTried, "only a running daemon knows")
		return
	}
	a, err := h.askSite(ctx)
	if err != nil {
		f.Set(findings.VerdictNotTried, "%v", err)
		return
	}
	var all worst
	for i := range a.Meshes {
		var one findings.Finding
		look(&a.Meshes[i], &one)
		if len(a.Meshes) > 1 {
			one.Found = "mesh " + a.Meshes[i].Mesh + ": " + one.Found
		}
		all.add(one)
	}
	all.into(f)
}

// worst joins findings: the worst verdict, all that was found, all that is to do.
type worst struct {
	verdict         findings.Verdict
	found, remedies []string
}

func (w *worst) add(f findings.Finding) {
	rank := func(v findings.Verdict) int {
		switch v {
		case findings.VerdictWrong:
			return 3
		case findings.VerdictOK, "":
			return 0
		case findings.VerdictNotTried:
			return 1
		}
		return 2
	}
	if w.verdict == "" || rank(f.Verdict) > rank(w.verdict) {
		w.verdict = f.Verdict
	}
	w.found = append(w.found, f.Found)
	if f.Remedy != "" {
		w.remedies = append(w.remedies, f.Remedy)
	}
}

func (w *worst) into(f *findings.Finding) {
	f.Set(w.verdict, "%s", strings.Join(w.found, "\n"))
	f.Remedy = strings.Join(w.remedies, "\n")
}

// checkRadios says which radios are down.
func (h *host) checkRadios(ctx context.Context, f *findings.Finding) {
	h.eachSiteMesh(ctx, f, func(m *control.SiteMesh, f *findings.Finding) {
		switch {
		case m.RadioUp:
			f.Set(findings.VerdictOK, "up since %s", clockTime(m.RadioSince))
			return
		case m.RadioSince == nil:
			f.Set(findings.VerdictWrong, "the radio of mesh %s has not answered since the daemon started: no node can be reached", m.Mesh)
		default:
			f.Set(findings.VerdictWrong, "the radio of mesh %s is down since %s: no node can be reached", m.Mesh, clockTime(m.RadioSince))
		}
		if m.RadioCause != "" {
			f.Found += "\n" + cli.Printable([]byte(m.RadioCause))
		}
		f.Remedy = "check its cable and power, and whether [mesh.radio] names the right device; then stop the daemon and run 'culvert check --radio --mesh " + m.Mesh + "'"
	})
}

// clockTime is a time of today as people say it, or "-".
func clockTime(t *time.Time) string {
	switch {
	case t == nil:
		return "-"
	case time.Since(*t) > 20*time.Hour:
		return t.Local().Format("2006-01-02 15:04")
	}
	return t.Local().Format("15:04:05")
}

// checkNodes names the nodes that are silent or late.
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
			f.Set(findings.VerdictNote, "mesh %s has no nodes yet", m.Mesh)
			f.Remedy = "power a node that knows the mesh's keys and channels, and give it a [[mesh.place]]"
			return
		}
		f.Set(findings.VerdictOK, "%s: %s", cli.Plural(total, "node"), strings.Join(parts, ", "))
		if !m.RadioUp {
			f.Verdict = findings.VerdictNotTried
			f.Found += "; what they do is not known while the radio is down"
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
			f.Remedy = "check their supply and the nodes on their way; 'culvert check --to NODE' goes the way step by step"
		case m.Nodes["expected"] > 0:
			f.Verdict = findings.VerdictNote
			f.Remedy = "places that are expected were never heard: check that the device is powered and that its EUI-64 is that of the place"
		}
	})
}

// nodeList joins at most maxNamed names of total.
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

// checkStrangers says which devices are no place, and whether they are served.
func (h *host) checkStrangers(ctx context.Context, f *findings.Finding) {
	h.eachSiteMesh(ctx, f, func(m *control.SiteMesh, f *findings.Finding) {
		inForce := fmt.Sprintf("admit is %q", m.Admit)
		if m.AdmitWhy != "" {
			inForce += " (" + m.AdmitWhy + ")"
		}
		if len(m.Strangers) == 0 {
			f.Set(findings.VerdictOK, "%s; none was heard", inForce)
			return
		}
		now := time.Now()
		names := nodeList(m.Strangers, len(m.Strangers), func(n control.SiteNode) string {
			return fmt.Sprintf("%s (heard %s)", n.Node, cli.Ago(n.Heard, now))
		})
		if m.Admit == "listed" {
			f.Set(findings.VerdictNote, "%s: %s cut off: %s", inForce, cli.Plural(len(m.Strangers), "stranger"), names)
			f.Remedy = "if it is yours: add a [[mesh.place]] with its EUI-64, or 'culvert replace PLACE EUI64' if it took a device's place"
			return
		}
		f.Set(findings.VerdictNote, "%s: %s served like your own nodes: %s", inForce, cli.Plural(len(m.Strangers), "stranger"), names)
		f.Remedy = "give each of yours a [[mesh.place]], then set admit = \"listed\""
	})
}

// checkPlaces names places that hold another device than the file says.
func (h *host) checkPlaces(ctx context.Context, f *findings.Finding) {
	h.eachSiteMesh(ctx, f, func(m *control.SiteMesh, f *findings.Finding) {
		if len(m.Places) == 0 {
			f.Set(findings.VerdictOK, "every place holds the device of the configuration")
			return
		}
		var lines []string
		for _, p := range m.Places {
			lines = append(lines, fmt.Sprintf("%s: the file says %v, 'culvert replace' bound %v", p.Place, p.Listed, p.Device))
		}
		f.Set(findings.VerdictNote, "%s", strings.Join(lines, "\n"))
		f.Remedy = "write the EUI-64 of the device that stands there into the file, so that the file says what is true"
	})
}

// What is lost is a fault from this many packets on, and this share of them.
const (
	lostCount = 10
	lostShare = 0.05
)

// checkLosses names what was lost lately.
func (h *host) checkLosses(ctx context.Context, f *findings.Finding) {
	h.eachSiteMesh(ctx, f, func(m *control.SiteMesh, f *findings.Finding) {
		since := h.site.Since
		f.Set(findings.VerdictOK, "nothing was lost since %s", clockTime(&since))
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
		f.Remedy = "each word stands in DEVELOPERS.md, 'Where a frame or packet ends', with what it means; 'culvert nodes' shows which nodes are weak"
	})
}

// checkContexts names nodes that seem to hold another context 0.
func (h *host) checkContexts(ctx context.Context, f *findings.Finding) {
	h.eachSiteMesh(ctx, f, func(m *control.SiteMesh, f *findings.Finding) {
		switch {
		case len(m.Contexts) > 0:
			names := nodeList(m.Contexts, len(m.Contexts), func(c control.SiteContext) string {
				return fmt.Sprintf("%s (%d of %d packets)", c.Node, c.Wrong, c.Tried)
			})
			f.Set(findings.VerdictWrong, "packets with wrong checksums: %s. Such a node compresses addresses against another context 0 than %s: nobody answers it, and it answers nobody", names, m.Mesh)
			f.Remedy = "give the node the mesh's prefix as context 0 (RFC 6775, section 4.2: it takes it from router advertisements), or set contexts in [[mesh]] to what it holds"
		case len(m.Unanswered) > 0:
			names := nodeList(m.Unanswered, len(m.Unanswered), func(c control.SiteContext) string {
				return fmt.Sprintf("%s (%d packets)", c.Node, c.Tried)
			})
			f.Set(findings.VerdictNote, "packets were delivered and the node never sent one back: %s", names)
			f.Remedy = "it may hold another context 0 (see its log for wrong checksums), have nothing at that port, or send nothing by design"
		default:
			f.Set(findings.VerdictOK, "the checksums that were verified are right")
		}
	})
}

// checkUpstream looks whether what [upstream] asks for was sent.
func (h *host) checkUpstream(ctx context.Context, f *findings.Finding) {
	if h.cfg == nil || h.cfg.Upstream == nil {
		f.Set(findings.VerdictOK, "not configured: nothing is announced on the site's network")
		return
	}
	if !h.running {
		f.Set(findings.VerdictNotTried, "only a running daemon knows")
		return
	}
	a, err := h.askSite(ctx)
	if err != nil {
		f.Set(findings.VerdictNotTried, "%v", err)
		return
	}
	if len(a.Upstream) == 0 {
		f.Set(findings.VerdictWrong, "[upstream] is in the file, and the running daemon serves no interface of the site's network")
		f.Remedy = "start the daemon anew, so that it reads the file as it is now"
		return
	}
	var all worst
	for _, u := range a.Upstream {
		var one findings.Finding
		one.Set(findings.VerdictOK, "%s: %d router advertisements sent", u.Interface, u.Advertised)
		switch {
		case !u.Up:
			one.Set(findings.VerdictWrong, "%s is not up, or has no link-local address: nothing is sent there", u.Interface)
			one.Remedy = fmt.Sprintf("see 'ip -6 address show dev %s'", u.Interface)
		case u.Errors > 0 && u.Advertised == 0:
			one.Set(findings.VerdictWrong, "%s: nothing could be sent, %s", u.Interface, cli.Plural(int(u.Errors), "error"))
			one.Remedy = "the daemon's log says why; under systemd it needs the drop-in of deploy/UPSTREAM.md"
		case h.cfg.Upstream.Advertise && u.Advertised == 0:
			one.Set(findings.VerdictWrong, "%s: advertise is on, and nothing was sent yet", u.Interface)
			one.Remedy = "the daemon's log says why; under systemd it needs the drop-in of deploy/UPSTREAM.md"
		}
		all.add(one)
	}
	all.into(f)
}

// NodesRow is what the check says of the nodes in an answer of the daemon.
func NodesRow(a *control.SiteAnswer) findings.Finding {
	f := findings.Finding{Check: "nodes"}
	(&host{running: true, site: a}).checkNodes(context.Background(), &f)
	return f
}
