package main

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/netip"
	"os"
	"path"
	"slices"
	"strings"

	"culvert/coap/access"
	"culvert/coap/output"
)

// doorConfig is where the CoAP front listens, and with what it proves itself.
type doorConfig struct {
	dtls, tcp, tls []netip.AddrPort
	certificate    *tls.Certificate // of the front; nil for none
	clientCAs      *x509.CertPool   // who vouches for clients; nil for nobody
}

// What the keys of [[access]] and [coap] may hold.
const (
	wantIdentity = `the name of an identity, 1 to 63 printable characters, like "ops-laptop", or "anyone" for who shows none`
	wantMay      = `rights: "read" and "write"`
	wantNodes    = `nodes like "fenland/*" or "fenland/grain-bin"`
	wantSubject  = `the common name of a client's certificate, like "ops-laptop"`
	wantPSKFile  = `the path of a file that holds a key of 16 to 64 octets, as 'openssl rand -hex 16' makes it`
	wantListen   = `"udp", "dtls", "tcp" or "tls" and ADDRESS:PORT, like "udp [::]:5683" or "dtls [::]:5684"`
)

// access reads the [[access]] tables.
func (r *configReader) access(t *table, meshes []meshConfig) *access.List {
	var ids []access.Identity
	for _, at := range t.tables("access") {
		n := len(t.doc.errs)
		id := r.identity(at, meshes)
		if len(t.doc.errs) > n {
			continue
		}
		ids = append(ids, id)
		if _, err := access.New(ids); err != nil {
			at.errorf("identity", "%s", strings.TrimPrefix(err.Error(), "coap: "))
			ids = ids[:len(ids)-1]
		}
	}
	a, err := access.New(ids)
	if err != nil { // each of them has been looked at
		t.errorf("access", "%v", err)
	}
	return a
}

// identity reads one [[access]].
func (r *configReader) identity(t *table, meshes []meshConfig) access.Identity {
	var id access.Identity
	if s, ok := t.required("identity", wantIdentity); ok {
		if len(s) > 63 || strings.ContainsFunc(s, func(c rune) bool { return c <= ' ' || c > '~' }) {
			t.errorf("identity", "%s; want %s", describe(s), wantIdentity)
		}
		id.Name = s
	}
	if file := r.filePath(t, "psk_file", wantPSKFile); file != "" {
		key, err := readSecret(file)
		key = bytes.TrimRight(key, "\r\n")
		switch {
		case err != nil:
			t.errorf("psk_file", "%v", err)
		case len(key) < access.MinPSK || len(key) > access.MaxPSK:
			t.errorf("psk_file", "%s holds %d octets; want %d to %d, as 'openssl rand -hex 16' makes it", file, len(key), access.MinPSK, access.MaxPSK)
		default:
			id.PSK = key
		}
	}
	if s, ok := t.text("subject", wantSubject); ok {
		if s == "" {
			t.errorf("subject", "empty; want %s", wantSubject)
		}
		id.Subject = s
	}
	if id.Name != access.Anyone && !t.has("psk_file") && !t.has("subject") {
		t.errorf("identity", "%q has nothing to prove itself with; want psk_file, subject or both", id.Name)
	}
	rights := map[string]access.Right{"read": access.MayRead, "write": access.MayWrite}
	for i, s := range t.oneOrMore("may", wantMay) {
		switch {
		case s == "trial":
			t.elementErrorf("may", i, "%q is not in this version of culvert yet: there are no trials; want %s", s, wantMay)
		case rights[s] == 0 && s != "":
			t.elementErrorf("may", i, "%s; want %s", describe(s), wantMay)
		}
		id.May |= rights[s]
	}
	if t.has("nodes") {
		id.Nodes = r.nodePatterns(t, meshes)
	} else {
		t.value("nodes")
	}
	t.close(nil)
	return id
}

// nodePatterns reads the patterns of nodes that an identity reaches.
func (r *configReader) nodePatterns(t *table, meshes []meshConfig) []string {
	var out []string
	for i, s := range t.oneOrMore("nodes", wantNodes) {
		if s == "" {
			continue
		}
		mesh, place, ok := strings.Cut(s, "/")
		_, bad := path.Match(s, "")
		if !ok || place == "" || strings.Contains(place, "/") || bad != nil {
			t.elementErrorf("nodes", i, "%s; want %s", describe(s), wantNodes)
			continue
		}
		if !slices.ContainsFunc(meshes, func(m meshConfig) bool { ok, _ := path.Match(mesh, m.name); return ok }) {
			t.elementErrorf("nodes", i, "no mesh is called %q; want %s", mesh, wantNodes)
		}
		out = append(out, s)
	}
	return out
}

