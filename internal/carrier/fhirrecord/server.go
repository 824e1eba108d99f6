package fhirrecord

import (
	"context"
	"errors"
	"maps"
	"slices"
	"time"

	"perennial/internal/fault"
	"perennial/internal/fhirhttp"
	"perennial/internal/outbox"
)

// ServerOptions say how a server is written to.
type ServerOptions struct {
	Options
	Client *fhirhttp.Client
	Plain  bool             // make resources without a condition, after a search, whatever the server says
	Trust  bool             // the settings say that conditions are borne: the statement is not asked what is taken
	Now    func() time.Time // nil: time.Now; by it what the server says of itself is asked again
}

// Server keeps resources on a FHIR server. It is safe for use by several goroutines, not for one patient at once.
type Server struct {
	o    ServerOptions
	ways ways
}

var _ outbox.Carrier = (*Server)(nil)

// NewServer makes a carrier. It asks the server nothing yet.
func NewServer(o ServerOptions) *Server {
	if o.Now == nil {
		o.Now = time.Now
	}
	return &Server{o: o}
}

// Carries says whether it takes items of a kind: changes of plans.
func (s *Server) Carries(kind string) bool { return kind == Kind }

// Carry brings what the server has of a patient to the present state. The receipt counts what was done.
func (s *Server) Carry(ctx context.Context, it outbox.Item) (string, error) {
	patient, err := decode(it)
	if err != nil {
		return "", err
	}
	known, err := s.ways.now(ctx, &s.o)
	if err != nil {
		return "", mendable(err)
	}
	j := &job{s: s, patient: patient, ways: known}
	if j.state, err = s.o.State(ctx, patient); err != nil {
		return "", err
	}
	if j.ledger, err = s.o.Load(ctx, patient); err != nil {
		return "", err
	}
	if err := j.run(ctx); err != nil {
		return "", mendable(err)
	}
	return j.did.String(), nil
}

// job is the carrying of one patient.
type job struct {
	s       *Server
	patient string
	ways    map[string]way
	state   State
	ledger  Ledger
	tried   map[string]bool // keys of what was begun before, and its end is not known
	did     counts
}

func (j *job) run(ctx context.Context) error {
	if j.ledger == nil {
		j.ledger = Ledger{}
	}
	j.tried = map[string]bool{}
	for key, e := range j.ledger {
		j.tried[key] = len(e.Tried) > 0
	}
	ends := j.ends()
	if err := j.announce(ctx, ends); err != nil {
		return err
	}
	for i := range j.state.Resources {
		if err := j.sync(ctx, &j.state.Resources[i]); err != nil {
			return refused(j.state.Resources[i].Type, err)
		}
	}
	for _, key := range ends {
		if err := j.end(ctx, key); err != nil {
			return refused(j.ledger[key].Type, err)
		}
	}
	return nil
}

// ends are the keys of what was there and is no longer in the state, and whose end was not written yet. What is of a type
// that is turned off is left as it is.
func (j *job) ends() (list []string) {
	there := map[string]bool{}
	for i := range j.state.Resources {
		there[j.state.Resources[i].Key] = true
	}
	for _, key := range slices.Sorted(maps.Keys(j.ledger)) {
		e := j.ledger[key]
		want := j.state.ending(e.Type, key)
		if !there[key] && want != "" && (e.Want != want || len(e.Tried) > 0) && slices.Contains(j.s.o.Types, e.Type) {
			list = append(list, key)
		}
	}
	return list
}

// announce notes, before anything is written, what is going to be.
func (j *job) announce(ctx context.Context, ends []string) error {
	any := false
	note := func(key, want string) {
		e := j.ledger[key]
		if want == "" {
			want = "-"
		}
		if !e.Gone && !slices.Contains(e.Tried, want) {
			e.Tried, any = append(e.Tried, want), true
			j.ledger[key] = e
		}
	}
	for i := range j.state.Resources {
		r := &j.state.Resources[i]
		e, known := j.ledger[r.Key]
		if done, err := j.done(r, e); err != nil {
			return err
		} else if done || !known && closed(r.Type, r.Status) {
			continue
		}
		e.Type, e.System = r.Type, r.System
		j.ledger[r.Key] = e
		note(r.Key, r.Status)
	}
	for _, key := range ends {
		note(key, j.state.ending(j.ledger[key].Type, key))
	}
	if !any {
		return nil
	}
	return j.s.o.Keep(ctx, j.patient, j.ledger)
}

// done says whether a resource is on the server as it is to be. What it refers to may not be there yet: then it is not.
func (j *job) done(r *Resource, e Entry) (bool, error) {
	if e.Ref == "" || len(e.Tried) > 0 || e.Want != r.Status {
		return false, nil
	}
	t, err := parse(r.Body)
	if err != nil {
		return false, err
	}
	t.link(j.ledger)
	return e.Gone || e.Hash == hash(r.Type, t), nil
}

