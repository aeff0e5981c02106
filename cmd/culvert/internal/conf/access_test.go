package conf

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"culvert/coap/access"
)

// TestConfigKeyFiles holds which files with keys are taken.
func TestConfigKeyFiles(t *testing.T) {
	dir := t.TempDir()
	const key = "0123456789abcdef"
	for _, x := range []struct {
		content string
		mode    os.FileMode
		err     string // empty: it is taken
	}{
		{key + "\n", 0o600, ""},
		{key, 0o640, ""},
		{key + "\r\n", 0o400, ""},
		{key, 0o644, "can be used by everybody on this machine (mode 0644)"},
		{key, 0o601, "can be used by everybody"},
		{key, 0o620, "can be changed by its group (mode 0620)"},
		{key[1:], 0o600, "holds 15 octets; want 16 to 64"},
		{strings.Repeat("x", 65), 0o600, "holds 65 octets"},
		{strings.Repeat("x", maxSecret+1), 0o600, "want at most"},
	} {
		file := filepath.Join(dir, "key")
		if err := os.WriteFile(file, []byte(x.content), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(file, x.mode); err != nil {
			t.Fatal(err)
		}
		cfg, err := ParseConfig("c.toml", dir, fmt.Appendf(nil, `[[mesh]]
name = "fenland"
interface = "mesh0"
prefix = "fd5e:2a11:77c0:1::/64"
radio = { kind = "serial", device = "radio" }
[coap]
listen = ["dtls [::1]:5684"]
[[access]]
identity = "ops-laptop"
psk_file = "key"
may = "read"
`))
		switch {
		case x.err == "" && err != nil, x.err != "" && (err == nil || !strings.Contains(err.Error(), "c.toml:10: access.psk_file: ") || !strings.Contains(err.Error(), x.err)):
			t.Errorf("%d octets, mode %o: %v, want %q", len(x.content), x.mode, err, x.err)
		case x.err == "":
			if may, ok := cfg.Access.Rights("ops-laptop"); !ok || may != access.MayRead || !cfg.Access.HasKeys() {
				t.Errorf("mode %o: %v, %v", x.mode, may, ok)
			}
		}
	}
}
