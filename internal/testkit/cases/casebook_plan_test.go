package cases_test

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"io/fs"
	"strings"
	"testing"
	"time"

	"perennial/config"
	"perennial/internal/codes"
	"perennial/internal/day"
	"perennial/internal/notice"
	"perennial/internal/protocol"
	"perennial/internal/surveil"
	"perennial/internal/testkit/cases"
)

// expected is what the casebook shows of a plan.
type expected struct {
	Surveillance, FollowUp, Ended, LastSeen, Wake string
	ImagingGap                                    *bool
	Implants                                      []implant
	Work                                          []work
	Questions                                     []question
	Scans                                         []scan
	AbsentWork, AbsentQuestions                   []json.RawMessage
}

type implant struct {
	ID, Class, Index, IndexTo, Clock, Protocol string
	Visits                                     []visit
	Devices                                    []struct{ UDIDi, Lot, Serial string }
	AbsentVisits                               []json.RawMessage
	Absent                                     []string
}

type visit struct {
	Step, Target, TargetTo, Opens, OpensTo, Closes, ClosesTo, Standing, Timing, Study, StudyDate, StudyDateTo, Result string
	Booking                                                                                                           *struct {
		Date     string
		InWindow bool
	}
	Absent []string
}

type work struct{ Kind, Visit, Urgency, From, By string }

type question struct{ Kind, About string }

type scan struct {
	From, To string
	Serves   []string
}

// fact is what a reader is told of a resource: words and a date.
type fact struct{ what, on string }

// facts are the resources of a case by their reference, and the classes of its
// operations by the code book.
type facts struct {
	by    map[string]fact
	class map[string]string
}

// resource is what is read of any resource of a case.
type resource struct {
	ResourceType, ID, Description                 string
	Started, PerformedDateTime, EffectiveDateTime string
	RecordedDate, Start, Name                     string
	Code                                          struct {
		Text   string
		Coding []struct{ System, Code string }
	}
	DeviceName []struct{ Name string }
}

// library is what the casebook looks up: the code book and the protocols.
type library struct {
	codes     *codes.Book
	protocols protocol.Set
}

func open(t *testing.T) *library {
	t.Helper()
	sub, err := fs.Sub(config.Files, "protocols")
	if err != nil {
		t.Fatal(err)
	}
	set, wrong := protocol.Load(sub)
	shipped, problems := codes.Load(config.Files)
	if len(wrong)+len(problems) > 0 {
		t.Fatal(wrong, problems)
	}
	return &library{shipped, set}
}

// title is the title of a shipped protocol; what another is, its story tells.
func (l *library) title(id string) string {
	if p := l.protocols[id]; p != nil {
		return p.Title
	}
	return "a protocol of its own"
}

// factsOf reads the Bundle of a case.
func (l *library) factsOf(t *testing.T, c *cases.Case) facts {
	t.Helper()
	zone, err := time.LoadLocation(cmp.Or(c.Options.Zone, "UTC"))
	if err != nil {
		t.Fatal(err)
	}
	var bundle struct {
		Entry []struct{ Resource json.RawMessage }
	}
	if err := json.Unmarshal(c.Bundle, &bundle); err != nil {
		t.Fatal(err)
	}
	f := facts{map[string]fact{}, map[string]string{}}
	for _, e := range bundle.Entry {
		var r resource
		if err := json.Unmarshal(e.Resource, &r); err != nil && !bytes.Contains(e.Resource, []byte(`"Patient"`)) {
			t.Fatal(c.Name, err) // the name of a patient is no text
		}
		ref := r.ResourceType + "/" + r.ID
		f.by[ref] = fact{r.words(), r.date(zone)}
		if o, _, ok := l.codes.Operation(r.codings(), ""); ok {
			f.class[ref] = string(o.Class)
		}
	}
	return f
}

func (r *resource) codings() []codes.Coding {
	var list []codes.Coding
	for _, c := range r.Code.Coding {
		list = append(list, codes.Coding{System: c.System, Code: c.Code})
	}
	return list
}

func (r *resource) words() string {
	text := cmp.Or(r.Code.Text, r.Description)
	switch {
	case r.ResourceType == "DiagnosticReport":
		return "report: " + text
	case r.ResourceType == "Patient":
		return "the patient's record"
	case len(r.DeviceName) > 0:
		return r.DeviceName[0].Name
	}
	return text
}

// date is the day of what happened, in the zone of the clinic.
func (r *resource) date(zone *time.Location) string {
	text := cmp.Or(r.Started, r.PerformedDateTime, r.EffectiveDateTime, r.RecordedDate, r.Start)
	if at, err := time.Parse(time.RFC3339, text); err == nil {
		return at.In(zone).Format(time.DateOnly)
	}
	return text
}

// text is a resource in words with its day.
func (f facts) text(ref string) string {
	one, ok := f.by[ref]
	if !ok {
		return ref
	}
	if one.on == "" {
		return one.what
	}
	return one.what + " of " + date(one.on)
}

