package bridgetest

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// claim says which test checks a set of vectors.
type claim struct {
	set  string
	pkg  string // folder from the root of the module
	test string // the test function
}

// claims lists every set, some of them twice.
var claims = []claim{
	{"6lorh", "bridge/adapt", "TestVectors"},
	{"6lorh", "cmd/culvert/internal/dissect", "TestExplainVectors"},
	{"cbor", "bridge/senml", "TestCBORVectors"},
	{"coap", "coap", "TestCoAPVectors"},
	{"compress", "bridge/adapt", "TestCompressVectors"},
	{"compress", "cmd/culvert/internal/dissect", "TestCompressVectors"},
	{"dispatch", "bridge/adapt", "TestVectors"},
	{"dispatch", "cmd/culvert/internal/dissect", "TestExplainVectors"},
	{"frag", "bridge/adapt", "TestVectors"},
	{"frag", "cmd/culvert/internal/dissect", "TestExplainVectors"},
	{"ghc", "bridge/adapt", "TestVectors"},
	{"ghc", "cmd/culvert/internal/dissect", "TestExplainVectors"},
	{"ghc", "cmd/culvert/internal/dissect", "TestExplainGHCBytecode"},
	{"hdlc", "bridge/radio", "TestHDLCVectors"},
	{"iid", "bridge/ipv6", "TestInterfaceIdentifierVectors"},
	{"iphc-cross", "bridge/adapt", "TestVectors"},
	{"iphc-cross", "cmd/culvert/internal/dissect", "TestExplainVectors"},
	{"iphc-ctx", "bridge/adapt", "TestVectors"},
	{"iphc-ctx", "cmd/culvert/internal/dissect", "TestExplainVectors"},
	{"linkfmt", "coap", "TestLinkVectors"},
	{"mesh", "bridge/adapt", "TestVectors"},
	{"mesh", "cmd/culvert/internal/dissect", "TestExplainVectors"},
	{"nd", "bridge/nd", "TestNDVectors"},
	{"negative", "bridge/adapt", "TestVectors"},
	{"negative", "cmd/culvert/internal/dissect", "TestExplainVectors"},
	{"nhc-ext", "bridge/adapt", "TestVectors"},
	{"nhc-ext", "cmd/culvert/internal/dissect", "TestExplainVectors"},
	{"nhc-udp", "bridge/adapt", "TestVectors"},
	{"nhc-udp", "cmd/culvert/internal/dissect", "TestExplainVectors"},
	{"router", "bridge/forward", "TestRouterVectors"},
	{"senml", "bridge/senml", "TestVectors"},
	{"truncation", "bridge/adapt", "TestVectors"},
	{"truncation", "cmd/culvert/internal/dissect", "TestExplainVectors"},
}

func TestEverySetIsClaimed(t *testing.T) {
	sets := Sets(t)
	for _, set := range sets {
		if !slices.ContainsFunc(claims, func(c claim) bool { return c.set == set }) {
			t.Errorf("set %s: no test claims it", set)
		}
	}
	sources := map[string]testSource{}
	for _, c := range claims {
		if !slices.Contains(sets, c.set) {
			t.Errorf("set %s is claimed by %s, and is not in testdata", c.set, c.pkg)
		}
		src, ok := sources[c.pkg]
		if !ok {
			src = readTests(t, filepath.Join(Root(t), filepath.FromSlash(c.pkg)))
			sources[c.pkg] = src
		}
		switch {
		case !slices.Contains(src.tests, c.test):
			t.Errorf("set %s is claimed by %s in %s, which has no such test", c.set, c.test, c.pkg)
		case !slices.Contains(src.words, c.set):
			t.Errorf("set %s is claimed by %s in %s, whose tests never name the set", c.set, c.test, c.pkg)
		}
	}
}

// testSource is what the _test files of one package hold.
type testSource struct {
	tests []string // test functions
	words []string // strings in files that import this package
}

// readTests parses the _test files of a folder, which need not exist.
func readTests(t *testing.T, dir string) testSource {
	t.Helper()
	var src testSource
	entries, err := os.ReadDir(dir)
	if err != nil && !os.IsNotExist(err) {
		t.Fatal(err)
	}
	for _, e := range entries {
		if !strings.HasSuffix(e.Name(), "_test.go") {
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), filepath.Join(dir, e.Name()), nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range f.Decls {
			if fn, ok := d.(*ast.FuncDecl); ok && fn.Recv == nil && strings.HasPrefix(fn.Name.Name, "Test") {
				src.tests = append(src.tests, fn.Name.Name)
			}
		}
		reader := slices.ContainsFunc(f.Imports, func(i *ast.ImportSpec) bool {
			return i.Path.Value == `"culvert/bridge/bridgetest"`
		})
		if !reader {
			continue
		}
		ast.Inspect(f, func(n ast.Node) bool {
			if s, ok := text(n); ok {
				src.words = append(src.words, s)
			}
			return true
		})
	}
	return src
}

// text returns the value of a string literal.
func text(n ast.Node) (string, bool) {
	l, ok := n.(*ast.BasicLit)
	if !ok || l.Kind != token.STRING {
		return "", false
	}
	s, err := strconv.Unquote(l.Value)
	return s, err == nil
}
