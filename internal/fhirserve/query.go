package fhirserve

import (
	"encoding/base64"
	"encoding/json"
	"io"
	"maps"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"perennial/internal/fhir"
)

// How many resources are on a page.
const (
	usualCount = 50
	mostCount  = 200
	mostValues = 200 // of one parameter, and parameters
)

// query is a search that was understood.
type query struct {
	kind    *kind
	tests   []func(*entry) bool
	who     [][]string // ids of patients, as asked: one of each list
	count   int
	bare    bool   // only the number is wanted
	sort    string // _id, _lastUpdated or -_lastUpdated
	after   *place // nil: from the beginning
	used    url.Values
	ignored int // parameters that are not known
}

// place is after which resource a page begins.
type place struct {
	ID string `json:"i"`
	At int64  `json:"t,omitempty"`
}

// String is the form that stands in a link.
func (p place) String() string {
	text, _ := json.Marshal(p) // a text and a number: cannot fail
	return base64.RawURLEncoding.EncodeToString(text)
}

func parsePlace(text string) (*place, bool) {
	raw, err := base64.RawURLEncoding.DecodeString(text)
	var p place
	if err != nil || json.Unmarshal(raw, &p) != nil || !fhir.WellFormed("Task/"+p.ID) {
		return nil, false
	}
	return &p, true
}

// reader reads the parameters of a search.
type reader struct {
	q      query
	site   string
	zone   *time.Location
	bases  []string // of ours, and of the server that references lead to
	strict bool
}

// parameters are all parameters of a request: of its address, and of its body.
func parameters(r *http.Request) (url.Values, error) {
	if len(r.URL.RawQuery) > largest {
		return nil, invalid("The search is too long.")
	}
	all, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil {
		return nil, invalid("The search is not written as one: a percent sign or a semicolon in it makes no sense.")
	}
	if r.Method != http.MethodPost {
		return all, nil
	}
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/x-www-form-urlencoded" {
		return nil, refusal{status: http.StatusUnsupportedMediaType, code: "not-supported", text: "Send the search as application/x-www-form-urlencoded."}
	}
	body, err := io.ReadAll(io.LimitReader(r.Body, largest+1))
	if err != nil {
		return nil, invalid("The search did not come whole.")
	}
	if len(body) > largest {
		return nil, refusal{status: http.StatusRequestEntityTooLarge, code: "too-long", text: "The search is too long."}
	}
	more, err := url.ParseQuery(string(body))
	if err != nil {
		return nil, invalid("The search is not written as one: a percent sign or a semicolon in it makes no sense.")
	}
	for name, values := range more {
		all[name] = append(all[name], values...)
	}
	return all, nil
}

// read reads all parameters.
func (p *reader) read(all url.Values) (*query, error) {
	p.q.count, p.q.sort, p.q.used = usualCount, "_id", url.Values{}
	if len(all) > mostValues {
		return nil, invalid("There are too many parameters.")
	}
	for _, name := range slices.Sorted(maps.Keys(all)) {
		values := all[name]
		if len(values) > mostValues {
			return nil, invalid("One parameter is given too often.")
		}
		for _, value := range values {
			if value == "" {
				continue // a parameter without a value is none (R4, search: "Escaping Search Parameters")
			}
			if err := p.one(name, value); err != nil {
				return nil, err
			}
		}
	}
	return &p.q, nil
}

// one reads one parameter.
func (p *reader) one(name, value string) error {
	name, modifier, modified := strings.Cut(name, ":")
	if head, _, chained := strings.Cut(name, "."); name == "_has" || chained && slices.Contains(p.q.kind.params, head) {
		return invalid("Searches through references (chains, _has) are not supported. Search by the patient's id.")
	}
	known := slices.Contains(p.q.kind.params, name) || name == "_id" || name == "_lastUpdated"
	var err error
	switch {
	case known && modified && !((name == "patient" || name == "subject") && modifier == "Patient"):
		return invalid("A modifier of %s is not supported.", name)
	case known:
		err = p.filter(name, value)
	case slices.Contains([]string{"_count", "_sort", "_summary", "_cursor"}, name):
		if modified {
			return invalid("A modifier of %s is not supported.", name)
		}
		err = p.control(name, value)
	case name == "_format" || name == "_pretty":
		return nil // read elsewhere
	case p.strict:
		return invalid("A parameter of the search is not known for this type; see the CapabilityStatement at metadata.")
	default:
		p.q.ignored++
		return nil
	}
	if err == nil {
		p.q.used[name] = append(p.q.used[name], value)
	}
	return err
}

