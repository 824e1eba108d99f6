package clinic

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"slices"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/fhir"
	"perennial/internal/intake"
	"perennial/internal/store"
)

// nobody is the key of what only its reference can tell whose it is.
const nobody = "!"

// reading turns resources into records, and records into statements. Not for
// use by several goroutines at once.
type reading struct{ mapper intake.Mapper }

func (c *Clinic) reading(source string) *reading {
	return &reading{intake.Mapper{Book: c.o.Book, Zone: c.o.Zone, Source: source}}
}

// taken is a resource as it will be stored.
type taken struct {
	rec   store.Record
	words []string
	bases []string
	raw   []byte // of what could not be read
	use   intake.Use
	item  string // of a Task of ours: the key of its work item
}

// take reads a resource.
func (rd *reading) take(raw fhir.Raw, at int64) taken {
	t := taken{rec: store.Record{File: raw.File, Line: raw.Line, FullURL: raw.FullURL, At: at, Hash: hashOf(raw.Body)}}
	r, err := fhir.Decode(raw.Body)
	if err != nil {
		return rd.refuse(t, fhir.Salvage(raw.Body), whatIs(err), raw.Body)
	}
	h := r.Head()
	intake.Identify(h, raw)
	t.rec.Ref, t.rec.Version, t.rec.Updated = h.Ref(), h.Meta.VersionID, intake.Millis(h.Meta.LastUpdated)
	if _, unused := r.(*fhir.Skipped); unused {
		t.use, t.rec.Why = intake.NotRelevant, "perennial does not use this type"
		return t
	}
	s, use, err := rd.mapper.Map(r)
	if err == nil {
		t.rec.Body, err = slim(r)
	}
	if err != nil {
		return rd.refuse(t, fhir.Salvage(raw.Body), whatIs(err), raw.Body)
	}
	t.rec.Labels = intake.Labels(t.rec.Ref, r)
	if t.use = use; use == intake.NotRelevant {
		t.rec.Why = "it says nothing about surveillance"
		return t
	}
	t.rec.Fate = store.FateUsed
	if use == intake.InError {
		t.rec.Fate, t.rec.Why = store.FateInError, whyTakenBack
	}
	t.belong(s)
	return t
}

// belong notes whose a resource is and by which words that is found.
func (t *taken) belong(s *chart.Statement) {
	t.rec.Patient = strings.Clone(s.Patient)
	if s.WorkState != nil {
		t.item = strings.Clone(s.WorkState.Key)
	}
	t.words, t.bases = wordsOf(s, t.rec.FullURL)
}

// slim writes a record as it is kept.
func slim(r fhir.Resource) ([]byte, error) { return fhir.Slim(r) }

// hashOf is a hash of a body as it came.
func hashOf(body []byte) string {
	sum := sha256.Sum256(body)
	return hex.EncodeToString(sum[:12])
}

// whatIs is what is wrong with a resource, without its reference.
func whatIs(err error) string {
	var q *fhir.Quarantine
	if errors.As(err, &q) {
		plain := fhir.Quarantine{Field: q.Field, What: q.What}
		return plain.Error()
	}
	return err.Error()
}

// refuse takes a resource that cannot be trusted.
func (rd *reading) refuse(t taken, known fhir.Salvaged, what string, raw []byte) taken {
	t.use, t.raw = intake.Quarantined, slices.Clone(raw)
	t.rec.Why, t.rec.Unread, t.rec.Body = what, true, nil
	for _, text := range []*string{&known.Type, &known.ID, &known.Version, &known.PatientRef} {
		*text = strings.ToValidUTF8(*text, "\uFFFD") // a body that is not UTF-8 is refused, too
	}
	t.rec.Ref, t.rec.Version, t.rec.Updated = known.Ref(), known.Version, intake.Millis(known.Updated)
	t.rec.Labels = rawLabels(&t.rec, raw)
	if s, ok := rd.mapper.Unread(known, what); ok {
		t.belong(&s)
	}
	return t
}

// rawLabels gives by which devices a body that could not be read can be found.
func rawLabels(rec *store.Record, raw []byte) *chart.Labels {
	ref := rec.Ref
	if ref == "" {
		ref = "unnamed/" + rec.Hash
	}
	return intake.RawLabels(ref, raw)
}

// labels says of a stored record again what it says of devices.
func (rd *reading) labels(rec *store.Record, raw []byte) *chart.Labels {
	if rec.Unread {
		return rawLabels(rec, raw)
	}
	r, err := fhir.Decode(rec.Body)
	if err != nil {
		return rawLabels(rec, rec.Body)
	}
	return intake.Labels(rec.Ref, r)
}

