// Package bridgetest reads what the tests of several packages share from the
// testdata folder at the root of the module: vectors made from the RFCs, frames
// recorded from the Linux kernel, and inputs made from bug reports. testdata's
// README.md names the source of each. Only tests import it; whatever is wrong with
// a file fails the test that asked.
package bridgetest

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/netip"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"testing"

	"culvert/bridge/ieee802154"
)

// Root returns the folder of the module: the nearest one with a go.mod, upwards
// from this source file, or from the working directory where the sources were
// moved after the build.
func Root(tb testing.TB) string {
	tb.Helper()
	var starts []string
	if _, file, _, ok := runtime.Caller(0); ok && filepath.IsAbs(file) {
		starts = append(starts, filepath.Dir(file))
	}
	if wd, err := os.Getwd(); err == nil {
		starts = append(starts, wd)
	}
	for _, dir := range starts {
		for {
			if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
				return dir
			}
			up := filepath.Dir(dir)
			if up == dir {
				break
			}
			dir = up
		}
	}
	tb.Fatalf("bridgetest: no go.mod upwards of %v", starts)
	return ""
}

// Testdata returns the path of a file in the module's testdata folder.
func Testdata(tb testing.TB, elem ...string) string {
	tb.Helper()
	return filepath.Join(append([]string{Root(tb), "testdata"}, elem...)...)
}

// load decodes a JSON file of testdata into v.
func load(tb testing.TB, v any, elem ...string) {
	tb.Helper()
	path := Testdata(tb, elem...)
	b, err := os.ReadFile(path)
	if err != nil {
		tb.Fatal(err)
	}
	if err := json.Unmarshal(b, v); err != nil {
		tb.Fatalf("%s: %v", path, err)
	}
}

// octets is a byte string written in hex.
type octets []byte

func (o *octets) UnmarshalText(b []byte) error {
	d, err := hex.AppendDecode(make([]byte, 0, len(b)/2), b)
	*o = d
	return err
}

// octetsList is one byte string in hex, or a list of them.
type octetsList [][]byte

func (o *octetsList) UnmarshalJSON(b []byte) error {
	var list []octets
	if len(b) > 0 && b[0] == '"' {
		list = make([]octets, 1)
		if err := json.Unmarshal(b, &list[0]); err != nil {
			return err
		}
	} else if err := json.Unmarshal(b, &list); err != nil {
		return err
	}
	for _, x := range list {
		*o = append(*o, x)
	}
	return nil
}

// contexts are compression contexts keyed by their identifier in decimal.
type contexts map[uint8]netip.Prefix

func (c *contexts) UnmarshalJSON(b []byte) error {
	var raw map[string]netip.Prefix
	if err := json.Unmarshal(b, &raw); err != nil {
		return err
	}
	*c = contexts{}
	for k, p := range raw {
		id, err := strconv.ParseUint(k, 10, 4)
		if err != nil {
			return fmt.Errorf("context %q: %w", k, err)
		}
		(*c)[uint8(id)] = p
	}
	return nil
}

// Frame is one MAC payload and the link addresses of its frame.
type Frame struct {
	From, To ieee802154.Addr
	Payload  []byte
}
