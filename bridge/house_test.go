package bridge_test

// The rules of the house that a program can hold: who may import whom, what a
// codec may not touch, sizes, comments. The table is that of the design.

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
)

const module = "culvert/"

// mayImport lists, for each package, the packages of ours that its code may
// import. Packages ending in "test" serve tests only and stand apart.
var mayImport = map[string][]string{
	"bridge/drop":        {},
	"bridge/ieee802154":  {},
	"bridge/ipv6":        {"bridge/ieee802154"},
	"bridge/senml":       {},
	"bridge/lowpan":      {"bridge/ieee802154", "bridge/ipv6", "bridge/drop"},
	"bridge/frag":        {"bridge/ieee802154", "bridge/drop"},
	"bridge/adapt":       {"bridge/ieee802154", "bridge/ipv6", "bridge/lowpan", "bridge/frag", "bridge/drop"},
	"bridge/radio":       {"bridge/ieee802154", "bridge/drop"},
	"bridge/radio/netif": {"bridge/ieee802154", "bridge/drop", "bridge/radio"},
	// The skeleton of a radio side is a program for strangers: it imports nothing.
	"bridge/radio/skeleton": {},
	"bridge/node":           {"bridge/ieee802154", "bridge/ipv6"},
	"bridge/store":          {"bridge/ieee802154", "bridge/node", "bridge/nd", "bridge/forward"},
	"bridge/nd":             {"bridge/ieee802154", "bridge/ipv6", "bridge/lowpan", "bridge/node", "bridge/drop"},
	"bridge/policy":         {"bridge/ipv6", "bridge/node", "bridge/drop"},
	"bridge/lan":            {"bridge/ipv6", "bridge/node", "bridge/rate", "bridge/lan/mdns", "bridge/lan/membership", "bridge/lan/neighbor", "tun/rtnl"},
	"bridge/lan/membership": {},
	"bridge/lan/neighbor":   {"bridge/ipv6"},
	"bridge/lan/mdns":       {"bridge/rate"},
	"bridge/rate":           {},
	"bridge/forward": {"bridge/ieee802154", "bridge/ipv6", "bridge/drop", "bridge/lowpan", "bridge/frag",
		"bridge/adapt", "bridge/radio", "bridge/node", "bridge/nd", "bridge/policy"},
	"bridge/sim": {"bridge/drop", "bridge/ieee802154", "bridge/ipv6", "bridge/senml", "bridge/lowpan", "bridge/frag", "bridge/adapt", "bridge/radio"},
	// Link addresses are values that the node table hands out.
	"coap":                         {"bridge/node", "bridge/senml", "bridge/ieee802154", "bridge/loglimit", "bridge/reading", "coap/msg", "coap/api", "coap/access", "coap/observe", "coap/nodeclient", "coap/directory", "coap/output", "coap/door"},
	"coap/msg":                     {},
	"coap/api":                     {"bridge/ieee802154"},
	"coap/access":                  {"coap/msg"},
	"coap/observe":                 {"coap/msg"},
	"coap/nodeclient":              {"coap/msg", "coap/observe", "bridge/node"},
	"coap/directory":               {"coap/msg", "bridge/node"},
	"coap/output":                  {"coap/msg", "coap/api", "coap/access", "coap/nodeclient", "bridge/node"},
	"coap/door":                    {"coap/msg", "coap/access", "bridge/node", "bridge/loglimit"},
	"coap/client":                  {"coap/msg", "coap/api"},
	"bridge/loglimit":              {},
	"bridge/reading":               {"bridge/node", "bridge/senml", "bridge/loglimit"},
	"cmd/culvert/internal/metrics": {"bridge", "bridge/store", "bridge/senml", "bridge/drop", "bridge/node", "bridge/forward", "bridge/radio", "bridge/adapt", "bridge/lan", "bridge/reading", "coap", "coap/msg", "coap/api"},
	"cmd/culvert/internal/web":     {"bridge/node", "cmd/culvert/internal/metrics"},
	"tun":                          {"tun/rtnl"},
	"tun/rtnl":                     {},
	"tun/netns":                    {},
	"bridge": {"bridge/drop", "bridge/ieee802154", "bridge/ipv6", "bridge/lowpan", "bridge/frag", "bridge/adapt", "bridge/radio",
		"bridge/node", "bridge/nd", "bridge/policy", "bridge/forward", "bridge/store", "tun"},
	"deploy":                          {},
	"deploy/fenland":                  {},
	"cmd/culvert":                     {"cmd/culvert/internal/ask", "cmd/culvert/internal/cli", "cmd/culvert/internal/daemon", "cmd/culvert/internal/demo", "cmd/culvert/internal/dissect", "cmd/culvert/internal/host", "cmd/culvert/internal/simulate"},
	"cmd/culvert/internal/ask":        {"bridge/ieee802154", "bridge/node", "bridge/reading", "bridge/senml", "cmd/culvert/internal/cli", "cmd/culvert/internal/conf", "cmd/culvert/internal/control", "coap/access", "coap/api", "coap/client", "coap/msg"},
	"cmd/culvert/internal/cli":        {"bridge/drop", "bridge/ieee802154"},
	"cmd/culvert/internal/conf":       {"bridge/ieee802154", "bridge/ipv6", "bridge/node", "bridge/policy", "bridge/reading", "bridge/senml", "cmd/culvert/internal/cli", "coap/access", "coap/nodeclient", "coap/output"},
	"cmd/culvert/internal/control":    {"bridge/ieee802154", "cmd/culvert/internal/cli", "cmd/culvert/internal/conf", "coap/api", "coap/client"},
	"cmd/culvert/internal/daemon":     nil, // all
	"cmd/culvert/internal/demo":       {"bridge/node", "bridge/senml", "cmd/culvert/internal/cli", "cmd/culvert/internal/conf", "cmd/culvert/internal/control", "cmd/culvert/internal/daemon", "cmd/culvert/internal/ping", "cmd/culvert/internal/simulate", "coap/api", "coap/client", "deploy/fenland", "tun/netns"},
	"cmd/culvert/internal/dissect":    {"bridge/adapt", "bridge/drop", "bridge/ieee802154", "bridge/ipv6", "bridge/lowpan", "cmd/culvert/internal/cli"},
	"cmd/culvert/internal/findings":   {"cmd/culvert/internal/cli"},
	"cmd/culvert/internal/host":       {"bridge/ipv6", "bridge/policy", "cmd/culvert/internal/cli", "cmd/culvert/internal/conf", "cmd/culvert/internal/control", "cmd/culvert/internal/findings", "cmd/culvert/internal/radiocheck", "coap/client", "tun"},
	"cmd/culvert/internal/ping":       {},
	"cmd/culvert/internal/radiocheck": {"bridge/adapt", "bridge/ieee802154", "bridge/ipv6", "bridge/lowpan", "bridge/radio", "bridge/radio/netif", "cmd/culvert/internal/cli", "cmd/culvert/internal/conf", "cmd/culvert/internal/control", "cmd/culvert/internal/findings", "cmd/culvert/internal/simulate"},
	"cmd/culvert/internal/simulate":   {"bridge/ieee802154", "bridge/sim", "cmd/culvert/internal/cli", "cmd/culvert/internal/conf", "deploy/fenland"},
}

