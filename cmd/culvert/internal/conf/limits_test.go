package conf

import (
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
)

// A document cannot make the parser take the machine's memory: names and nesting are bounded
// before it is parsed.
func TestConfigShape(t *testing.T) {
	deep := strings.Repeat("a.", 200_000) + "a"
	for _, x := range []struct{ name, text, want string }{
		{"a name of 200,001 parts", "x = 1\n" + deep + " = 1\n", "c.toml:2: a name of more than 16 parts"},
		{"quoted parts", strings.Repeat(`"a".`, 20_000) + "a = 1\n", "c.toml:1: a name of more than 16 parts"},
		{"literal parts with spaces", strings.Repeat(`'a' . `, 20_000) + "a = 1\n", "c.toml:1: a name of more than 16 parts"},
		{"a table's name", "[" + deep + "]\n", "c.toml:1: a name of more than 16 parts"},
		{"in an inline table", "x = { b = 1, " + deep + " = 2 }\n", "c.toml:1: a name of more than 16 parts"},
		{"nested arrays", "\n\nx = " + strings.Repeat("[", 100_000) + strings.Repeat("]", 100_000), "c.toml:3: arrays or tables more than 16 deep in one another"},
		{"nested tables", "x = " + strings.Repeat("{a=", 50_000) + "1" + strings.Repeat("}", 50_000), "c.toml:1: arrays or tables more than 16 deep in one another"},
		{"a string that hides the rest", "x = \"\"\"\n" + `\"""` + "\n\"\"\"\n" + deep + " = 1", "c.toml:4: a name of more than 16 parts"},
		{"a string that is not closed", "x = \"\n" + deep + " = 1", "c.toml:2: a name of more than 16 parts"},
		{"brackets that close before they open", strings.Repeat("]", 5000) + strings.Repeat("[", 5000), "c.toml:1: arrays or tables more than 16 deep in one another"},
		{"too long", strings.Repeat("#", maxConfigOctets+1), "c.toml: 1048577 octets; want at most 1048576"},
	} {
		var before, after runtime.MemStats
		data := []byte(x.text)
		runtime.ReadMemStats(&before)
		doc, root := ParseDocument("c.toml", data)
		runtime.ReadMemStats(&after)
		if root != nil || len(doc.Errs) == 0 || doc.Errs[0].Error() != x.want {
			t.Errorf("%s: %v, want %s", x.name, doc.Errs, x.want)
		}
		if took := after.TotalAlloc - before.TotalAlloc; took > 1<<20 {
			t.Errorf("%s: %d octets allocated", x.name, took)
		}
	}
	for _, text := range []string{
		"a = \"" + strings.Repeat(".", 500) + "\" # " + strings.Repeat(".", 500) + "\nb = '" + strings.Repeat("[", 500) + "'\nc = [1.5, 2.5]\n",
		"a = \"\"\"" + strings.Repeat("[\n.", 500) + "\"\"\"\nb.c.d = 1\n",
	} {
		if doc, root := ParseDocument("c.toml", []byte(text)); root == nil {
			t.Errorf("refused: %v", doc.Errs)
		}
	}
}

// A file that is no file is refused at once: nobody waits for a FIFO, and no device is read.
func TestNoRegularFile(t *testing.T) {
	dir := t.TempDir()
	fifo := filepath.Join(dir, "fifo")
	if err := syscall.Mkfifo(fifo, 0o600); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]string{fifo: "a FIFO", "/dev/zero": "a device", dir: "a directory"} {
		if _, err := LoadConfig(path); err == nil || !strings.Contains(err.Error(), "is no regular file, but "+want) {
			t.Errorf("configuration %s: %v", path, err)
		}
		if _, err := ReadSecret(path); err == nil || !strings.Contains(err.Error(), "is no regular file, but "+want) {
			t.Errorf("key %s: %v", path, err)
		}
		if _, err := readAuthorities(path); err == nil || !strings.Contains(err.Error(), "is no regular file, but "+want) {
			t.Errorf("certificates %s: %v", path, err)
		}
	}
	long := filepath.Join(dir, "long")
	if err := os.WriteFile(long, make([]byte, maxFileOctets+1), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := readAuthorities(long); err == nil || !strings.Contains(err.Error(), "want at most 1048576") {
		t.Errorf("certificates: %v", err)
	}
}
