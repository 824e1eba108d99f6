package rest

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"perennial/internal/fault"
	"perennial/internal/fhir"
	"perennial/internal/fhirhttp"
	"perennial/internal/source"
)

// Cohort gives the patients to read, as "Patient/id".
type Cohort func(context.Context) ([]string, error)

// maxFile is how large a file of ids may be.
const maxFile = 16 << 20

// File is the cohort that a file lists, read anew at each poll.
func File(path string) Cohort {
	return func(context.Context) ([]string, error) {
		info, err := os.Stat(path)
		if err == nil && info.Size() > maxFile {
			err = fault.New(fault.Invalid, "", "", errors.New("it is too large for a list of ids"))
		}
		if err != nil {
			return nil, fault.New(fault.KindOf(err), "read patients from "+path, "Check the path and the rights of the file.", err)
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return nil, fault.Wrap("read patients from "+path, err)
		}
		return ParseIDs(path, text)
	}
}

// ParseIDs reads a list of patients: an id or Patient/id on each line; blank lines and what follows # are passed over. The
// error lists what is wrong (the first twenty), each with line and column, without repeating what stands there.
func ParseIDs(name string, text []byte) ([]string, error) {
	var ids, wrong []string
	seen := map[string]bool{}
	for i, line := range strings.Split(string(bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))), "\n") {
		written, _, _ := strings.Cut(line, "#")
		word := strings.TrimSpace(written)
		id := "Patient/" + strings.TrimPrefix(word, "Patient/")
		switch {
		case word == "":
		case !fhir.WellFormed(id):
			column := utf8.RuneCountInString(written[:strings.Index(written, word)]) + 1
			wrong = append(wrong, fmt.Sprintf("%s:%d:%d: an id of a patient is expected here: letters, digits, - and . only, at most 64", name, i+1, column))
		case !seen[id]:
			seen[id] = true
			ids = append(ids, id)
		}
	}
	if len(wrong) > 0 {
		return ids, fault.New(fault.Invalid, "read patients", "The other patients are read. Put the file right.", errors.New(strings.Join(wrong[:min(len(wrong), 20)], "\n")))
	}
	return ids, nil
}

// Group is the cohort that a Group on the server lists.
func Group(c *fhirhttp.Client, id string) Cohort { return listed(c, "Group", id) }

// List is the cohort that a List on the server lists.
func List(c *fhirhttp.Client, id string) Cohort { return listed(c, "List", id) }

func listed(c *fhirhttp.Client, typ, id string) Cohort {
	return func(ctx context.Context) ([]string, error) {
		v, err := c.Read(ctx, typ, id)
		if err != nil {
			return nil, fault.Wrap("read the cohort", err)
		}
		ids, other, err := members(v.Body)
		if err != nil || other == 0 {
			return ids, err
		}
		return ids, fault.New(fault.Invalid, "read the cohort", "Take out what is not a patient of this server.", fmt.Errorf("%d entries of the %s name no patient", other, typ))
	}
}

// members are the patients of a Group or List, also those that it marks as gone: who was once to be watched is watched
// until a person decides otherwise. Other is how many entries name none.
func members(body []byte) (ids []string, other int, err error) {
	type named struct{ Reference string }
	var r struct {
		Member []struct{ Entity named }
		Entry  []struct{ Item named }
	}
	if json.Unmarshal(body, &r) != nil {
		return nil, 0, fault.New(fault.Unavailable, "read the cohort", "", errors.New("the answer cannot be read"))
	}
	var refs []string
	for _, m := range r.Member {
		refs = append(refs, m.Entity.Reference)
	}
	for _, e := range r.Entry {
		refs = append(refs, e.Item.Reference)
	}
	for _, ref := range refs {
		if i := strings.LastIndex(ref, "Patient/"); i >= 0 {
			ref, _, _ = strings.Cut(ref[i:], "/_history/")
		}
		if !strings.HasPrefix(ref, "Patient/") || !fhir.WellFormed(ref) {
			other++
			continue
		}
		ids = append(ids, ref)
	}
	return ids, other, nil
}

// ofPatient says whether a type is searched by patient.
func ofPatient(typ string) bool { return typ != "ResearchStudy" }

// patientsPlace is where the cursor keeps how far patients were read.
const patientsPlace = "patients"

