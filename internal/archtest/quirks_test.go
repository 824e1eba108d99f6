package archtest

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// quirks is how many ways of real FHIR servers are numbered.
const quirks = 56

// untested are the quirks that no test names, with the reason.
func untested() map[int]string {
	return map[int]string{}
}

// naming are the ways in which a test is named by a quirk: its function, a subtest, or a row that names one. The faults of
// the false server name the subtests that try them.
func naming(path string) *regexp.Regexp {
	switch {
	case strings.HasSuffix(path, "_test.go"):
		return regexp.MustCompile(`func TestQ(\d+)[A-Z]|\{"q(\d\d)-|\{"Q(\d+) `)
	case strings.Contains(path, "fakefhir/fault"):
		return regexp.MustCompile(`"[a-z0-9-]+", (?:Bug: )?"Q(\d+)", `)
	}
	return nil
}

// Every quirk is named by a test, but for those of the list; and the list holds none that is.
func TestQuirksHaveTests(t *testing.T) {
	t.Parallel()
	named := map[int]string{}
	err := filepath.WalkDir(filepath.Join(root, "internal"), func(path string, d fs.DirEntry, err error) error {
		pattern := naming(filepath.ToSlash(path))
		if err != nil || d.IsDir() || pattern == nil {
			return err
		}
		text, err := os.ReadFile(path)
		for _, m := range pattern.FindAllStringSubmatch(string(text), -1) {
			n, _ := strconv.Atoi(strings.Join(m[1:], ""))
			named[n] = path
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	missing := untested()
	for n := 1; n <= quirks; n++ {
		switch _, known := missing[n]; {
		case named[n] == "" && !known:
			t.Errorf("no test is named by Q%d", n)
		case named[n] != "" && known:
			t.Errorf("Q%d is named in %s: take it off the list", n, named[n])
		}
		delete(named, n)
	}
	for n, path := range named {
		t.Errorf("%s names Q%d, and there are %d", path, n, quirks)
	}
}
