package arch

import (
	"bytes"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"path"
	"slices"
	"strconv"
	"strings"
)

// house is what the rules are held against.
type house struct {
	module    string
	rooms     []room
	forbidden []edge
	libraries []library
}

// tooLong is the length in lines from which a file is listed as more than one thought. Being listed is no failure.
const tooLong = 450

// inspect reads every Go file below fsys and returns what breaks a rule, one "file:line: text" each, and the files that are too long.
func (h house) inspect(fsys fs.FS) (broken, long []string, err error) {
	sources, broken, err := load(fsys)
	if err != nil {
		return nil, nil, err
	}
	undocumented := map[string]bool{}
	for _, s := range sources {
		if s.lines > tooLong {
			long = append(long, fmt.Sprintf("%s: %d lines", s.name, s.lines))
		}
		broken = append(broken, h.rules(s)...)
		if !s.test {
			missing, seen := undocumented[s.dir]
			undocumented[s.dir] = (missing || !seen) && s.tree.Doc == nil
		}
	}
	for _, dir := range slices.Sorted(maps.Keys(undocumented)) {
		if undocumented[dir] && h.find(dir) != nil {
			broken = append(broken, dir+": the package has no doc; its first sentence says what it is for")
		}
	}
	return broken, long, nil
}

// source is one parsed file.
type source struct {
	dir, name string // slash paths below the module
	test      bool
	lines     int
	files     *token.FileSet
	tree      *ast.File
}

func load(fsys fs.FS) (sources []source, broken []string, err error) {
	err = fs.WalkDir(fsys, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		base := path.Base(name)
		if d.IsDir() {
			if name != "." && (strings.HasPrefix(base, ".") || strings.HasPrefix(base, "_") || base == "testdata") {
				return fs.SkipDir
			}
			return nil
		}
		if path.Ext(base) != ".go" {
			return nil
		}
		text, err := fs.ReadFile(fsys, name)
		if err != nil {
			return err
		}
		set := token.NewFileSet()
		tree, err := parser.ParseFile(set, name, text, parser.ParseComments|parser.SkipObjectResolution)
		if err != nil {
			broken = append(broken, err.Error())
			return nil
		}
		sources = append(sources, source{
			dir: path.Dir(name), name: name, test: strings.HasSuffix(base, "_test.go"),
			lines: bytes.Count(text, []byte("\n")), files: set, tree: tree,
		})
		return nil
	})
	return sources, broken, err
}

// find is the room at dir; nil where there is none.
func (h house) find(dir string) *room {
	for i := range h.rooms {
		if h.rooms[i].path == dir {
			return &h.rooms[i]
		}
	}
	return nil
}

// rules holds one file to every rule.
func (h house) rules(s source) (broken []string) {
	say := func(at token.Pos, format string, args ...any) {
		p := s.files.Position(at)
		broken = append(broken, fmt.Sprintf("%s:%d: ", p.Filename, p.Line)+fmt.Sprintf(format, args...))
	}
	r := h.find(s.dir)
	if r == nil {
		say(s.tree.Package, "package %s is not on the map in internal/arch/table_test.go", s.dir)
		return broken
	}
	name := strings.TrimSuffix(s.tree.Name.Name, "_test")
	for _, n := range []string{name, path.Base(s.dir)} {
		if slices.Contains([]string{"util", "utils", "common", "helper", "helpers", "misc"}, n) {
			say(s.tree.Name.Pos(), "a package named %s says nothing about what is in it", n)
			break
		}
	}
	if !s.test {
		h.imports(s, *r, say)
		if r.pure {
			pure(s, say)
		}
		for _, d := range s.tree.Decls {
			if f, ok := d.(*ast.FuncDecl); ok && f.Name.Name == "init" && f.Recv == nil {
				say(f.Pos(), "init() works at a distance: write an explicit list where it is used")
			}
		}
	}
	suite := s.test || localName(s.tree, "testing") != ""
	if suite {
		honest(s, say)
	}
	if !suite && !r.pure && !r.starts {
		guarded(s, say)
	}
	return broken
}

type sayer func(at token.Pos, format string, args ...any)

// imports holds the imports against the map of rooms and the list of libraries.
func (h house) imports(s source, r room, say sayer) {
	ok := mayImport(h.rooms, r)
	for _, spec := range s.tree.Imports {
		p, err := strconv.Unquote(spec.Path.Value)
		if err != nil {
			say(spec.Pos(), "import path %s cannot be read", spec.Path.Value)
			continue
		}
		if to, own := strings.CutPrefix(p, h.module+"/"); own {
			if !ok[to] {
				why := "not in its row of the map in internal/arch/table_test.go"
				for _, e := range h.forbidden {
					if e.from == r.path && e.to == to {
						why = e.why
					}
				}
				say(spec.Pos(), "%s may not import %s: %s", r.path, to, why)
			}
			continue
		}
		if first, _, _ := strings.Cut(p, "/"); !strings.Contains(first, ".") {
			continue // standard library
		}
		i := slices.IndexFunc(h.libraries, func(l library) bool { return p == l.path || strings.HasPrefix(p, l.path+"/") })
		switch {
		case i < 0:
			say(spec.Pos(), "%s is not in the list of libraries in internal/arch/table_test.go", p)
		case h.libraries[i].rooms == nil:
			say(spec.Pos(), "%s is for tests only", p)
		case !slices.Contains(h.libraries[i].rooms, r.path):
			say(spec.Pos(), "%s may not import %s: only %s may", r.path, p, strings.Join(h.libraries[i].rooms, ", "))
		}
	}
}

