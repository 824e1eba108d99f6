package main

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/google/renameio/v2"
	"github.com/spf13/cobra"

	"perennial/config"
	"perennial/internal/codes"
	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/unmapped"
	"perennial/internal/yamldoc"
)

// mapping is what codes map was asked.
type mapping struct {
	site, system, code, on, as, means string
	set                               []string
	number                            int
	dry                               bool
	paths                             []string
}

// mapCommand enters a code into the site's map.
func mapCommand(e *env) *cobra.Command {
	var m mapping
	c := &cobra.Command{
		Use:   "map --site FILE (--code CODE | --number N) --as MEANING [flags] [PATH...]",
		Short: "Enter a code into the site's own map",
		Long: "Adds one row to the site's own code map, which codes.site of the settings names, and shows what it changes. Remarks and the order\n" +
			"of the file stay; a file that is not there is begun. The result is read back before it takes the place of the file.\n" +
			"PATH names FHIR resources: then the codes without a rule are counted before and after, and --number takes a code from their\n" +
			"list, numbered as perennial codes unmapped PATH... lists it.\n\n" +
			"--as says what the code means, by what it is on:\n" +
			"  imaging    a kind: ct-angiogram, ct-contrast, ct-plain, ct-unknown-contrast, mr-angiogram, mr, duplex, duplex-limited, …\n" +
			"             with --set covers=abdomen,pelvis (arch, chest, legs, whole-aorta, …)\n" +
			"  operation  a role: implant, relining, explant, occlusion, history, adjunct, not-implant; an implant with --set class=evar, --set side=left\n" +
			"  device     a role: implant, occlusion, not-implant; with --set class=…\n" +
			"  finding    a finding: endoleak, sac-diameter, migration, …; with --set leak=II, --set measure=sac\n\n" +
			"A running perennial serve reads the map when it starts: restart it. It then makes all plans again.\n\n" +
			"Exit status:\n  0  entered, or there already\n  1  a file could not be read or written\n  2  usage, or the code book refuses it; nothing was changed\n  3  entered, but some resources could not be read and are not counted",
		Example: "  perennial codes map --site my-codes.yaml --system urn:quay:ris --code CTA7 --on imaging --as ct-angiogram --set covers=abdomen,pelvis\n" +
			"  perennial codes map --site my-codes.yaml --number 1 --as duplex --set covers=abdomen --dry-run export/",
	}
	f := c.Flags()
	f.StringVar(&m.site, "site", "", "the site's own code map")
	f.StringVar(&m.system, "system", "", "system of the code, as it is sent")
	f.StringVar(&m.code, "code", "", "the code, as it is sent")
	f.IntVar(&m.number, "number", 0, "instead of --system and --code: number in the list of codes without a rule")
	f.StringVar(&m.on, "on", "", "what it is on: imaging, operation, device or finding (with --number: as listed)")
	f.StringVar(&m.as, "as", "", "what it means")
	f.StringArrayVar(&m.set, "set", nil, "more about it, KEY=VALUE or KEY=VALUE,VALUE; may be repeated")
	f.StringVar(&m.means, "means", "", "what it means in words, for people (with --number: as sent)")
	f.BoolVar(&m.dry, "dry-run", false, "show what would change, and change nothing")
	oneOf(c, "on", "imaging", "operation", "device", "finding")
	format := formatFlag(c, "table", "json")
	c.RunE = func(_ *cobra.Command, args []string) error {
		m.paths = args
		return m.run(e, *format)
	}
	return c
}