// sync brings one resource to the server.
func (j *job) sync(ctx context.Context, r *Resource) error {
	e, known := j.ledger[r.Key]
	done, err := j.done(r, e)
	switch {
	case err != nil:
		return err
	case e.Gone && (e.Want == r.Status || closed(r.Type, r.Status)):
		j.did.gone++
		return j.keep(ctx, r.Key, e, r.Status)
	case e.Gone:
		e = Entry{Type: r.Type, System: r.System}
	case done && e.Kept:
		j.did.kept++
		return nil
	case done, !known && closed(r.Type, r.Status):
		j.did.same++
		return nil
	}
	t, err := parse(r.Body)
	if err != nil {
		return err
	}
	t.link(j.ledger)
	if r.System == "" {
		return j.add(ctx, r, e, t)
	}
	return j.bring(ctx, r, e, t)
}

// bring makes or updates a resource that has an identifier.
func (j *job) bring(ctx context.Context, r *Resource, e Entry, t tree) error {
	if e.Ref == "" {
		found, err := j.find(ctx, r.Type, r.System, r.Key)
		switch {
		case err != nil:
			return err
		case len(found) > 0:
			e.Ref = found[0]
		case closed(r.Type, r.Status):
			return j.forget(ctx, r.Key)
		default:
			return j.create(ctx, r, e, t)
		}
	}
	return j.update(ctx, r, e, t)
}

// update writes a resource that is there.
func (j *job) update(ctx context.Context, r *Resource, e Entry, t tree) error {
	wrote, kept := false, false
	_, err := j.merge(ctx, e.Ref, func(was tree) (body []byte, err error) {
		if kept = !ours(was, e, r.Status); kept {
			return nil, nil
		}
		body, err = merge(r.Type, was, t)
		wrote = body != nil
		return body, err
	})
	switch {
	case fault.KindOf(err) == fault.NotFound:
		return j.gone(ctx, r.Key, e, r.Status)
	case err != nil:
		return err
	}
	e.Kept = kept
	if !kept {
		e.Status = r.Status
	}
	switch {
	case kept:
		j.did.kept++
	case wrote:
		j.did.updated++
	default:
		j.did.same++
	}
	e.Hash = hash(r.Type, t)
	return j.keep(ctx, r.Key, e, r.Status)
}

// end closes a resource that is no longer in the state.
func (j *job) end(ctx context.Context, key string) error {
	e, want := j.ledger[key], j.state.ending(j.ledger[key].Type, key)
	if e.Gone {
		j.did.gone++
		return j.keep(ctx, key, e, want)
	}
	if e.Ref == "" {
		found, err := j.find(ctx, e.Type, e.System, key)
		if err != nil {
			return err
		}
		if len(found) == 0 { // it was never made
			return j.forget(ctx, key)
		}
		e.Ref = found[0]
	}
	kept := false
	_, err := j.merge(ctx, e.Ref, func(was tree) ([]byte, error) {
		if kept = !ours(was, e, want); kept {
			return nil, nil
		}
		return was.close(want)
	})
	switch {
	case fault.KindOf(err) == fault.NotFound:
		return j.gone(ctx, key, e, want)
	case err != nil:
		return err
	}
	if e.Kept = kept; kept {
		j.did.kept++
	} else {
		e.Status, e.Hash = want, ""
		j.did.closed++
	}
	return j.keep(ctx, key, e, want)
}

// gone is for a resource that is not there any more although it was.
func (j *job) gone(ctx context.Context, key string, e Entry, want string) error {
	j.did.gone++
	e.Gone, e.Kept, e.Status = true, false, ""
	return j.keep(ctx, key, e, want)
}

// keep notes that a resource is as it is to be.
func (j *job) keep(ctx context.Context, key string, e Entry, want string) error {
	before := j.ledger[key]
	e.Want, e.Tried = want, nil
	j.ledger[key] = e
	if len(before.Tried) == 0 && sameEntry(before, e) {
		return nil
	}
	return j.s.o.Keep(ctx, j.patient, j.ledger)
}

func sameEntry(a, b Entry) bool {
	return a.Type == b.Type && a.System == b.System && a.Ref == b.Ref && a.Hash == b.Hash && a.Want == b.Want && a.Status == b.Status && a.Gone == b.Gone && a.Kept == b.Kept
}

// forget drops what was never made.
func (j *job) forget(ctx context.Context, key string) error {
	delete(j.ledger, key)
	return j.s.o.Keep(ctx, j.patient, j.ledger)
}

// merge is Client.Merge of a reference. A server that says 410 to the write only is asked once more whether it is gone.
func (j *job) merge(ctx context.Context, ref string, with func(was tree) ([]byte, error)) (fhirhttp.Version, error) {
	typ, id := split(ref)
	v, err := j.s.o.Client.Merge(ctx, typ, id, func(current []byte) ([]byte, error) {
		was, err := parse(current)
		if err != nil {
			return nil, err
		}
		return with(was)
	})
	if fault.KindOf(err) == fault.NotFound {
		if _, rerr := j.s.o.Client.Read(ctx, typ, id); rerr == nil {
			return v, fault.New(fault.Unavailable, "update "+typ, "It is tried again.", errors.New("the server says that it is gone and shows it"))
		} else if fault.KindOf(rerr) != fault.NotFound {
			return v, rerr
		}
	}
	return v, err
}
