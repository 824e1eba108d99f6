package fhirtask

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

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
	Last   func(key string) string
	Create string           // how Tasks are made: one of the words below; empty: Auto
	Batch  bool             // send several in one batch, where the server offers it
	Now    func() time.Time // nil: time.Now; by it what the server says of itself is asked again
}

// Server carries work items to a FHIR server. It is safe for use by several goroutines.
type Server struct {
	o     ServerOptions
	mu    sync.Mutex
	known way
	until time.Time // known is asked for again from here
}

var _ outbox.Bulk = (*Server)(nil)

// NewServer makes a carrier. It asks the server nothing yet.
func NewServer(o ServerOptions) *Server {
	if o.Now == nil {
		o.Now = time.Now
	}
	return &Server{o: o}
}

// Carries says whether it takes items of a kind: work items.
func (s *Server) Carries(kind string) bool { return kind == outbox.KindTask }

// Carry makes or updates the item's Task. The receipt begins with the Task's reference where there is one ("Task/7"),
// then says what was done in a few words.
func (s *Server) Carry(ctx context.Context, it outbox.Item) (string, error) {
	j, err := s.job(it)
	if err != nil {
		return "", err
	}
	if j.way, err = s.way(ctx); err != nil {
		return "", mendable(err)
	}
	receipt, err := j.run(ctx)
	return j.mark(receipt), mendable(err)
}

// job reads an item.
func (s *Server) job(it outbox.Item) (*job, error) {
	t, err := decode(it)
	if err != nil {
		return nil, err
	}
	body, err := Render(s.o.Site, t)
	return &job{s: s, t: t, body: body}, err
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
	way  way
	body []byte // as rendered
}

// mark adds to a receipt since which revision the item is in its state, so that a Task that a person removed can be
// made again once the state is another.
func (j *job) mark(receipt string) string {
	if receipt == "" || j.t.Turn == 0 || strings.HasPrefix(receipt, outbox.Nothing) {
		return receipt
	}
	return fmt.Sprintf("%s [%d]", receipt, j.t.Turn)
}

// turnOf reads that from a receipt; 0 where it does not say.
func turnOf(receipt string) (n int) {
	_, text, _ := strings.Cut(receipt, " [")
	n, _ = strconv.Atoi(strings.TrimSuffix(text, "]")) // 0 says that it is none
	return n
}

// task is a Task of this item on the server.
type task struct {
	id     string
	body   []byte // as the server gave it
	tree   tree
	person bool // a person set its status
}

func (j *job) run(ctx context.Context) (string, error) {
	found, err := j.find(ctx)
	if err != nil {
		return "", j.closedBy(err, "The server does not let Tasks be searched for.")
	}
	if len(found) > 0 {
		return j.update(ctx, found)
	}
	if ref := RefOf(j.last()); ref != "" {
		return j.again(ctx, ref)
	}
	if j.t.State != open {
		return nothing, nil
	}
	return j.create(ctx)
}

// nothing is the receipt of an item that nobody needs to be told of.
const nothing = outbox.Nothing + ": closed before it was sent"

// create makes the Task: on condition that it is not there, where the server bears that.
func (j *job) create(ctx context.Context) (string, error) {
	v, err := j.post(ctx)
	switch {
	case fault.KindOf(err) == fault.Conflict: // another writer was faster, twice
	case err != nil:
		return "", j.closedBy(err, "The server does not take Tasks.")
	case v.Created && v.ID != "":
		return v.Ref() + " created", nil
	}
	found, err := j.find(ctx) // it was there, or the server does not say which it made
	switch {
	case err != nil:
		return "", err
	case v.Created && len(found) == 1:
		return "Task/" + found[0].id + " created", nil
	case v.Created:
		return "created", nil
	case len(found) == 0:
		return "", fault.New(fault.Unavailable, "create Task", "", fmt.Errorf("the server says that it is there and does not find it"))
	}
	return j.update(ctx, found)
}

// post asks for the Task to be made. A server that says nothing of conditions and refuses one is asked without.
func (j *job) post(ctx context.Context) (fhirhttp.Version, error) {
	condition := j.query()
	if j.way.plain {
		condition = nil
	}
	v, err := j.s.o.Client.Create(ctx, "Task", j.body, condition)
	if status := fhirhttp.StatusOf(err); j.way.unsaid && condition != nil && (status == http.StatusBadRequest || status == http.StatusNotImplemented) {
		return j.s.o.Client.Create(ctx, "Task", j.body, nil)
	}
	return v, err
}

