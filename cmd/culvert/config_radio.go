package main

import (
	"net"
	"strconv"
	"strings"
)

// radioKeys are the keys of [mesh.radio] that belong to each kind.
var radioKeys = map[radioKind][]string{
	radioSerial:    {"device", "speed"},
	radioStream:    {"address"},
	radioProcess:   {"command"},
	radioSimulated: {"site"},
	radioInterface: {"name"},
}

// radioKinds is the order in which messages name the kinds.
var radioKinds = []string{string(radioSerial), string(radioStream), string(radioProcess),
	string(radioInterface), string(radioSimulated)}

// radio reads one [mesh.radio].
func (r *configReader) radio(t *table) radioConfig {
	var c radioConfig
	want := orList(radioKinds)
	kind, ok := t.required("kind", want)
	c.kind = radioKind(kind)
	switch {
	case !ok:
		return c // without the kind nothing is known of the other keys
	case radioKeys[c.kind] == nil:
		t.errorf("kind", "%s; want %s", describe(kind), want)
		return c
	}
	switch c.kind {
	case radioSerial:
		c.device = r.requiredPath(t, "device", "the path of the serial line, like \"/dev/serial/by-id/...\"")
		c.speed = int(t.integer("speed", defaultSpeed, 1200, 12_000_000, "a speed in baud"))
	case radioStream:
		c.address = r.streamAddress(t)
	case radioProcess:
		c.command = r.command(t)
	case radioInterface:
		c.name = r.radioName(t)
	case radioSimulated:
		c.site = r.requiredPath(t, "site", "the path of the plan of the simulated site, like \"site.toml\"")
	}
	c.meshHeaders = t.boolean("mesh_headers", false)
	r.otherKinds(t, c.kind)
	t.close(nil)
	return c
}

// requiredPath reads a path that must be there.
func (r *configReader) requiredPath(t *table, key, want string) string {
	s, ok := t.required(key, want)
	if ok && strings.ContainsRune(s, 0) {
		t.errorf(key, "%q holds a zero octet; want %s", s, want)
	}
	return r.abs(s)
}

// otherKinds complains about keys that belong to another kind, which are a sign of
// a change done by half.
func (r *configReader) otherKinds(t *table, kind radioKind) {
	for other, keys := range radioKeys {
		for _, key := range keys {
			if other != kind && t.has(key) {
				t.errorf(key, "belongs to kind %q, but the kind is %q; take it out", other, kind)
				delete(t.m, key)
			}
		}
	}
}

// streamAddress reads where a stream radio listens.
func (r *configReader) streamAddress(t *table) string {
	const want = "\"HOST:PORT\" for TCP, like \"[fd00::5]:6283\", or \"unix:PATH\" for a Unix socket"
	s, ok := t.required("address", want)
	if !ok {
		return ""
	}
	if path, isUnix := strings.CutPrefix(s, "unix:"); isUnix {
		path = r.abs(path)
		if path == "" || strings.ContainsRune(path, 0) || len(path) > maxControlPath {
			t.errorf("address", "%s; want %s, of at most %d octets", describe(s), want, maxControlPath)
		}
		return "unix:" + path
	}
	host, port, err := net.SplitHostPort(s)
	n, errPort := strconv.ParseUint(port, 10, 16)
	if err != nil || errPort != nil || n == 0 || host == "" || strings.ContainsFunc(host, func(c rune) bool { return c <= ' ' }) {
		t.errorf("address", "%s; want %s", describe(s), want)
		return ""
	}
	return s
}

// radioName reads the name of a Linux IEEE 802.15.4 interface.
func (r *configReader) radioName(t *table) string {
	const want = "the name of a Linux IEEE 802.15.4 interface, like \"wpan0\""
	s, ok := t.required("name", want)
	switch {
	case !ok:
		return ""
	case !isIfaceName(s):
		t.errorf("name", "%s; want %s", describe(s), want)
		return ""
	case r.ifaces[s]:
		t.errorf("name", "%q stands for another interface in this file already; want %s", s, want)
	}
	r.ifaces[s] = true
	return s
}

// command reads the program of a process radio. A program with a slash in its
// name counts from the directory of the file; a bare name is looked up in PATH.
func (r *configReader) command(t *table) []string {
	const want = "the program and its arguments as an array, like [\"/usr/lib/radio/adapter\", \"--port\", \"1\"]"
	if !t.has("command") {
		t.value("command")
		t.errorf("command", "missing; want %s", want)
		return nil
	}
	before := len(t.doc.errs)
	var out []string
	for i, v := range t.list("command", want) {
		s, ok := v.(string)
		if !ok || strings.ContainsRune(s, 0) || i == 0 && s == "" {
			t.elementErrorf("command", i, "element %d is %s; want %s", i+1, describe(v), want)
		}
		out = append(out, s)
	}
	if len(out) == 0 {
		if len(t.doc.errs) == before {
			t.errorf("command", "empty; want %s", want)
		}
		return nil
	}
	if strings.Contains(out[0], "/") {
		out[0] = r.abs(out[0])
	}
	return out
}