// run enters the code.
func (m *mapping) run(e *env, format string) error {
	if err := m.check(); err != nil {
		return err
	}
	path, doc, err := readMap(m.site)
	if err != nil {
		return err
	}
	old, problems := codes.Load(config.Files, doc)
	if len(problems) > 0 {
		return &exitCode{exitUsage, fault.New(fault.Invalid, "", "Put right what is named above first; nothing was changed.", yamldoc.Problems(problems))}
	}
	before := &tally{book: old}
	how, err := before.read(e, m.paths)
	if err != nil || before.unread > 0 {
		return cmp.Or(err, how)
	}
	row, err := m.row(before.counter.Rows())
	if err != nil {
		return err
	}
	fresh, line, err := codes.Extend(config.Files, doc, row)
	if err != nil {
		return &exitCode{exitUsage, err}
	}
	done := mapped{File: m.site, Line: line, Row: row.String(), Entered: line > 0 && !m.dry, There: line == 0}
	if len(m.paths) > 0 {
		book, _ := codes.Load(config.Files, fresh) // Extend has read it
		after := &tally{book: book}
		if _, err := after.read(quietly(e), m.paths); err != nil {
			return err
		}
		done.Counts = compare(before, after)
	}
	if done.Entered {
		if err := replace(path, doc.Data, fresh.Data); err != nil {
			return err
		}
	}
	if err := done.write(e.stdout, format); err != nil {
		return err
	}
	return how
}

// check looks at the flags.
func (m *mapping) check() error {
	const help = "See perennial codes map --help."
	switch {
	case m.site == "":
		return usageError("--site is missing", "Name the site's own code map, the file under codes.site of the settings. "+help)
	case m.as == "":
		return usageError("--as is missing", "Say what the code means, such as --as ct-angiogram. "+help)
	case (m.code == "") == (m.number == 0):
		return usageError("one of --code and --number is expected", "Name the code, or its number in the list of perennial codes unmapped. "+help)
	case m.number != 0 && len(m.paths) == 0:
		return usageError("--number needs the resources whose codes are listed", "Name the same files as for perennial codes unmapped, or use --system and --code.")
	case m.code != "" && m.on == "":
		return usageError("--on is missing", "Say what the code is on: --on imaging, operation, device or finding.")
	case slices.Contains(m.paths, "-"):
		return usageError("standard input cannot be read twice", "Write the resources into a file, and name that.")
	}
	return nil
}

// row is the row to be entered.
func (m *mapping) row(list []unmapped.Row) (codes.Row, error) {
	r := codes.Row{On: m.on, System: m.system, Code: m.code, Means: m.means}
	if m.number != 0 {
		if m.number < 1 || m.number > len(list) {
			return r, usageError(fmt.Sprintf("there is no number %d: %s without a rule", m.number, counted(len(list), "code is", "codes are")), "Look at the list: perennial codes unmapped --codes "+m.site+" PATH...")
		}
		one := list[m.number-1]
		if one.Code == "" {
			return r, usageError(fmt.Sprintf("number %d is a text without a code", m.number), "Write a pattern for it into the map by hand, under patterns.")
		}
		r.On, r.System, r.Code, r.Means = cmp.Or(m.on, one.On), one.System, one.Code, cmp.Or(m.means, printable(one.Text))
	}
	r.Set = []codes.Setting{{Key: codes.MainKey(r.On), Values: []string{m.as}}}
	for _, text := range m.set {
		key, values, ok := strings.Cut(text, "=")
		if !ok || strings.Trim(key, "abcdefghijklmnopqrstuvwxyz") != "" || key == "" || values == "" {
			return r, usageError("--set takes KEY=VALUE", "For example --set covers=abdomen,pelvis or --set class=evar.")
		}
		r.Set = append(r.Set, codes.Setting{Key: key, Values: strings.Split(values, ",")})
	}
	for _, text := range append([]string{r.System, r.Code, r.Means, m.as}, m.set...) {
		if printable(text) != text {
			return r, usageError("a text holds signs that cannot be printed", "Enter it by hand.")
		}
	}
	return r, nil
}

// readMap reads the site's map; one that is not there yet begins with a remark.
func readMap(name string) (path string, doc codes.Document, err error) {
	path = name
	if real, err := filepath.EvalSymlinks(name); err == nil {
		path = real // what a link leads to is changed, not the link
	}
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return path, codes.Document{Name: name, Data: []byte("# The site's own codes: what they mean here. Name this file under codes.site of the settings.\n")}, nil
	}
	if err != nil {
		return path, doc, fault.New(fault.KindOf(err), "reading "+name, "Check the name and the rights of the file.", err)
	}
	return path, codes.Document{Name: name, Data: text}, nil
}

