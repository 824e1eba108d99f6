package fhirtask

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"slices"

	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/fhirhttp"
	"perennial/internal/outbox"
)

// A batch does for many items what Carry does for one, in two requests: one searches for all their Tasks, one makes or
// updates what is to be. Only the plain course of things is gone this way. Whatever else an entry says (two Tasks, a
// conflict, one that is gone, one that somebody made meanwhile) sends that item alone through Carry, which begins with
// a search and so does nothing twice.

// CarryAll is Carry for several items at once, in batches where the server takes them.
func (s *Server) CarryAll(ctx context.Context, items []outbox.Item) []outbox.Result {
	b := &bulk{s: s, items: items, jobs: make([]*job, len(items)), results: make([]outbox.Result, len(items)), done: make([]bool, len(items))}
	w, err := s.way(ctx)
	switch {
	case err != nil:
		b.all(mendable(err))
	case w.batch && len(items) > 1:
		b.prepare(w)
		b.look(ctx)
		b.write(ctx)
	}
	b.singly(ctx)
	return b.results
}

// bulk is the carrying of several items.
type bulk struct {
	s       *Server
	items   []outbox.Item
	jobs    []*job // nil: this one goes alone
	found   []task // of those jobs whose Task is there
	results []outbox.Result
	done    []bool // its result is known
}

func (b *bulk) say(i int, receipt string, err error) {
	b.results[i], b.done[i], b.jobs[i] = outbox.Result{Receipt: receipt, Err: mendable(err)}, true, nil
}

// all gives every item that has no result yet the same error.
func (b *bulk) all(err error) {
	for i := range b.items {
		if !b.done[i] {
			b.say(i, "", err)
		}
	}
}

// prepare reads the items. A second one of the same Task goes alone, after the first.
func (b *bulk) prepare(w way) {
	seen := map[string]bool{}
	for i, it := range b.items {
		j, err := b.s.job(it)
		switch {
		case err != nil:
			b.say(i, "", err)
		case !seen[j.t.Key]:
			seen[j.t.Key], j.way, b.jobs[i] = true, w, j
		}
	}
	b.found = make([]task, len(b.items))
}

// send sends an entry for each job that has one, and hands each answer over.
func (b *bulk) send(ctx context.Context, entry func(i int) (fhir.BatchEntry, bool), answer func(i int, a fhir.BatchAnswer, err error)) {
	var asked []int
	var entries []fhir.BatchEntry
	for i := range b.jobs {
		if b.jobs[i] == nil {
			continue
		}
		if e, ok := entry(i); ok {
			asked, entries = append(asked, i), append(entries, e)
		}
	}
	if len(entries) == 0 {
		return
	}
	answers, err := b.s.o.Client.Batch(ctx, entries)
	if err != nil {
		b.refused(asked, err)
		return
	}
	for n, i := range asked {
		if n < len(answers) {
			answer(i, answers[n], b.s.o.Client.Refusal("Task", answers[n]))
			continue
		}
		b.say(i, "", fault.New(fault.Unavailable, "batch Task", "", errors.New("the server stopped in the middle of a batch")))
	}
}

// refused is for a batch that was not answered entry by entry. Unless the server is away or refuses the login, the
// items are tried alone: it may be batches that it does not want.
func (b *bulk) refused(asked []int, err error) {
	kinds := []fault.Kind{fault.Unavailable, fault.Denied, fault.Canceled}
	alone := !slices.Contains(kinds, fault.KindOf(err)) || fhirhttp.StatusOf(err) == http.StatusForbidden
	if alone {
		b.s.noBatches()
	}
	for _, i := range asked {
		if b.jobs[i] = nil; !alone {
			b.say(i, "", err)
		}
	}
}

// look searches for the Tasks of all jobs.
func (b *bulk) look(ctx context.Context) {
	b.send(ctx, func(i int) (fhir.BatchEntry, bool) {
		return fhir.BatchEntry{URL: "Task?" + b.jobs[i].query().Encode()}, true
	}, func(i int, a fhir.BatchAnswer, err error) {
		page, perr := fhir.ParsePage(a.Body)
		switch {
		case fault.KindOf(err) == fault.Unavailable:
			b.say(i, "", err)
		case err != nil || perr != nil || page.Next != "" || len(page.Outcomes) > 0 || !believable(page):
			b.jobs[i] = nil
		default:
			b.see(i, page)
		}
	})
}

