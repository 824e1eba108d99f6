package fhir

import (
	"encoding/json"
	"fmt"
	"regexp"
	"sort"
	"strings"
	"time"
)

// shape lists the elements that we write of a type: name, type, "*" for a list, "!" for one that is required.
// Source: HL7 FHIR R4 (4.0.1), the structure definitions.
func shape(typ string) string {
	switch typ {
	case "Task":
		return "resourceType:code! id:id meta:Meta extension:Extension* identifier:Identifier* groupIdentifier:Identifier basedOn:Reference* partOf:Reference* status:task-status! " +
			"statusReason:CodeableConcept businessStatus:CodeableConcept intent:task-intent! priority:request-priority code:CodeableConcept description:string " +
			"focus:Reference for:Reference executionPeriod:Period authoredOn:dateTime lastModified:dateTime performerType:CodeableConcept* owner:Reference " +
			"reasonCode:CodeableConcept reasonReference:Reference note:Annotation* restriction:Restriction"
	case "Bundle":
		return "resourceType:code! type:bundle-type! entry:Entry*"
	case "Entry":
		return "fullUrl:uri resource:Resource! request:Request"
	case "Request":
		return "method:http-verb! url:uri! ifNoneExist:string"
	case "Meta":
		return "versionId:id lastUpdated:dateTime"
	case "Extension":
		return "extension:Extension* url:uri! valueString:string valueCode:code"
	case "Identifier":
		return "system:uri value:string!"
	case "Coding":
		return "system:uri! code:code! display:string"
	case "CodeableConcept":
		return "coding:Coding* text:string"
	case "Reference":
		return "reference:link type:uri identifier:Identifier display:string"
	case "Period":
		return "start:dateTime end:dateTime"
	case "Annotation":
		return "authorString:string time:dateTime text:string!"
	case "Restriction":
		return "period:Period!"
	}
	return planShape(typ)
}

// resource checks a whole resource. Of a type without a shape only what holds for all is checked.
func (l *linter) resource(path string, v any) {
	m, ok := v.(map[string]any)
	if !ok {
		l.say(path, "is not an object")
		return
	}
	typ, _ := m["resourceType"].(string)
	if typ == "" {
		l.say(join(path, "resourceType"), "is missing")
		return
	}
	if path == "" {
		path = typ
	}
	if shape(typ) != "" && typeShaped(typ) {
		l.shaped(path, typ, m)
	}
	if typ == "Task" {
		l.times(path, m)
	}
	l.plan(path, typ, m)
}

// shaped checks an object against the shape of its type.
func (l *linter) shaped(path, typ string, v any) {
	m, ok := v.(map[string]any)
	if !ok {
		l.say(path, "is not an object")
		return
	}
	known := map[string]bool{}
	for _, f := range strings.Fields(shape(typ)) {
		name, kind, _ := strings.Cut(f, ":")
		kind, required := strings.CutSuffix(kind, "!")
		kind, many := strings.CutSuffix(kind, "*")
		known[name] = true
		at := path + "." + name
		v, there := m[name]
		switch {
		case !there && required:
			l.say(at, "is missing")
		case there && many:
			l.many(at, kind, v)
		case there:
			l.one(at, kind, v)
		}
	}
	l.unknown(path, m, known)
	switch typ {
	case "Period":
		l.period(path, m)
	case "Extension":
		l.extended(path, m)
	}
}

func (l *linter) unknown(path string, m map[string]any, known map[string]bool) {
	var extra []string
	for name := range m {
		if !known[name] {
			extra = append(extra, name)
		}
	}
	sort.Strings(extra)
	for _, name := range extra {
		l.say(path+"."+name, "is not an element that we write")
	}
}

func (l *linter) many(path, kind string, v any) {
	list, ok := v.([]any)
	if !ok {
		l.say(path, "is not a list")
		return
	}
	for i, v := range list {
		l.one(fmt.Sprintf("%s[%d]", path, i), kind, v)
	}
}