// codecs do no I/O, hold no clock, log nothing and start nothing.
var codecs = []string{"bridge/lowpan", "bridge/frag", "bridge/adapt", "bridge/nd"}

// locked are the pure packages that more than one goroutine asks: they hold to all that
// codecs hold to, but take locks.
var locked = []string{"bridge/policy"}

// long lists the files over 500 lines and the functions over 100, each with the
// reason why it is one subject.
var long = map[string]string{}

// bigPackages lists the packages over 2,500 lines without tests, each with the reason
// why it is still one room, or what will leave it.
var bigPackages = map[string]string{
	"bridge/sim":                      "a whole mesh on the other side of the link protocol: nodes, air and their programs share one clock and one course of chance",
	"bridge/forward":                  "the two directions, their errors and the queues between them work on the same buffers under the same counters",
	"coap/door":                       "six doors with one deduplication and one amplification guard",
	"coap/output":                     "writes, lock-outs and the lines of the audit log that tell of them change together, under one lock",
	"cmd/culvert/internal/radiocheck": "one check for each record of the link protocol, all on one probe",
}

type file struct {
	path string // from the root of the module
	pkg  string // folder from the root
	ast  *ast.File
	fset *token.FileSet
}

func (f file) test() bool { return strings.HasSuffix(f.path, "_test.go") }

