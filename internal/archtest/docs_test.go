package archtest

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"strings"
	"testing"
)

// Every exported name is documented, no function is longer than 70 lines, no
// file longer than 500, no function takes more than five parameters, no
// package has an init or a package variable that is not a constant in kind.
func TestDocsAndSizes(t *testing.T) {
	t.Parallel()
	n := 0
	eachFile(t, func(pkg, file string, _ []string) {
		n++
		set := token.NewFileSet()
		f, err := parser.ParseFile(set, file, nil, parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		if lines := set.Position(f.End()).Line; lines > 500 {
			t.Errorf("%s: %d lines, more than 500", file, lines)
		}
		for _, d := range f.Decls {
			checkDecl(t, set, d)
		}
	})
	if n < 20 {
		t.Errorf("only %d files were read", n)
	}
}

func checkDecl(t *testing.T, set *token.FileSet, d ast.Decl) {
	t.Helper()
	switch d := d.(type) {
	case *ast.FuncDecl:
		at := set.Position(d.Pos())
		if d.Name.Name == "init" && d.Recv == nil {
			t.Errorf("%s: an init function", at)
		}
		if d.Doc == nil && d.Name.IsExported() && receiverExported(d) {
			t.Errorf("%s: %s is not documented", at, d.Name.Name)
		}
		if lines := set.Position(d.End()).Line - at.Line; lines > 70 {
			t.Errorf("%s: %s has %d lines, more than 70", at, d.Name.Name, lines)
		}
		if n := d.Type.Params.NumFields(); n > 5 {
			t.Errorf("%s: %s takes %d parameters, more than 5", at, d.Name.Name, n)
		}
	case *ast.GenDecl:
		checkGen(t, set, d)
	}
}

func receiverExported(d *ast.FuncDecl) bool {
	if d.Recv == nil {
		return true
	}
	x := d.Recv.List[0].Type
	if s, ok := x.(*ast.StarExpr); ok {
		x = s.X
	}
	if i, ok := x.(*ast.IndexExpr); ok {
		x = i.X
	}
	id, ok := x.(*ast.Ident)
	return !ok || id.IsExported()
}

func checkGen(t *testing.T, set *token.FileSet, d *ast.GenDecl) {
	t.Helper()
	for _, spec := range d.Specs {
		at := set.Position(spec.Pos())
		switch s := spec.(type) {
		case *ast.TypeSpec:
			if s.Name.IsExported() && d.Doc == nil && s.Doc == nil {
				t.Errorf("%s: %s is not documented", at, s.Name.Name)
			}
		case *ast.ValueSpec:
			for _, name := range s.Names {
				if name.IsExported() && d.Doc == nil && s.Doc == nil && s.Comment == nil {
					t.Errorf("%s: %s is not documented", at, name.Name)
				}
			}
			if d.Tok == token.VAR && !allowedVar(s) {
				t.Errorf("%s: a package variable: %s", at, s.Names[0].Name)
			}
		}
	}
}

// allowedVar says whether a package variable is one of those that never
// change: an error, a compiled pattern or template, an embedded file, or a
// check that a type satisfies an interface.
func allowedVar(s *ast.ValueSpec) bool {
	if s.Names[0].Name == "_" || len(s.Values) == 0 {
		return true
	}
	if len(s.Names) == 1 && strings.HasPrefix(strings.ToLower(s.Names[0].Name), "err") {
		return true // an error to compare with
	}
	call, ok := s.Values[0].(*ast.CallExpr)
	if !ok {
		return false
	}
	sel, ok := call.Fun.(*ast.SelectorExpr)
	if !ok {
		return false
	}
	return strings.HasPrefix(sel.Sel.Name, "Must") || sel.Sel.Name == "New" || sel.Sel.Name == "NewReplacer" || sel.Sel.Name == "Errorf"
}

// Every rule that the engine gives as a reason is listed for people.
func TestReasonsAreListed(t *testing.T) {
	t.Parallel()
	list, err := os.ReadFile(root + "/docs/reasons.md")
	if os.IsNotExist(err) {
		t.Skip("docs/reasons.md is not written yet")
	}
	text, err := os.ReadFile(root + "/internal/surveil/text.go")
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for line := range strings.Lines(string(text)) {
		rule, ok := strings.CutPrefix(strings.TrimSpace(line), `{"`)
		if !ok {
			continue
		}
		rule, _, _ = strings.Cut(rule, `"`)
		if n++; !strings.Contains(string(list), "`"+rule+"`") {
			t.Errorf("docs/reasons.md does not list %s", rule)
		}
	}
	if n < 30 {
		t.Errorf("only %d rules were found", n)
	}
}