// one checks one value of a type.
func (l *linter) one(path, kind string, v any) {
	if kind == "Resource" {
		l.resource(path, v)
		return
	}
	if shape(kind) != "" {
		l.shaped(path, kind, v)
		return
	}
	if kind == "decimal" {
		l.decimal(path, v)
		return
	}
	if kind == "boolean" {
		if _, ok := v.(bool); !ok {
			l.say(path, "is neither true nor false")
		}
		return
	}
	s, ok := v.(string)
	if !ok {
		l.say(path, "is not a text")
		return
	}
	if s != "" && !formed(kind, s) {
		l.say(path, "is not a valid %s", kind)
	}
}

// formed says whether a text is a value of a primitive type or of a bound value set. Source: HL7 FHIR R4 (4.0.1),
// datatypes, task-status, task-intent, request-priority, bundle-type, http-verb.
func formed(kind, s string) bool {
	switch kind {
	case "task-status":
		return known("Task", s)
	case "task-intent":
		return oneOf(s, "unknown", "proposal", "plan", "order", "original-order", "reflex-order", "filler-order", "instance-order", "option")
	case "request-priority":
		return oneOf(s, "routine", "urgent", "asap", "stat")
	case "bundle-type":
		return oneOf(s, "batch", "transaction", "collection")
	case "http-verb":
		return oneOf(s, "GET", "HEAD", "POST", "PUT", "DELETE", "PATCH")
	case "id":
		return idForm.MatchString(s)
	case "code":
		return codeForm.MatchString(s)
	case "uri":
		return uriForm.MatchString(s)
	case "link":
		return linkForm(s)
	case "dateTime":
		_, ok := instant(s)
		return ok || partialForm.MatchString(s)
	}
	good, known := planForm(kind, s)
	return good || !known
}

var (
	idForm   = regexp.MustCompile(`^[A-Za-z0-9\-.]{1,64}$`)
	codeForm = regexp.MustCompile(`^[^\s]+( [^\s]+)*$`)
	uriForm  = regexp.MustCompile(`^\S+$`)
	urnForm  = regexp.MustCompile(`^urn:(uuid:[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}|oid:[0-2](\.(0|[1-9][0-9]*))+)$`)
)

// linkForm says whether a reference is Type/id, an http address that ends so, or a urn of a uuid or oid.
func linkForm(s string) bool {
	r := ParseReference(s)
	if strings.HasSuffix(s, "/") {
		return false
	}
	switch r.Kind {
	case Relative, Absolute:
		return idForm.MatchString(r.ID) && uriForm.MatchString(s) && (r.Version == "" || idForm.MatchString(r.Version))
	case URN:
		return urnForm.MatchString(s)
	}
	return false
}

// WellFormed says whether a text can stand in Reference.reference of what we write: a literal reference that is
// neither contained nor a search.
func WellFormed(reference string) bool { return linkForm(reference) }

// instant reads the whole forms of dateTime that we write: a date, or a time with its zone.
func instant(s string) (time.Time, bool) {
	for _, form := range []string{time.DateOnly, "2006-01-02T15:04:05Z07:00"} {
		if t, err := time.Parse(form, s); err == nil {
			return t, true
		}
	}
	return time.Time{}, false
}

// period checks that a period does not end before it begins (R4 per-1).
func (l *linter) period(path string, m map[string]any) {
	l.order(path, m, "start", "end")
}

// times checks that a Task was not modified before it was made (R4 inv-1).
func (l *linter) times(path string, m map[string]any) {
	l.order(path, m, "authoredOn", "lastModified")
}

func (l *linter) order(path string, m map[string]any, first, last string) {
	a, _ := m[first].(string)
	b, _ := m[last].(string)
	from, ok := instant(a)
	to, ok2 := instant(b)
	if ok && ok2 && to.Before(from) {
		l.say(path+"."+last, "is before %s", first)
	}
}

// Canonical gives a JSON value in the one form in which two of the same meaning are equal: members sorted, no
// blanks, numbers as they were written. It fails on what is not JSON.
func Canonical(value []byte) (string, error) {
	var v any
	d := json.NewDecoder(strings.NewReader(string(value)))
	d.UseNumber()
	if err := d.Decode(&v); err != nil {
		return "", err
	}
	out, err := json.Marshal(v)
	return string(out), err
}
