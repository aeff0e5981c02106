package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/netip"
	"os"
	"path"
	"reflect"
	"slices"
	"sync"
	"time"

	"culvert/bridge"
	"culvert/bridge/policy"
	"culvert/cmd/culvert/internal/conf"
	"culvert/cmd/culvert/internal/control"
	"culvert/coap"
	"culvert/coap/output"
)

// rulebook puts the rules of the configuration in force for every mesh, and others
// in their place while the daemon runs.
type rulebook struct {
	log    *slog.Logger
	meshes []*bridge.Mesh
	front  *coap.Server // set before the daemon runs; nil: there is none

	placesMu sync.Mutex // held while places change

	mu      sync.Mutex   // held through a reload
	running *conf.Config // with which the daemon started
	rules   []policy.Rule
	done    bool      // the last reload came to an end
	at      time.Time // of the last one that did
}

// newEngine makes what says what may pass in one mesh: nothing, yet.
func newEngine(c conf.MeshConfig) *policy.Engine {
	return policy.New(policy.Options{Mesh: c.Name, Flows: c.Flows, Limits: c.Limits, Now: time.Now()})
}

// newRulebook puts the rules of a configuration in force.
func newRulebook(cfg *conf.Config, meshes []*bridge.Mesh, log *slog.Logger) (*rulebook, error) {
	b := &rulebook{log: log, meshes: meshes, running: cfg, done: true, at: time.Now()}
	sets, err := b.compile(cfg.Rules)
	if err != nil {
		return nil, err
	}
	b.enforce(cfg, sets)
	if len(cfg.Rules) == 0 {
		log.Warn("no [[rule]] in the configuration: between nodes and other hosts nothing passes, and from node to node; "+
			"this gateway itself reaches every node", "example", conf.RuleExample)
	}
	return b, nil
}

// compile makes the rules of each mesh.
func (b *rulebook) compile(rules []policy.Rule) ([]*policy.Set, error) {
	var sets []*policy.Set
	for _, m := range b.meshes {
		s, err := policy.Compile(b.asSeenFrom(m, rules))
		if err != nil {
			return nil, err
		}
		sets = append(sets, s)
	}
	return sets, nil
}

// asSeenFrom writes the nodes of other meshes as addresses: a packet from mesh to mesh
// leaves one as a packet to outside, and enters the other as one from outside. Each
// mesh knows its own nodes by name and judges for itself, so that what a rule allows
// may name the whole prefix of the other mesh; what one denies must not.
func (b *rulebook) asSeenFrom(own *bridge.Mesh, rules []policy.Rule) []policy.Rule {
	out := slices.Clone(rules)
	for i := range out {
		r := &out[i]
		r.From, r.To = b.foreign(own, r.From, r.Deny), b.foreign(own, r.To, r.Deny)
	}
	return out
}

func (b *rulebook) foreign(own *bridge.Mesh, ends []policy.End, exact bool) []policy.End {
	ends = slices.Clone(ends)
	for _, e := range ends {
		if e.Prefix.IsValid() {
			continue
		}
		for _, m := range b.meshes {
			if ok, _ := path.Match(e.Mesh, m.Name()); !ok || m == own {
				continue
			}
			if !exact || e.Pattern == "*" {
				ends = append(ends, policy.End{Prefix: m.Prefix()})
				continue
			}
			for n := range m.Nodes().All() {
				if ok, _ := path.Match(e.Pattern, n.Label()); ok {
					for _, a := range m.Nodes().Addresses(n) {
						ends = append(ends, policy.End{Prefix: netip.PrefixFrom(a.Addr, 128)})
					}
				}
			}
		}
	}
	return ends
}

// enforce puts compiled rules, and the limits of the configuration, in force.
func (b *rulebook) enforce(cfg *conf.Config, sets []*policy.Set) {
	for i, m := range b.meshes {
		m.Policy().Swap(sets[i])
		for _, c := range cfg.Meshes {
			if c.Name == m.Name() {
				m.Policy().SetLimits(c.Limits)
			}
		}
		m.ForgetRefusals()
	}
	b.rules = cfg.Rules
}

// reload reads the configuration again, and puts its rules in force if all of it is
// valid. Else everything stays as it is, and the error holds all that is wrong.
func (b *rulebook) reload() (control.Reloaded, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.done = false
	cfg, err := conf.LoadConfig(b.running.File)
	if err != nil {
		return control.Reloaded{}, err
	}
	if _, err := b.compile(cfg.Rules); err != nil {
		return control.Reloaded{}, err
	}
	out := control.Reloaded{Rules: len(cfg.Rules), Identities: cfg.Access.Len(), Outputs: len(cfg.Outputs), Restart: changedKeys(b.running.Raw, cfg.Raw),
		Changed: len(cfg.Rules)+len(b.rules) > 0 && !reflect.DeepEqual(cfg.Rules, b.rules)}
	undo, err := b.setPlaces(cfg)
	if err != nil {
		return control.Reloaded{}, err
	}
	sets, err := b.compile(cfg.Rules) // they name nodes of other meshes by the places of now
	if err != nil {
		return control.Reloaded{}, errors.Join(err, undo())
	}
	if b.front != nil {
		if err := b.front.SetOutputs(cfg.Outputs); err != nil {
			return control.Reloaded{}, errors.Join(err, undo())
		}
		b.front.SetAccess(cfg.Access)
		b.front.SetUndeclared(cmp.Or(cfg.Undeclared, output.UndeclaredAsk))
	}
	b.enforce(cfg, sets)
	out.Places, out.Warnings = cfg.PlaceCount(), b.admissionWarnings(cfg)
	b.done, b.at = true, time.Now()
	return out, nil
}

