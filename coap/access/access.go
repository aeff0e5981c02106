// Package access holds the identities of clients, what proves them, and their rights.
package access

import (
	"bytes"
	"crypto/x509"
	"errors"
	"fmt"
	glob "path"

	"github.com/plgd-dev/go-coap/v3/message/codes"

	"culvert/coap/msg"
)

// Right is a set of what an identity may do.
type Right uint8

// The rights.
const (
	MayRead  Right = 1 << iota // GET and FETCH
	MayWrite                   // every other method
	MayTrial                   // start a measurement, which costs a mesh its air
)

// Anyone is the identity of unauthenticated clients. It can have MayRead only.
const Anyone = "anyone"

// Limits of keys and identities.
const (
	MinPSK        = 16 // octets of a key; RFC 4279 leaves the least to the site
	MaxPSK        = 64 // octets that RFC 4279, section 5.3, wants supported
	maxIdentities = 1024
)

// Identity is a client with rights at the doors that are open to a network.
type Identity struct {
	// Name is the PSK identity (RFC 4279, section 5.1), and what logs call it.
	Name string
	// PSK is the key that proves it on a DTLS door; nil for none.
	PSK []byte
	// Subject is the common name of the certificate that proves it on a DTLS or TLS
	// door; empty for none.
	Subject string
	May     Right
	// Nodes are patterns MESH/NODE as of path.Match. An identity with patterns reaches
	// these nodes and no list of all. Without patterns it reaches everything.
	Nodes []string
}

// List holds the identities and their rights. It is immutable.
type List struct {
	byName, bySubject map[string]*entitled
	none              *entitled // unauthenticated clients
}

// entitled is an identity and what proves it.
type entitled struct {
	Identity
	credential msg.Credential
}

// New checks the identities. Without an identity Anyone, unauthenticated clients have no
// rights.
func New(ids []Identity) (*List, error) {
	a := &List{byName: map[string]*entitled{}, bySubject: map[string]*entitled{}, none: &entitled{Identity: Identity{Name: Anyone}}}
	byKey := map[string]string{} // names by key
	if len(ids) > maxIdentities {
		return nil, fmt.Errorf("coap: %d identities, at most %d", len(ids), maxIdentities)
	}
	for i := range ids {
		id := ids[i]
		for _, p := range id.Nodes {
			if _, err := glob.Match(p, ""); err != nil {
				return nil, fmt.Errorf("coap: identity %q: nodes %q: %w", id.Name, p, err)
			}
		}
		switch {
		case id.Name == Anyone && (id.PSK != nil || id.Subject != ""):
			return nil, fmt.Errorf("coap: identity %q shows no key and no certificate", id.Name)
		case id.Name == Anyone && id.May&^MayRead != 0:
			return nil, fmt.Errorf("coap: identity %q can be let read, and no more", id.Name)
		case a.byName[id.Name] != nil || id.Name == Anyone && a.none.May != 0:
			return nil, fmt.Errorf("coap: identity %q stands there twice", id.Name)
		case id.Name == "":
			return nil, errors.New("coap: an identity without a name")
		case id.Subject != "" && a.bySubject[id.Subject] != nil:
			return nil, fmt.Errorf("coap: identity %q: subject %q is that of %q already", id.Name, id.Subject, a.bySubject[id.Subject].Name)
		case id.PSK != nil && byKey[string(id.PSK)] != "":
			return nil, fmt.Errorf("coap: identity %q has the key of %q: whoever holds it could pass for both; make a key for each", id.Name, byKey[string(id.PSK)])
		case id.Name == Anyone:
			a.none = &entitled{Identity: id}
			continue
		}
		x := &entitled{id, msg.Credential{Name: id.Name, PSK: id.PSK, Subject: id.Subject}}
		a.byName[id.Name] = x
		if id.Subject != "" {
			a.bySubject[id.Subject] = x
		}
		if id.PSK != nil {
			byKey[string(id.PSK)] = id.Name
		}
	}
	return a, nil
}

// PSK returns the key of an identity, nil if there is none.
func (a *List) PSK(name []byte) []byte {
	if a == nil {
		return nil
	}
	if id := a.byName[string(name)]; id != nil {
		return id.PSK
	}
	return nil
}

// Reaches reports whether id may do anything with a node.
func (id *Identity) Reaches(mesh, label string) bool {
	if len(id.Nodes) == 0 {
		return true
	}
	for _, p := range id.Nodes {
		if ok, _ := glob.Match(p, mesh+"/"+label); ok {
			return true
		}
	}
	return false
}

// Needs returns the right that a request needs.
func Needs(code codes.Code, p msg.Path) Right {
	switch {
	case code == codes.GET || code == codes.FETCH:
		return MayRead
	case p.Len >= 1 && p.Part[0] == "trials":
		return MayTrial
	}
	return MayWrite
}

// HasKeys reports whether any identity proves itself with a key.
func (a *List) HasKeys() bool {
	for _, id := range a.byName {
		if id.PSK != nil {
			return true
		}
	}
	return false
}

// Rights returns what an identity may, and whether there is one of that name.
func (a *List) Rights(name string) (may Right, known bool) {
	if id := a.byName[name]; id != nil {
		return id.May, true
	}
	return 0, false
}

// Len is the number of identities, Anyone included if it may do something.
func (a *List) Len() int {
	n := len(a.byName)
	if a.none.May != 0 {
		n++
	}
	return n
}

// Current is what an identity that was proved amounts to by now: what a says of it, if it
// would be proved in the same way.
func (a *List) Current(c *msg.Credential) *Identity {
	if c == nil {
		return &a.none.Identity
	}
	is := a.byName[c.Name]
	if is == nil || !bytes.Equal(is.PSK, c.PSK) || is.Subject != c.Subject {
		return &a.none.Identity
	}
	return &is.Identity
}

// ByCertificate returns the credential that a client's certificate proves.
func (a *List) ByCertificate(c *x509.Certificate) (*msg.Credential, error) {
	if a == nil {
		return nil, nil
	}
	if x := a.bySubject[c.Subject.CommonName]; x != nil {
		return &x.credential, nil
	}
	return nil, fmt.Errorf("%w with the subject %q", ErrStranger, c.Subject.CommonName)
}

// ErrStranger says that no identity has this name or certificate.
var ErrStranger = errors.New("no such identity")

// ByPSKIdentity returns the credential of a PSK identity that proved its key.
func (a *List) ByPSKIdentity(name []byte) (*msg.Credential, error) {
	if a == nil {
		return nil, nil
	}
	if x := a.byName[string(name)]; x != nil {
		return &x.credential, nil
	}
	return nil, ErrStranger
}
