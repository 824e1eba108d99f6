package fhir

import (
	"encoding/json"
	"errors"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// Page is one page of a search, taken apart without looking into its resources.
type Page struct {
	Type    string // of the Bundle: searchset, batch-response, …
	Next    string // link to the next page as sent, "" on the last
	Self    string // link that says what the server understood, as sent
	Total   int    // of the whole search, as the server says; -1: it does not
	Entries []PageEntry
	// Outcomes are what the server says about the search itself.
	Outcomes []OutcomeIssue
}

// PageEntry is one entry; Body lies in the text that was parsed.
type PageEntry struct {
	FullURL string
	Body    []byte // the resource; nil where the entry has none
	Mode    string // match, include or outcome, as sent
	// Of a response to a batch: "201 Created" and so on.
	Status, Location, ETag string
}

// OutcomeIssue is one issue of an OperationOutcome. Its free texts, which may name a patient, are not kept.
type OutcomeIssue struct {
	Severity string // fatal, error, warning, information
	Code     string // R4 issue-type
	Detail   string // the code of details, if any
	Where    string // path of the element, if any
}

// String says severity, codes and path.
func (i OutcomeIssue) String() string {
	var words []string
	for _, w := range []string{i.Severity, i.Code, i.Detail, i.Where} {
		if w != "" {
			words = append(words, w)
		}
	}
	return strings.Join(words, " ")
}

// ParsePage takes a Bundle apart: a page of a search, or the response to a batch. OperationOutcomes among its
// entries become Outcomes. The error says that the body is not a whole Bundle; it holds no text of it.
func ParsePage(body []byte) (Page, error) {
	var b struct {
		ResourceType, Type string
		Total              json.RawMessage
		Link               []struct{ Relation, URL string }
		Entry              []struct {
			FullURL  string
			Resource json.RawMessage
			Search   struct{ Mode string }
			Response struct {
				Status, Location, ETag string
				Outcome                json.RawMessage
			}
		}
	}
	if json.Unmarshal(body, &b) != nil {
		return Page{}, errors.New("the answer is not a whole Bundle")
	}
	if b.ResourceType != "Bundle" {
		return Page{}, errors.New("the answer is not a Bundle")
	}
	p := Page{Type: b.Type, Total: -1}
	if n, err := strconv.Atoi(string(b.Total)); err == nil && n >= 0 {
		p.Total = n
	}
	for _, l := range b.Link {
		switch l.Relation {
		case "next":
			p.Next = l.URL
		case "self":
			p.Self = l.URL
		}
	}
	for _, e := range b.Entry {
		if peekType(e.Resource) == "OperationOutcome" {
			p.Outcomes = append(p.Outcomes, ParseOutcome(e.Resource)...)
			continue
		}
		p.Outcomes = append(p.Outcomes, ParseOutcome(e.Response.Outcome)...)
		body := []byte(e.Resource)
		if string(body) == "null" {
			body = nil
		}
		p.Entries = append(p.Entries, PageEntry{e.FullURL, body, e.Search.Mode, e.Response.Status, e.Response.Location, e.Response.ETag})
	}
	return p, nil
}

// BatchAnswer is what a server answers to one entry of a batch.
type BatchAnswer struct {
	Status         int    // 0: it does not say
	Location, ETag string // as sent
	Body           []byte // the resource, or the Bundle of a search; nil where there is none
	Outcome        []OutcomeIssue
}

// ParseBatch reads the response to a batch: an answer for each entry, in the order of the request. A server that
// stopped in the middle gives fewer. The error says that the body is none; it holds no text of it.
func ParseBatch(body []byte) ([]BatchAnswer, error) {
	var b struct {
		ResourceType, Type string
		Entry              []struct {
			Resource json.RawMessage
			Response struct {
				Status, Location, ETag string
				Outcome                json.RawMessage
			}
		}
	}
	if json.Unmarshal(body, &b) != nil || b.ResourceType != "Bundle" {
		return nil, errors.New("the answer is not a whole Bundle")
	}
	if b.Type != "batch-response" && b.Type != "" {
		return nil, errors.New("the answer is a Bundle of another kind")
	}
	var list []BatchAnswer
	for _, e := range b.Entry {
		a := BatchAnswer{Location: e.Response.Location, ETag: e.Response.ETag, Outcome: ParseOutcome(e.Response.Outcome)}
		code, _, _ := strings.Cut(strings.TrimSpace(e.Response.Status), " ")
		a.Status, _ = strconv.Atoi(code) // 0 says that it cannot be read
		if typ := peekType(e.Resource); typ == "OperationOutcome" {
			a.Outcome = append(a.Outcome, ParseOutcome(e.Resource)...)
		} else if typ != "" {
			a.Body = e.Resource
		}
		list = append(list, a)
	}
	return list, nil
}

// ParseOutcome reads an OperationOutcome; nil for everything else.
func ParseOutcome(body []byte) []OutcomeIssue {
	var o struct {
		ResourceType string
		Issue        []struct {
			Severity, Code string
			Details        struct{ Coding []struct{ Code string } }
			Expression     []string
		}
	}
	if json.Unmarshal(body, &o) != nil || o.ResourceType != "OperationOutcome" {
		return nil
	}
	var out []OutcomeIssue
	for _, i := range o.Issue {
		issue := OutcomeIssue{Severity: among(severities, i.Severity), Code: among(issueTypes, i.Code)}
		if len(i.Details.Coding) > 0 {
			issue.Detail = messageCode.FindString(i.Details.Coding[0].Code)
		}
		if len(i.Expression) > 0 {
			issue.Where = elementPath.FindString(i.Expression[0])
		}
		out = append(out, issue)
	}
	return out
}

// Of an issue only what R4 names itself is told: some servers write free text where a code should stand, and that text
// may be a patient's name or number.
const (
	severities = "fatal error warning information"
	issueTypes = "invalid structure required value invariant security login unknown expired forbidden suppressed processing not-supported duplicate multiple-matches " +
		"not-found deleted too-long code-invalid extension too-costly business-rule conflict transient lock-error no-store exception timeout incomplete throttled informational"
)

var (
	messageCode = regexp.MustCompile(`^MSG_[A-Z_]{1,50}$`)                                                 // of the code system operation-outcome
	elementPath = regexp.MustCompile(`^[A-Z][A-Za-z]{2,40}(\.[a-z][A-Za-z]{0,40}(\[[0-9]{1,3}\])?){1,8}$`) // Patient.name[0].given
)

// among is a word if it is one of a list.
func among(list, word string) string {
	if word != "" && slices.Contains(strings.Fields(list), word) {
		return word
	}
	return ""
}

// Capability is the part of a server's CapabilityStatement that matters here.
type Capability struct {
	FHIRVersion string // "4.0.1"
	Types       map[string]TypeCapability
	System      []string // interactions with the whole server: batch, transaction, …
}

// TypeCapability says what a server can do with one type.
type TypeCapability struct {
	Interactions      []string // read, create, update, search-type, …
	Params            []string // of a search
	ConditionalCreate bool
	Versioning        string // no-version, versioned, versioned-update
}

// Can says whether the server claims an interaction with a type.
func (c Capability) Can(typ, interaction string) bool {
	return slices.Contains(c.Types[typ].Interactions, interaction)
}

// ParseCapability reads a CapabilityStatement, leniently: what is missing is empty. It takes the first rest part
// whose mode is server.
func ParseCapability(body []byte) (Capability, error) {
	var s struct {
		ResourceType, FHIRVersion string
		Rest                      []struct {
			Mode     string
			Resource []struct {
				Type, Versioning  string
				ConditionalCreate bool
				Interaction       []struct{ Code string }
				SearchParam       []struct{ Name string }
			}
			Interaction []struct{ Code string }
		}
	}
	if json.Unmarshal(body, &s) != nil || s.ResourceType != "CapabilityStatement" {
		return Capability{}, errors.New("the answer is not a CapabilityStatement")
	}
	c := Capability{FHIRVersion: s.FHIRVersion, Types: map[string]TypeCapability{}}
	for _, rest := range s.Rest {
		if rest.Mode != "server" || len(c.Types)+len(c.System) > 0 {
			continue
		}
		for _, r := range rest.Resource {
			t := TypeCapability{ConditionalCreate: r.ConditionalCreate, Versioning: r.Versioning}
			for _, i := range r.Interaction {
				t.Interactions = append(t.Interactions, i.Code)
			}
			for _, p := range r.SearchParam {
				t.Params = append(t.Params, p.Name)
			}
			c.Types[r.Type] = t
		}
		for _, i := range rest.Interaction {
			c.System = append(c.System, i.Code)
		}
	}
	return c, nil
}
