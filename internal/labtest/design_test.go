package labtest_test

import (
	"bufio"
	"encoding/json"
	"errors"
	"io"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

const module = "witnessmark/"

// row is one line of the package table in DEVELOPERS.md.
type row struct {
	names []string // below internal/
	never []string
}

// forbidden spells out the short words of the table.
var forbidden = map[string][]string{
	"os":       {"os", "os/exec", "os/signal"},
	"net":      {"net", "net/http"},
	"grpc":     {"google.golang.org/grpc"},
	"bbolt":    {"go.etcd.io/bbolt"},
	"gopsutil": {"github.com/shirou/gopsutil/v3"},
	"protobuf": {module + "proto/witnessmark/v1"},
}

// TestPackageTable holds the table of DEVELOPERS.md against the real imports.
// A pure package may not reach what it must never import over another package
// of ours either.
func TestPackageTable(t *testing.T) {
	table := readTable(t)
	imports := listImports(t)
	covered := map[string]bool{}
	for _, r := range table {
		for _, name := range r.names {
			pkg := module + "internal/" + name
			if _, ok := imports[pkg]; !ok {
				t.Errorf("the table has a row for %s, which is not there", name)
				continue
			}
			covered[pkg] = true
			for _, word := range r.never {
				for _, bad := range spell(t, word) {
					if path := reach(imports, pkg, bad, map[string]bool{}); path != nil {
						t.Errorf("%s must never import %s: %s", name, word, strings.Join(path, " -> "))
					}
				}
			}
		}
	}
	for pkg := range imports {
		rest, ok := strings.CutPrefix(pkg, module+"internal/")
		if ok && !covered[pkg] && !strings.HasPrefix(rest, "labtest/") {
			t.Errorf("%s has no row in the table", rest)
		}
	}
	soleUser(t, imports, "gopsutil", "probe")
	soleUser(t, imports, "bbolt", "archive")
	soleUser(t, imports, "protobuf", "record", "deliver", "local", "answer", "enrol", "follow")
}

func spell(t *testing.T, word string) []string {
	if p, ok := forbidden[word]; ok {
		return p
	}
	if strings.Contains(word, " ") {
		t.Fatalf("the table says %q; the test knows packages and the words os, net, grpc, bbolt, gopsutil, protobuf", word)
	}
	return []string{module + "internal/" + word}
}

// reach finds a chain of imports from pkg to bad over packages of this module.
// Generated code is not gone through: messages and services are one package.
func reach(imports map[string][]string, pkg, bad string, met map[string]bool) []string {
	met[pkg] = true
	for _, i := range imports[pkg] {
		if i == "net/url" { // parses text and reaches nothing
			continue
		}
		if i == bad || strings.HasPrefix(i, bad+"/") {
			return []string{pkg, i}
		}
	}
	for _, i := range imports[pkg] {
		if strings.HasPrefix(i, module) && i != forbidden["protobuf"][0] && !met[i] {
			if path := reach(imports, i, bad, met); path != nil {
				return append([]string{pkg}, path...)
			}
		}
	}
	return nil
}

func soleUser(t *testing.T, imports map[string][]string, word string, allowed ...string) {
	for pkg, list := range imports {
		name := strings.TrimPrefix(pkg, module+"internal/")
		if slices.Contains(allowed, name) || strings.HasPrefix(name, "labtest") || strings.HasPrefix(pkg, module+"proto/") {
			continue
		}
		for _, i := range list {
			for _, bad := range forbidden[word] {
				if i == bad || strings.HasPrefix(i, bad+"/") {
					t.Errorf("%s imports %s, which only %s may", pkg, i, strings.Join(allowed, ", "))
				}
			}
		}
	}
}

func readTable(t *testing.T) (rows []row) {
	f, err := os.Open("../../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	in := false
	for s := bufio.NewScanner(f); s.Scan(); {
		cells := strings.Split(strings.Trim(s.Text(), "| "), "|")
		switch {
		case len(cells) == 3 && strings.Contains(cells[2], "never imports"):
			in = true
		case in && len(cells) != 3:
			in = false
		case in && !strings.Contains(cells[0], "---"):
			rows = append(rows, row{words(cells[0]), words(cells[2])})
		}
	}
	if len(rows) < 10 {
		t.Fatalf("DEVELOPERS.md has a package table of %d rows", len(rows))
	}
	return rows
}

func words(cell string) (out []string) {
	for _, w := range strings.Split(cell, ",") {
		if w = strings.Trim(w, " `"); w != "" && w != "none" {
			out = append(out, w)
		}
	}
	return out
}

// listImports gives the direct imports of every package of the module, tests
// left out, on all systems it is built for.
func listImports(t *testing.T) map[string][]string {
	out := map[string][]string{}
	for _, system := range []string{"linux", "windows"} {
		cmd := exec.Command("go", "list", "-json=ImportPath,Imports", "./...")
		cmd.Dir, cmd.Env = "../..", append(os.Environ(), "GOOS="+system, "CGO_ENABLED=0")
		b, err := cmd.Output()
		if err != nil {
			t.Fatalf("go list: %v", err)
		}
		for d := json.NewDecoder(strings.NewReader(string(b))); ; {
			var p struct {
				ImportPath string
				Imports    []string
			}
			if err := d.Decode(&p); errors.Is(err, io.EOF) {
				break
			} else if err != nil {
				t.Fatal(err)
			}
			out[p.ImportPath] = append(out[p.ImportPath], p.Imports...)
		}
	}
	return out
}
