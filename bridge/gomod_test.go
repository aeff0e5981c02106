package bridge_test

import (
	"os"
	"os/exec"
	"strings"
	"testing"
)

// go.mod lists what is used, and marks as indirect what our own code does not
// import. "go mod tidy" would say as much, but it also wants the tests of every
// dependency, which not every module mirror serves.
func TestGoModIsTidy(t *testing.T) {
	mod, err := os.ReadFile("../go.mod")
	if err != nil {
		t.Fatal(err)
	}
	list := func(args ...string) map[string]bool {
		cmd := exec.Command("go", append([]string{"list"}, args...)...)
		cmd.Dir = ".."
		cmd.Stderr = os.Stderr
		cmd.Env = append(os.Environ(), "GOPROXY=off") // no test downloads: make fetch has done it
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("go list %v: %v; if a module is missing, run make fetch", args, err)
		}
		m := map[string]bool{}
		for _, l := range strings.Fields(string(out)) {
			m[l] = true
		}
		return m
	}
	used := list("-tags", "guest", "-deps", "-test", "-f", "{{with .Module}}{{.Path}}{{end}}", "./...", "tool")
	direct := map[string]bool{}
	var modules []string // that go.mod requires
	for line := range strings.Lines(string(mod)) {
		if f := strings.Fields(line); len(f) > 1 && strings.HasPrefix(f[1], "v") {
			modules = append(modules, f[0])
		}
	}
	for _, f := range files(t) {
		for _, i := range imports(f) {
			best := ""
			for _, m := range modules {
				if (i == m || strings.HasPrefix(i, m+"/")) && len(m) > len(best) && strings.Contains(i, ".") {
					best = m
				}
			}
			direct[best] = true
		}
	}
	requires := 0
	for line := range strings.Lines(string(mod)) {
		f := strings.Fields(line)
		if len(f) < 2 || !strings.HasPrefix(f[1], "v") || !strings.Contains(f[0], ".") {
			continue
		}
		requires++
		indirect := strings.HasSuffix(strings.TrimSpace(line), "// indirect")
		switch {
		case f[0] == "github.com/inconshreveable/mousetrap": // the command library's, on another system
		case !used[f[0]]:
			t.Errorf("go.mod requires %s, which nothing uses", f[0])
		case direct[f[0]] == indirect && !strings.HasPrefix(f[0], "honnef.co/") && f[0] != "golang.org/x/perf":
			t.Errorf("go.mod: %s: marked indirect %v, imported by us %v", f[0], indirect, direct[f[0]])
		}
	}
	if requires < 10 {
		t.Fatalf("only %d requirements read", requires)
	}
}