// standing is the patient as a whole.
func (p *page) standing() string {
	var parts []string
	switch p.plan.Surveillance {
	case "":
	case string(surveil.StateActive):
		parts = append(parts, "under surveillance")
	case string(surveil.StateEnded):
		parts = append(parts, "surveillance ended: "+notice.ReasonText(p.plan.Ended))
	case string(surveil.StateUnresolved):
		parts = append(parts, "unresolved: a person must say how it is")
	default:
		parts = append(parts, "surveillance is "+p.plan.Surveillance)
	}
	if p.plan.FollowUp != "" {
		parts = append(parts, "follow-up "+plain(p.plan.FollowUp))
	}
	if g := p.plan.ImagingGap; g != nil {
		parts = append(parts, map[bool]string{true: "a gap in imaging", false: "no gap in imaging"}[*g])
	}
	if p.plan.LastSeen != "" {
		parts = append(parts, "last seen on "+date(p.plan.LastSeen))
	}
	return strings.Join(parts, ", ")
}

// implant writes the implant and the table of its visits.
func (p *page) implant(b *strings.Builder, m *implant) {
	fmt.Fprintf(b, "\n%s.\n", p.heading(m))
	if len(m.Visits) == 0 {
		return
	}
	b.WriteString("\n| visit | due | window | standing | scan |\n|---|---|---|---|---|\n")
	for i := range m.Visits {
		v := &m.Visits[i]
		fmt.Fprintf(b, "| %s | %s | %s | %s | %s |\n", stepText(v.Step), span(v.Target, v.TargetTo), v.window(), v.standingText(), p.scanText(v))
	}
}

// heading is the line above the table: what it is, since when, by what protocol.
func (p *page) heading(m *implant) string {
	class := cmp.Or(m.Class, p.facts.class[m.ID])
	text := cmp.Or(p.facts.by[m.ID].what, notice.ClassName(class), "An implant")
	if on := cmp.Or(p.facts.by[m.ID].on, m.Index); on != "" && p.facts.class[m.ID] != "" {
		text += " of " + date(on)
	}
	if m.Class != "" && p.facts.class[m.ID] != m.Class {
		text += ", now " + notice.ClassName(m.Class)
	}
	if m.Clock != "" {
		text += ", counted anew from " + date(m.Clock)
	}
	if id := p.protocol(m, class); id != "" {
		text += "; schedule: " + p.lib.title(id)
	}
	for _, d := range m.Devices {
		text += "; device" + prefixed(" ", d.UDIDi) + prefixed(", lot ", d.Lot) + prefixed(", serial number ", d.Serial)
	}
	return text
}

// protocol is the id of the care protocol: as expected, as chosen for the case,
// or the default of the class. Settings and rulings speak through the plan.
func (p *page) protocol(m *implant, class string) string {
	switch {
	case m.Protocol != "":
		id, _, _ := strings.Cut(m.Protocol, "@")
		return id
	case len(p.c.Options.Protocol) == 1:
		return p.c.Options.Protocol[0]
	case class == "" || class == "unknown":
		return ""
	}
	return surveil.DefaultCare(class)
}

func (v *visit) window() string {
	switch {
	case v.Opens == "" && v.Closes == "":
		return ""
	case v.OpensTo != "":
		return "opens " + span(v.Opens, v.OpensTo) + ", closes " + span(v.Closes, v.ClosesTo)
	case v.Closes == "":
		return "from " + date(v.Opens)
	}
	return date(v.Opens) + " to " + date(v.Closes)
}

func (v *visit) standingText() string {
	text := v.Standing
	if v.Timing != "" {
		text += ", " + strings.ReplaceAll(v.Timing, "-", " ")
	}
	switch v.Result {
	case "awaited":
		text += ", its report awaited"
	case "reported":
		text += ", its report not yet reviewed"
	case "reviewed":
		text += ", its report reviewed"
	}
	switch b := v.Booking; {
	case b != nil && b.InWindow:
		text += ", for " + date(b.Date)
	case b != nil:
		text += "; a booking for " + date(b.Date) + " lies outside the window"
	}
	return text
}

func (p *page) scanText(v *visit) string {
	switch {
	case v.Study != "" && v.StudyDateTo != "":
		return p.facts.by[v.Study].what + " of " + span(v.StudyDate, v.StudyDateTo)
	case v.Study != "":
		return p.facts.text(v.Study)
	case v.StudyDate != "":
		return "scans of " + date(v.StudyDate)
	case strings.Contains(strings.Join(v.Absent, " "), "study"):
		return "none"
	}
	return ""
}

// span is a date or a range of dates in words.
func span(first, last string) string {
	if first == "" {
		return ""
	}
	a, errA := day.ParseDate(first)
	b, errB := day.ParseDate(cmp.Or(last, first))
	if errA != nil || errB != nil {
		return first
	}
	return day.Span{First: a.First, Last: b.Last}.Text()
}

func prefixed(before, text string) string {
	if text == "" {
		return ""
	}
	return before + text
}