// see takes what was found of one item. Only one whole Task, or none at all, is dealt with in a batch.
func (b *bulk) see(i int, page fhir.Page) {
	var mine []task
	for _, e := range page.Entries {
		if t, ok := b.jobs[i].mine(e); ok {
			mine = append(mine, t)
		}
	}
	switch {
	case len(mine) == 1 && versionOf(mine[0].tree) != "":
		b.found[i] = mine[0]
	case len(mine) > 0 || RefOf(b.jobs[i].last()) != "":
		b.jobs[i] = nil
	case b.jobs[i].t.State != open:
		b.say(i, nothing, nil)
	}
}

// versionOf is the version of a Task that a search gave whole; "" where it is not known to be.
func versionOf(t tree) string {
	var meta struct {
		VersionID string
		Tag       []struct{ Code string }
	}
	_ = json.Unmarshal(t["meta"], &meta) // nothing says enough
	for _, tag := range meta.Tag {
		if tag.Code == "SUBSETTED" {
			return ""
		}
	}
	return meta.VersionID
}

// write makes and updates.
func (b *bulk) write(ctx context.Context) {
	kept := make([]string, len(b.items))
	b.send(ctx, func(i int) (fhir.BatchEntry, bool) {
		if b.found[i].id == "" {
			return b.jobs[i].creation(), true
		}
		m, err := merge(b.found[i].body, b.jobs[i].body, b.jobs[i].t)
		if kept[i] = m.kept; err != nil || m.body == nil {
			b.say(i, b.jobs[i].mark(told("Task/"+b.found[i].id, false, m.kept)), err)
			return fhir.BatchEntry{}, false
		}
		return fhir.BatchEntry{URL: "Task/" + b.found[i].id, Resource: m.body, IfMatch: `W/"` + versionOf(b.found[i].tree) + `"`}, true
	}, func(i int, a fhir.BatchAnswer, err error) {
		switch j, id := b.jobs[i], b.found[i].id; {
		case err == nil && id != "":
			b.say(i, j.mark(told("Task/"+id, true, kept[i])), nil)
		case a.Status == http.StatusCreated && createdAs(a) != "":
			b.say(i, j.mark(createdAs(a)+" created"), nil)
		case err == nil, alone(err):
			b.jobs[i] = nil
		default:
			b.say(i, "", err)
		}
	})
}

// creation is the entry that makes a job's Task.
func (j *job) creation() fhir.BatchEntry {
	e := fhir.BatchEntry{Resource: j.body, IfNoneExist: j.query().Encode()}
	if j.way.plain {
		e.IfNoneExist = ""
	}
	return e
}

// alone says whether an item whose entry was refused is carried alone: what Carry deals with, which begins with a look.
func alone(err error) bool {
	switch fault.KindOf(err) {
	case fault.Conflict, fault.NotFound:
		return true
	}
	status := fhirhttp.StatusOf(err)
	return status == http.StatusMethodNotAllowed || status == http.StatusNotImplemented
}

// createdAs is the Task that an answer says was made; "" where it does not say.
func createdAs(a fhir.BatchAnswer) string {
	if r := fhir.ParseReference(a.Location); r.Type == "Task" && r.ID != "" {
		return "Task/" + r.ID
	}
	if typ, id := fhir.Peek(a.Body); typ == "Task" && id != "" {
		return "Task/" + id
	}
	return ""
}

// singly carries what is left, one after the other; a server that takes nothing is asked no more.
func (b *bulk) singly(ctx context.Context) {
	for i, it := range b.items {
		if b.done[i] {
			continue
		}
		receipt, err := b.s.Carry(ctx, it)
		b.results[i], b.done[i] = outbox.Result{Receipt: receipt, Err: err}, true
		if _, shut := errors.AsType[*outbox.Closed](err); shut {
			b.all(err)
		} else if err := ctx.Err(); err != nil {
			b.all(err) // what was not tried was not sent, even where this one was
		}
	}
}

// told is the receipt of a Task that was there.
func told(ref string, wrote bool, kept string) string {
	text := ref + " unchanged"
	if wrote {
		text = ref + " updated"
	}
	if kept != "" {
		text += ", kept " + kept
	}
	return text
}
