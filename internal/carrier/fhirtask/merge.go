package fhirtask

import (
	"encoding/json"
	"errors"
	"maps"
	"slices"
	"strings"
	"time"

	"perennial/internal/fhir"
	"perennial/internal/notice"
)

// tree is a Task, each element as it was written.
type tree map[string]json.RawMessage

func parse(body []byte) (tree, error) {
	o, err := fhir.ParseObject(body)
	return tree(o), err
}

func (t tree) text(name string) string { return fhir.Object(t).Text(name) }

func (t tree) set(name string, v any) { fhir.Object(t).Set(name, v) }

func (t tree) list(name string) []json.RawMessage { return fhir.Object(t).List(name) }

// merged is what came of a merge.
type merged struct {
	body []byte // to be written; nil: nothing changes
	kept string // the status that a person set and that is kept; "" where the status is ours
}

// merge writes an item into the Task that is on the server. ours is the rendered item.
func merge(server, ours []byte, t *notice.Task) (merged, error) {
	was, err1 := parse(server)
	want, err2 := parse(ours)
	if err := errors.Join(err1, err2); err != nil {
		return merged{}, err
	}
	if was.text("status") == "entered-in-error" {
		return merged{kept: "entered-in-error"}, nil
	}
	now := maps.Clone(was)
	for _, name := range []string{"groupIdentifier", "businessStatus", "code", "description", "reasonCode"} {
		if want[name] != nil && (name != "businessStatus" || was.ours(name)) {
			now[name] = want[name]
		}
	}
	for _, name := range []string{"performerType", "authoredOn", "intent"} {
		if now[name] == nil && want[name] != nil {
			now[name] = want[name]
		}
	}
	now.refer(want)
	stamp, stamped := stampOf(was)
	if !stamped { // a server that drops extensions: only the status is known to be a person's or not
		stamp = fhir.Stamp{Priority: was.text("priority"), From: was.period().Start, By: was.period().End}
	}
	m := merged{}
	m.kept = now.status(want, t, &stamp)
	now.dates(want, &stamp)
	now.identifiers(want)
	now.notes(want, t, m.kept)
	now.stamp(stamp)
	if fhir.Object(was).Same(fhir.Object(now)) {
		return m, nil
	}
	now.modified(want)
	body, err := fhir.Encode(now)
	m.body = body
	return m, err
}

// refer takes over references, but for those by which the server means the same resource.
func (t tree) refer(want tree) {
	for _, name := range []string{"for", "focus", "reasonReference"} {
		var a, b fhir.Reference
		_ = json.Unmarshal(t[name], &a)
		if want[name] == nil || json.Unmarshal(want[name], &b) != nil {
			continue
		}
		x, y := a.Parse(), b.Parse()
		if x.Kind != fhir.NoRef && x.Type == y.Type && x.ID == y.ID && x.Key == y.Key {
			continue
		}
		t[name] = want[name]
	}
}

// stampOf is what the program last wrote; nothing where the Task does not tell.
func stampOf(t tree) (s fhir.Stamp, ok bool) {
	for _, raw := range t.list("extension") {
		if e := extension(raw); e.URL == fhir.StampURL {
			return fhir.ParseStamp(e.ValueString)
		}
	}
	return fhir.Stamp{}, false
}

type ext struct{ URL, ValueString string }

func extension(raw json.RawMessage) (e ext) {
	_ = json.Unmarshal(raw, &e)
	return e
}

// stamp writes the stamp, in the place of the one that is there.
func (t tree) stamp(s fhir.Stamp) {
	list := slices.DeleteFunc(t.list("extension"), func(raw json.RawMessage) bool { return extension(raw).URL == fhir.StampURL })
	b, _ := fhir.Encode(map[string]string{"url": fhir.StampURL, "valueString": s.String()})
	t.set("extension", append(list, b))
}

// byPerson says whether a person set the status: it is not what was last written, or it closes the Task without a
// reason of ours. Without a stamp only requested can be ours.
func byPerson(t tree, stamp fhir.Stamp) bool {
	status := t.text("status")
	if stamp.Status != "" && status != stamp.Status {
		return true
	}
	if status == "completed" || status == "cancelled" {
		var reason fhir.CodeableConcept
		_ = json.Unmarshal(t["statusReason"], &reason)
		return !slices.ContainsFunc(reason.Coding, func(c fhir.Coding) bool { return strings.HasPrefix(c.System, "urn:perennial:") })
	}
	return status != "requested"
}