// support reports whether the file's package serves tests only.
func (f file) support() bool { return strings.HasSuffix(f.pkg, "test") }

// files parses all Go files of the module, once for all tests; none may change them.
func files(t *testing.T) []file {
	t.Helper()
	out, err := parsed()
	if err != nil {
		t.Fatal(err)
	}
	if len(out) < 20 {
		t.Fatalf("only %d Go files found", len(out))
	}
	return out
}

var parsed = sync.OnceValues(func() (out []file, err error) {
	root, err := filepath.Abs("..")
	if err != nil {
		return nil, err
	}
	err = filepath.WalkDir(root, func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && (strings.HasPrefix(d.Name(), ".") && p != root || d.Name() == "testdata" || d.Name() == "bin") {
			return filepath.SkipDir
		}
		if d.IsDir() || !strings.HasSuffix(p, ".go") {
			return nil
		}
		rel, _ := filepath.Rel(root, p)
		fset := token.NewFileSet()
		a, err := parser.ParseFile(fset, p, nil, parser.ParseComments)
		if err != nil {
			return err
		}
		out = append(out, file{path: filepath.ToSlash(rel), pkg: filepath.ToSlash(filepath.Dir(rel)), ast: a, fset: fset})
		return nil
	})
	return out, err
})

func imports(f file) []string {
	var out []string
	for _, i := range f.ast.Imports {
		out = append(out, strings.Trim(i.Path.Value, `"`))
	}
	return out
}

func TestImportTable(t *testing.T) {
	for _, f := range files(t) {
		if f.test() || f.support() {
			continue
		}
		allowed, known := mayImport[f.pkg]
		if !known {
			t.Errorf("%s: package %s is not in the import table", f.path, f.pkg)
			continue
		}
		for _, i := range imports(f) {
			if ours, ok := strings.CutPrefix(i, module); ok && f.pkg != "cmd/culvert/internal/daemon" && !slices.Contains(allowed, ours) {
				t.Errorf("%s imports %s; %s may import %v", f.path, ours, f.pkg, allowed)
			}
			if strings.HasSuffix(i, "test") && strings.HasPrefix(i, module) {
				t.Errorf("%s imports the test support %s", f.path, i)
			}
			if strings.HasPrefix(i, "github.com/prometheus/") && f.pkg != "cmd/culvert/internal/metrics" {
				t.Errorf("%s imports %s: only cmd/culvert/internal/metrics may", f.path, i)
			}
		}
	}
}

func TestCodecsArePure(t *testing.T) {
	for _, f := range files(t) {
		locks := slices.Contains(locked, f.pkg)
		if f.test() || !locks && !slices.Contains(codecs, f.pkg) {
			continue
		}
		for _, i := range imports(f) {
			switch i {
			case "log", "log/slog", "os", "net", "context":
				t.Errorf("%s imports %s: a codec may not", f.path, i)
			case "sync", "sync/atomic":
				if !locks {
					t.Errorf("%s imports %s: a codec may not", f.path, i)
				}
			}
		}
		ast.Inspect(f.ast, func(n ast.Node) bool {
			if g, ok := n.(*ast.GoStmt); ok {
				t.Errorf("%s: goroutine at line %d: a codec may start none", f.path, f.fset.Position(g.Pos()).Line)
			}
			if s, ok := n.(*ast.SelectorExpr); ok {
				if x, ok := s.X.(*ast.Ident); ok && x.Name == "time" && (s.Sel.Name == "Now" || s.Sel.Name == "Since" || s.Sel.Name == "After") {
					t.Errorf("%s: time.%s at line %d: the time is passed in", f.path, s.Sel.Name, f.fset.Position(s.Pos()).Line)
				}
			}
			return true
		})
	}
}