// cohort reads patient by patient. A patient who is new, or of whom something did not come the last time, is read in
// full, the others from the common moment on; so is a type that is new. Whoever was read once is read on, listed or not.
func (p *poll) cohort(ctx context.Context, types []string) {
	ids, err := p.s.o.Patients(ctx)
	if err != nil && !p.fail(err) {
		return
	}
	at := p.all[patientsPlace]
	every := p.s.o.Reconcile
	c := &crowd{poll: p, types: types, before: at.Types, from: at.From, known: map[string]bool{}, bare: at.Bare}
	c.full = p.s.whole || at.From.IsZero() || !at.Full.IsZero() && every > 0 && at.From.Sub(at.Full) >= every
	for _, id := range at.Read {
		c.known[id] = true
	}
	for _, id := range at.Again {
		c.known[id] = false
	}
	ids = slices.Concat(at.Read, at.Again, ids)
	slices.Sort(ids)
	for _, id := range slices.Compact(ids) {
		if ctx.Err() != nil || !c.patient(ctx, id) {
			return
		}
	}
	c.end(at)
}

// crowd is one pass over the patients.
type crowd struct {
	*poll
	types  []string
	before []string // types that were read of all known patients; another is read in full
	full   bool
	from   time.Time
	date   time.Time       // the server's clock at the first answer
	known  map[string]bool // whether everything was read of this patient
	batch  source.Batch
	bare   bool // patients are asked for by their bare id
	sure   bool // … and something came that way, or the other way, in this pass
}

// crowdBatch is how many resources are handed over at once.
const crowdBatch = 500

func (c *crowd) patient(ctx context.Context, id string) bool {
	whole := true
	for _, typ := range c.types {
		if !ofPatient(typ) {
			continue
		}
		r, err := c.attempt(ctx, typ, id)
		if c.date.IsZero() {
			c.date = r.date
		}
		if err != nil {
			whole = false
			if !c.fail(err) {
				return false
			}
		}
	}
	if c.known[id] = whole; len(c.batch.Resources) >= crowdBatch {
		return c.hand()
	}
	return true
}

// attempt reads one type of one patient. Some servers find patients by Patient/id only, some by the bare id only, and
// the others answer with nothing: where everything was asked for and nothing came, the other way is tried, until
// something has come by one of them.
func (c *crowd) attempt(ctx context.Context, typ, id string) (*reading, error) {
	r, err := c.ask(ctx, typ, id, c.bare)
	if typ == "Patient" || err != nil || !r.from.IsZero() || c.sure {
		return r, err
	}
	if c.sure = r.size() > 0; c.sure {
		return r, nil
	}
	other, oops := c.ask(ctx, typ, id, !c.bare)
	if oops != nil || other.size() == 0 {
		return r, nil // it understands the first way, and has nothing
	}
	c.bare, c.sure = !c.bare, true
	for id := range c.known { // what came of others by the wrong way was not all
		c.known[id] = false
	}
	return other, nil
}

// ask asks for one type of one patient.
func (c *crowd) ask(ctx context.Context, typ, id string, bare bool) (*reading, error) {
	r := &reading{s: c.s, typ: typ, patient: id, idOnly: bare, count: c.s.o.Count, emit: c.keep}
	if c.known[id] && !c.full && slices.Contains(c.before, typ) {
		r.from = c.from
	}
	err := r.run(ctx)
	if err == nil {
		err = r.err()
	}
	return r, err
}

func (c *crowd) keep(b source.Batch) bool {
	c.batch.Resources = append(c.batch.Resources, b.Resources...)
	return true
}

// hand hands over what was read so far. The common moment stays until the end, but at the very first pass, so that a
// pass that breaks off need not begin again.
func (c *crowd) hand() bool {
	at := c.all[patientsPlace]
	if at.From.IsZero() {
		at.From, at.Types = c.s.since(c.date), c.types
	}
	at.Read, at.Again = c.read()
	at.Bare = c.bare
	c.all[patientsPlace] = at
	c.held, c.batch = c.batch, source.Batch{}
	return c.flush()
}

// read lists the patients of whom everything was read, and those of whom it is to be read again.
func (c *crowd) read() (whole, again []string) {
	for id, ok := range c.known {
		if ok {
			whole = append(whole, id)
		} else {
			again = append(again, id)
		}
	}
	slices.Sort(whole)
	slices.Sort(again)
	return whole, again
}

// end moves the common moment on. Whoever was not read wholly is listed as such, so nothing is passed over.
func (c *crowd) end(at place) {
	if next := c.s.since(c.date); !next.IsZero() {
		at.From = next
		if c.full || at.Full.IsZero() {
			at.Full = next
		}
	}
	at.Read, at.Again = c.read()
	at.Types, at.Bare = c.types, c.bare
	c.all[patientsPlace] = at
	c.held = c.batch
	c.flush()
}
