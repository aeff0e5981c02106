package web

import (
	"bytes"
	"cmp"
	_ "embed"
	"fmt"
	"html/template"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"culvert/bridge/node"
)

//go:embed status.html
var statusHTML string

//go:embed style.css
var styleCSS []byte

var statusPage = template.Must(template.New("status").Parse(statusHTML))

// rowsMax is how many nodes of a mesh the page lists; a person reads no more, and
// /nodes on CoAP has them all.
const rowsMax = 1000

// pageAge is for how long one rendering serves everybody.
const pageAge = time.Second

type pageCache struct {
	mu    sync.Mutex
	body  []byte
	state string
	at    time.Time
}

// view is what the template shows.
type view struct {
	Version string
	Now     string
	Meshes  []meshView
	Trouble []string // in a sentence each
	State   string   // names what the page shows, see state
}

type meshView struct {
	Name, Interface, Prefix string
	Up, Radio               bool
	Total                   int
	Counts                  []count
	Rows                    []row
	More                    int // nodes that are not listed
}

type count struct {
	State string
	N     int
}

type row struct {
	Label, State, Address, EUI64 string
	Stranger                     bool
	Heard, HeardTitle            string
	Reading                      string // the age of the last reading, where the period is known
	Hops, Signal, Supply         string
	Parents                      string
	Status                       string // the state in words, where it says more than State
	order                        int
}

// status is the page at /.
func (s *Server) status(w http.ResponseWriter, _ *http.Request) {
	body, _, err := s.render()
	if err != nil {
		http.Error(w, "the page could not be made", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(body) // the client is gone: nothing to do
}

// render returns the page, and what names its state; one rendering serves everybody for
// pageAge.
func (s *Server) render() (body []byte, state string, err error) {
	s.page.mu.Lock()
	defer s.page.mu.Unlock()
	now := s.opt.Now()
	if s.page.body == nil || now.Sub(s.page.at).Abs() >= pageAge {
		var b bytes.Buffer
		v := s.view(now)
		v.State = v.state()
		if err := statusPage.Execute(&b, v); err != nil {
			s.log.Error("status page not made", "error", err)
			return nil, "", err
		}
		s.page.body, s.page.state, s.page.at = b.Bytes(), v.State, now
	}
	return s.page.body, s.page.state, nil
}

func (s *Server) style(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/css; charset=utf-8")
	w.Header().Set("Cache-Control", "max-age=3600")
	_, _ = w.Write(styleCSS)
}

func (s *Server) view(now time.Time) view {
	v := view{Version: s.opt.Version, Now: now.UTC().Format("2006-01-02 15:04:05")}
	for _, m := range s.opt.Meshes {
		mv := meshView{Name: m.Name, Interface: m.Interface, Prefix: m.Table.Prefix().String()}
		mv.Up, mv.Radio = m.Up()
		stats := m.Table.Stats()
		for st := range node.States {
			if n := stats.Nodes[st]; n > 0 || st == node.Up {
				mv.Counts = append(mv.Counts, count{st.String(), n})
			}
			mv.Total += stats.Nodes[st]
		}
		for n := range m.Table.All() {
			mv.Rows = append(mv.Rows, rowOf(m.Table, n, now))
		}
		slices.SortFunc(mv.Rows, func(a, b row) int {
			return cmp.Or(cmp.Compare(a.order, b.order), cmp.Compare(a.Label, b.Label))
		})
		if len(mv.Rows) > rowsMax {
			mv.More = len(mv.Rows) - rowsMax
			mv.Rows = mv.Rows[:rowsMax]
		}
		v.Trouble = append(v.Trouble, trouble(mv, stats)...)
		v.Meshes = append(v.Meshes, mv)
	}
	return v
}

// trouble says what a person should look at.
func trouble(m meshView, s node.Stats) (out []string) {
	switch {
	case !m.Radio:
		out = append(out, fmt.Sprintf("The radio of %s is down: no node can be reached.", m.Name))
	case !m.Up:
		out = append(out, fmt.Sprintf("The interface of %s is down: no node can be reached.", m.Name))
	}
	if n := s.Nodes[node.Silent]; n > 0 {
		out = append(out, fmt.Sprintf("%s of %s silent.", people(n), m.Name))
	}
	if n := s.Nodes[node.Late]; n > 0 {
		out = append(out, fmt.Sprintf("%s of %s late.", people(n), m.Name))
	}
	if n := s.Nodes[node.Expected]; n > 0 {
		out = append(out, fmt.Sprintf("%s of %s expected and never heard.", people(n), m.Name))
	}
	if n := s.Nodes[node.Unknown]; n > 0 && m.Radio {
		out = append(out, fmt.Sprintf("%s of %s unknown: its radio has not listed its nodes yet.", people(n), m.Name))
	}
	if n := s.Strangers; n > 0 {
		served := "served, since admit is \"any\""
		if s.Unserved > 0 {
			served = "not served"
		}
		out = append(out, fmt.Sprintf("%s on %s, at no place: %s.", plural(n, "stranger"), m.Name, served))
	}
	if s.Refused > 0 {
		out = append(out, fmt.Sprintf("The node table of %s is full; %d times there was no room for a node.", m.Name, s.Refused))
	}
	return out
}

func people(n int) string { return plural(n, "node") }

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return strconv.Itoa(n) + " " + what + "s"
}

// orders sorts what needs a look to the top.
var orders = [node.States]int{node.Silent: 0, node.Late: 1, node.Unknown: 2, node.Joining: 3, node.Expected: 4, node.Up: 5, node.Retired: 6}

func rowOf(t *node.Table, n *node.Node, now time.Time) row {
	st := n.State()
	r := row{Label: n.Label(), State: st.String(), order: orders[st], Heard: "never"}
	if a := t.Address(n); a.IsValid() {
		r.Address = a.String()
	}
	if a := n.EUI64().String(); a != r.Label && !n.EUI64().IsNone() {
		r.EUI64 = a // once a row is enough
	}
	if at := n.LastHeard(); !at.IsZero() {
		r.Heard = ago(now.Sub(at))
		r.HeardTitle = at.UTC().Format(time.RFC3339)
	}
	if h := n.Hops(); h > 0 {
		r.Hops = strconv.Itoa(int(h))
	}
	if s := t.Status(n, now); s != r.State {
		r.Status = s
	}
	due := t.Schedule(n, now)
	if due.Period > 0 && !due.Last.IsZero() {
		r.Reading = ago(now.Sub(due.Last))
	}
	r.Parents = strings.Join(t.ParentLabels(n), ", ")
	if d := t.ParentSignal(n); d != 0 {
		r.Signal = strconv.Itoa(int(d)) + " dBm"
	}
	mv, percent := n.Battery()
	switch {
	case mv > 0 && percent <= 100:
		r.Supply = fmt.Sprintf("%.2f V, %d %%", float64(mv)/1000, percent)
	case mv > 0:
		r.Supply = fmt.Sprintf("%.2f V", float64(mv)/1000)
	case percent <= 100:
		r.Supply = fmt.Sprintf("%d %%", percent)
	}
	r.Stranger = t.Stranger(n)
	return r
}

// ago writes a span of time as people say it.
func ago(d time.Duration) string {
	switch {
	case d < time.Second:
		return "now"
	case d < 2*time.Minute:
		return fmt.Sprintf("%d s ago", int(d.Seconds()))
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min ago", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h ago", int(d.Hours()))
	}
	return fmt.Sprintf("%d days ago", int(d.Hours()/24))
}
