package fhirserve

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"mime"
	"net/http"
	"slices"
	"strings"
	"time"

	"perennial/internal/carrier/fhirtask"
	"perennial/internal/clinic"
	"perennial/internal/export"
	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/protocol"
	"perennial/internal/store"
)

// format refuses what is not JSON. _format goes before Accept (R4, http).
func (x *exchange) format() error {
	asked := x.r.URL.Query().Get("_format")
	if asked == "" {
		asked = strings.Join(x.r.Header.Values("Accept"), ",")
	}
	for word := range strings.SplitSeq(asked, ",") {
		kind, params, err := mime.ParseMediaType(strings.TrimSpace(word))
		if err != nil {
			kind = strings.TrimSpace(word)
		}
		if slices.Contains([]string{"", "*/*", "application/*", "json", "application/json", "application/fhir+json", "text/json"}, strings.ReplaceAll(kind, " ", "+")) && params["q"] != "0" {
			return nil
		}
	}
	return refusal{status: http.StatusNotAcceptable, code: "not-supported", text: "Answers are JSON only: application/fhir+json."}
}

// written is a resource as it goes out.
type written struct {
	text    []byte
	version string
	at      time.Time
}

// read answers a read.
func (x *exchange) read(typ, id string) error {
	var body written
	err := x.s.o.Clinic.Snapshot(x.r.Context(), func(snap clinic.Snapshot) error {
		idx, err := x.s.shelf.at(snap)
		if err != nil {
			return err
		}
		e := idx.find(typ, id)
		switch {
		case e == nil && idx.gone[typ+"/"+id]:
			return refusal{status: http.StatusGone, code: "deleted", text: "It was here, and is not any more: what it asked for is done or no longer asked for."}
		case e == nil:
			return refusal{status: http.StatusNotFound, code: "not-found", text: "There is no such resource here."}
		}
		if e.patient != "" {
			x.did.Patient = "Patient/" + e.patient
		}
		render := rendering{s: x.s, snap: snap}
		body, err = render.body(e)
		return err
	})
	if err != nil {
		return err
	}
	h := x.w.Header()
	h.Set("ETag", `W/"`+body.version+`"`)
	h.Set("Last-Modified", body.at.UTC().Format(http.TimeFormat))
	if x.unchanged(&body) {
		x.did.Status, x.sent = http.StatusNotModified, true
		x.w.WriteHeader(http.StatusNotModified)
		return nil
	}
	x.did.Found = 1
	x.send(http.StatusOK, x.pretty(body.text))
	return nil
}

// unchanged says whether the reader has the resource already. If-None-Match goes
// before If-Modified-Since (RFC 9110, 13.2.2).
func (x *exchange) unchanged(body *written) bool {
	if tags := x.r.Header.Values("If-None-Match"); len(tags) > 0 {
		for tag := range strings.SplitSeq(strings.Join(tags, ","), ",") {
			if tag = strings.TrimSpace(tag); tag == "*" || strings.Trim(strings.TrimPrefix(tag, "W/"), `"`) == body.version {
				return true
			}
		}
		return false
	}
	since, err := http.ParseTime(x.r.Header.Get("If-Modified-Since"))
	return err == nil && body.at.Truncate(time.Second).Before(since)
}

// ofPatient lists the resources of a type of one patient, out of the store itself;
// false where nothing is stored under the id.
func (s *Server) ofPatient(snap clinic.Snapshot, typ, id string) ([]*entry, bool, error) {
	p, has, err := snap.Plan(id)
	if err != nil {
		return nil, false, err
	}
	items, err := snap.Items(id)
	if err != nil || !has && len(items) == 0 {
		return nil, false, err
	}
	var list []*entry
	if has && typ != task {
		all, err := export.Plan(&export.Options{Site: s.o.Clinic.Site(), Served: true, Listed: true}, p.Plan)
		if err != nil {
			return nil, false, err
		}
		list = planEntries(all, id, p.Changed.UnixMilli())
	}
	for i := range items {
		changed := int64(0)
		if has {
			changed = p.Changed.UnixMilli()
		}
		list = append(list, itemEntry(s.o.Clinic.Site(), &items[i], changed))
	}
	return slices.DeleteFunc(list, func(e *entry) bool { return e.typ != typ }), true, nil
}

