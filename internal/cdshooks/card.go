package cdshooks

import (
	"fmt"
	"net/url"
	"slices"
	"strings"

	"perennial/internal/clinic"
	"perennial/internal/notice"
	"perennial/internal/surveil"
)

type answer struct {
	Cards []card `json:"cards"`
}

type card struct {
	Summary   string `json:"summary"`
	Detail    string `json:"detail"`
	Indicator string `json:"indicator"`
	Source    source `json:"source"`
	Links     []link `json:"links,omitempty"`
}

type source struct {
	Label string `json:"label"`
}

type link struct {
	Label string `json:"label"`
	URL   string `json:"url"`
	Type  string `json:"type"`
}

// Urgencies of a card, in rising order.
const (
	info = iota
	warning
	critical
)

// line is one thing to do.
type line struct {
	urgency int
	short   string // for the summary
	text    string // for the detail, escaped
}

// mostLines are shown; the rest is counted.
const mostLines = 6

// cards are what to say about a patient: one card, or none.
func (s *Server) cards(v *clinic.View) []card {
	lines := linesOf(&v.Plan)
	if len(lines) == 0 {
		return []card{}
	}
	slices.SortStableFunc(lines, func(a, b line) int { return b.urgency - a.urgency })
	c := card{Summary: summary(lines), Indicator: []string{"info", "warning", "critical"}[lines[0].urgency], Source: source{"Implant surveillance, " + notice.Tame(s.o.Site, 80)}}
	var b strings.Builder
	for _, l := range lines[:min(len(lines), mostLines)] {
		b.WriteString("- " + l.text + "\n")
	}
	if more := len(lines) - mostLines; more > 0 {
		fmt.Fprintf(&b, "- And %d more.\n", more)
	}
	b.WriteString("\n" + plain(caution(&v.Plan)))
	c.Detail = b.String()
	if s.o.Link != "" {
		c.Links = []link{{"Open the patient's surveillance", s.o.Link + "/patients/" + url.PathEscape(v.Patient), "absolute"}}
	}
	return []card{c}
}

// caution says what a card is not.
func caution(p *surveil.Plan) string {
	text := "This is a proposal and no order: people decide, order and book."
	if slices.ContainsFunc(p.Implants, func(m surveil.Implant) bool { return m.Draft }) {
		text += " The protocol is a draft that no clinician has signed off; please do not rely on it."
	}
	return text + " It rests on the records received up to " + p.AsOf.Text() + "; imaging done elsewhere may be missing from them."
}

// longestSummary is less than the 140 letters that the specification allows.
const longestSummary = 139

func summary(lines []line) string {
	more := ""
	if n := len(lines) - 1; n > 0 {
		more = fmt.Sprintf(" (and %d more)", n)
	}
	return notice.Tame(lines[0].short, longestSummary-len(more)) + more
}

// linesOf are what is to be done for a patient.
func linesOf(p *surveil.Plan) (list []line) {
	for i := range p.Work {
		w := &p.Work[i]
		var l line
		switch w.Kind {
		case surveil.WorkArrange, surveil.WorkChase:
			m, v := visitOf(p, w.Visit)
			if v == nil {
				continue
			}
			l = visitLine(w, m, v)
		case surveil.WorkReview:
			l = line{short: "A result waits to be reviewed", text: "**A result waits to be reviewed.** " + reasons(w), urgency: warning}
			if w.Urgency != "routine" {
				l.urgency = critical
			}
		case surveil.WorkTrace:
			l = line{short: traced(p) + ", not seen here since " + seen(p), text: "**" + traced(p) + ".** " + reasons(w), urgency: warning}
		case surveil.WorkQuestion:
			if w.Urgency == "routine" {
				continue
			}
			l = line{short: "A question about imaging must be answered", text: "**A question for a person, which leaves a visit open.** " + reasons(w)}
		default:
			continue
		}
		if w.Snoozed > 0 {
			l.text += " Set aside on the worklist until " + w.Snoozed.Text() + "."
			l.urgency = min(l.urgency, warning)
		}
		list = append(list, l)
	}
	return list
}

func traced(p *surveil.Plan) string {
	if p.FollowUp == surveil.RungLost {
		return "Lost to follow-up"
	}
	return "Presumed lost to follow-up"
}

func seen(p *surveil.Plan) string {
	if p.LastSeen == 0 {
		return "the operation"
	}
	return p.LastSeen.Text()
}

// visitOf finds a visit and its implant by the visit's key.
func visitOf(p *surveil.Plan, key string) (*surveil.Implant, *surveil.Visit) {
	for i := range p.Implants {
		for j := range p.Implants[i].Visits {
			if v := &p.Implants[i].Visits[j]; v.Key() == key {
				return &p.Implants[i], v
			}
		}
	}
	return nil, nil
}

// visitLine says of a visit that it is overdue or due.
func visitLine(w *surveil.Work, m *surveil.Implant, v *surveil.Visit) line {
	class := notice.ClassName(m.Class)
	if class == "" {
		class = "Implant"
	}
	name := class + " surveillance imaging (" + v.Step + ")"
	var l line
	switch {
	case w.Kind == surveil.WorkChase:
		l = line{urgency: warning, short: name + " is overdue since " + v.Closes.Last.Plus(1).Text()}
		if w.Urgency == "urgent" { // a finding asked for it
			l.urgency = critical
		}
	case v.Standing == surveil.Open:
		l = line{short: name + " is due by " + v.Closes.Last.Text()}
	default:
		l = line{short: name + " can be arranged for " + v.Opens.First.Text() + " to " + v.Closes.Last.Text()}
	}
	l.text = "**" + plain(l.short) + ".** Implanted " + plain(m.Index.Text()) + ". "
	if len(v.Kinds) > 0 {
		var kinds []string
		for _, k := range v.Kinds {
			kinds = append(kinds, notice.KindText(k))
		}
		l.text += "Imaging that does: " + plain(strings.Join(kinds, " or ")) + ". "
	}
	l.text += "Why: " + reasons(w)
	if v.Cite != "" {
		l.text += " Source: " + plain(v.Cite) + strings.TrimSuffix(" ("+notice.EvidenceMark(v.Evidence)+")", " ()") + "."
	}
	return l
}

// reasons are the reasons of a work item, escaped.
func reasons(w *surveil.Work) string {
	var parts []string
	for i := range w.Why {
		parts = append(parts, plain(w.Why[i].Text()))
	}
	return strings.Join(parts, " ")
}

// plain makes a text stand for itself in Markdown, and on one line. An address in
// it is no link either.
func plain(text string) string {
	var b strings.Builder
	text = notice.Tame(text, 600)
	for i, r := range text {
		link := r == ':' && strings.HasPrefix(text[i:], "://") || r == '.' && i >= 3 && strings.EqualFold(text[i-3:i], "www") || r == '@' && mailbox(text[i+1:])
		if link || strings.ContainsRune("\\`*_[]<>#|~&!", r) {
			b.WriteByte('\\')
		}
		b.WriteRune(r)
	}
	return b.String()
}

// mailbox says whether what follows an @ may be a domain: it has a dot within.
func mailbox(rest string) bool {
	word, _, _ := strings.Cut(rest, " ")
	return strings.Contains(strings.TrimRight(word, ".,;:!?)"), ".")
}