// issue takes what could not be taken apart into resources.
func (rd *reading) issue(i fhir.Issue, at int64) taken {
	what := i.What
	if i.Fix != "" {
		what += "; " + i.Fix
	}
	t := taken{rec: store.Record{File: i.File, Line: i.Line, At: at}}
	text, _ := json.Marshal([]any{i.Kind, i.File, i.Line, i.Ref, what}) // texts and numbers: cannot fail
	t.rec.Hash = hashOf(text)
	return rd.refuse(t, i.Known, what, nil)
}

// rereading turns records back into statements, all in the same memory. Not for
// use by several goroutines at once.
type rereading struct {
	decoder fhir.Decoder
	mapper  intake.Mapper
}

func (c *Clinic) rereading() *rereading {
	rd := &rereading{mapper: intake.Mapper{Book: c.o.Book, Zone: c.o.Zone, Reuse: true}}
	rd.mapper.Series = rd.decoder.LoadSeries
	return rd
}

// again says what a stored record means; false where it says nothing any more.
// The statement holds until the next call, and as long as the record.
func (rd *rereading) again(rec *store.Record) (chart.Statement, bool) {
	unread := chart.Statement{Ref: rec.Ref, Version: rec.Version, Updated: rec.Updated, Patient: rec.Patient, Unreadable: rec.Why}
	if rec.Unread {
		return unread, true
	}
	r, err := rd.decoder.Decode(rec.Body)
	if err != nil {
		unread.Unreadable = "the record kept of it cannot be read: " + whatIs(err)
		return unread, true
	}
	rd.mapper.Source = rec.Source
	s, use, err := rd.mapper.Map(r)
	switch {
	case err != nil:
		unread.Unreadable = whatIs(err)
		return unread, true
	case use == intake.NotRelevant:
		return chart.Statement{}, false
	}
	out := *s
	out.Patient = rec.Patient
	return out, true
}

// known reads what is kept of a resource that said nothing; nil where it still
// says nothing.
func (rd *reading) known(rec *store.Record) (*chart.Statement, intake.Use, error) {
	if len(rec.Body) == 0 {
		return nil, intake.NotRelevant, nil
	}
	r, err := fhir.Decode(rec.Body)
	if err != nil {
		return nil, intake.NotRelevant, err
	}
	rd.mapper.Source = rec.Source
	return rd.mapper.Map(r)
}

// wordsOf are the words by which records of one person are found, and the
// servers on which patients are said to be.
func wordsOf(s *chart.Statement, fullURL string) (words, bases []string) {
	words, bases = wordsOfKey(s.Patient)
	if p := s.Person; p != nil {
		for _, id := range p.Identifiers {
			words = append(words, store.IdentifierWord(strings.Clone(id)))
		}
		for _, key := range slices.Concat(p.ReplacedBy, p.Replaces) {
			words = append(words, store.KeyWord(strings.Clone(key)))
			more, _ := wordsOfKey(key)
			words = append(words, more...)
		}
		if p.Name != "" && p.Born != "" {
			words = append(words, store.NameWord(sameName(p), len(p.Identifiers) > 0))
		}
		if fullURL != "" {
			words = append(words, store.KeyWord(fullURL))
		}
	}
	if s.Study != nil && s.Study.UID != "" {
		words = append(words, store.StudyWord(strings.Clone(s.Study.UID)))
	}
	if base, local, ok := intake.SplitAddress(fullURL); ok && local == s.Ref {
		bases = append(bases, ownMark+base)
	}
	return words, bases
}

// ownMark begins the note of a server that Bundles show to be the source's own.
const ownMark = "own "

// wordsOfKey are the words of a patient's key that is not the id of a record.
func wordsOfKey(key string) (words, bases []string) {
	switch {
	case key == "" || key == nobody:
	case key[0] == '=':
		words = append(words, store.WantedWord(strings.Clone(key[1:])))
	case key[0] == '?':
		words = append(words, store.KeyWord(strings.Clone(key[1:])))
	default:
		if base, local, ok := intake.SplitAddress(key); ok {
			bases = append(bases, strings.Clone(base))
			if id, ok := strings.CutPrefix(local, "Patient/"); ok {
				words = append(words, store.KeyWord(strings.Clone(id)))
			}
		}
	}
	return words, bases
}

// sameName is a form of name and birth date in which the order of the names and
// their case do not matter.
func sameName(p *chart.Person) string {
	words := strings.Fields(strings.ToLower(p.Name))
	slices.Sort(words)
	return strings.Join(words, " ") + "|" + p.Born
}
