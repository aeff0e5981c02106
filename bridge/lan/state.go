package lan

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

const maxStateFile = 1 << 20 // octets of a state file that is believed

// A parameter is one kernel parameter under net.ipv6.conf that was changed.
type parameter struct {
	Interface string `json:"interface"` // or all, or default
	Key       string `json:"key"`
	Was       string `json:"was"`
	Set       string `json:"set"`
}

// A route is one that was added to a network of the site.
type route struct {
	Interface string `json:"interface"`
	Prefix    string `json:"prefix"`
}

// Saved is what has to be put back. Kernel parameters do not outlive the boot, and
// belong to one network namespace.
type saved struct {
	Boot       string      `json:"boot"`
	Namespace  string      `json:"namespace"`
	Parameters []parameter `json:"parameters,omitempty"`
	Routes     []route     `json:"routes,omitempty"`
}

func (s *saved) empty() bool { return len(s.Parameters) == 0 && len(s.Routes) == 0 }

// here fills in the boot and the namespace of this process.
func (s *saved) stamp() error {
	boot, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return err
	}
	ns, err := os.Readlink("/proc/self/ns/net")
	if err != nil {
		return err
	}
	s.Boot, s.Namespace = strings.TrimSpace(string(boot)), ns
	return nil
}

// load reads a state file. One that is not there, or is of another boot, holds
// nothing to put back; nor does one of another namespace, whose parameters are out
// of reach: that is an error.
func load(path string) (saved, error) {
	var s saved
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return s, nil
	}
	if err != nil {
		return s, fmt.Errorf("lan: state: %w", err)
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, maxStateFile+1))
	if err == nil && len(b) > maxStateFile {
		err = errors.New("too large")
	}
	if err == nil {
		d := json.NewDecoder(bytes.NewReader(b))
		d.DisallowUnknownFields()
		err = d.Decode(&s)
	}
	if err != nil {
		return saved{}, fmt.Errorf("lan: state file %s cannot be read (%w): what a killed run changed is not known; "+
			"look at net.ipv6.conf.all.forwarding and the accept_ra parameters, and remove the file", path, err)
	}
	var now saved
	if err := now.stamp(); err != nil {
		return saved{}, fmt.Errorf("lan: state: %w", err)
	}
	switch {
	case s.Boot != now.Boot:
		return saved{}, nil
	case s.Namespace != now.Namespace:
		return saved{}, fmt.Errorf("lan: state file %s is of another network namespace (%s, this one is %s): "+
			"its kernel parameters cannot be put back from here", path, s.Namespace, now.Namespace)
	}
	return s, nil
}

// store writes the state file so that it is either the old or the new one, also
// after a loss of power. Without anything to put back there is no file.
func (s *saved) store(path string) error {
	if s.empty() {
		// On a read-only disk removing what is not there is refused for the disk's sake.
		if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("lan: state: %w", err)
		}
		return nil
	}
	if err := s.stamp(); err != nil {
		return fmt.Errorf("lan: state: %w", err)
	}
	b, err := json.MarshalIndent(s, "", "\t")
	if err != nil {
		return err
	}
	if err := replaceFile(path, append(b, '\n'), 0o600, true); err != nil {
		return fmt.Errorf("lan: state: %w", err)
	}
	return nil
}

// replaceFile puts a new file in the place of an old one in a single step, and on
// the disk where it must outlive a loss of power.
func replaceFile(path string, b []byte, mode fs.FileMode, durable bool) (err error) {
	dir := filepath.Dir(path)
	f, err := os.CreateTemp(dir, "."+filepath.Base(path)+".*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.Remove(f.Name()))
		}
	}()
	_, err = f.Write(b)
	if err == nil {
		err = f.Chmod(mode) // whatever the umask is
	}
	if err == nil && durable {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	if err = os.Rename(f.Name(), path); err != nil || !durable {
		return err
	}
	d, err := os.Open(dir)
	if err != nil {
		return nil // it is in its place; that it stays there cannot be ensured
	}
	return errors.Join(d.Sync(), d.Close())
}