func TestNoInitNoContextInStructsNoSleepInTests(t *testing.T) {
	for _, f := range files(t) {
		ast.Inspect(f.ast, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.FuncDecl:
				if n.Name.Name == "init" && n.Recv == nil {
					t.Errorf("%s: init at line %d", f.path, f.fset.Position(n.Pos()).Line)
				}
			case *ast.StructType:
				for _, fl := range n.Fields.List {
					if s, ok := fl.Type.(*ast.SelectorExpr); ok && s.Sel.Name == "Context" {
						if x, ok := s.X.(*ast.Ident); ok && x.Name == "context" {
							t.Errorf("%s: context.Context in a struct at line %d", f.path, f.fset.Position(fl.Pos()).Line)
						}
					}
				}
			}
			return true
		})
		if (f.test() || f.support()) && f.path != "tun/tuntest/wait.go" {
			for _, line := range sleeps(f.fset, f.ast) {
				t.Errorf("%s: a sleep at line %d: tuntest.Poll waits for a condition, tuntest.Hold watches one, tuntest.Advance moves the clock of a bubble", f.path, line)
			}
		}
	}
}

// sleeps lists the lines that wait for nothing but time: a use of time.Sleep, and a
// receive from time.After, time.Tick or the C of a time.NewTimer made on the spot,
// unless it is one case among others of a select.
func sleeps(fset *token.FileSet, root ast.Node) (lines []int) {
	isTime := func(e ast.Expr, names ...string) bool {
		s, ok := e.(*ast.SelectorExpr)
		if !ok {
			return false
		}
		x, ok := s.X.(*ast.Ident)
		return ok && x.Name == "time" && slices.Contains(names, s.Sel.Name)
	}
	guards := map[ast.Node]bool{} // receives that stand beside other cases
	ast.Inspect(root, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.SelectStmt:
			for _, c := range n.Body.List {
				if s, ok := c.(*ast.CommClause).Comm.(*ast.ExprStmt); ok && len(n.Body.List) > 1 {
					guards[s.X] = true
				}
			}
		case *ast.SelectorExpr:
			if isTime(n, "Sleep") {
				lines = append(lines, fset.Position(n.Pos()).Line)
			}
		case *ast.UnaryExpr:
			from := n.X
			if s, ok := from.(*ast.SelectorExpr); ok && s.Sel.Name == "C" {
				from = s.X
			}
			call, ok := from.(*ast.CallExpr)
			if n.Op == token.ARROW && ok && !guards[n] && isTime(call.Fun, "After", "Tick", "NewTimer", "NewTicker") {
				lines = append(lines, fset.Position(n.Pos()).Line)
			}
		}
		return true
	})
	return lines
}

func TestSleepsAreFound(t *testing.T) {
	const source = `package p
func f(done chan int) {
	time.Sleep(d)
	<-time.After(d)
	for ; ; <-time.After(d) {}
	_ = <-time.After(d)
	select { case <-time.After(d): }
	nap := time.Sleep
	<-time.NewTimer(d).C
	for range time.NewTicker(d).C { break }
	select {
	case <-done:
	case <-time.After(d):
	}
	<-tick.C
}`
	fset := token.NewFileSet()
	root, err := parser.ParseFile(fset, "p.go", source, 0)
	if err != nil {
		t.Fatal(err)
	}
	if got, want := sleeps(fset, root), []int{3, 4, 5, 6, 7, 8, 9}; !slices.Equal(got, want) {
		t.Errorf("sleeps at lines %v, want %v", got, want)
	}
}

