package bridge_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"os"
	"strings"
	"testing"
)

// Each drop reason stands in DEVELOPERS.md under its word, and a test asserts its counter:
// one that reads Dropped[drop.X], FramesDropped[drop.X], Ended[drop.X] or Dropped(drop.X),
// or one that does so for the reason in a field of the rows of a table, and whose table
// names X. That a test only mentions a reason, or sets its counter, is not enough.
func TestDropReasonsAreKnown(t *testing.T) {
	doc, err := os.ReadFile("../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	asserted := map[string]bool{}
	var names []string
	words := map[string]string{}
	for _, f := range files(t) {
		if f.path == "bridge/drop/drop.go" {
			names, words = reasons(f)
		}
		if f.test() && f.pkg != "bridge/drop" {
			assertedReasons(f.ast, asserted)
		}
	}
	if len(names) < 40 {
		t.Fatalf("only %d drop reasons found", len(names))
	}
	for _, n := range names {
		if !strings.Contains(string(doc), "| `"+words[n]+"` |") {
			t.Errorf("drop.%s: no row for `%s` in DEVELOPERS.md", n, words[n])
		}
		if !asserted[n] {
			t.Errorf("drop.%s (%s): no test asserts its counter", n, words[n])
		}
	}
}

// assertedReasons adds the reasons whose counters a test file reads.
func assertedReasons(file *ast.File, asserted map[string]bool) {
	set := map[ast.Node]bool{}  // counters that are written, not read
	fields := map[string]bool{} // of tables, that hold a reason whose counter is read
	count := func(index ast.Expr) {
		if name := reasonName(index); name != "" {
			asserted[name] = true
		} else if s, ok := index.(*ast.SelectorExpr); ok {
			fields[s.Sel.Name] = true
		}
	}
	ast.Inspect(file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.AssignStmt:
			for _, l := range n.Lhs {
				set[l] = true
			}
		case *ast.IndexExpr:
			if isCounter(n.X) && !set[n] {
				count(n.Index)
			}
		case *ast.CallExpr:
			if s, ok := n.Fun.(*ast.SelectorExpr); ok && s.Sel.Name == "Dropped" && len(n.Args) == 1 {
				count(n.Args[0])
			}
		}
		return true
	})
	if len(fields) == 0 {
		return
	}
	ast.Inspect(file, func(n ast.Node) bool {
		if kv, ok := n.(*ast.KeyValueExpr); ok {
			if k, ok := kv.Key.(*ast.Ident); ok && fields[k.Name] {
				if name := reasonName(kv.Value); name != "" {
					asserted[name] = true
				}
			}
		}
		return true
	})
}

// isCounter reports whether x is an array of counts by reason.
func isCounter(x ast.Expr) bool {
	name := ""
	switch x := x.(type) {
	case *ast.SelectorExpr:
		name = x.Sel.Name
	case *ast.Ident:
		name = x.Name
	}
	return name == "Dropped" || name == "FramesDropped" || name == "Ended" || name == "counts"
}

// reasonName returns X of the expression drop.X, else "".
func reasonName(x ast.Expr) string {
	if s, ok := x.(*ast.SelectorExpr); ok {
		if id, ok := s.X.(*ast.Ident); ok && id.Name == "drop" {
			return s.Sel.Name
		}
	}
	return ""
}

// What asserts the counter of a reason, and what does not.
func TestAssertedReasons(t *testing.T) {
	const src = `package p
func f() {
	var s, c S
	s.Dropped[drop.Set] = 3
	_ = drop.Mentioned
	_ = []T{{reason: drop.Row}, {other: drop.OtherField}}
	if s.Dropped[drop.Read] != 1 || s.ToMesh.FramesDropped[drop.ReadFrame] != 1 || l.Dropped(drop.Method) != 2 || c.Ended[e.reason] != 1 {
	}
	_ = words[drop.NoCounter]
}`
	file, err := parser.ParseFile(token.NewFileSet(), "x_test.go", src, 0)
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]bool{}
	assertedReasons(file, got)
	if want := map[string]bool{"Read": true, "ReadFrame": true, "Method": true, "Row": true}; !maps.Equal(got, want) {
		t.Errorf("asserted %v, want %v", got, want)
	}
}

// reasons reads the table of package drop: the names in order, and their words.
func reasons(f file) (names []string, words map[string]string) {
	words = map[string]string{}
	ast.Inspect(f.ast, func(n ast.Node) bool {
		kv, ok := n.(*ast.KeyValueExpr)
		if !ok {
			return true
		}
		k, ok1 := kv.Key.(*ast.Ident)
		v, ok2 := kv.Value.(*ast.CompositeLit)
		if !ok1 || !ok2 || len(v.Elts) == 0 || k.Name == "None" {
			return true
		}
		if l, ok := v.Elts[0].(*ast.BasicLit); ok {
			names = append(names, k.Name)
			words[k.Name] = strings.Trim(l.Value, `"`)
		}
		return true
	})
	return names, words
}