// control reads what says how the answer is to be given.
func (p *reader) control(name, value string) error {
	switch name {
	case "_count":
		n, err := strconv.Atoi(value)
		if err != nil || n < 0 {
			return invalid("_count is a whole number.")
		}
		p.q.count, p.q.bare = min(n, mostCount), p.q.bare || n == 0
	case "_sort":
		if !slices.Contains([]string{"_id", "_lastUpdated", "-_lastUpdated"}, value) {
			return invalid("Sorting is by _id, _lastUpdated or -_lastUpdated.")
		}
		p.q.sort = value
	case "_summary":
		switch value {
		case "count":
			p.q.bare = true
		case "false":
		default:
			return invalid("Of _summary only count is offered.")
		}
	case "_cursor":
		at, ok := parsePlace(value)
		if !ok {
			return invalid("The link to the next page was changed; follow it as it is.")
		}
		p.q.after = at
	}
	return nil
}

// filter reads what restricts the search. Commas mean or; a parameter given twice
// means and.
func (p *reader) filter(name, value string) error {
	words := splitWords(value)
	if len(words) > mostValues {
		return invalid("%s has too many values.", name)
	}
	if name == "patient" || name == "subject" {
		return p.patient(words)
	}
	var tests []func(*entry) bool
	for _, word := range words {
		test, err := p.test(name, word)
		if err != nil {
			return err
		}
		tests = append(tests, test)
	}
	p.q.tests = append(p.q.tests, func(e *entry) bool {
		return slices.ContainsFunc(tests, func(test func(*entry) bool) bool { return test(e) })
	})
	return nil
}

// test tests for one value.
func (p *reader) test(name, word string) (func(*entry) bool, error) {
	switch name {
	case "_id":
		return func(e *entry) bool { return e.id == word }, nil
	case "_lastUpdated":
		in, ok := moments(word, p.zone)
		if !ok {
			return nil, invalid("_lastUpdated is a date or a time, which may begin with eq, ge, gt, le or lt.")
		}
		return func(e *entry) bool { return in(e.at) }, nil
	case "identifier":
		system, value, both := strings.Cut(word, "|")
		if !both {
			system, value = "", word
		}
		return func(e *entry) bool { return e.identified(p.site, system, value, !both) }, nil
	case "status":
		system, code, both := strings.Cut(word, "|")
		if !both {
			system, code = "", word
		}
		return func(e *entry) bool {
			return e.status == code && (!both || system == statusSystem(e.typ))
		}, nil
	case "target":
		ref := p.local(word)
		return func(e *entry) bool {
			return ref != "" && (e.target == ref || e.target[strings.IndexByte(e.target, '/')+1:] == ref)
		}, nil
	case "url":
		return func(e *entry) bool { return e.url == word }, nil
	}
	return func(e *entry) bool { return e.version == strings.TrimPrefix(word, "|") }, nil // version
}

// patient reads ids of patients.
func (p *reader) patient(words []string) error {
	var ids []string
	for _, word := range words {
		id := p.local(word)
		if typ, rest, ok := strings.Cut(id, "/"); ok {
			if typ != "Patient" {
				id = ""
			} else {
				id = rest
			}
		}
		ids = append(ids, id) // one of another server is nobody here
	}
	p.q.who = append(p.q.who, ids)
	return nil
}

// local is a reference as Type/id, or a bare id; empty where it leads elsewhere.
func (p *reader) local(word string) string {
	r := fhir.ParseReference(word)
	switch r.Kind {
	case fhir.Relative, fhir.Absolute:
		return r.Local(func(base string) bool { return slices.Contains(p.bases, base) })
	case fhir.Odd:
		if !strings.ContainsAny(word, "/:") {
			return word
		}
	}
	return ""
}

// splitWords splits at commas that no backslash escapes (R4, search: "Escaping
// Search Parameters").
func splitWords(value string) (words []string) {
	var b strings.Builder
	for i := 0; i < len(value); i++ {
		switch {
		case value[i] == '\\' && i+1 < len(value):
			i++
			b.WriteByte(value[i])
		case value[i] == ',':
			words = append(words, b.String())
			b.Reset()
		default:
			b.WriteByte(value[i])
		}
	}
	words = append(words, b.String())
	return slices.DeleteFunc(words, func(w string) bool { return w == "" })
}
