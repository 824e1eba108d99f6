package digest

import (
	_ "embed"
	"fmt"
	html "html/template"
	"strconv"
	"strings"
	text "text/template"
)

//go:embed letter.txt.tmpl
var textSource string

//go:embed letter.html.tmpl
var htmlSource string

var textTemplate = text.Must(text.New("letter").Funcs(text.FuncMap{"wrap": wrap, "group": group, "rule": rule}).Parse(textSource))

var htmlTemplate = html.Must(html.New("letter").Funcs(html.FuncMap{"group": group}).Parse(htmlSource))

// mostLines is how many lines of one list a letter shows.
const mostLines = 60

// Write lays out the letter to one recipient. It fails only where a template is
// wrong, which a test would show.
func Write(in Input, to string) (Letter, error) {
	v := newView(in)
	l := Letter{Key: Key(in.On, to), To: to, On: in.On, Subject: subject(in, v)}
	var t, h strings.Builder
	if err := textTemplate.Execute(&t, v); err != nil {
		return Letter{}, err
	}
	if err := htmlTemplate.Execute(&h, v); err != nil {
		return Letter{}, err
	}
	l.Text, l.HTML = t.String(), h.String()
	return l, nil
}

// subject holds the site's name, the day and counts.
func subject(in Input, v view) string {
	s := fmt.Sprintf("%s: implant surveillance, %s: %d changed, %d overdue, %d lost or presumed lost", v.Site, in.On.Text(), len(in.Changed), len(in.Overdue), len(in.Lost))
	if len(v.Alarms) > 0 {
		s = "ALARM " + s
	}
	return s
}

// view is what the templates see: words only, all of them tamed.
type view struct {
	Site, On, Since, Link string
	Names                 bool
	Alarms                []string
	Sections              []section
	Snoozed               string
	Tests                 string
	Sums                  []sumView
	Sources               []sourceView
	Cautions              []string
}

// section is one list of a letter.
type section struct {
	Title string
	Short string // the title in a word
	None  string // what stands there where the list is empty
	Count int
	Lines []line
	More  int // lines not shown
}

// line is one line of a list.
type line struct{ Who, What, When, Detail string }

type sumView struct {
	Name, Total string
	Parts       []partView
	Holds       bool
}

type partView struct{ Name, N string }

type sourceView struct {
	Name, Last string
	Stale      bool
}

func newView(in Input) view {
	v := view{Site: tame(in.Site), On: in.On.Text(), Since: in.Since.Text(), Link: tame(in.Link), Names: in.Names, Cautions: Cautions()}
	if len(in.Drafts) > 0 {
		v.Cautions = append(v.Cautions, "Drafts that no clinician has signed off: "+tame(strings.Join(in.Drafts, ", "))+". Do not rely on their visits and dates before that is done.")
	}
	for _, a := range in.Alarms {
		v.Alarms = append(v.Alarms, tame(a))
	}
	changed := section{Title: "Changed since the last letter", Short: "changed", None: "Nothing changed.", Count: len(in.Changed)}
	if in.Since == 0 {
		changed.Title = "Changed (this is the first letter)"
	} else {
		changed.Title += " (" + v.Since + ")"
	}
	for i := range in.Changed[:min(mostLines, len(in.Changed))] {
		c := in.Changed[i]
		c.Evidence = nil // references of resources are for the pages
		changed.Lines = append(changed.Lines, line{Who: c.Who.call(in.Names), What: tame(c.Text())})
	}
	changed.More = changed.Count - len(changed.Lines)
	v.Sections = []section{changed,
		items(in, "Due", "due", "Nothing is due.", in.Due),
		items(in, "Overdue", "overdue", "Nothing is overdue.", in.Overdue),
		items(in, "Presumed lost or lost", "lost", "Nobody is lost.", in.Lost),
		items(in, "Results to read or to chase", "results", "No result waits.", in.Results),
		items(in, "Questions", "questions", "No question stands.", in.Questions)}
	if in.Snoozed > 0 {
		v.Snoozed = group(in.Snoozed) + " more snoozed until a later day."
	}
	if in.Tests > 0 {
		v.Tests = "Left out: " + group(in.Tests) + " about patients labelled as made for tests (HTEST)."
	}
	v.addSums(in)
	return v
}

// items makes a section of a list.
func items(in Input, title, short, none string, list []Item) section {
	s := section{Title: title, Short: short, None: none, Count: len(list)}
	for _, it := range list[:min(mostLines, len(list))] {
		l := line{Who: it.Who.call(in.Names), What: tame(it.What)}
		if it.By > 0 {
			l.When = "by " + it.By.Text()
		}
		if it.Urgency == "urgent" || it.Urgency == "asap" || it.Urgency == "stat" {
			l.When = strings.TrimPrefix(l.When+", "+it.Urgency, ", ")
		}
		if it.Booked > 0 {
			l.When = strings.TrimPrefix(l.When+", booked "+it.Booked.Text(), ", ")
		}
		if in.Names && !it.Who.Restricted {
			l.Detail = tame(it.Detail)
		}
		s.Lines = append(s.Lines, l)
	}
	s.More = s.Count - len(s.Lines)
	return s
}

// addSums adds sums and sources; a sum that does not add up and a source that
// is silent are alarms too.
func (v *view) addSums(in Input) {
	for _, s := range in.Sums {
		one := sumView{Name: tame(s.Name), Total: group(s.Total), Holds: s.Holds()}
		for _, p := range s.Parts {
			one.Parts = append(one.Parts, partView{tame(p.Name), group(p.N)})
		}
		if !one.Holds {
			v.Alarms = append(v.Alarms, one.Name+": the parts do not add up to the total. Somebody may be missing from these lists. Tell whoever runs this program.")
		}
		v.Sums = append(v.Sums, one)
	}
	for _, s := range in.Sources {
		one := sourceView{Name: tame(s.Name), Last: "never", Stale: s.Stale || s.Last == 0}
		if s.Last > 0 {
			one.Last = strings.TrimSpace(s.Last.Text() + " " + tame(s.At))
		}
		if one.Stale {
			v.Alarms = append(v.Alarms, "No data from "+one.Name+" (last: "+one.Last+"). The lists may be out of date: a quiet list is not a safe one.")
		}
		v.Sources = append(v.Sources, one)
	}
}

// Cautions are what every letter says the program does not do.
func Cautions() []string {
	return []string{
		"Not for emergencies. Pain, collapse, a cold or white leg, fever: use the usual emergency pathway.",
		"This program reads no images and replaces no clinician. It proposes and never orders, books or cancels; people do.",
		"Device labelling, a study's protocol and local policy win over the schedules shown here.",
		"A quiet list is not proof of safety: where data does not arrive, work does not show. Look at the dates of the sources.",
	}
}

// group writes a number with spaces between thousands.
func group(n int) string {
	s := strconv.Itoa(n)
	for i := len(s) - 3; i > 0 && s[i-1] != '-'; i -= 3 {
		s = s[:i] + " " + s[i:]
	}
	return s
}

// wrap breaks a text into lines of at most 76 characters; all but the first
// begin with the indent.
func wrap(indent, text string) string {
	const width = 76
	var b strings.Builder
	used := 0
	for i, word := range strings.Fields(text) {
		n := len([]rune(word))
		switch {
		case i == 0:
		case used+1+n > width:
			b.WriteString("\n" + indent)
			used = len(indent)
		default:
			b.WriteByte(' ')
			used++
		}
		b.WriteString(word)
		used += n
	}
	return b.String()
}

// rule is a line under a title.
func rule(title string) string { return strings.Repeat("-", len([]rune(title))) }
