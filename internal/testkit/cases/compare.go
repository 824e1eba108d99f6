package cases

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"sort"
	"strings"
)

type object = map[string]any

// Compare says how the output of assess, one JSON object for one patient,
// differs from the expected part, one line for each difference: the place,
// what was expected, what is there.
func Compare(want, got []byte) []string {
	var expected, actual object
	if err := strict(want, &expected); err != nil {
		return []string{"the expected part is no JSON object: " + err.Error()}
	}
	if len(expected) == 0 {
		return []string{"the expected part is empty: it would allow everything"}
	}
	if n := countLines(got); n != 1 {
		return []string{fmt.Sprintf("want one line for one patient, got %d: %s", n, short(string(got)))}
	}
	if err := json.Unmarshal(got, &actual); err != nil {
		return []string{"the output is no JSON object: " + err.Error()}
	}
	d := &diff{}
	d.object("", expected, actual)
	return d.lines
}

// countLines counts the lines that are not blank.
func countLines(b []byte) int {
	n := 0
	for _, line := range bytes.Split(b, []byte("\n")) {
		if len(bytes.TrimSpace(line)) > 0 {
			n++
		}
	}
	return n
}

// diff collects differences.
type diff struct{ lines []string }

func (d *diff) add(at, format string, args ...any) {
	if at == "" {
		at = "the patient"
	}
	d.lines = append(d.lines, at+": "+fmt.Sprintf(format, args...))
}

// object compares the keys of an expected object, in order.
func (d *diff) object(at string, want, got object) {
	for _, key := range sorted(want) {
		d.key(at, key, want[key], got)
	}
}

// key compares one expected key with what the actual object has.
func (d *diff) key(at, key string, want any, got object) {
	here := strings.TrimPrefix(at+"."+key, ".")
	if bad := misspelt(key, want); bad != "" {
		d.add(here, "the expectation says nothing: %s", bad)
		return
	}
	switch key {
	case "absent":
		for _, k := range list(want) {
			if v, there := got[fmt.Sprint(k)]; there {
				d.add(at, "%q must not be there, got %s", k, text(v))
			}
		}
	case "absentVisits":
		d.absent(at, "visits", want, got)
	case "absentQuestions":
		d.absent(at, "questions", want, got)
	case "absentWork":
		d.absent(at, "work", want, got)
	case "implants":
		d.implants(here, list(want), list(got[key]))
	case "visits", "questions", "work":
		d.entries(here, key, list(want), list(got[key]))
	default:
		d.value(here, want, got[key])
	}
}

// misspelt says why an expected list would let everything pass: it is no list,
// it is empty, or it forbids a kind that does not exist.
func misspelt(key string, want any) string {
	kinds, special := special(key)
	if !special {
		return ""
	}
	if len(list(want)) == 0 {
		return "want a list with something in it, not " + text(want)
	}
	for _, w := range list(want) {
		kind, plain := w.(string)
		if pattern, ok := w.(object); ok && len(pattern) > 0 {
			kind, plain = pattern["kind"].(string)
		}
		if kinds != "" && plain && kind != "*" && !strings.Contains(" "+kinds+" ", " "+kind+" ") {
			return fmt.Sprintf("there is no kind %q", kind)
		}
	}
	return ""
}

// special says whether a key of the expected part is compared in its own way,
// and which kinds its entries may have (empty: any), from the page of the
// contract that lists them.
func special(key string) (kinds string, yes bool) {
	switch key {
	case "questions", "absentQuestions":
		return "index-date implant-class study-kind study-acceptance study-early partial-date finding-text identity unreadable death-date other", true
	case "work", "absentWork":
		return "arrange-imaging chase-overdue trace-patient obtain-outside-study chase-report review-finding check-kidney answer-question", true
	case "absent", "implants", "visits", "absentVisits":
		return "", true
	}
	return "", false
}

// value compares anything else: objects by key, the rest as it is.
func (d *diff) value(at string, want, got any) {
	w, isObject := want.(object)
	g, gotObject := got.(object)
	switch {
	case isObject && gotObject:
		d.object(at, w, g)
	case strings.HasSuffix(at, ".protocol") && version(want, got):
	case !reflect.DeepEqual(want, got):
		d.add(at, "want %s, got %s", text(want), text(got))
	}
}

// version says whether an expected protocol without a version is the one there.
func version(want, got any) bool {
	w, ok := want.(string)
	g, _ := got.(string)
	id, _, _ := strings.Cut(g, "@")
	return ok && w != "" && id == w
}

