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

const maxStateFile = 1 << 20 // largest state file that is read, in octets

// parameter is a changed kernel parameter under net.ipv6.conf.
type parameter struct {
	Interface string `json:"interface"` // or all, or default
	Key       string `json:"key"`
	Was       string `json:"was"`
	Set       string `json:"set"`
}

// route is an added route to a network of the site.
type route struct {
	Interface string `json:"interface"`
	Prefix    string `json:"prefix"`
}

// saved is what has to be restored. It is valid for one boot and one network namespace,
// like kernel parameters themselves.
type saved struct {
	Boot       string      `json:"boot"`
	Namespace  string      `json:"namespace"`
	Parameters []parameter `json:"parameters,omitempty"`
	Routes     []route     `json:"routes,omitempty"`
}

func (s *saved) empty() bool { return len(s.Parameters) == 0 && len(s.Routes) == 0 }

// stamp sets the boot and the namespace to those of this process.
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

// load reads a state file. The result is empty if the file does not exist or is of
// another boot. A file of another network namespace is an error: its parameters cannot be
// restored from here.
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
		return saved{}, fmt.Errorf("lan: state file %s cannot be read (%w): the changes of a killed run are unknown; "+
			"check net.ipv6.conf.all.forwarding and the accept_ra parameters, and remove the file", path, err)
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

// store replaces the state file atomically, also in case of a power loss. It removes the
// file if there is nothing to restore.
func (s *saved) store(path string) error {
	if s.empty() {
		// On a read-only disk, removing a file that does not exist fails with EROFS.
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

// replaceFile replaces a file atomically. If durable is set, the new file is on disk
// when it returns.
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
		return nil // replaced, but not certainly on disk
	}
	return errors.Join(d.Sync(), d.Close())
}
