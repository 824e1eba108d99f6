package fhir

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	models "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"perennial/internal/fault"
)

// MaxBatch is how many entries NewBatch takes: more is refused by some servers.
const MaxBatch = 50

// BatchEntry is one request of a batch: a GET where it has no resource, a PUT where the resource has an address, else
// the POST of a new one.
type BatchEntry struct {
	Resource []byte // new ones are without an id, as NewTask writes them
	URL      string // "Task/7", or "Task?identifier=…" with its values query-escaped; empty for a new resource
	IfMatch  string // of a PUT: the version that is replaced; empty: any
	// IfNoneExist is a search, "identifier=system|value" with both halves query-escaped: the resource is created
	// only if the search finds nothing. Empty: always.
	IfNoneExist string
}

// NewBatch writes a Bundle of type batch. The entries must not refer to one another. Errors are of kind Invalid: no or
// too many entries, or a new resource that Lint refuses. What is replaced is the server's own, and is not judged.
func NewBatch(entries []BatchEntry) ([]byte, error) {
	const op = "write batch"
	if len(entries) == 0 || len(entries) > MaxBatch {
		return nil, fault.New(fault.Invalid, op, "", fmt.Errorf("%d entries, not 1 to %d", len(entries), MaxBatch))
	}
	b := models.Bundle{Type: models.BundleTypeBatch}
	for _, e := range entries {
		r := models.BundleEntryRequest{Method: models.HTTPVerbPOST, Url: cmp.Or(e.URL, peekType(e.Resource)), IfNoneExist: some(e.IfNoneExist), IfMatch: some(e.IfMatch)}
		switch {
		case len(e.Resource) == 0:
			r.Method = models.HTTPVerbGET
		case e.URL != "":
			r.Method = models.HTTPVerbPUT
		default:
			if err := linted(op, e.Resource); err != nil {
				return nil, err
			}
		}
		b.Entry = append(b.Entry, models.BundleEntry{Resource: e.Resource, Request: &r})
	}
	out, err := encode(&b)
	return out, fault.Wrap(op, err)
}

// encode writes a model as JSON on one line, resourceType first, < > and & as themselves: other readers of the same models cannot
// read them escaped.
func encode(model any) ([]byte, error) {
	raw, err := json.Marshal(model)
	if err != nil {
		return nil, err
	}
	raw = unescape(raw)
	var b bytes.Buffer
	if err := json.Compact(&b, raw); err != nil {
		return nil, err
	}
	return typeFirst(b.Bytes()), nil
}

// typeFirst puts resourceType, which the models write last, where readers look for it.
func typeFirst(body []byte) []byte {
	i := bytes.LastIndex(body, []byte(`,"resourceType":"`))
	if i < 0 || bytes.IndexByte(body[i:], '}') != len(body)-1-i {
		return body
	}
	last := body[i+1 : len(body)-1]
	return slices.Concat([]byte("{"), last, []byte(","), body[1:i], []byte("}"))
}

// unescape turns the escapes of < > and &, which encoding/json writes, into the letters. A backslash that is
// itself escaped does not begin one.
func unescape(raw []byte) []byte {
	out := raw[:0:0]
	for i := 0; i < len(raw); i++ {
		if raw[i] != '\\' || i+1 == len(raw) {
			out = append(out, raw[i])
			continue
		}
		if i+6 <= len(raw) {
			switch string(raw[i : i+6]) {
			case `\u003c`, `\u003e`, `\u0026`:
				out = append(out, map[byte]byte{'c': '<', 'e': '>', '6': '&'}[raw[i+5]])
				i += 5
				continue
			}
		}
		out = append(out, raw[i], raw[i+1])
		i++
	}
	return out
}

// linted is an error if Lint finds anything.
func linted(op string, body []byte) error {
	problems := Lint(body)
	if len(problems) == 0 {
		return nil
	}
	return fault.New(fault.Invalid, op, "", fmt.Errorf("%s", strings.Join(problems, "; ")))
}

// some is a pointer to s, nil for the empty string: the models leave nil out.
func some(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}
