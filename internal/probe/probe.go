// Package probe asks a FHIR server what it offers, before the site relies on it: its CapabilityStatement, then each
// search that will be used, with a sample of what comes back. It says what works, what is missing and what that means
// for the site.
//
// It only reads. What it tells holds counts, resource types, and codes that look like codes: no name, id, date or free
// text of a resource.
package probe

import (
	"context"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"perennial/internal/codes"
	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/fhirhttp"
	"perennial/internal/unmapped"
)

// Options say what is probed.
type Options struct {
	Client *fhirhttp.Client
	Types  []string         // resource types that will be asked for
	Book   *codes.Book      // for the codes that it does not know
	Mapped bool             // the site has a map of its own
	Sample int              // resources of each type that are looked at; 0: 100
	Now    func() time.Time // nil: time.Now
}

// The words for what an offer or a search came to.
const (
	Yes     = "yes"
	No      = "no"
	Unsaid  = "unsaid"  // the CapabilityStatement does not tell
	Ignored = "ignored" // it answers as if the parameter had not been sent
	Unsure  = "unsure"  // there is nothing to see it by
	Passed  = "-"       // not tried
)

// Report is what was found.
type Report struct {
	Server      string    `json:"server"`
	FHIRVersion string    `json:"fhirVersion,omitempty"`
	ClockAhead  int       `json:"clockAheadSeconds"` // the server's clock less ours
	Types       []Type    `json:"types"`
	Findings    []Finding `json:"findings"`
	Codes       []Code    `json:"unmapped,omitempty"` // most frequent first
	Settings    []string  `json:"settings,omitempty"` // lines of YAML to add
}

// Type is one resource type.
type Type struct {
	Type    string `json:"type"`
	Offered string `json:"offered"` // yes, no, unsaid
	Search  string `json:"search"`  // yes, no, - (it will not be asked for)
	Since   string `json:"since"`   // search by _lastUpdated: yes, no, ignored, unsure, -
	Sampled int    `json:"sampled"`
}

// Finding is something that a person should know.
type Finding struct {
	Type   string `json:"type,omitempty"`
	Severe bool   `json:"severe"` // without it there is no surveillance from this server
	What   string `json:"what"`
	Means  string `json:"means"`
	Count  int    `json:"count,omitempty"` // of how many that were sampled
	Of     int    `json:"of,omitempty"`
}

// Code is a code that no rule knows.
type Code struct {
	Count  int    `json:"count"`
	On     string `json:"on"`
	System string `json:"system,omitempty"`
	Code   string `json:"code,omitempty"`
}

// Severe says whether something is missing without which there is no surveillance.
func (r *Report) Severe() bool {
	return slices.ContainsFunc(r.Findings, func(f Finding) bool { return f.Severe })
}

// needed are the types without which there is no surveillance.
func needed(typ string) bool { return typ == "Patient" || typ == "Procedure" || typ == "ImagingStudy" }

// prober is one probe on its way.
type prober struct {
	o     Options
	r     *Report
	can   fhir.Capability
	says  bool // the CapabilityStatement lists searches
	count unmapped.Counter
}

// Source probes a server that will be read. The error says why it cannot be asked at all; everything else is a finding.
func Source(ctx context.Context, o Options) (*Report, error) {
	p, err := begin(ctx, o)
	if err != nil {
		return nil, err
	}
	for _, typ := range p.o.Types {
		p.r.Types = append(p.r.Types, p.probe(ctx, typ))
		if ctx.Err() != nil {
			return nil, fault.New(fault.Canceled, "probe the server", "", ctx.Err())
		}
	}
	p.passed()
	p.together()
	return p.r, nil
}

