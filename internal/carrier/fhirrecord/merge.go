package fhirrecord

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"maps"
	"slices"
	"strings"

	"perennial/internal/fhir"
)

// tree is a resource, each element as it was written.
type tree map[string]json.RawMessage

func parse(body []byte) (tree, error) {
	o, err := fhir.ParseObject(body)
	return tree(o), err
}

func (t tree) text(name string) string { return fhir.Object(t).Text(name) }

func (t tree) set(name string, v any) { fhir.Object(t).Set(name, v) }

func (t tree) list(name string) []json.RawMessage { return fhir.Object(t).List(name) }

// body writes a resource with its type and id first, as people expect it.
func (t tree) body() ([]byte, error) {
	rest := maps.Clone(t)
	delete(rest, "resourceType")
	delete(rest, "id")
	text, err := fhir.Encode(rest)
	if err != nil {
		return nil, err
	}
	head := `{"resourceType":` + string(t["resourceType"])
	if t["id"] != nil {
		head += `,"id":` + string(t["id"])
	}
	if len(rest) > 0 {
		head += ","
	}
	return append([]byte(head), text[1:]...), nil
}

// elements are what the program writes of a type: where it is not in what is rendered, it is taken out.
func elements(typ string) []string {
	return strings.Fields(map[string]string{
		"CarePlan":       "instantiatesCanonical category title description subject period author supportingInfo activity",
		"ServiceRequest": "instantiatesCanonical basedOn priority code subject occurrencePeriod requester reasonCode supportingInfo bodySite",
		"Flag":           "code subject period author",
		"Communication":  "statusReason category medium subject about sent sender",
		"Provenance":     "target policy reason activity entity",
	}[typ])
}

// once are the elements that say when or by what it was made: they stay as they were first written.
func once() []string { return []string{"created", "authoredOn", "intent", "recorded", "agent"} }

// hash tells one content from another: of what the program writes, without when it was made and by which version.
func hash(typ string, t tree) string {
	h := sha256.New()
	for _, name := range slices.Concat(elements(typ), []string{"note", "status"}) {
		text := ""
		if t[name] != nil {
			text, _ = fhir.Canonical(t[name]) // it was parsed
		}
		h.Write([]byte(name + "\x00" + text + "\x00"))
	}
	return hex.EncodeToString(h.Sum(nil)[:16])
}

// ours says whether nobody has taken a resource over since it was written: its status is what was written, was being
// written, or is to be, and it still only proposes.
func ours(was tree, e Entry, want string) bool {
	if was["intent"] != nil && was.text("intent") != fhir.Intent {
		return false
	}
	status := was.text("status")
	switch {
	case status == want:
		return true
	case e.Status == "": // found, and it is not known what was written
		return slices.Contains(own(e.Type), status)
	}
	return status == e.Status || slices.Contains(e.Tried, status)
}

// merge writes what was rendered into what is on the server, element by element.
func merge(typ string, server, rendered tree) (body []byte, err error) {
	now := maps.Clone(server)
	for _, name := range slices.Concat(elements(typ), []string{"status"}) {
		if rendered[name] != nil {
			now[name] = rendered[name]
		} else {
			delete(now, name)
		}
	}
	for _, name := range once() {
		if now[name] == nil && rendered[name] != nil {
			now[name] = rendered[name]
		}
	}
	now.identifiers(rendered)
	now.notes(rendered)
	if fhir.Object(server).Same(fhir.Object(now)) {
		return nil, nil
	}
	return now.body()
}

// identifiers adds those of ours that are missing.
func (t tree) identifiers(rendered tree) {
	list := t.list("identifier")
	for _, id := range rendered.list("identifier") {
		if !slices.ContainsFunc(list, func(raw json.RawMessage) bool { return fhir.SameIdentifier(raw, id) }) {
			list = append(list, id)
		}
	}
	if len(list) > 0 {
		t.set("identifier", list)
	}
}

// notes puts ours after those of others. Those of the program are known by its name, those of a Communication by
// standing in what was rendered.
func (t tree) notes(rendered tree) {
	fresh := rendered.list("note")
	list := slices.DeleteFunc(t.list("note"), func(raw json.RawMessage) bool {
		var n fhir.Annotation
		_ = json.Unmarshal(raw, &n)
		return n.AuthorString == fhir.AuthorName || slices.ContainsFunc(fresh, func(f json.RawMessage) bool {
			var m fhir.Annotation
			return json.Unmarshal(f, &m) == nil && m.Text == n.Text
		})
	})
	if list = append(list, fresh...); len(list) > 0 {
		t.set("note", list)
	} else {
		delete(t, "note")
	}
}

// close sets the status by which a resource ends; nil: it has it already. A plan that has ended asks for nothing.
func (t tree) close(status string) ([]byte, error) {
	if t.text("status") == status && t["activity"] == nil {
		return nil, nil
	}
	t.set("status", status)
	delete(t, "activity")
	return t.body()
}

// link turns references to resources of ours, which are by identifier, into those that the server knows.
func (t tree) link(l Ledger) {
	for _, name := range []string{"basedOn", "about", "target"} {
		list := t.list(name)
		for i, raw := range list {
			var r fhir.Reference
			if json.Unmarshal(raw, &r) != nil || r.Identifier == nil {
				continue
			}
			if e := l[r.Identifier.Value]; e.Ref != "" && !e.Gone && e.Type == r.Type {
				list[i], _ = fhir.Encode(fhir.Reference{Reference: e.Ref})
			}
		}
		if len(list) > 0 {
			t.set(name, list)
		}
	}
}
