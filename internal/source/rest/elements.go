package rest

import (
	"bytes"
	"context"
	"encoding/json"
	"net/url"
	"strings"

	"perennial/internal/fhir"
	"perennial/internal/fhirhttp"
)

// sampled is how many resources are compared before a server is asked for parts alone.
const sampled = 5

// offers says whether a server gives the parts of resources that it is asked for by _elements, all of them and as they
// stand in the whole resource. It is seen by a few resources that are asked for both ways. Whatever goes wrong means no:
// then the whole resources are read. So are they patient by patient, where they are few at a time, and by POST, where
// nothing is to stand in addresses.
func (s *Source) offers(ctx context.Context, typ string) bool {
	names := fhir.Elements(typ)
	if len(names) == 0 || s.o.WholeResources || s.o.Patients != nil || s.o.Post {
		return false
	}
	seen := 0
	ask := fhirhttp.Ask{Type: typ, Params: url.Values{"_count": {"5"}, "_elements": {strings.Join(names, ",")}}}
	for page, err := range s.client.Ask(ctx, ask) {
		if err != nil {
			return false
		}
		for _, e := range page.Entries[:min(len(page.Entries), sampled)] {
			row, ok := readRow(e.Body)
			if !ok || row.ResourceType != typ {
				continue
			}
			if !row.tagged() || !s.same(ctx, row, names) {
				return false
			}
			seen++
		}
		break
	}
	return seen > 0
}

// same compares a part with the whole resource.
func (s *Source) same(ctx context.Context, part row, names []string) bool {
	v, err := s.client.Read(ctx, part.ResourceType, part.ID)
	if err != nil {
		return false
	}
	var a, b map[string]json.RawMessage
	if json.Unmarshal(part.body, &a) != nil || json.Unmarshal(v.Body, &b) != nil {
		return false
	}
	for _, name := range names {
		for _, name := range []string{name, "_" + name} { // and what it says about a member without a value
			x, err1 := fhir.Canonical(orNull(a[name]))
			y, err2 := fhir.Canonical(orNull(b[name]))
			if err1 != nil || err2 != nil || x != y {
				return false
			}
		}
	}
	return true
}

// orNull is a member, or null where it is not there.
func orNull(m json.RawMessage) json.RawMessage {
	if len(bytes.TrimSpace(m)) == 0 {
		return json.RawMessage("null")
	}
	return m
}

// legible says whether a part of a resource can be read like the whole.
func legible(body []byte) bool {
	_, err := fhir.Decode(body)
	return err == nil
}