// ours says whether a concept is absent, or has a code of ours: a person has not set it.
func (t tree) ours(name string) bool {
	var c fhir.CodeableConcept
	_ = json.Unmarshal(t[name], &c) // nothing says enough
	mine := func(c fhir.Coding) bool { return strings.HasPrefix(c.System, "urn:perennial:") }
	return t[name] == nil || slices.ContainsFunc(c.Coding, mine)
}

// status writes the item's status, unless a person set it; it gives the status that is kept.
func (t tree) status(want tree, item *notice.Task, stamp *fhir.Stamp) (kept string) {
	if item.Human || byPerson(t, *stamp) {
		return t.text("status")
	}
	t.set("status", statusOf(item))
	if t.ours("statusReason") { // a person's, of a Task that is open, stays
		delete(t, "statusReason")
	}
	if want["statusReason"] != nil {
		t["statusReason"] = want["statusReason"]
	}
	stamp.Status = statusOf(item)
	return ""
}

// dates writes priority and restriction.period, unless a person changed them.
func (t tree) dates(want tree, stamp *fhir.Stamp) {
	if p := t.text("priority"); p == stamp.Priority && want["priority"] != nil {
		t["priority"] = want["priority"]
		stamp.Priority = want.text("priority")
	}
	mine, theirs := want.period(), t.period()
	if theirs.Start != stamp.From || theirs.End != stamp.By || mine == (fhir.Period{}) {
		return
	}
	r := tree{}
	if json.Unmarshal(t["restriction"], &r) != nil || r == nil {
		r = tree{}
	}
	r.set("period", mine)
	t.set("restriction", r)
	stamp.From, stamp.By = mine.Start, mine.End
}

// period is restriction.period.
func (t tree) period() fhir.Period {
	var r struct{ Period fhir.Period }
	_ = json.Unmarshal(t["restriction"], &r)
	return r.Period
}

// identifiers adds those of ours that are missing.
func (t tree) identifiers(want tree) {
	list := t.list("identifier")
	for _, id := range want.list("identifier") {
		if !slices.ContainsFunc(list, func(raw json.RawMessage) bool { return fhir.SameIdentifier(raw, id) }) {
			list = append(list, id)
		}
	}
	t.set("identifier", list)
}

// notes adds those of ours whose text is not there yet, and one where a person's status hides how the item ended.
func (t tree) notes(want tree, item *notice.Task, kept string) {
	fresh := want.list("note")
	if n, ok := keptNote(item, kept); ok && kept != "" && !(item.Human && len(fresh) > 0) {
		b, _ := fhir.Encode(map[string]string{"authorString": fhir.AuthorName, "time": n.Time.UTC().Format("2006-01-02T15:04:05Z"), "text": n.Text})
		fresh = append(fresh, b)
	}
	list := t.list("note")
	for _, raw := range fresh {
		text := noteText(raw)
		if !slices.ContainsFunc(list, func(old json.RawMessage) bool { return noteText(old) == text }) {
			list = append(list, raw)
		}
	}
	if len(list) > 0 {
		t.set("note", list)
	}
}

func noteText(raw json.RawMessage) string {
	var n fhir.Annotation
	_ = json.Unmarshal(raw, &n)
	return n.Text
}

// modified sets lastModified to ours, unless that would set it back.
func (t tree) modified(want tree) {
	ours, err := time.Parse(time.RFC3339, want.text("lastModified"))
	if err != nil {
		return
	}
	for _, name := range []string{"lastModified", "authoredOn"} {
		if theirs, ok := moment(t.text(name)); t[name] != nil && (!ok || ours.Before(theirs)) {
			return
		}
	}
	t["lastModified"] = want["lastModified"]
}

// moment reads a time; a date is its end, so that nothing is set before it.
func moment(text string) (time.Time, bool) {
	if at, err := time.Parse(time.RFC3339, text); err == nil {
		return at, true
	}
	at, err := time.Parse(time.DateOnly, text)
	return at.Add(36 * time.Hour), err == nil
}