// closedBy makes an error of a server that does not offer what was asked one that closes the way there.
func (j *job) closedBy(err error, what string) error {
	if status := fhirhttp.StatusOf(err); status == http.StatusMethodNotAllowed || status == http.StatusNotImplemented {
		return takesNone(fmt.Sprintf("%s It answers with status %d.", what, status))
	}
	return err
}

func (j *job) last() string {
	if j.s.o.Last == nil {
		return ""
	}
	return j.s.o.Last(j.t.Key)
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
		if err == nil && !believable(page.Page) {
			err = fault.New(fault.Unavailable, "search Task", "It is tried again.", errors.New("the server says that something is missing from its answer"))
		}
		if err != nil {
			return nil, err
		}
		for _, e := range page.Entries {
			if t, ok := j.mine(e); ok && !slices.ContainsFunc(found, func(f task) bool { return f.id == t.id }) {
				found = append(found, t)
			}
		}
	}
	return found, nil
}

// believable says whether a page tells what is there: one that reports an error, or counts Tasks and shows none, does not,
// and to believe that nothing is there would double a Task or leave one open for good.
func believable(page fhir.Page) bool {
	return !(len(page.Entries) == 0 && page.Total > 0) && !slices.ContainsFunc(page.Outcomes, func(o fhir.OutcomeIssue) bool { return o.Severity == "error" || o.Severity == "fatal" })
}

// mine says whether an entry is a Task of the item. Where its address has the id in other case, the address counts: it is
// what the server can be asked with.
func (j *job) mine(e fhir.PageEntry) (task, bool) {
	body := e.Body
	typ, id := fhir.Peek(body)
	if at := e.FullURL[strings.LastIndexByte(e.FullURL, '/')+1:]; strings.EqualFold(at, id) {
		id = at
	}
	tr, err := parse(body)
	if typ != "Task" || id == "" || err != nil {
		return task{}, false
	}
	for _, raw := range tr.list("identifier") {
		var i fhir.Identifier
		if json.Unmarshal(raw, &i) == nil && i.System == fhir.TokenSystem(j.s.o.Site) && i.Value == fhir.Token(j.s.o.Site, j.t.Key) {
			stamp, _ := stampOf(tr)
			return task{id, body, tr, byPerson(tr, stamp)}, true
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
	if fault.KindOf(err) == fault.NotFound { // removed a moment ago, unless the server only says so for the write
		if _, rerr := j.s.o.Client.Read(ctx, "Task", id); fault.KindOf(rerr) == fault.NotFound {
			return j.vanished(ctx, id)
		}
	}
	if err != nil {
		return "", err
	}
	return told(v.Ref(), m.body != nil, m.kept), nil
}

// vanished is for a Task that is there no more when it is to be written. A server that finds it all the same contradicts
// itself, and nobody removed anything.
func (j *job) vanished(ctx context.Context, id string) (string, error) {
	found, err := j.find(ctx)
	if err == nil && slices.ContainsFunc(found, func(t task) bool { return strings.EqualFold(t.id, id) }) {
		err = fault.New(fault.Unavailable, "write Task", "If this goes on, ask the server's administrator.", errors.New("the server finds the Task and says that it is not there"))
	}
	if err != nil {
		return "", err
	}
	return j.gone(ctx, "Task/"+id)
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
		return fhir.Encode(now)
	})
	return err
}

// again is for a Task that was there and is not found by its identifier: it was removed, or its identifier was.
func (j *job) again(ctx context.Context, ref string) (string, error) {
	id := strings.TrimPrefix(ref, "Task/")
	_, err := j.s.o.Client.Read(ctx, "Task", id)
	switch {
	case fault.KindOf(err) == fault.NotFound:
		return j.gone(ctx, ref)
	case err != nil:
		return "", err
	}
	return j.write(ctx, id)
}

// gone is for a Task that a person removed. It is made again only once the item needs somebody anew: it was closed
// since, and is open.
func (j *job) gone(ctx context.Context, ref string) (string, error) {
	if turn := turnOf(j.last()); j.t.State == open && turn > 0 && j.t.Turn > turn {
		return j.create(ctx)
	}
	return ref + " " + outbox.Removed + " and is not made again", nil
}
