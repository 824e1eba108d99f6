package clinic_test

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"perennial/internal/chart"
	"perennial/internal/clinic"
	"perennial/internal/day"
	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/kv/kvtest"
	"perennial/internal/kv/memkv"
	"perennial/internal/protocol"
	"perennial/internal/surveil"
	"perennial/internal/testkit/cases"
)

// ruled is a clinic with the patient of a case folder, and the folder's ruling
// not yet made.
type ruled struct {
	*rig
	folder *cases.Case
	bodies []string
	ruling chart.Ruling
}

func newRuled(t *testing.T, dir string) *ruled {
	t.Helper()
	c, err := cases.Load(dir)
	if err != nil {
		t.Fatal(err)
	}
	r := &ruled{rig: newRigBy(t, kvtest.Twice(memkv.New()), rulesWith(t, c.Options.Protocol)), folder: c}
	if r.clock, err = time.Parse(time.DateOnly, c.Options.AsOf); err != nil {
		t.Fatal(err)
	}
	err = fhir.Read(dir, bytes.NewReader(c.Bundle), fhir.Handler{Each: func(raw fhir.Raw) error {
		r.bodies = append(r.bodies, string(raw.Body))
		return nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(c.Options.Rulings, &r.ruling); err != nil {
		t.Fatal(err)
	}
	r.give(r.bodies...)
	return r
}

// rulesWith are the shipped rules with the protocols of a case in force; those
// are files.
func rulesWith(t *testing.T, files []string) *surveil.Rules {
	t.Helper()
	set := protocol.Set{}
	for id, p := range rules().All {
		set[id] = p
	}
	var given []surveil.InForce
	for _, file := range files {
		doc, err := os.ReadFile(filepath.Join("../../cmd/perennial", file))
		if err != nil {
			t.Fatal(err)
		}
		p, problems := protocol.Parse(file, doc)
		if p == nil {
			t.Fatal(problems)
		}
		set[p.ID] = p
		given = append(given, surveil.InForce{Protocol: p, Chosen: "site"})
	}
	own := *rules()
	own.All, own.Care = set, surveil.CareFrom(set, given)
	return &own
}

// plan is the patient's plan, to the byte.
func (r *ruled) plan() string {
	r.t.Helper()
	p := r.view(r.ruling.Patient).Plan
	text, err := json.Marshal(p)
	if err != nil {
		r.t.Fatal(err)
	}
	return string(text)
}

// newer are the same resources again, as a source sends them after a change.
func (r *ruled) newer() []string {
	var list []string
	for _, body := range r.bodies {
		list = append(list, strings.Replace(body, `"id"`, `"meta": {"versionId": "2", "lastUpdated": "`+r.folder.Options.AsOf+`T01:00:00Z"}, "id"`, 1))
	}
	return list
}

// Each kind of ruling of the case folders changes the plan, survives that all
// resources come again and that new ones come, and taken back it leaves the
// plan as it was, byte for byte.
func TestEveryKindOfRulingSurvives(t *testing.T) {
	t.Parallel()
	dirs, err := filepath.Glob("../../testdata/patients/ruling-*")
	if err != nil {
		t.Fatal(err)
	}
	var kinds []chart.RulingKind
	for _, dir := range dirs {
		r := newRuled(t, dir)
		kinds = append(kinds, r.ruling.Kind)
		t.Run(filepath.Base(dir), func(t *testing.T) { r.t = t; r.survives() })
	}
	for _, want := range []chart.RulingKind{chart.RuleWithdraw, chart.RuleModality, chart.RuleInterval, chart.RuleStratum, chart.RuleProtocol, chart.RuleStaged, chart.RuleConfirm, chart.RuleSnooze, chart.RuleStudy} {
		if !slices.Contains(kinds, want) {
			t.Errorf("no case folder has a ruling of the kind %s", want)
		}
	}
}

func (r *ruled) survives() {
	t := r.t
	before := r.plan()
	stored, err := r.Rule(t.Context(), r.ruling)
	if err != nil {
		t.Fatal(err)
	}
	with := r.plan()
	if with == before {
		t.Fatal("the ruling changes nothing")
	}
	if counts := r.give(r.newer()...); counts.New != len(r.bodies) {
		t.Fatalf("%d of %d resources were new", counts.New, len(r.bodies))
	}
	if got := r.plan(); got != with {
		t.Errorf("not the same after a second import:\n%s\n%s", with, got)
	}
	r.start() // and after a restart, from what is stored
	if got := r.plan(); got != with {
		t.Errorf("not the same after a restart:\n%s\n%s", with, got)
	}
	if _, err := r.TakeBack(t.Context(), stored.ID, "N", "a mistake"); err != nil {
		t.Fatal(err)
	}
	if got := r.plan(); got != before {
		t.Errorf("taken back, the plan is not as it was:\n%s\n%s", before, got)
	}
	r.sound()
	r.onNewData()
}

// onNewData makes the ruling again and then gives something new.
func (r *ruled) onNewData() {
	t, again := r.t, r.ruling
	again.ID += "-again"
	if _, err := r.Rule(t.Context(), again); err != nil {
		t.Fatal(err)
	}
	with := r.view(again.Patient).Plan
	r.give(`{"resourceType": "Encounter", "id": "new-` + again.Patient + `", "status": "finished", "class": {"code": "AMB"}, "subject": {"reference": "Patient/` + again.Patient +
		`"}, "period": {"start": "` + r.folder.Options.AsOf + `"}}`)
	got := r.view(again.Patient).Plan
	if got.LastSeen == with.LastSeen {
		t.Error("the new data was not read")
	}
	got.LastSeen = with.LastSeen
	if !got.Same(&with) {
		t.Errorf("not the same after new data:\n%+v\n%+v", with, got)
	}
	r.sound()
}

// A snoozed item is hidden from the worklist until its day and counted, and
// the day after the close of its visit is never reached in hiding.
func TestSnooze(t *testing.T) {
	t.Parallel()
	r := newRuled(t, "../../testdata/patients/ruling-snooze")
	who := r.ruling.Patient
	r.ruling.Until = day.Of(2030, 1, 1) // far beyond the close, 8 Jun 2025
	if _, err := r.Rule(t.Context(), r.ruling); err != nil {
		t.Fatal(err)
	}
	all := func() (list []day.Day) {
		rows, err := r.Worklist(t.Context(), clinic.Filter{Patient: who, Kinds: []string{surveil.WorkArrange, surveil.WorkChase}, Snoozed: true})
		if err != nil {
			t.Fatal(err)
		}
		for i := range rows {
			list = append(list, rows[i].Snoozed)
		}
		return list
	}
	for _, at := range []struct {
		day    string
		hidden bool
		work   string
	}{{"2025-02-01", true, "arrange-imaging y1"}, {"2025-06-07", true, "arrange-imaging y1"}, {"2025-06-08", false, "arrange-imaging y1"}, {"2025-06-09", false, "chase-overdue y1"}} {
		r.clock, _ = time.Parse(time.DateOnly, at.day)
		if _, err := r.Tick(t.Context()); err != nil {
			t.Fatal(err)
		}
		seen := slices.DeleteFunc(r.work(who), func(s string) bool { return !strings.HasPrefix(s, "arrange") && !strings.HasPrefix(s, "chase") })
		list := all()
		if len(list) != 1 || (list[0] > 0) != at.hidden {
			t.Errorf("%s: the item is hidden until %v, hidden should be %v", at.day, list, at.hidden)
		}
		if at.hidden == (len(seen) > 0) || !at.hidden && seen[0] != at.work {
			t.Errorf("%s: the worklist shows %v", at.day, seen)
		}
	}
	r.sound()
}

// What cannot be ruled is refused with its reason, and nothing is stored.
func TestRulingsThatAreRefused(t *testing.T) {
	t.Parallel()
	r := newRuled(t, "../../testdata/patients/ruling-snooze")
	before := r.plan()
	good := r.ruling
	for name, change := range map[string]func(*chart.Ruling){
		"the scope of a withdrawal is study or care": func(x *chart.Ruling) { x.Kind, x.Value = chart.RuleWithdraw, "all" },
		"the study is missing":                       func(x *chart.Ruling) { x.Kind, x.Value = chart.RuleStudy, " " },
		"the patient has no ResearchStudy/none-such": func(x *chart.Ruling) { x.Kind, x.About = chart.RuleWithdraw, "ResearchStudy/none-such" },
		"the kind of imaging":                        func(x *chart.Ruling) { x.Kind, x.Value = chart.RuleModality, "photograph" },
		"the interval is missing":                    func(x *chart.Ruling) { x.Kind, x.Value = chart.RuleInterval, "P1D" },
		"the stratum is low":                         func(x *chart.Ruling) { x.Kind, x.Value = chart.RuleStratum, "none" },
		"the first and the last":                     func(x *chart.Ruling) { x.Kind, x.Value = chart.RuleStaged, x.About },
		"the study, report or finding is missing":    func(x *chart.Ruling) { x.Kind, x.Value = chart.RuleConfirm, "endoleak IX" },
		"the key of the work item is missing":        func(x *chart.Ruling) { x.Until = 0 },
		"no protocol is called":                      func(x *chart.Ruling) { x.Kind, x.Value = chart.RuleProtocol, "none-such" },
		"the patient has no open item":               func(x *chart.Ruling) { x.About += "x" },
		"the date is missing or cannot be read":      func(x *chart.Ruling) { x.Kind, x.Value = chart.RuleDied, "31.12.2024" },
		"the date 2199-01-01 has not come yet":       func(x *chart.Ruling) { x.Kind, x.Value = chart.RuleDied, "2199-01-01" },
		"the date 2198 has not come yet":             func(x *chart.Ruling) { x.Kind, x.Class, x.Value = chart.RuleImplant, "evar", "2198" },
		"the class of the implant is none of":        func(x *chart.Ruling) { x.Kind, x.Class = chart.RuleImplant, "evarr" },
		"the channel or the outcome":                 func(x *chart.Ruling) { x.Kind, x.Channel = chart.RuleAttempt, "phone" },
		"the day until which surveillance pauses":    func(x *chart.Ruling) { x.Kind, x.Until = chart.RulePause, 0 },
		"the patient has no ImagingStudy/none-such":  func(x *chart.Ruling) { x.Kind, x.About = chart.RuleRefuse, "ImagingStudy/none-such" },
		"the patient has no question-none-such":      func(x *chart.Ruling) { x.Kind, x.About = chart.RuleAnswer, "question-none-such" },
		"the patient has no Procedure/none-such":     func(x *chart.Ruling) { x.Kind, x.About, x.Value = chart.RuleIndex, "Procedure/none-such", "2024-03" },
	} {
		bad := good
		change(&bad)
		_, err := r.Rule(t.Context(), bad)
		if err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
	}
	r.clock = r.clock.AddDate(0, 6, 0)
	if _, err := r.Tick(t.Context()); err != nil {
		t.Fatal(err)
	}
	good.About, good.Until = strings.Replace(good.About, "arrange-imaging", "chase-overdue", 1), day.Of(2026, 1, 1)
	if _, err := r.Rule(t.Context(), good); fault.KindOf(err) != fault.Invalid {
		t.Errorf("an overdue visit may be hidden: %v", err)
	}
	r.clock = r.clock.AddDate(0, -6, 0)
	if got := r.plan(); got != before {
		t.Error("something was stored")
	}
}