// begin reads the CapabilityStatement.
func begin(ctx context.Context, o Options) (*prober, error) {
	if o.Sample <= 0 {
		o.Sample = 100
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	p := &prober{o: o, r: &Report{Server: o.Client.Base(), Types: []Type{}, Findings: []Finding{}}, count: unmapped.Counter{Book: o.Book}}
	can, err := o.Client.Capability(ctx)
	switch fault.KindOf(err) {
	case fault.None:
		p.can, p.r.FHIRVersion = can, codeLike(can.FHIRVersion)
		p.version()
	case fault.NotFound, fault.Invalid:
		p.find(Finding{What: "the CapabilityStatement cannot be read: " + err.Error(), Means: "Every type is asked for, whether the server has it or not."})
	default:
		return nil, err
	}
	for _, t := range p.can.Types {
		p.says = p.says || slices.Contains(t.Interactions, "search-type")
	}
	return p, nil
}

func (p *prober) find(f Finding) { p.r.Findings = append(p.r.Findings, f) }

func (p *prober) version() {
	if !strings.HasPrefix(p.can.FHIRVersion, "4.0") {
		p.find(Finding{Severe: true, What: fmt.Sprintf("the server says FHIR %q", codeLike(p.can.FHIRVersion)), Means: "This program reads R4 (4.0): ask for the address of the R4 endpoint."})
	}
}

// offered says whether the server offers to search a type.
func (p *prober) offered(typ string) string {
	switch {
	case p.can.Can(typ, "search-type"):
		return Yes
	case p.says:
		return No
	}
	return Unsaid
}

// probe tries what will be asked about one type.
func (p *prober) probe(ctx context.Context, typ string) Type {
	t := Type{Type: typ, Offered: p.offered(typ), Search: Passed, Since: Passed}
	if t.Offered == No && !needed(typ) {
		return t
	}
	s := newSample(p, typ)
	err := s.read(ctx)
	t.Sampled = s.n
	if err != nil {
		t.Search = No
		p.find(Finding{Type: typ, Severe: needed(typ), What: "the search fails: " + err.Error(), Means: advice(err, meansWithout(typ))})
		return t
	}
	t.Search = Yes
	s.tell()
	t.Since = p.since(ctx, typ, s.n)
	return t
}

// since finds out whether the server searches by the time of the last change: nothing was changed tomorrow.
func (p *prober) since(ctx context.Context, typ string, sampled int) string {
	tomorrow := p.o.Now().AddDate(0, 0, 2).UTC().Format(time.RFC3339)
	n, _, err := p.first(ctx, typ, url.Values{"_count": {"1"}, "_lastUpdated": {"ge" + tomorrow}})
	switch {
	case err != nil:
		p.find(Finding{Type: typ, Severe: needed(typ), What: "the search by _lastUpdated fails: " + err.Error(), Means: advice(err, "What changed cannot be asked for: after the first read nothing new arrives.")})
		return No
	case n > 0:
		p.find(Finding{Type: typ, What: "the server ignores _lastUpdated", Means: "Everything is read again at each look: it works, and it takes long."})
		return Ignored
	case sampled == 0:
		return Unsure
	}
	return Yes
}

// first reads the first page of a search.
func (p *prober) first(ctx context.Context, typ string, q url.Values) (n int, page fhirhttp.Page, err error) {
	for page, err := range p.o.Client.Search(ctx, typ, q) {
		return len(page.Entries), page, err
	}
	return 0, page, nil
}

// passed says what the site does without: the types that are not asked for, by what they would tell.
func (p *prober) passed() {
	types := map[string][]string{}
	var order []string
	for _, t := range p.r.Types {
		if t.Search == Passed {
			means := meansWithout(t.Type)
			if types[means] == nil {
				order = append(order, means)
			}
			types[means] = append(types[means], t.Type)
		}
	}
	for _, means := range order {
		p.find(Finding{What: "the server does not offer " + strings.Join(types[means], ", "), Means: means})
	}
}

// together says what follows from all types.
func (p *prober) together() {
	for _, row := range p.count.Rows() {
		p.r.Codes = append(p.r.Codes, Code{row.Count, row.On, codeLike(row.System), codeLike(row.Code)})
	}
	if n := len(p.r.Codes); n > 0 {
		p.find(Finding{What: "codes that no rule knows: " + strconv.Itoa(n), Means: "What they mean is asked of a person, case by case, until the site's own map says it. Below are the codes."})
		if !p.o.Mapped {
			p.r.Settings = append(p.r.Settings, "codes:", "  site: my-codes.yaml # with a rule for those of them that matter")
		}
	}
	if slices.ContainsFunc(p.r.Types, func(t Type) bool { return t.Since == Ignored }) {
		p.r.Settings = append(p.r.Settings, "times:", "  poll-every-minutes: 240 # everything is read at each look")
	}
	if ahead := p.r.ClockAhead; ahead > 60 || ahead < -60 {
		p.find(Finding{What: fmt.Sprintf("the server's clock differs from ours by %d seconds", ahead), Means: "What is asked for follows the server's clock, so nothing is missed; have both clocks set by the network."})
	}
}

// advice is what an error says can be done, after what it means.
func advice(err error, means string) string {
	return strings.TrimSpace(means + " " + fault.HintOf(err))
}

// codeLike lets pass what looks like a code or the name of a code system: short and without blanks or @. Everything
// else may be words about somebody.
func codeLike(s string) string {
	if len(s) > 80 || strings.ContainsFunc(s, func(r rune) bool { return r <= ' ' || r > '~' || r == '@' }) {
		return "(not shown)"
	}
	return s
}