// setPlaces puts the places of a configuration in force, of every mesh that runs and
// that it has. undo brings back those of before. On an error nothing has changed.
func (b *rulebook) setPlaces(cfg *conf.Config) (undo func() error, err error) {
	b.placesMu.Lock()
	defer b.placesMu.Unlock()
	var back []func() error
	undo = func() (err error) {
		for _, f := range slices.Backward(back) {
			err = errors.Join(err, f())
		}
		return err
	}
	for i, m := range b.meshes {
		c, ok := cfg.Mesh(m.Name())
		if !ok {
			continue // it goes at the next start, with its places
		}
		was := m.Places()
		if err := m.SetPlaces(c.NodePlaces(b.running.Meshes[i].Full)); err != nil { // encoding counts from the next start on
			return nil, errors.Join(fmt.Errorf("places of mesh %s: %w", m.Name(), err), undo())
		}
		back = append(back, func() error { return m.SetPlaces(was) })
	}
	return undo, nil
}

// admissionWarnings says of each mesh whose file has no key admit where the next start
// would decide otherwise than the last one did.
func (b *rulebook) admissionWarnings(cfg *conf.Config) (out []string) {
	for _, was := range b.running.Meshes {
		c, ok := cfg.Mesh(was.Name)
		switch {
		case !ok || !c.AdmitAbsent || c.Listed == was.Listed:
		case c.Listed:
			out = append(out, fmt.Sprintf("mesh %s: the file has a [[mesh.place]] and no key admit, so that the next start serves places only (admit = \"listed\") "+
				"and cuts strangers off; until then any node is served. Write admit = \"any\" or admit = \"listed\" into the file to say which you want", c.Name))
		default:
			out = append(out, fmt.Sprintf("mesh %s: the file has neither a [[mesh.place]] nor a key admit, so that the next start serves any node (admit = \"any\"); "+
				"until then places only are served. Write admit = \"listed\" into the file to keep strangers out", c.Name))
		}
	}
	return out
}

// tell reloads, and logs what came of it.
func (b *rulebook) tell() (control.Reloaded, error) {
	out, err := b.reload()
	if err != nil {
		b.log.Error("the configuration is not reloaded: the rules stay as they were", "cause", err)
		return out, err
	}
	b.log.Info("configuration reloaded", "rules", out.Rules, "changed", out.Changed, "identities", out.Identities, "outputs", out.Outputs, "places", out.Places)
	for _, w := range out.Warnings {
		b.log.Warn(w)
	}
	if len(out.Restart) > 0 {
		b.log.Warn("some keys have changed that count from the next start on", "keys", out.Restart)
	}
	return out, nil
}

// last returns whether the last reload, or the start, came to an end, and when one
// last did.
func (b *rulebook) last() (done bool, at time.Time) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.done, b.at
}

// run reloads whenever somebody asks by a signal.
func (b *rulebook) run(ctx context.Context, asked <-chan os.Signal) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-asked:
			_, _ = b.tell() // it is logged
		}
	}
}

// reloadable are the keys that a reload puts in force; none of them means something
// else in another table.
var reloadable = []string{"rule", "access", "output", "undeclared_outputs", "place", "airtime_node", "airtime_mesh", "flows"}

// changedKeys names the keys that differ between two configurations, other than those
// that a reload puts in force. Tables in an array that have names are told apart by
// these.
func changedKeys(was, is map[string]any) []string {
	var out []string
	changedIn("", was, is, &out)
	slices.Sort(out)
	return out
}

func changedIn(path string, was, is map[string]any, out *[]string) {
	keys := map[string]bool{}
	for k := range was {
		keys[k] = true
	}
	for k := range is {
		keys[k] = true
	}
	for k := range keys {
		if !slices.Contains(reloadable, k) && !(was[k] == nil && allReloadable(is[k])) && !(is[k] == nil && allReloadable(was[k])) {
			changedValue(conf.JoinKey(path, k), was[k], is[k], out)
		}
	}
}

// allReloadable reports whether v is a table of nothing but keys that a reload puts in
// force.
func allReloadable(v any) bool {
	m, ok := v.(map[string]any)
	for k := range m {
		ok = ok && slices.Contains(reloadable, k)
	}
	return ok && len(m) > 0
}

func changedValue(path string, was, is any, out *[]string) {
	if a, ok := was.(map[string]any); ok {
		if b, ok := is.(map[string]any); ok {
			changedIn(path, a, b, out)
			return
		}
	}
	a, okA := named(was)
	b, okB := named(is)
	if okA && okB {
		for name := range a {
			if b[name] == nil {
				*out = append(*out, fmt.Sprintf("%s %q", path, name))
			}
		}
		for name, t := range b {
			at := fmt.Sprintf("%s %q", path, name)
			if a[name] == nil {
				*out = append(*out, at)
				continue
			}
			var inner []string
			changedIn("", a[name], t, &inner)
			for _, k := range inner {
				*out = append(*out, at+": "+k)
			}
		}
		return
	}
	if !reflect.DeepEqual(was, is) {
		*out = append(*out, path)
	}
}

// named returns the tables of an array by their names, false if one has none.
func named(v any) (map[string]map[string]any, bool) {
	l, ok := v.([]any)
	if !ok {
		return nil, false
	}
	out := map[string]map[string]any{}
	for _, e := range l {
		t, ok := e.(map[string]any)
		name, isName := t["name"].(string)
		if !ok || !isName {
			return nil, false
		}
		out[name] = t
	}
	return out, true
}