// rendering writes resources of one snapshot.
type rendering struct {
	s     *Server
	snap  clinic.Snapshot
	known []*protocol.Protocol
	plans map[string]*planned // by patient
}

// planned is a plan, and what is written of it.
type planned struct {
	store.KeptPlan
	has    bool
	bodies map[string][]byte // by type and id; nil: nothing was written yet
}

// body writes a resource, with its meta.
func (r *rendering) body(e *entry) (written, error) {
	raw, err := r.raw(e)
	if err != nil {
		return written{}, err
	}
	at := time.UnixMilli(e.at).UTC()
	stamp := at.Format("2006-01-02T15:04:05.000Z")
	labels, err := r.labels(e)
	if err != nil {
		return written{}, err
	}
	sum := sha256.Sum256(append([]byte(stamp+labels), raw...))
	version := hex.EncodeToString(sum[:8])
	head := `{"resourceType":"` + e.typ + `",`
	rest, ok := bytes.CutPrefix(raw, []byte(head))
	if !ok {
		return written{}, fault.New(fault.Internal, "write "+e.typ, "", nil)
	}
	id := `"id":"` + e.id + `",`
	rest = bytes.TrimPrefix(rest, []byte(id)) // a Task has none yet
	text := slices.Concat([]byte(head+id+`"meta":{"versionId":"`+version+`","lastUpdated":"`+stamp+`"`+labels+`},`), rest)
	return written{text, version, at}, nil
}

// labels are those of the patient that matter to whoever reads on: made for tests,
// confidential beyond the usual.
func (r *rendering) labels(e *entry) (string, error) {
	if e.patient == "" {
		return "", nil
	}
	l, _, err := r.snap.Line(e.patient)
	var list []string
	if l.Test {
		list = append(list, `{"system":"http://terminology.hl7.org/CodeSystem/v3-ActReason","code":"HTEST"}`)
	}
	if l.Restricted {
		list = append(list, `{"system":"http://terminology.hl7.org/CodeSystem/v3-Confidentiality","code":"R"}`)
	}
	if err != nil || len(list) == 0 {
		return "", err
	}
	return `,"security":[` + strings.Join(list, ",") + "]", nil
}

// raw is a resource without meta.
func (r *rendering) raw(e *entry) ([]byte, error) {
	if e.patient == "" {
		idx, err := r.s.shelf.at(r.snap)
		if err != nil {
			return nil, err
		}
		return idx.bodies[e.typ+"/"+e.id], nil
	}
	p, err := r.plan(e.patient)
	if err != nil {
		return nil, err
	}
	if e.typ == task {
		return r.task(e, p)
	}
	if p.bodies == nil {
		if err := r.export(p); err != nil {
			return nil, err
		}
	}
	return p.bodies[e.typ+"/"+e.id], nil
}

// plan reads a plan once.
func (r *rendering) plan(patient string) (*planned, error) {
	if p := r.plans[patient]; p != nil {
		return p, nil
	}
	kept, has, err := r.snap.Plan(patient)
	if err != nil {
		return nil, err
	}
	if r.plans == nil {
		r.plans = map[string]*planned{}
	}
	p := &planned{KeptPlan: kept, has: has}
	r.plans[patient] = p
	return p, nil
}

// export writes all that a plan gives.
func (r *rendering) export(p *planned) error {
	if r.known == nil {
		r.known = r.s.o.Clinic.Known()
	}
	p.bodies = map[string][]byte{}
	if !p.has {
		return nil
	}
	all, err := export.Plan(&export.Options{Site: r.s.o.Clinic.Site(), At: p.Changed, Protocols: r.known, Served: true}, p.Plan)
	for _, one := range all {
		p.bodies[one.Type+"/"+one.ID] = one.Body
	}
	return err
}

// task writes a work item.
func (r *rendering) task(e *entry, p *planned) ([]byte, error) {
	it, found, err := r.snap.Item(e.key)
	if err != nil {
		return nil, err
	}
	if !found || fhir.Token(r.s.o.Clinic.Site(), it.Key) != e.id {
		return nil, fault.New(fault.Internal, "write Task", "", nil)
	}
	t := clinic.TaskOf(&it, p.Plan)
	return fhirtask.Render(r.s.o.Clinic.Site(), &t)
}
