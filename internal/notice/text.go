package notice

import (
	"strings"

	"perennial/internal/surveil"
)

// Title is a kind of work in a few words: "Arrange imaging".
func Title(kind string) string {
	switch kind {
	case surveil.WorkArrange:
		return "Arrange imaging"
	case surveil.WorkChase:
		return "Chase overdue imaging"
	case surveil.WorkTrace:
		return "Trace the patient"
	case surveil.WorkObtain:
		return "Obtain the study from outside"
	case surveil.WorkReport:
		return "Chase the report"
	case surveil.WorkReview:
		return "Review the result"
	case surveil.WorkKidney:
		return "Check kidney function"
	case surveil.WorkQuestion:
		return "Answer the question"
	}
	return kind
}

// ClassName is a class of implants as it is said in the trade.
func ClassName(class string) string {
	switch class {
	case "evar", "tevar":
		return strings.ToUpper(class)
	case "fenestrated-branched":
		return "FEVAR/BEVAR"
	case "":
		return ""
	}
	words := strings.ReplaceAll(class, "-", " ")
	return strings.ToUpper(words[:1]) + words[1:]
}

// WorkText says what is to be done and why, in whole sentences.
func WorkText(w *surveil.Work) string {
	text := Title(w.Kind) + "."
	for i := range w.Why {
		text += " " + w.Why[i].Text()
	}
	return text
}

// ScanText is a proposed scan day on one line, for people.
func ScanText(p *surveil.Plan, s *surveil.Scan) string {
	var names []string
	for _, key := range s.Serves {
		names = append(names, visitName(p, key))
	}
	text := "One scan day serves: "
	if len(names) == 1 {
		text = "A scan day of its own for: "
	}
	text += strings.Join(names, ", ")
	switch {
	case s.Booked != "":
		return text + ", on " + s.From.Text() + ", which is booked."
	case s.To == 0:
		return text + ", any day from now on."
	case s.From <= p.AsOf:
		return text + ", any day from today to " + s.To.Text() + "."
	case s.From == s.To:
		return text + ", on " + s.From.Text() + "."
	}
	return text + ", any day from " + s.From.Text() + " to " + s.To.Text() + "."
}

// visitName names the visit with a key: its step, and its implant where there
// are several.
func visitName(p *surveil.Plan, key string) string {
	step := key[strings.LastIndexByte(key, '/')+1:]
	for i := range p.Implants {
		m := &p.Implants[i]
		if rest, ok := strings.CutPrefix(key, m.ID+"/"); ok && strings.Count(rest, "/") < 2 && len(p.Implants) > 1 {
			return step + in(strings.TrimSpace(m.Side+" "+ClassName(m.Class)))
		}
	}
	return step
}

// ReasonText is the reason for which a work item ended or a visit is excused,
// in plain words.
func ReasonText(reason string) string {
	for _, t := range reasonTexts() {
		if t[0] == reason {
			return t[1]
		}
	}
	return strings.ReplaceAll(reason, "-", " ")
}

// reasonTexts are the reasons and their words.
func reasonTexts() [][2]string {
	return [][2]string{
		{ReasonDone, "the imaging was done"}, {ReasonBooked, "it is booked in its window"},
		{ReasonNowOverdue, "the window has closed: it is chased from now on"}, {ReasonMissed, "the time in which it counts has passed"},
		{ReasonNotOverdue, "it is no longer overdue"}, {ReasonWithheld, "it waits for the review of a finding"},
		{ReasonNotInPlan, "the schedule no longer holds this visit"}, {ReasonImplantGone, "the implant is no longer on record"},
		{ReasonSeen, "the patient is in touch again"}, {ReasonPaused, "surveillance is paused"},
		{ReasonUnresolved, "it is not known whether there is anything to follow"}, {ReasonReported, "the final report is there"},
		{ReasonReviewed, "a person has reviewed it"}, {ReasonKidney, "a recent creatinine is there"}, {ReasonAnswered, "a person has answered"},
		{ReasonSolved, "newer data has answered it"}, {ReasonNotNeeded, "what it was about is no longer on record, or asks for nothing"},
		{ReasonMerged, "the same item exists under the surviving record"},
		{string(surveil.EndDied), "the patient has died"}, {string(surveil.EndStopped), "surveillance was stopped"},
		{string(surveil.EndExplanted), "the implant was explanted"}, {string(surveil.EndTransferred), "another centre has taken over"},
		{string(surveil.EndCompleted), "the schedule is completed"},
	}
}

