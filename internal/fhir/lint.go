package fhir

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"
)

// Sizes that Lint holds what we write to. FHIR allows 1 MB for a string; a Task of ours is never near it.
const (
	maxWritten = 256 << 10 // bytes of one resource
	maxText    = 4000      // letters of one string
)

// Lint looks at a resource before it is sent and says what is wrong with it, one line each: the path, and what.
// It finds what validators are known to let pass: empty objects, lists and texts, null, a member given twice, two
// variants of one choice; and for the types that we write also unknown members, wrong types, missing elements, codes
// outside their value sets, dates, references, periods, and what must hold between elements (inv-1, bdl-3, bdl-7,
// ext-1; an action that is named is there). What asks for something must be a draft and a proposal. It knows only the
// elements that we write: it is no validator for the resources of others. Lines never hold a value of the resource.
func Lint(resource []byte) []string {
	l := &linter{}
	if len(resource) > maxWritten && peekType(resource) != "Bundle" {
		l.say("", "is larger than %d bytes", maxWritten)
	}
	if !utf8.Valid(resource) {
		return append(l.problems, "is not UTF-8 text")
	}
	d := json.NewDecoder(bytes.NewReader(resource))
	d.UseNumber()
	root, err := l.value(d, "", 0)
	if err != nil {
		return append(l.problems, "is not JSON")
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		l.say("", "has something after its end")
	}
	l.resource("", root)
	return l.problems
}

type linter struct{ problems []string }

func (l *linter) say(path, format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	if path != "" {
		text = path + " " + text
	}
	l.problems = append(l.problems, text)
}

// value reads one JSON value, looking for what no FHIR resource may hold.
func (l *linter) value(d *json.Decoder, path string, depth int) (any, error) {
	t, err := d.Token()
	if err != nil || depth > maxDepth {
		return nil, errors.Join(err, errDeep(depth))
	}
	switch t := t.(type) {
	case json.Delim:
		if t == '{' {
			return l.object(d, path, depth)
		}
		return l.list(d, path, depth)
	case string:
		if strings.TrimSpace(t) == "" {
			l.say(path, "is an empty text")
		}
		if utf8.RuneCountInString(t) > maxText {
			l.say(path, "is longer than %d letters", maxText)
		}
		return t, nil
	case nil:
		l.say(path, "is null")
	}
	return t, nil
}

func errDeep(depth int) error {
	if depth > maxDepth {
		return errors.New("nested too deep")
	}
	return nil
}

func (l *linter) object(d *json.Decoder, path string, depth int) (any, error) {
	m := map[string]any{}
	for d.More() {
		t, err := d.Token()
		if err != nil {
			return nil, err
		}
		name, _ := t.(string)
		v, err := l.value(d, join(path, name), depth+1)
		if err != nil {
			return nil, err
		}
		if _, twice := m[name]; twice {
			l.say(join(path, name), "is given twice")
		}
		m[name] = v
	}
	if len(m) == 0 {
		l.say(path, "is an empty object")
	}
	l.choices(path, m)
	_, err := d.Token()
	return m, err
}

func (l *linter) list(d *json.Decoder, path string, depth int) (any, error) {
	list := []any{}
	for d.More() {
		v, err := l.value(d, fmt.Sprintf("%s[%d]", path, len(list)), depth+1)
		if err != nil {
			return nil, err
		}
		list = append(list, v)
	}
	if len(list) == 0 {
		l.say(path, "is an empty list")
	}
	_, err := d.Token()
	return list, err
}

// choices finds an element of which two variants are given: valueString beside valueCode.
func (l *linter) choices(path string, m map[string]any) {
	for _, stem := range strings.Fields(stems) {
		n := 0
		for name := range m {
			variant, ok := strings.CutPrefix(name, stem)
			if ok && slices.Contains(strings.Fields(variants), variant) {
				n++
			}
		}
		if n > 1 {
			l.say(join(path, stem+"[x]"), "is given in %d variants", n)
		}
	}
}

// Elements of R4 that may have one of several types, and the types. Source: HL7 FHIR R4 (4.0.1), formats and
// datatypes. Elements like reason, whose reasonCode and reasonReference stand side by side, are none.
const (
	stems    = "value author content effective performed onset abatement deceased multipleBirth occurrence medication item timing product scheduled asNeeded serviced location defaultValue"
	variants = "Base64Binary Boolean Canonical Code Date DateTime Decimal Id Instant Integer Markdown Oid PositiveInt String Time UnsignedInt Uri Url Uuid Address Age " +
		"Annotation Attachment CodeableConcept Coding ContactPoint Count Distance Duration HumanName Identifier Money Period Quantity Range Ratio Reference SampledData " +
		"Signature Timing ContactDetail Contributor DataRequirement Expression ParameterDefinition RelatedArtifact TriggerDefinition UsageContext Dosage Meta"
)

func join(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}