// clock names what reads the clock or waits on it, by package.
var clock = map[string][]string{
	"time":    {"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker"},
	"context": {"WithTimeout", "WithTimeoutCause", "WithDeadline", "WithDeadlineCause"},
}

// outside are the packages of the standard library that touch files, wires, sockets and other programs.
var outside = []string{"os", "net", "syscall"}

// pure holds a file of a pure room to it: no goroutine, no clock, nothing opened.
func pure(s source, say sayer) {
	names := map[string]string{} // local name → package with a clock
	for p := range clock {
		switch n := localName(s.tree, p); n {
		case "":
		case ".":
			say(s.tree.Package, "a pure package may not import %q with a dot: its clock would be hidden", p)
		default:
			names[n] = p
		}
	}
	for _, spec := range s.tree.Imports {
		p, _ := strconv.Unquote(spec.Path.Value)
		for _, o := range outside {
			if p == o || strings.HasPrefix(p, o+"/") {
				say(spec.Pos(), "a pure package may not import %s: files, wires and sockets belong to the rooms that run", p)
			}
		}
	}
	ast.Inspect(s.tree, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.GoStmt:
			say(n.Pos(), "a pure package may not start a goroutine")
		case *ast.CallExpr:
			if f, ok := n.Fun.(*ast.SelectorExpr); ok && f.Sel.Name == "Go" {
				say(n.Pos(), "a pure package may not start a goroutine (a method Go)")
			}
		case *ast.SelectorExpr: // also where the function is only named: now := time.Now
			if x, ok := n.X.(*ast.Ident); ok && slices.Contains(clock[names[x.Name]], n.Sel.Name) {
				say(n.Pos(), "a pure package may not read the clock (%s.%s): elapsed time is an argument", names[x.Name], n.Sel.Name)
			}
		}
		return true
	})
}

// guarded holds a file to goroutines whose panic stops the drive.
func guarded(s source, say sayer) {
	const why = "a panic in there would end the program without a stop of the drive"
	timeName, contextName, taskName := localName(s.tree, "time"), localName(s.tree, "context"), path.Base(task)
	ast.Inspect(s.tree, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.GoStmt:
			say(n.Pos(), "a goroutine starts through task.Start or task.Run: "+why)
		case *ast.CallExpr:
			f, ok := n.Fun.(*ast.SelectorExpr)
			if !ok {
				break
			}
			x := lastName(f.X)
			switch {
			case f.Sel.Name == "Go" && x != taskName:
				say(n.Pos(), "a goroutine starts through task.Start or task.Run, not through a method Go: "+why)
			case f.Sel.Name == "AfterFunc" && x != "" && (x == timeName || x == contextName) && !closes(n):
				say(n.Pos(), "what %s.AfterFunc starts may only close or cancel something: "+why, x)
			}
		}
		return true
	})
}

// closes reports whether the last argument of a call does no more than close or cancel: a function of that name, or a literal with that one call.
func closes(call *ast.CallExpr) bool {
	allowed := []string{"Close", "cancel", "Cancel", "Stop"}
	f := call.Args[len(call.Args)-1]
	lit, ok := f.(*ast.FuncLit)
	if !ok {
		return slices.Contains(allowed, lastName(f))
	}
	if len(lit.Body.List) != 1 {
		return false
	}
	stmt, ok := lit.Body.List[0].(*ast.ExprStmt)
	if !ok {
		return false
	}
	inner, ok := stmt.X.(*ast.CallExpr)
	return ok && slices.Contains(allowed, lastName(inner.Fun))
}

// honest holds a test to what it promises: it runs, and it does not hope that a while is long enough.
func honest(s source, say sayer) {
	timeName := localName(s.tree, "time")
	testers := testerNames(s.tree)
	ast.Inspect(s.tree, func(n ast.Node) bool {
		sel, ok := n.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		if x, ok := sel.X.(*ast.Ident); ok && timeName != "" && x.Name == timeName && sel.Sel.Name == "Sleep" {
			say(sel.Pos(), "a test may not sleep: wait for a condition, or use testing/synctest and a timer")
		}
		if slices.Contains([]string{"Skip", "Skipf", "SkipNow"}, sel.Sel.Name) && testers[lastName(sel.X)] {
			say(sel.Pos(), "a test may not skip itself: what is not checked must not look checked")
		}
		return true
	})
}

// testerNames are the parameters and fields that hold a testing.T or the like, or a property test's.
func testerNames(tree *ast.File) map[string]bool {
	names := map[string]bool{}
	ast.Inspect(tree, func(n ast.Node) bool {
		f, ok := n.(*ast.Field)
		if !ok {
			return true
		}
		typ := f.Type
		if star, ok := typ.(*ast.StarExpr); ok {
			typ = star.X
		}
		sel, ok := typ.(*ast.SelectorExpr)
		if !ok || !slices.Contains([]string{"testing", "rapid"}, lastName(sel.X)) || !slices.Contains([]string{"T", "B", "F", "TB"}, sel.Sel.Name) {
			return true
		}
		for _, id := range f.Names {
			names[id.Name] = true
		}
		if len(f.Names) == 0 { // embedded
			names[sel.Sel.Name] = true
		}
		return true
	})
	return names
}

// lastName is b of a.b, and a of a.
func lastName(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.Ident:
		return e.Name
	case *ast.SelectorExpr:
		return e.Sel.Name
	}
	return ""
}

// localName is what a file calls an imported package of the standard library; empty where it does not import it.
func localName(tree *ast.File, pkg string) string {
	for _, spec := range tree.Imports {
		if spec.Path.Value != strconv.Quote(pkg) {
			continue
		}
		if spec.Name != nil {
			return spec.Name.Name
		}
		return path.Base(pkg)
	}
	return ""
}