// filePath reads the path of a file, empty where there is none.
func (r *configReader) filePath(t *table, key, want string) string {
	if !t.has(key) {
		t.value(key)
		return ""
	}
	return r.path(t, key, want, "")
}

// maxSecret bounds a file with a key, in octets.
const maxSecret = 64 << 10

// readSecret reads a file that others must not be able to read or change.
func readSecret(file string) ([]byte, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat() // of what was opened
	if err != nil {
		return nil, err
	}
	mode := info.Mode()
	switch {
	case !mode.IsRegular():
		return nil, fmt.Errorf("%s is no regular file", file)
	case mode.Perm()&0o007 != 0:
		return nil, fmt.Errorf("%s can be used by everybody on this machine (mode %04o); make a new key, since this one may be known, and chmod 0600 its file", file, mode.Perm())
	case mode.Perm()&0o020 != 0:
		return nil, fmt.Errorf("%s can be changed by its group (mode %04o); chmod 0640 or 0600 it", file, mode.Perm())
	case info.Size() > maxSecret:
		return nil, fmt.Errorf("%s has %d octets; want at most %d", file, info.Size(), maxSecret)
	}
	return io.ReadAll(io.LimitReader(f, maxSecret))
}

// doors reads [coap].
func (r *configReader) doors(t *table, cfg *config) {
	d := &cfg.doors
	lists := map[string]*[]netip.AddrPort{"udp": &cfg.coapListen, "dtls": &d.dtls, "tcp": &d.tcp, "tls": &d.tls}
	for i, s := range t.texts("listen", wantListen) {
		if s == "" {
			continue
		}
		door, where, _ := strings.Cut(s, " ")
		ap, err := netip.ParseAddrPort(strings.TrimSpace(where))
		list := lists[door]
		switch {
		case list == nil || err != nil:
			t.elementErrorf("listen", i, "%s; want %s", describe(s), wantListen)
		case slices.Contains(*list, ap):
			t.elementErrorf("listen", i, "%q stands there twice", s)
		default:
			*list = append(*list, ap)
		}
	}
	cert := r.filePath(t, "cert_file", "the path of a certificate in PEM")
	key := r.filePath(t, "key_file", "the path of the certificate's private key in PEM")
	ca := r.filePath(t, "ca_file", "the path of the certificates, in PEM, of who vouches for clients")
	var err error
	switch {
	case (cert == "") != (key == ""):
		t.errorf("cert_file", "a certificate needs its key, and a key its certificate; want cert_file and key_file")
	case cert != "":
		if d.certificate, err = readCertificate(cert, key); err != nil {
			t.errorf("cert_file", "%v", err)
		}
	case len(d.tls) > 0:
		t.errorf("cert_file", "missing; a tls door needs cert_file and key_file")
	}
	if ca != "" {
		if d.clientCAs, err = readAuthorities(ca); err != nil {
			t.errorf("ca_file", "%v", err)
		}
	}
	policies := []string{string(output.UndeclaredAsk), string(output.UndeclaredRefuse), string(output.UndeclaredAllow)}
	if s := t.word("undeclared_outputs", policies); t.has("undeclared_outputs") {
		cfg.undeclared = output.UndeclaredPolicy(s)
	}
	t.value("nodes") // nodeTables reads it
	t.close(nil)
}

func readCertificate(cert, key string) (*tls.Certificate, error) {
	c, err := os.ReadFile(cert)
	if err != nil {
		return nil, err
	}
	k, err := readSecret(key)
	if err != nil {
		return nil, err
	}
	pair, err := tls.X509KeyPair(c, k)
	if err != nil {
		return nil, fmt.Errorf("%s with %s: %s", cert, key, strings.TrimPrefix(err.Error(), "tls: "))
	}
	return &pair, nil
}

func readAuthorities(file string) (*x509.CertPool, error) {
	b, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(b) {
		return nil, &fs.PathError{Op: "read", Path: file, Err: errors.New("no certificate in PEM in it")}
	}
	return pool, nil
}

// checkDoors complains about a dtls door at which nobody could prove anything.
func (cfg *config) checkDoors(t *table) {
	if len(cfg.doors.dtls) > 0 && cfg.doors.certificate == nil && !cfg.access.HasKeys() {
		t.errorf("coap", "a dtls door needs an [[access]] with psk_file, or cert_file and key_file")
	}
}
