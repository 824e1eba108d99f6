// Package cases holds the checker for invented patients with a known answer:
// folders under testdata/patients, each with
//
//	story.md         who, what happened, what is expected and why, for a nurse
//	bundle.json      the patient as a FHIR R4 Bundle
//	plan.json        the expected part of what assess prints for the patient
//	options.json     as-of date, protocols, theme in docs/casebook.md
//	rulings.ndjson   decisions of people, where there are any
//	settings.yaml    settings of the site, where they matter
//
// plan.json must be contained in the output. An object is contained if each of
// its keys is, so that a plan says only what its story is about. These keys
// are special:
//
//	implants         by position, as many as expected
//	visits           each found by its step (of several by what else is said)
//	questions, work  each found by its kind, and by about or visit if said;
//	                 the visit of a work item is told by a part of its key
//	protocol         without "@" it stands for every version
//	absent           keys that this object must not have
//	absentVisits, absentQuestions, absentWork
//	                 steps or kinds that must not be listed, or objects that no
//	                 entry may contain; "*" is any
//
// A story with the words "typed from the table" says that its dates were taken
// by hand from a published table; one with "worked out by hand", that somebody
// counted them from the rules. Such a plan is never written by a program: Update
// refuses it, so that a wrong engine cannot make itself right.
package cases

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
)

// Case is one folder, read.
type Case struct {
	Name    string // of the folder
	Story   string
	Bundle  []byte
	Options Options
	Plan    []byte // the expected part of the output

	dir string
}

// Options say how a case is to be assessed.
type Options struct {
	AsOf     string   `json:"asOf"`               // YYYY-MM-DD
	Protocol []string `json:"protocol,omitempty"` // ids, where not the defaults of the classes
	Zone     string   `json:"zone,omitempty"`     // IANA name; UTC where not given
	Theme    string   `json:"theme"`              // under which the casebook has it
	Rulings  []byte   `json:"-"`                  // rulings.ndjson, nil where there is none
	Settings []byte   `json:"-"`                  // settings.yaml, nil where there is none
}

// Assess is the program under test: a Bundle goes in, the output of
// "perennial assess --format json" comes out.
type Assess func(bundle []byte, o Options) ([]byte, error)

// ErrTyped is what Update returns for a plan that a person typed.
var ErrTyped = errors.New("the plan was typed by hand and is never written by a program: correct it by hand, from the table or the rules")

// The words of a story whose plan no program may write.
const (
	typed   = "typed from the table"
	counted = "worked out by hand"
)

// Folders lists the case folders in root, sorted by name. A root without any
// is an error: tests that check nothing must not pass.
func Folders(root string) ([]string, error) {
	entries, err := os.ReadDir(root)
	if err != nil {
		return nil, fmt.Errorf("listing the cases: %w", err)
	}
	var dirs []string
	for _, e := range entries {
		if e.IsDir() {
			dirs = append(dirs, filepath.Join(root, e.Name()))
		}
	}
	if len(dirs) == 0 {
		return nil, fmt.Errorf("%s holds no case folders", root)
	}
	return dirs, nil
}

// Load reads a folder. The story, the bundle, the options and the plan must be
// there; an unknown option is an error.
func Load(dir string) (*Case, error) {
	c := &Case{Name: filepath.Base(dir), dir: dir}
	files := map[string][]byte{}
	for _, name := range []string{"story.md", "bundle.json", "options.json", "plan.json", "rulings.ndjson", "settings.yaml"} {
		body, err := os.ReadFile(filepath.Join(dir, name))
		optional := name == "rulings.ndjson" || name == "settings.yaml"
		if err != nil && !(optional && errors.Is(err, os.ErrNotExist)) {
			return nil, fmt.Errorf("case %s: %w", c.Name, err)
		}
		files[name] = body
	}
	if err := strict(files["options.json"], &c.Options); err != nil {
		return nil, fmt.Errorf("case %s, options.json: %w", c.Name, err)
	}
	c.Story, c.Bundle, c.Plan = string(files["story.md"]), files["bundle.json"], files["plan.json"]
	c.Options.Rulings, c.Options.Settings = files["rulings.ndjson"], files["settings.yaml"]
	return c, nil
}

// strict decodes one JSON value and refuses unknown keys and anything after it.
func strict(body []byte, into any) error {
	d := json.NewDecoder(bytes.NewReader(body))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		return err
	}
	if _, err := d.Token(); err != io.EOF {
		return errors.New("something follows the JSON value")
	}
	return nil
}

// Typed says whether the plan was typed by a person: from a table, or from what
// was worked out by hand.
func (c *Case) Typed() bool {
	return strings.Contains(c.Story, typed) || strings.Contains(c.Story, counted)
}

// Check runs the program on the case and returns how its output differs from
// the plan, one line for each difference; none means that it is as expected.
func (c *Case) Check(assess Assess) []string {
	got, err := assess(c.Bundle, c.Options)
	if err != nil {
		return []string{"assess failed: " + err.Error()}
	}
	return Compare(c.Plan, got)
}

// Update writes the output of the program as the plan, unless the plan was
// typed by hand: then it writes nothing and returns ErrTyped.
func (c *Case) Update(output []byte) error {
	if c.Typed() {
		return fmt.Errorf("case %s: %w", c.Name, ErrTyped)
	}
	var pretty bytes.Buffer
	if err := json.Indent(&pretty, bytes.TrimSpace(output), "", " "); err != nil {
		return fmt.Errorf("case %s: the output is no JSON: %w", c.Name, err)
	}
	return os.WriteFile(filepath.Join(c.dir, "plan.json"), append(pretty.Bytes(), '\n'), 0o644)
}
