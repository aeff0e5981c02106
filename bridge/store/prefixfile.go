package store

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/netip"
	"os"
)

// maxPrefixFile is how many octets of a prefix file are read.
const maxPrefixFile = 1 << 20

// errPrefixFile is wrapped by errors about the contents of the file, not by those of the disk.
var errPrefixFile = errors.New("the file's contents are not valid")

// prefixFile is the file of the generated prefixes.
type prefixFile struct {
	sitePrefixes
	Sum string `json:"sha256"` // of the JSON of the prefixes alone, in hexadecimal
}

func (s sitePrefixes) sum() (string, error) {
	b, err := json.Marshal(s)
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:]), err
}

// readPrefixFile reads the file. A missing file is an empty one.
func readPrefixFile(path string) (sitePrefixes, error) {
	none := sitePrefixes{Meshes: map[string]netip.Prefix{}}
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return none, nil
	}
	if err != nil {
		return none, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, maxPrefixFile))
	if err != nil {
		return none, err
	}
	var p prefixFile
	if err := json.Unmarshal(b, &p); err != nil {
		return none, fmt.Errorf("%w: %w", errPrefixFile, err)
	}
	if sum, err := p.sum(); err != nil || sum != p.Sum {
		return none, fmt.Errorf("%w: the checksum is %s, and should be %s", errPrefixFile, p.Sum, sum)
	}
	for mesh, x := range p.Meshes {
		if !isPrefix(x, 64) {
			return none, fmt.Errorf("%w: mesh %s has %v", errPrefixFile, mesh, x)
		}
	}
	if !isPrefix(p.Site, 48) || p.Meshes == nil {
		return none, fmt.Errorf("%w: the site has %v", errPrefixFile, p.Site)
	}
	return p.sitePrefixes, nil
}

// writePrefixFile replaces the file atomically.
func writePrefixFile(path string, s sitePrefixes) error {
	sum, err := s.sum()
	if err != nil {
		return err
	}
	b, err := json.MarshalIndent(prefixFile{s, sum}, "", "  ")
	if err != nil {
		return err
	}
	half := path + ".new"
	if err = writeSynced(half, append(b, '\n')); err == nil {
		err = os.Rename(half, path)
	}
	if err != nil {
		_ = os.Remove(half)
		return err
	}
	return syncFolder(path)
}

// writeSynced writes a file and waits until it is on disk.
func writeSynced(path string, b []byte) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	if err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}
