package bridge

import (
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net/netip"
	"strings"

	"culvert/bridge/store"
)

// Keys of generated prefixes in the store.
const (
	siteBucket  = "site"
	keySite     = "prefix" // the /48
	keyMeshPart = "mesh "  // and the mesh's name: its /64
)

var errNoPrefix = errors.New("all 65,535 prefixes of the site are taken")

// Prefixes are the prefixes of meshes that have none in the configuration: each a /64
// of one unique local /48 whose 40 bits are random (RFC 4193, 3.2). Addresses, routes
// and rules of the whole site rest on them, so they are kept twice: in the store, and
// in a small file of their own with a checksum. Where the two differ, the file counts.
type Prefixes struct {
	store *store.Store
	file  string
	log   *slog.Logger

	kept   sitePrefixes // what the file and the store hold together
	unread error        // why it is not known whether that is all; nil: it is
}

// OpenPrefixes reads the prefixes of a store and of the file beside it. What of the
// two is damaged is logged.
func OpenPrefixes(s *store.Store, file string, log *slog.Logger) (*Prefixes, error) {
	p := &Prefixes{store: s, file: file, log: log}
	inStore, err := p.readStore()
	if err != nil {
		return nil, err
	}
	inFile, err := readPrefixFile(file)
	switch {
	case err != nil && errors.Is(err, errPrefixFile):
		log.Error("the file of the generated prefixes is damaged, and is made again from the state", "file", file, "cause", err)
	case err != nil:
		p.unread = err
	case s.Unread() && inFile.empty():
		p.unread = s.Fault()
	}
	p.kept = inStore
	p.kept.merge(inFile)
	if !p.kept.equal(inStore) && !inStore.empty() {
		log.Warn("the generated prefixes in the state are not those of their own file, which counts", "file", file)
	}
	p.keep(inStore, inFile)
	return p, nil
}

// Of returns the prefix of a mesh, the same one at every start. fresh says that it was
// made now. The error says why it cannot be known: another prefix would change every
// address of the mesh.
func (p *Prefixes) Of(mesh string) (prefix netip.Prefix, fresh bool, err error) {
	if prefix, ok := p.kept.Meshes[mesh]; ok {
		return prefix, false, nil
	}
	if p.unread != nil {
		return prefix, false, fmt.Errorf("its generated prefix cannot be read, and another one would change every address: %w", p.unread)
	}
	before := p.kept.clone()
	if !p.kept.Site.IsValid() {
		b := [16]byte{0xfd}
		if _, err := rand.Read(b[1:6]); err != nil {
			return prefix, false, fmt.Errorf("random bits for a prefix: %w", err)
		}
		p.kept.Site = netip.PrefixFrom(netip.AddrFrom16(b), 48)
	}
	if prefix, err = p.kept.free(); err != nil {
		return prefix, false, err
	}
	p.kept.Meshes[mesh] = prefix
	p.keep(before, before)
	return prefix, true, nil
}

// keep writes what the store and the file do not hold. One of them is enough.
func (p *Prefixes) keep(inStore, inFile sitePrefixes) {
	var fileErr, storeErr error
	if !p.kept.equal(inFile) && p.unread == nil {
		fileErr = writePrefixFile(p.file, p.kept)
	}
	if !p.kept.equal(inStore) {
		storeErr = p.store.Commit(p.kept.writes())
	}
	switch {
	case fileErr != nil && storeErr != nil:
		p.log.Error("the generated prefix cannot be kept: at the next start the nodes, routes and rules get other addresses. "+
			"Free the disk or make the folder writable, or write the prefix into the configuration",
			"site", p.kept.Site.String(), "file", p.file, "cause", errors.Join(fileErr, storeErr))
	case fileErr != nil:
		p.log.Warn("the second copy of the generated prefixes cannot be written", "file", p.file, "cause", fileErr)
	case storeErr != nil:
		p.log.Warn("the generated prefixes stand in their own file only", "file", p.file, "cause", storeErr)
	}
}

// readStore reads what the store holds. A value that is no prefix is as if it was not
// there.
func (p *Prefixes) readStore() (sitePrefixes, error) {
	s := sitePrefixes{Meshes: map[string]netip.Prefix{}}
	err := p.store.Each(siteBucket, func(key, value []byte) error {
		prefix, err := netip.ParsePrefix(string(value))
		mesh, isMesh := strings.CutPrefix(string(key), keyMeshPart)
		switch {
		case err == nil && isMesh && isPrefix(prefix, 64):
			s.Meshes[mesh] = prefix
		case err == nil && string(key) == keySite && isPrefix(prefix, 48):
			s.Site = prefix
		default:
			p.log.Error("a generated prefix in the state cannot be read", "key", string(key), "value", string(value))
		}
		return nil
	})
	return s, err
}

// isPrefix reports whether p is a prefix of that length and nothing more.
func isPrefix(p netip.Prefix, bits int) bool { return p.Bits() == bits && p == p.Masked() }

// sitePrefixes are the generated prefixes of a site.
type sitePrefixes struct {
	Site   netip.Prefix            `json:"site"`
	Meshes map[string]netip.Prefix `json:"meshes"`
}

func (s sitePrefixes) empty() bool { return !s.Site.IsValid() && len(s.Meshes) == 0 }

func (s sitePrefixes) equal(o sitePrefixes) bool {
	return s.Site == o.Site && maps.Equal(s.Meshes, o.Meshes)
}

func (s sitePrefixes) clone() sitePrefixes { return sitePrefixes{s.Site, maps.Clone(s.Meshes)} }

// merge adds what o holds, which counts where they differ.
func (s *sitePrefixes) merge(o sitePrefixes) {
	s.Meshes = maps.Clone(s.Meshes)
	maps.Copy(s.Meshes, o.Meshes)
	if o.Site.IsValid() {
		s.Site = o.Site
	}
	for _, p := range s.Meshes {
		if !s.Site.IsValid() { // its record is lost
			s.Site = netip.PrefixFrom(p.Addr(), 48).Masked()
		}
	}
}

// free returns the first /64 of the site that no mesh has. Subnet 0 is left to the
// site's own network.
func (s sitePrefixes) free() (netip.Prefix, error) {
	taken := map[netip.Prefix]bool{}
	for _, p := range s.Meshes {
		taken[p] = true
	}
	b := s.Site.Addr().As16()
	for n := 1; n < 1<<16; n++ {
		b[6], b[7] = byte(n>>8), byte(n)
		if p := netip.PrefixFrom(netip.AddrFrom16(b), 64); !taken[p] {
			return p, nil
		}
	}
	return netip.Prefix{}, errNoPrefix
}

// writes are what brings them into the store.
func (s sitePrefixes) writes() []store.Write {
	out := []store.Write{{Bucket: siteBucket, Key: []byte(keySite), Value: []byte(s.Site.String())}}
	for mesh, p := range s.Meshes {
		out = append(out, store.Write{Bucket: siteBucket, Key: []byte(keyMeshPart + mesh), Value: []byte(p.String())})
	}
	return out
}
