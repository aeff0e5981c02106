package conf

import (
	"strings"
	"testing"
)

// A multi-line string may end in one or two quotes of its own before the closing three
// (TOML 1.0, String: mlb-quotes and mll-quotes): what follows them is judged all the same.
func TestConfigShapeBehindQuotes(t *testing.T) {
	long, deep := "{"+strings.Repeat("a.", 40)+"a = 1}", strings.Repeat("[", 40)+strings.Repeat("]", 40)
	for _, q := range []string{`"""x""""`, `"""x"""""`, "'''x''''", "'''x'''''", `""""x"""`, `"""a\""""""`, `""`, `""""""`, "''''''"} {
		for _, rest := range []string{long, deep} {
			if _, text := checkShape([]byte("k = [" + q + ", " + rest + "]\n")); text == "" {
				t.Errorf("%s hides %.12s...", q, rest)
			}
		}
		if line, text := checkShape([]byte("k = [" + q + "]\nz = 1\n")); text != "" {
			t.Errorf("%s alone: line %d: %s", q, line, text)
		}
	}
}
