package fhirtask

import (
	"context"
	"encoding/json"
	"fmt"
	"net/url"
	"slices"
	"strings"

	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/fhirhttp"
	"perennial/internal/notice"
	"perennial/internal/outbox"
)

// ServerOptions say how a server is written to.
type ServerOptions struct {
	Client *fhirhttp.Client
	Site   string // id of the store
	// Last gives the Task ("Task/7") that an earlier receipt for the item's key named, "" for none; see RefOf. It is by
	// this that a Task that a person removed is not made again. May be nil.
	Last func(key string) string
}

// Server carries work items to a FHIR server.
type Server struct{ o ServerOptions }

var _ outbox.Carrier = (*Server)(nil)

// NewServer makes a carrier. It asks the server nothing yet.
func NewServer(o ServerOptions) *Server { return &Server{o} }

// Carries says whether it takes items of a kind: work items.
func (s *Server) Carries(kind string) bool { return kind == outbox.KindTask }

// Carry makes or updates the item's Task. The receipt begins with the Task's reference where there is one ("Task/7"),
// then says what was done in a few words.
func (s *Server) Carry(ctx context.Context, it outbox.Item) (string, error) {
	t, err := decode(it)
	if err != nil {
		return "", err
	}
	body, err := Render(s.o.Site, t)
	if err != nil {
		return "", err
	}
	j := &job{s: s, t: t, body: body}
	receipt, err := j.run(ctx)
	return receipt, mendable(err)
}

// RefOf gives the Task that a receipt names, "" for none.
func RefOf(receipt string) string {
	ref, _, _ := strings.Cut(receipt, " ")
	if r := fhir.ParseReference(ref); r.Kind == fhir.Relative && r.Type == "Task" && fhir.WellFormed(ref) {
		return ref
	}
	return ""
}

// mendable makes errors that a person, or the next try, can mend such that the outbox tries again.
func mendable(err error) error {
	switch fault.KindOf(err) {
	case fault.Denied, fault.Conflict, fault.NotFound:
		return fault.New(fault.Unavailable, "send Task", fault.HintOf(err), err)
	}
	return err
}

// job is the carrying of one item.
type job struct {
	s    *Server
	t    *notice.Task
	body []byte // as rendered
}

// task is a Task of this item on the server.
type task struct {
	id     string
	tree   tree
	person bool // a person set its status
}

func (j *job) run(ctx context.Context) (string, error) {
	found, err := j.find(ctx)
	if err != nil {
		return "", err
	}
	if len(found) > 0 {
		return j.update(ctx, found)
	}
	if ref := j.last(); ref != "" {
		return j.again(ctx, ref)
	}
	if j.t.State != open {
		return "nothing to send: closed before it was sent", nil
	}
	v, err := j.s.o.Client.Create(ctx, "Task", j.body, j.query())
	switch {
	case fault.KindOf(err) == fault.Conflict: // another writer was faster, twice
	case err != nil:
		return "", err
	case v.Created && v.ID != "":
		return v.Ref() + " created", nil
	case v.Created:
		return "created", nil
	}
	if found, err = j.find(ctx); err != nil {
		return "", err
	}
	if len(found) == 0 {
		return "", fault.New(fault.Unavailable, "create Task", "", fmt.Errorf("the server says that it is there and does not find it"))
	}
	return j.update(ctx, found)
}

func (j *job) last() string {
	if j.s.o.Last == nil {
		return ""
	}
	return RefOf(j.s.o.Last(j.t.Key))
}

// query is the search for the item's Task; it tells nothing about the patient.
func (j *job) query() url.Values {
	return url.Values{"identifier": {fhir.TokenSystem(j.s.o.Site) + "|" + fhir.Token(j.s.o.Site, j.t.Key)}}
}

// find searches for the item's Tasks. What the server gives beside them is passed over: some ignore a parameter that
// they do not know.
func (j *job) find(ctx context.Context) ([]task, error) {
	var found []task
	for page, err := range j.s.o.Client.Search(ctx, "Task", j.query()) {
		if err != nil {
			return nil, err
		}
		for _, e := range page.Entries {
			if t, ok := j.mine(e.Body); ok && !slices.ContainsFunc(found, func(f task) bool { return f.id == t.id }) {
				found = append(found, t)
			}
		}
	}
	return found, nil
}

// mine says whether a resource is a Task of the item.
func (j *job) mine(body []byte) (task, bool) {
	typ, id := fhir.Peek(body)
	tr, err := parse(body)
	if typ != "Task" || id == "" || err != nil {
		return task{}, false
	}
	for _, raw := range tr.list("identifier") {
		var i fhir.Identifier
		if json.Unmarshal(raw, &i) == nil && i.System == fhir.TokenSystem(j.s.o.Site) && i.Value == fhir.Token(j.s.o.Site, j.t.Key) {
			stamp, _ := stampOf(tr)
			return task{id, tr, byPerson(tr, stamp)}, true
		}
	}
	return task{}, false
}

// update writes the item into its Task, and closes further ones that should not be there.
func (j *job) update(ctx context.Context, found []task) (string, error) {
	slices.SortFunc(found, func(a, b task) int {
		if x, y := rank(a), rank(b); x != y {
			return x - y
		}
		if len(a.id) != len(b.id) { // ids that are numbers
			return len(a.id) - len(b.id)
		}
		return strings.Compare(a.id, b.id)
	})
	for _, double := range found[1:] {
		if err := j.retire(ctx, double); err != nil {
			return "", err
		}
	}
	return j.write(ctx, found[0].id)
}

// rank orders Tasks of one item: one that a person touched is kept, one that is marked entered-in-error is the last.
func rank(t task) int {
	switch {
	case t.tree.text("status") == "entered-in-error":
		return 2
	case t.person:
		return 0
	}
	return 1
}

// write merges the item into one Task.
func (j *job) write(ctx context.Context, id string) (string, error) {
	var m merged
	v, err := j.s.o.Client.Merge(ctx, "Task", id, func(current []byte) (body []byte, err error) {
		m, err = merge(current, j.body, j.t)
		return m.body, err
	})
	if err != nil {
		return "", err
	}
	receipt := v.Ref() + " updated"
	if m.body == nil {
		receipt = v.Ref() + " unchanged"
	}
	if m.kept != "" {
		receipt += ", kept " + m.kept
	}
	return receipt, nil
}

// retire marks a second Task of the item as entered in error, unless a person set its status.
func (j *job) retire(ctx context.Context, t task) error {
	_, err := j.s.o.Client.Merge(ctx, "Task", t.id, func(current []byte) ([]byte, error) {
		now, err := parse(current)
		if err != nil {
			return nil, err
		}
		stamp, _ := stampOf(now)
		if byPerson(now, stamp) {
			return nil, nil
		}
		now.set("status", "entered-in-error")
		now.set("statusReason", fhir.CodeableConcept{Coding: []fhir.Coding{{System: fhir.CodesOfStatusReason, Code: "duplicate"}}, Text: "a second Task for the same work item"})
		return encode(now)
	})
	return err
}

// again is for a Task that was there and is not found by its identifier: it was removed, or its identifier was.
func (j *job) again(ctx context.Context, ref string) (string, error) {
	id := strings.TrimPrefix(ref, "Task/")
	_, err := j.s.o.Client.Read(ctx, "Task", id)
	if fault.KindOf(err) == fault.NotFound {
		return ref + " was removed on the server and is not made again", nil
	}
	if err != nil {
		return "", err
	}
	return j.write(ctx, id)
}