// replace writes the file as a whole or not at all, if nobody has changed it
// meanwhile. Its rights stay.
func replace(path string, before, after []byte) error {
	now, err := os.ReadFile(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return fault.New(fault.KindOf(err), "reading "+path, "Check the rights of the file.", err)
	case !bytes.Equal(now, before):
		return fault.New(fault.Conflict, "writing "+path, "Run the command again.", errors.New("somebody has changed the file meanwhile"))
	}
	if err := renameio.WriteFile(path, after, 0o644, renameio.WithExistingPermissions(), renameio.WithTempDir(filepath.Dir(path))); err != nil {
		return fault.New(fault.KindOf(err), "writing "+path, "Check that the folder is there, that you may write to it, and that there is room; nothing was changed.", err)
	}
	return nil
}

// tally counts the codes without a rule.
type tally struct {
	book    *codes.Book
	counter unmapped.Counter
	refused int
	unread  int
}

// read counts; how says how the reading went.
func (t *tally) read(e *env, paths []string) (how, err error) {
	t.counter.Book = t.book
	t.unread, err = eachInput(e, "reading", paths, func(e *env, name string, in io.Reader) error {
		t.counter.Refused = func(i fhir.Issue) {
			t.refused++
			writeRefusal(e.stderr, i.File, i.Line, i.Ref, advice(i.What, i.Fix))
		}
		return t.counter.Read(name, in)
	})
	return howItWent(t.unread, t.refused, "counted"), err
}

// quietly is an environment in which nothing is told twice.
func quietly(e *env) *env {
	q := *e
	q.stderr = io.Discard
	return &q
}

// mapped is what was done.
type mapped struct {
	File    string  `json:"file"`
	Line    int     `json:"line,omitempty"`
	Row     string  `json:"row"`
	Entered bool    `json:"entered"`
	There   bool    `json:"there"` // it was there already
	Counts  []count `json:"unmapped,omitempty"`
}

// count is how many resources have a code without a rule.
type count struct {
	On     string `json:"on"`
	Before int    `json:"before"`
	After  int    `json:"after"`
}

// compare counts the resources without a rule before and after.
func compare(before, after *tally) (list []count) {
	sums := map[string]*count{}
	at := func(on string) *count {
		if sums[on] == nil {
			sums[on] = &count{On: on}
		}
		return sums[on]
	}
	for _, r := range before.counter.Rows() {
		at(r.On).Before += r.Count
	}
	for _, r := range after.counter.Rows() {
		at(r.On).After += r.Count
	}
	for _, on := range slices.Sorted(maps.Keys(sums)) {
		list = append(list, *sums[on])
	}
	return list
}

func (d *mapped) write(out io.Writer, format string) error {
	if format == "json" {
		return json.NewEncoder(out).Encode(d)
	}
	switch {
	case d.There:
		fmt.Fprintf(out, "%s has this row already; nothing was changed:\n  %s\n", d.File, d.Row)
	case d.Entered:
		fmt.Fprintf(out, "entered into %s, line %d:\n  %s\n", d.File, d.Line, d.Row)
	default:
		fmt.Fprintf(out, "would be entered into %s, line %d; nothing was changed:\n  %s\n", d.File, d.Line, d.Row)
	}
	for _, c := range d.Counts {
		fmt.Fprintf(out, "%s: %s without a rule before, %d after\n", c.On, counted(c.Before, "resource", "resources"), c.After)
	}
	if !d.Entered {
		return nil
	}
	_, err := fmt.Fprintf(out, "It counts where codes.site of the settings names %s. A running perennial serve reads it when it starts: restart it; all plans are then made again.\n", d.File)
	return err
}
