package archtest

import (
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

const root = "../.."

// heart are the pure packages.
const heart = "day chart protocol surveil sac prompt cohort notice digest"

// table says which packages of ours a package may import ("*": any).
func table() map[string]string {
	words := "day chart codes fhir intake yamldoc fault"
	return map[string]string{
		"fault": "", "day": "", "chart": "day", "yamldoc": "fault", "protocol": "day chart yamldoc", "surveil": "day chart protocol",
		"sac": "day chart surveil", "prompt": "day chart surveil", "notice": "day chart surveil", "digest": "day chart surveil notice", "cohort": "day chart protocol surveil",
		"codes": "yamldoc fault", "fhir": "fault", "intake": words, "assess": words + " protocol surveil settings",
		"kv": "fault", "kv/kvtest": "kv fault", "kv/memkv": "kv fault", "kv/boltkv": "kv fault", "audit": "kv fault",
		"store": "day chart protocol surveil notice kv fault", "outbox": "day chart surveil notice kv fault",
		"fhirhttp": "fhir fault", "fhirauth": "fhirhttp settings fault", "source": "fhir", "source/folder": "source fhir fault", "source/rest": "source fhir fhirhttp fault", "source/tasks": "source fhir fault",
		"source/bulk": "source fhir fhirhttp fault", "source/webhook": "settings fault",
		"carrier/fhirtask": "day chart surveil notice outbox fhir fhirhttp fault", "carrier/fhirrecord": "outbox carrier/fhirtask fhir fhirhttp fault", "emit": "day chart protocol surveil store audit outbox export carrier/fhirrecord carrier/fhirtask fhir kv fault", "carrier/email": "day chart surveil notice digest outbox mail fault",
		"export": "day chart protocol surveil notice fhir fault",
		"mail":   "fault", "settings": "day chart yamldoc fault",
		"clinic":   heart + " " + words + " assess kv store audit outbox source",
		"web":      "day chart protocol surveil sac prompt cohort notice clinic outbox audit fault",
		"unmapped": "codes fhir fault", "gate": "settings fault", "cdshooks": "day surveil notice clinic fhir gate fault", "fhirserve": "clinic store export carrier/fhirtask protocol fhir gate fault",
		"probe": "codes fhir fhirhttp unmapped fault", "daemon": "*", "demo": "day fhir fault", "doorway": "fault", "testkit/cases": "*", "testkit/second": "",
		"testkit/fhirpeer": "", "testkit/fakefhir": "", "testkit/fakebulk": "", "testkit/bulkpeer": "", "testkit/mailrig": "", "archtest": "",
	}
}

// owners says which package may import a third-party module.
func owners() map[string]string {
	return map[string]string{
		"go.etcd.io/bbolt": "kv/boltkv", "github.com/google/renameio": "kv/boltkv carrier/fhirtask mail demo clinic cmd daemon", "github.com/goccy/go-yaml": "yamldoc",
		"github.com/bytedance/sonic": "fhir", "github.com/samply": "fhir", "github.com/wneessen/go-mail": "mail", "github.com/robfig/cron": "daemon",
		"github.com/spf13/cobra": "cmd", "github.com/spf13/pflag": "cmd", "github.com/schollz/progressbar": "cmd", "golang.org/x/term": "cmd",
		"github.com/prometheus/client_golang": "web daemon", "golang.org/x/sys": "kv/boltkv", "github.com/cenkalti/backoff": "fhirhttp outbox",
		"github.com/go-jose/go-jose": "fhirauth",
		"pgregory.net/rapid":         "kv/kvtest", "github.com/google/go-cmp": "kv/kvtest testkit/cases",
	}
}

// heartStd is what the heart may import of the standard library; time only in
// day.
const heartStd = "bytes cmp errors fmt maps math slices sort strconv strings unicode unicode/utf8 iter crypto/sha256 encoding/hex encoding/json html/template text/template embed io io/fs path"

func TestImports(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	rows := table()
	eachFile(t, func(pkg, file string, imports []string) {
		seen[pkg] = true
		allowed, ok := rows[pkg]
		if !ok && !strings.HasPrefix(pkg, "cmd") && pkg != "config" {
			t.Errorf("%s: package %s has no row in the import table", file, pkg)
			return
		}
		for _, path := range imports {
			checkImport(t, pkg, file, path, allowed)
		}
	})
	for pkg := range rows {
		if !seen[pkg] && pkg != "archtest" && os.Getenv("PERENNIAL_ARCH_STRICT") != "" {
			t.Errorf("the import table has a row for %s, which does not exist", pkg)
		}
	}
}

func checkImport(t *testing.T, pkg, file, path, allowed string) {
	t.Helper()
	inHeart := slices.Contains(strings.Fields(heart), pkg)
	switch {
	case strings.HasPrefix(path, "perennial/internal/"):
		name := strings.TrimPrefix(path, "perennial/internal/")
		if allowed != "*" && !slices.Contains(strings.Fields(allowed), name) && !strings.HasPrefix(pkg, "cmd") {
			t.Errorf("%s: %s may not import %s", file, pkg, name)
		}
	case path == "perennial/config":
		if inHeart {
			t.Errorf("%s: the heart may not import the shipped data", file)
		}
	case strings.Contains(strings.Split(path, "/")[0], "."):
		for module, owner := range owners() {
			if path == module || strings.HasPrefix(path, module+"/") {
				top, _, _ := strings.Cut(pkg, "/")
				if !slices.Contains(strings.Fields(owner), pkg) && !slices.Contains(strings.Fields(owner), top) {
					t.Errorf("%s: only %s may import %s", file, owner, module)
				}
				return
			}
		}
		t.Errorf("%s: %s has no owner in the table of third-party modules", file, path)
	case inHeart && path == "time" && pkg != "day", inHeart && path != "time" && !slices.Contains(strings.Fields(heartStd), path):
		t.Errorf("%s: the heart may not import %s", file, path)
	}
}

// The heart has no clock: day, the one package that knows package time, does
// not call for the present.
func TestNoClockInTheHeart(t *testing.T) {
	t.Parallel()
	n := 0
	eachFile(t, func(pkg, file string, _ []string) {
		if pkg != "day" {
			return
		}
		n++
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, word := range []string{"time.Now", "time.Since", "time.Until", "time.Local", "time.Sleep"} {
			if strings.Contains(string(text), word) {
				t.Errorf("%s: %s", file, word)
			}
		}
	})
	if n == 0 {
		t.Error("package day was not found")
	}
}

// eachFile visits every Go file that is not a test.
func eachFile(t *testing.T, visit func(pkg, file string, imports []string)) {
	t.Helper()
	for _, top := range []string{"internal", "cmd", "config"} {
		err := filepath.WalkDir(filepath.Join(root, top), func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
				return err
			}
			f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
			if err != nil {
				return err
			}
			var imports []string
			for _, i := range f.Imports {
				p, _ := strconv.Unquote(i.Path.Value)
				imports = append(imports, p)
			}
			pkg, _ := filepath.Rel(filepath.Join(root, top), filepath.Dir(path))
			if top != "internal" {
				pkg = top
			}
			visit(filepath.ToSlash(pkg), path, imports)
			return nil
		})
		if err != nil && !os.IsNotExist(err) {
			t.Fatal(err)
		}
	}
}