// Text is the change on one line, for people; it names no patient.
func (c *Change) Text() string {
	switch c.Kind {
	case State:
		return stateText(c)
	case Rung:
		return rungText(c)
	case ImplantNew:
		return "New implant under surveillance" + in(ClassName(c.Now)) + "."
	case ImplantGone:
		return "An implant" + in(ClassName(c.Was)) + " is no longer on record."
	case Visit:
		return visitText(c)
	}
	return workText(c)
}

// in puts a word in brackets.
func in(word string) string {
	if word == "" {
		return ""
	}
	return " (" + word + ")"
}

func stateText(c *Change) string {
	switch {
	case c.Now == "":
		return "No implant is on record any more."
	case c.Reason != "":
		return "Surveillance ended: " + ReasonText(c.Reason) + "."
	case c.Now == string(surveil.StateActive):
		return "Under surveillance."
	case c.Now == string(surveil.StatePaused) && c.Until > 0:
		return "Surveillance is paused until " + c.Until.Text() + "."
	case c.Now == string(surveil.StatePaused):
		return "Surveillance is paused until further notice."
	}
	return "A person must say whether this patient is to be followed."
}

func rungText(c *Change) string {
	switch surveil.Rung(c.Now) {
	case surveil.RungCurrent:
		return "Follow-up is current again."
	case surveil.RungOverdue:
		return "Follow-up is overdue."
	case surveil.RungPresumedLost:
		return "Presumed lost to follow-up since " + c.Until.Text() + "."
	}
	return "Lost to follow-up since " + c.Until.Text() + "."
}

func visitText(c *Change) string {
	text := "Visit " + c.Step + ": "
	if c.Was != "" {
		text += standingText(c.Was) + "; now "
	}
	text += standingText(c.Now)
	if c.Reason != "" {
		text += " (" + ReasonText(c.Reason) + ")"
	}
	if strings.HasPrefix(c.Now, string(surveil.Open)) && c.Until > 0 {
		text += ", until " + c.Until.Text()
	}
	return text + evidenceText(c.Evidence) + "."
}

// standingText is a standing with its result, for people.
func standingText(text string) string {
	return strings.NewReplacer(", awaited", ", its report awaited", ", reported", ", its report not yet reviewed").Replace(text)
}

func workText(c *Change) string {
	what := Title(c.Work.Kind)
	if c.Step != "" {
		what += ", visit " + c.Step
	}
	switch c.Kind {
	case WorkNew:
		return "New: " + what + untilText(c) + "."
	case WorkChanged:
		return "Changed: " + what + untilText(c) + "."
	case WorkCompleted:
		return "Done: " + what + ": " + ReasonText(c.Reason) + evidenceText(c.Evidence) + "."
	}
	return "Cancelled: " + what + ": " + ReasonText(c.Reason) + evidenceText(c.Evidence) + "."
}

func untilText(c *Change) string {
	text := ""
	if c.Now != "" {
		text = " (" + c.Now + ")"
	}
	if c.Until > 0 {
		text += ", by " + c.Until.Text()
	}
	if c.Work.Snoozed > 0 {
		text += ", snoozed until " + c.Work.Snoozed.Text()
	}
	return text
}

func evidenceText(list []string) string {
	if len(list) == 0 {
		return ""
	}
	return " [" + strings.Join(list, ", ") + "]"
}
