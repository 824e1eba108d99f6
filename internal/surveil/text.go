package surveil

import (
	"strconv"
	"strings"

	"perennial/internal/day"
)

// Text is the reason in plain words, for people.
func (r *Reason) Text() string {
	text := template(r.Rule)
	if text == "" {
		return r.Rule
	}
	return strings.NewReplacer("{from}", r.From.Text(), "{to}", r.To.Text(), "{days} days", daysText(r.Days), "{word}", r.Word).Replace(text)
}

// daysText is a count of days in words.
func daysText(n int) string {
	if n == 1 {
		return "1 day"
	}
	return strconv.Itoa(n) + " days"
}

// On is the reason as it reads on another day, of a plan that time has not
// changed since: its day count is from that day.
func (r Reason) On(today day.Day) Reason {
	if r.Days > 0 {
		r.Days = int(today - r.To.Last)
	}
	return r
}

// template is the sentence of a rule. docs/reasons.md lists them all.
func template(rule string) string {
	for _, t := range Templates() {
		if t.Rule == rule {
			return t.Text
		}
	}
	return ""
}

// Template is a rule and its sentence; {from}, {to}, {days} and {word} stand
// for dates, a day count and a word or two.
type Template struct {
	Rule, Text string
}

// Templates are all rules with their sentences.
func Templates() []Template {
	return []Template{
		// What made an implant, a clock or a visit.
		{"implanted", "Implanted on {from} ({word})."},
		{"relined", "A re-intervention on {from} added or relined a graft: the schedule starts again from that day ({word})."},
		{"explanted", "Explanted or converted to open repair on {from}: this implant's schedule ends, open repair is followed from that day."},
		{"filter-out", "The filter was taken out on {from}: its schedule ends."},
		{"entered-by-hand", "Entered by {word}: operated elsewhere."},
		{"known-from-history", "Known from a history record only: the date of the operation is needed."},
		{"known-from-device", "A device is on record that no operation explains: the date of the operation is needed."},
		{"protocol-step", "{word}: counted from {from}, due {to}."},
		{"staged", "Done in stages, the last on {from}: the schedule counts from that day."},
		{"staged-not-usable", "A person said that this operation and {word} are stages of one plan; the two are not on record with their days, or lie too far apart. The schedule counts from the first as before. Which are the stages?"},
		{"modality-agreed", "A person agreed on {from} that {word} does for it."},
		{"interval-changed", "A person changed the interval on {from}: {word}."},
		{"stratum-confirmed", "A person confirmed the {word} risk stratum on {from}."},
		{"care-by-study", "A device study that the patient is on since {from} decides: {word}."},
		{"care-by-ruling", "A person chose the protocol on {from}: {word}."},
		{"care-by-labelling", "The labelling of the device decides: {word}."},
		{"care-after-study", "The patient left the study {word} on {from}: the care goes on by the next protocol in order."},
		{"care-after-schedule", "The schedule of the study {word} ended on {from}: the care goes on by the next protocol in order."},
		{"care-after-settings", "The settings name the study {word} for the care no more since {from}: the care goes on by the next protocol in order."},
		{"labelling-other-class", "The labelling that the settings name for the device ({word}) is not for this class of implant: it decides nothing."},
		{"trigger-visit", "Added by the rule {word}: due {to}."},
		// Where a visit stands.
		{"done-on-time", "Imaging on {from} satisfies it, in the window (told by {word})."},
		{"done-late", "Imaging on {from} satisfies it, after the window (told by {word})."},
		{"also-missing", "The source asks for a {word} beside it; none within {days} days of {from} is on record. The visit is done all the same."},
		{"accepted-by-person", "Imaging on {from} was accepted for it by a person."},
		{"decided-by-person", "A person took the decision on {from}; no imaging is asked for."},
		{"asks-for-decision", "No imaging: a person decides whether the filter can come out, and enters it as reviewed for this visit."},
		{"excused", "No longer owed: {word}."},
		{"missed", "The window {from} to {to} has passed, and so has the time for late imaging; nothing that satisfies it is on record."},
		{"overdue", "The window closed on {to}, {days} days ago; nothing that satisfies it is on record yet."},
		{"booked", "Booked for {word}, in the window {from} to {to}."},
		{"open", "In its window {from} to {to}; nothing that satisfies it is on record yet."},
		{"upcoming", "Its window opens on {from}."},
		{"before-our-records", "It lies before our records begin ({from}): not judged."},
		{"baseline-not-judged", "The index date is not known to the day: the baseline visit is not judged."},
		// Questions.
		{"index-partial", "The date of the operation is known only as {from}. Which day was it?"},
		{"relined-without-index", "A graft was added or relined, but no first operation is on record. When was the implant placed?"},
		{"operation-without-date", "The operation has no usable date. When was it?"},
		{"operation-doubtful", "The operation may not have left an implant in place ({word}). Is there an implant to follow?"},
		{"operation-may-be-same", "Two records may be one operation; their dates are not known to the day. Are they the same?"},
		{"side-unknown", "The side is not stated. Left or right?"},
		{"class-without-protocol", "No protocol names the class of this implant ({word}). What was implanted?"},
		{"study-without-date", "The study has no usable date. When was it?"},
		{"study-not-recognised", "No rule knows what this imaging on {from} is ({word}). What is it?"},
		{"study-waits", "Imaging on {from} may do for {word}. Accept it?"},
		{"study-may-count", "Imaging of {from} may or may not lie in the time for {word}. On which day was it?"},
		{"study-outside-windows", "Imaging on {from} lies outside the windows, nearest to {word}, which is not done. Count it?"},
		{"study-left-without-day", "The patient left the study {word}, and no day is on record. When was it? Until then the study decides nothing about the care."},
		{"alive-after-death", "Death is recorded on {from}, but there are later signs of life. Which is right? Surveillance goes on until this is answered."},
		{"death-without-day", "The patient is recorded as dead, without the day. When was it?"},
		{"asked-on-reading", "{word}"},
		{"declined-elsewhere", "Declined in the other system on {from}, and still needed: why? {word}"},
		// Work.
		{"one-scan", "One scan may also serve {word}."},
		{"report-awaited", "Imaging on {from} has no final report."},
		{"report-unread", "A report of {from} has not been reviewed."},
		{"finding-abnormal", "{word}, seen on {from}, has not been reviewed."},
		{"trigger-note", "{word}"},
		{"trigger-review", "{word}, seen on {from}: to be looked at."},
		{"rung-presumed-lost", "Presumed lost to follow-up since {from}."},
		{"rung-lost", "Lost to follow-up: presumed lost since {from}, and attempts to reach the patient had no answer."},
		{"creatinine-missing", "No creatinine is on record before contrast imaging."},
		{"creatinine-old", "The latest creatinine is of {from}: older than the limit before contrast imaging."},
		{"kidney-function-low", "Kidney function on {from} is below the limit for contrast imaging, or cannot be worked out. It is for the clinician to weigh; imaging is still due."},
	}
}
