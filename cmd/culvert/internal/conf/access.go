package conf

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/netip"
	"path"
	"slices"
	"strings"

	"culvert/coap/access"
	"culvert/coap/output"
)

// doorConfig is where the CoAP front listens, and with what it proves itself.
type doorConfig struct {
	Dtls, Tcp, Tls []netip.AddrPort
	Certificate    *tls.Certificate // of the front; nil for none
	ClientCAs      *x509.CertPool   // who vouches for clients; nil for nobody
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
func (r *ConfigReader) access(t *Table, meshes []MeshConfig) *access.List {
	var ids []access.Identity
	for _, at := range t.Tables("access") {
		n := len(t.doc.Errs)
		id := r.identity(at, meshes)
		if len(t.doc.Errs) > n {
			continue
		}
		ids = append(ids, id)
		if _, err := access.New(ids); err != nil {
			at.Errorf("identity", "%s", strings.TrimPrefix(err.Error(), "coap: "))
			ids = ids[:len(ids)-1]
		}
	}
	a, err := access.New(ids)
	if err != nil { // each of them has been looked at
		t.Errorf("access", "%v", err)
	}
	return a
}

// identity reads one [[access]].
func (r *ConfigReader) identity(t *Table, meshes []MeshConfig) access.Identity {
	var id access.Identity
	if s, ok := t.Required("identity", wantIdentity); ok {
		if len(s) > 63 || strings.ContainsFunc(s, func(c rune) bool { return c <= ' ' || c > '~' }) {
			t.Errorf("identity", "%s; want %s", Describe(s), wantIdentity)
		}
		id.Name = s
	}
	if file := r.filePath(t, "psk_file", wantPSKFile); file != "" {
		key, err := ReadSecret(file)
		key = bytes.TrimRight(key, "\r\n")
		switch {
		case err != nil:
			t.Errorf("psk_file", "%v", err)
		case len(key) < access.MinPSK || len(key) > access.MaxPSK:
			t.Errorf("psk_file", "%s holds %d octets; want %d to %d, as 'openssl rand -hex 16' makes it", file, len(key), access.MinPSK, access.MaxPSK)
		default:
			id.PSK = key
		}
	}
	if s, ok := t.Text("subject", wantSubject); ok {
		if s == "" {
			t.Errorf("subject", "empty; want %s", wantSubject)
		}
		id.Subject = s
	}
	if id.Name != access.Anyone && !t.Has("psk_file") && !t.Has("subject") {
		t.Errorf("identity", "%q has nothing to prove itself with; want psk_file, subject or both", id.Name)
	}
	rights := map[string]access.Right{"read": access.MayRead, "write": access.MayWrite}
	for i, s := range t.oneOrMore("may", wantMay) {
		switch {
		case s == "trial":
			t.elementErrorf("may", i, "%q is not in this version of culvert yet: there are no trials; want %s", s, wantMay)
		case rights[s] == 0 && s != "":
			t.elementErrorf("may", i, "%s; want %s", Describe(s), wantMay)
		}
		id.May |= rights[s]
	}
	if t.Has("nodes") {
		id.Nodes = r.nodePatterns(t, meshes)
	} else {
		t.Value("nodes")
	}
	t.Close(nil)
	return id
}

// nodePatterns reads the patterns of nodes that an identity reaches.
func (r *ConfigReader) nodePatterns(t *Table, meshes []MeshConfig) []string {
	var out []string
	for i, s := range t.oneOrMore("nodes", wantNodes) {
		if s == "" {
			continue
		}
		mesh, place, ok := strings.Cut(s, "/")
		_, bad := path.Match(s, "")
		if !ok || place == "" || strings.Contains(place, "/") || bad != nil {
			t.elementErrorf("nodes", i, "%s; want %s", Describe(s), wantNodes)
			continue
		}
		if !slices.ContainsFunc(meshes, func(m MeshConfig) bool { ok, _ := path.Match(mesh, m.Name); return ok }) {
			t.elementErrorf("nodes", i, "no mesh is called %q; want %s", mesh, wantNodes)
		}
		out = append(out, s)
	}
	return out
}

// filePath reads the path of a file, empty where there is none.
func (r *ConfigReader) filePath(t *Table, key, want string) string {
	if !t.Has(key) {
		t.Value(key)
		return ""
	}
	return r.Path(t, key, want, "")
}

// maxSecret bounds a file with a key, in octets.
const maxSecret = 64 << 10

// ReadSecret reads a file that others must not be able to read or change.
func ReadSecret(file string) ([]byte, error) {
	f, info, err := openRegular(file)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	mode := info.Mode()
	switch {
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
func (r *ConfigReader) doors(t *Table, cfg *Config) {
	d := &cfg.Doors
	lists := map[string]*[]netip.AddrPort{"udp": &cfg.CoapListen, "dtls": &d.Dtls, "tcp": &d.Tcp, "tls": &d.Tls}
	for i, s := range t.Texts("listen", wantListen) {
		if s == "" {
			continue
		}
		door, where, _ := strings.Cut(s, " ")
		ap, err := netip.ParseAddrPort(strings.TrimSpace(where))
		list := lists[door]
		switch {
		case list == nil || err != nil:
			t.elementErrorf("listen", i, "%s; want %s", Describe(s), wantListen)
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
		t.Errorf("cert_file", "a certificate needs its key, and a key its certificate; want cert_file and key_file")
	case cert != "":
		if d.Certificate, err = readCertificate(cert, key); err != nil {
			t.Errorf("cert_file", "%v", err)
		}
	case len(d.Tls) > 0:
		t.Errorf("cert_file", "missing; a tls door needs cert_file and key_file")
	}
	if ca != "" {
		if d.ClientCAs, err = readAuthorities(ca); err != nil {
			t.Errorf("ca_file", "%v", err)
		}
	}
	policies := []string{string(output.UndeclaredAsk), string(output.UndeclaredRefuse), string(output.UndeclaredAllow)}
	if s := t.word("undeclared_outputs", policies); t.Has("undeclared_outputs") {
		cfg.Undeclared = output.UndeclaredPolicy(s)
	}
	t.Value("nodes") // nodeTables reads it
	t.Close(nil)
}

func readCertificate(cert, key string) (*tls.Certificate, error) {
	c, err := readBounded(cert, maxFileOctets)
	if err != nil {
		return nil, err
	}
	k, err := ReadSecret(key)
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
	b, err := readBounded(file, maxFileOctets)
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
func (cfg *Config) checkDoors(t *Table) {
	if len(cfg.Doors.Dtls) > 0 && cfg.Doors.Certificate == nil && !cfg.Access.HasKeys() {
		t.Errorf("coap", "a dtls door needs an [[access]] with psk_file, or cert_file and key_file")
	}
}