// implants compares implants by position.
func (d *diff) implants(at string, want, got []any) {
	if len(want) != len(got) {
		d.add(at, "want %d, got %d: %s", len(want), len(got), text(got))
		return
	}
	for i := range want {
		d.value(fmt.Sprintf("%s[%d]", at, i), want[i], got[i])
	}
}

// entries finds each expected entry of a list and compares it; no actual
// entry serves twice.
func (d *diff) entries(at, kind string, want, got []any) {
	used := make([]bool, len(got))
	for _, w := range want {
		entry, ok := w.(object)
		if !ok || len(entry) == 0 {
			d.add(at, "an expected entry must be an object that says something, not %s", text(w))
			continue
		}
		d.entry(at, kind, entry, got, used)
	}
}

// entry compares an expected entry with the one among the unused that it names
// and that differs least.
func (d *diff) entry(at, kind string, want object, got []any, used []bool) {
	best, fewest := -1, []string(nil)
	for i, g := range got {
		actual, ok := g.(object)
		if !ok || used[i] || !named(kind, want, actual) {
			continue
		}
		try := &diff{}
		try.object(at+"["+name(kind, want)+"]", rest(kind, want), actual)
		if best < 0 || len(try.lines) < len(fewest) {
			best, fewest = i, try.lines
		}
	}
	if best < 0 {
		d.add(at, "want %s, got none; there are: %s", text(want), names(kind, got))
		return
	}
	used[best] = true
	d.lines = append(d.lines, fewest...)
}

// identity are the keys that name an entry of a list.
func identity(kind string) []string {
	switch kind {
	case "visits":
		return []string{"step"}
	case "questions":
		return []string{"kind", "about"}
	}
	return []string{"kind", "visit"}
}

// named says whether the actual entry is the one that the expected one names.
func named(kind string, want, got object) bool {
	for _, key := range identity(kind) {
		w, said := want[key]
		if !said {
			continue
		}
		if kind == "work" && key == "visit" {
			if !ofVisit(fmt.Sprint(w), fmt.Sprint(got["key"])) {
				return false
			}
		} else if !reflect.DeepEqual(w, got[key]) {
			return false
		}
	}
	return true
}

// ofVisit says whether the key of a work item has the step as one of its parts.
func ofVisit(step, key string) bool {
	parts := strings.FieldsFunc(key, func(r rune) bool { return strings.ContainsRune("/|:#", r) })
	for _, p := range parts {
		if p == step {
			return true
		}
	}
	return false
}

// rest is what an entry says besides its name.
func rest(kind string, want object) object {
	out := object{}
	for k, v := range want {
		out[k] = v
	}
	for _, key := range identity(kind) {
		delete(out, key)
	}
	return out
}

// absent reports the entries of a list that must not be there.
func (d *diff) absent(at, kind string, want any, got object) {
	for _, w := range list(want) {
		for _, g := range list(got[kind]) {
			if actual, ok := g.(object); ok && forbidden(kind, w, actual) {
				d.add(strings.TrimPrefix(at+"."+kind, "."), "%s must not be there, got %s", text(w), text(actual))
			}
		}
	}
}

// forbidden says whether an entry is what must not be there: any, a step or
// kind, or everything that an object says.
func forbidden(kind string, want any, got object) bool {
	pattern, ok := want.(object)
	if !ok {
		return want == "*" || want == got[identity(kind)[0]]
	}
	try := &diff{}
	try.object("", rest(kind, pattern), got)
	return len(try.lines) == 0 && named(kind, pattern, got)
}

// name is how an entry is called in a difference.
func name(kind string, entry object) string {
	var parts []string
	for _, key := range identity(kind) {
		if v, said := entry[key]; said {
			parts = append(parts, fmt.Sprint(v))
		}
	}
	return strings.Join(parts, " ")
}

// names lists the entries of a list by name; work by its keys.
func names(kind string, entries []any) string {
	var all []string
	for _, e := range entries {
		entry, _ := e.(object)
		n := name(kind, entry)
		if key, keyed := entry["key"]; keyed && kind == "work" {
			n = fmt.Sprint(key)
		}
		all = append(all, n)
	}
	if len(all) == 0 {
		return "none"
	}
	return strings.Join(all, ", ")
}

func list(v any) []any {
	l, _ := v.([]any)
	return l
}

func sorted(o object) []string {
	keys := make([]string, 0, len(o))
	for k := range o {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	return keys
}

// text is a value as JSON, cut where it is long; nothing is "nothing".
func text(v any) string {
	if v == nil {
		return "nothing"
	}
	b, err := json.Marshal(v)
	if err != nil {
		return fmt.Sprint(v)
	}
	return short(string(b))
}

func short(s string) string {
	const most = 300
	if len(s) > most {
		return s[:most] + " …"
	}
	return s
}
