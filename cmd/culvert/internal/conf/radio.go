package conf

import (
	"net"
	"path/filepath"
	"strconv"
	"strings"
)

// radioKeys are the keys of [mesh.radio] that belong to each kind.
var radioKeys = map[radioKind][]string{
	RadioSerial:    {"device", "speed"},
	RadioStream:    {"address"},
	RadioProcess:   {"command"},
	RadioSimulated: {"site"},
	RadioInterface: {"name"},
}

// radioKinds is the order in which messages name the kinds.
var radioKinds = []string{string(RadioSerial), string(RadioStream), string(RadioProcess),
	string(RadioInterface), string(RadioSimulated)}

// radio reads one [mesh.radio].
func (r *ConfigReader) radio(t *Table) RadioConfig {
	var c RadioConfig
	want := orList(radioKinds)
	kind, ok := t.Required("kind", want)
	c.Kind = radioKind(kind)
	switch {
	case !ok:
		return c // without the kind nothing is known of the other keys
	case radioKeys[c.Kind] == nil:
		t.Errorf("kind", "%s; want %s", Describe(kind), want)
		return c
	}
	switch c.Kind {
	case RadioSerial:
		c.Device = r.requiredPath(t, "device", "the path of the serial line, like \"/dev/serial/by-id/...\"")
		c.Speed = int(t.Integer("speed", DefaultSpeed, 1200, 12_000_000, "a speed in baud"))
	case RadioStream:
		c.Address = r.streamAddress(t)
	case RadioProcess:
		c.Command = r.command(t)
	case RadioInterface:
		c.Name = r.radioName(t)
	case RadioSimulated:
		c.Site = r.requiredPath(t, "site", "the path of the plan of the simulated site, like \"site.toml\"")
	}
	c.MeshHeaders = t.boolean("mesh_headers", false)
	r.otherKinds(t, c.Kind)
	t.Close(nil)
	return c
}

// requiredPath reads a path that must be there.
func (r *ConfigReader) requiredPath(t *Table, key, want string) string {
	s, ok := t.Required(key, want)
	if ok && strings.ContainsRune(s, 0) {
		t.Errorf(key, "%q holds a zero octet; want %s", s, want)
	}
	return r.abs(s)
}

// otherKinds complains about keys that belong to another kind, which are a sign of
// a change done by half.
func (r *ConfigReader) otherKinds(t *Table, kind radioKind) {
	for other, keys := range radioKeys {
		for _, key := range keys {
			if other != kind && t.Has(key) {
				t.Errorf(key, "belongs to kind %q, but the kind is %q; take it out", other, kind)
				delete(t.M, key)
			}
		}
	}
}

// streamAddress reads where a stream radio listens.
func (r *ConfigReader) streamAddress(t *Table) string {
	const want = "\"HOST:PORT\" for TCP, like \"[fd00::5]:6283\", or \"unix:PATH\" for a Unix socket"
	s, ok := t.Required("address", want)
	if !ok {
		return ""
	}
	if path, isUnix := strings.CutPrefix(s, "unix:"); isUnix {
		path = r.abs(path)
		if path == "" || strings.ContainsRune(path, 0) || len(path) > MaxControlPath {
			t.Errorf("address", "%s; want %s, of at most %d octets", Describe(s), want, MaxControlPath)
		}
		return "unix:" + path
	}
	host, port, err := net.SplitHostPort(s)
	n, errPort := strconv.ParseUint(port, 10, 16)
	if err != nil || errPort != nil || n == 0 || host == "" || strings.ContainsFunc(host, func(c rune) bool { return c <= ' ' }) {
		t.Errorf("address", "%s; want %s", Describe(s), want)
		return ""
	}
	return s
}

// radioName reads the name of a Linux IEEE 802.15.4 interface.
func (r *ConfigReader) radioName(t *Table) string {
	const want = "the name of a Linux IEEE 802.15.4 interface, like \"wpan0\""
	s, ok := t.Required("name", want)
	switch {
	case !ok:
		return ""
	case !IsIfaceName(s):
		t.Errorf("name", "%s; want %s", Describe(s), want)
		return ""
	case r.ifaces[s]:
		t.Errorf("name", "%q stands for another interface in this file already; want %s", s, want)
	}
	r.ifaces[s] = true
	return s
}

// command reads the program of a process radio. A program with a slash in its
// name counts from the directory of the file; a bare name is looked up in PATH.
func (r *ConfigReader) command(t *Table) []string {
	const want = "the program and its arguments as an array, like [\"/usr/lib/radio/adapter\", \"--port\", \"1\"]"
	if !t.Has("command") {
		t.Value("command")
		t.Errorf("command", "missing; want %s", want)
		return nil
	}
	before := len(t.doc.Errs)
	var out []string
	for i, v := range t.list("command", want) {
		s, ok := v.(string)
		if !ok || strings.ContainsRune(s, 0) || i == 0 && s == "" {
			t.elementErrorf("command", i, "element %d is %s; want %s", i+1, Describe(v), want)
		}
		out = append(out, s)
	}
	if len(out) == 0 {
		if len(t.doc.Errs) == before {
			t.Errorf("command", "empty; want %s", want)
		}
		return nil
	}
	if strings.Contains(out[0], "/") {
		out[0] = r.abs(out[0])
	}
	return out
}

// Dir returns where the program of a process radio runs.
func (r RadioConfig) Dir() string {
	if filepath.IsAbs(r.Command[0]) {
		return filepath.Dir(r.Command[0])
	}
	return ""
}