func TestPackageComments(t *testing.T) {
	comments := map[string]int{}
	for _, f := range files(t) {
		if f.test() {
			continue
		}
		if _, ok := comments[f.pkg]; !ok {
			comments[f.pkg] = 0
		}
		if f.ast.Doc != nil {
			comments[f.pkg]++
			text := f.ast.Doc.Text()
			if want := "Package " + f.ast.Name.Name + " "; f.ast.Name.Name != "main" && !strings.HasPrefix(text, want) {
				t.Errorf("%s: the package comment does not start with %q", f.path, want)
			}
		}
	}
	for p, n := range comments {
		if n != 1 {
			t.Errorf("package %s has %d package comments, want 1", p, n)
		}
	}
}

func TestSizes(t *testing.T) {
	for _, f := range files(t) {
		lines := f.fset.Position(f.ast.End()).Line
		if lines > 500 && long[f.path] == "" && !f.test() {
			t.Errorf("%s has %d lines: over 500 needs a reason in this test", f.path, lines)
		}
		for _, d := range f.ast.Decls {
			fn, ok := d.(*ast.FuncDecl)
			if !ok || f.test() {
				continue
			}
			n := f.fset.Position(fn.End()).Line - f.fset.Position(fn.Pos()).Line + 1
			if key := f.path + ":" + fn.Name.Name; n > 100 && long[key] == "" {
				t.Errorf("%s has %d lines: over 100 needs a reason in this test", key, n)
			}
		}
	}
}

// TestPackageSizes holds that a package with more than 2,500 lines of code has a reason
// for it, and that no reason stands for a package that has fewer.
func TestPackageSizes(t *testing.T) {
	const most = 2500
	lines := map[string]int{}
	for _, f := range files(t) {
		if !f.test() {
			lines[f.pkg] += f.fset.Position(f.ast.End()).Line
		}
	}
	for p, n := range lines {
		if n > most && bigPackages[p] == "" {
			t.Errorf("package %s has %d lines: over %d needs a reason in this test", p, n, most)
		}
	}
	for p := range bigPackages {
		if lines[p] <= most {
			t.Errorf("package %s has %d lines, and needs no reason any more", p, lines[p])
		}
	}
}

// Each function that DEVELOPERS.md names in the table "Follow a packet" exists.
func TestFollowAPacket(t *testing.T) {
	doc, err := os.ReadFile("../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, found := strings.Cut(string(doc), "## Follow a packet")
	if !found {
		t.Fatal(`DEVELOPERS.md has no part "Follow a packet"`)
	}
	part, _, _ := strings.Cut(rest, "\n## ")
	have := map[string]bool{}
	for _, f := range files(t) {
		for _, d := range f.ast.Decls {
			fn, ok := d.(*ast.FuncDecl)
			if !ok || f.test() {
				continue
			}
			name := fn.Name.Name
			if fn.Recv != nil {
				name = receiver(fn.Recv.List[0].Type) + "." + name
			}
			have[f.ast.Name.Name+"."+name] = true
		}
	}
	rows := 0
	for line := range strings.Lines(part) {
		cells := strings.Split(line, "|")
		if len(cells) < 5 || !strings.Contains(cells[2], "`") {
			continue
		}
		rows++
		for i, piece := range strings.Split(cells[2], "`") {
			if i%2 == 1 && !have[piece] {
				t.Errorf("DEVELOPERS.md names %s, which does not exist", piece)
			}
		}
	}
	if rows < 10 {
		t.Errorf("the table has %d rows: a packet takes more steps than that", rows)
	}
}

// receiver writes a method's receiver as the documents do: (*T) or T.
func receiver(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.StarExpr:
		return "(*" + strings.Trim(receiver(e.X), "()") + ")"
	case *ast.IndexExpr:
		return receiver(e.X)
	case *ast.Ident:
		return e.Name
	}
	return "?"
}
