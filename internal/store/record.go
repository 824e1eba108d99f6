package store

import (
	"bytes"
	"encoding/json"
	"slices"
	"strconv"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/kv"
)

// Fate is what became of a version of a resource.
type Fate string

// Fates: the terms of the first sum.
const (
	FateUsed        Fate = "used"
	FateSuperseded  Fate = "superseded"
	FateNotRelevant Fate = "not-relevant"
	FateInError     Fate = "in-error"
	FateQuarantined Fate = "quarantined"
)

// Record is one version of one resource.
type Record struct {
	Patient string // key of the patient as package intake gives it
	Ref     string // "Type/id"
	Version string // meta.versionId
	Updated int64  // meta.lastUpdated in milliseconds since 1970
	Hash    string // of the body as it came
	Source  string
	File    string
	Line    int
	FullURL string // of the Bundle entry
	At      int64  // received, in milliseconds since 1970
	Seq     int64  // place in all that was received
	Fate    Fate
	Why     string          // why it is quarantined or not relevant
	Unread  bool            // it could not be read, Why says why; there is no body
	Body    json.RawMessage // slim record
	Labels  *chart.Labels   // what it says of devices, when it is taken; not read back
}

// stored is how a record is stored. Fate and unread come first: fateOf reads
// only them.
type stored struct {
	V       int    `json:"v"`
	Fate    Fate   `json:"fate"`
	Unread  bool   `json:"unread"`
	Patient string `json:"patient,omitempty"`
	Ref     string `json:"ref"`
	Version string `json:"version,omitempty"`
	Updated int64  `json:"updated,omitempty"`
	Hash    string `json:"hash"`
	Source  string `json:"source,omitempty"`
	File    string `json:"file,omitempty"`
	Line    int    `json:"line,omitempty"`
	FullURL string `json:"fullUrl,omitempty"`
	At      int64  `json:"at"`
	Seq     int64  `json:"seq"`
	Why     string `json:"why,omitempty"`
}

func (r *Record) stored() stored {
	return stored{1, r.Fate, r.Unread, r.Patient, r.Ref, r.Version, r.Updated, r.Hash, r.Source, r.File, r.Line, r.FullURL, r.At, r.Seq, r.Why}
}

// bodyMember begins the last member of a stored record, the slim record. Within
// a text its quotes would be escaped, and no member before it is an object.
const bodyMember = `,"body":`

// encode writes a record as it is stored. The body is JSON already and is not
// looked at again: it is most of the bytes.
func (r *Record) encode() ([]byte, error) {
	text, err := json.Marshal(r.stored())
	if err != nil || len(r.Body) == 0 {
		return text, err
	}
	text = append(text[:len(text)-1], bodyMember...)
	return append(append(text, r.Body...), '}'), nil
}

func decodeRecord(text []byte) (Record, error) {
	head, last := bytes.CutSuffix(text, []byte("}"))
	var body []byte
	if i := bytes.Index(text, []byte(bodyMember)); i > 0 && i+len(bodyMember) < len(text) {
		head, last = text[:i], true
		body = bytes.Clone(text[i+len(bodyMember) : len(text)-1])
	}
	var err error
	s, ok := plainHead(string(head))
	if !ok || !last {
		s = stored{}
		if last {
			head = append(bytes.Clone(head), '}')
		}
		err = decode(head, &s)
	}
	return Record{Patient: s.Patient, Ref: s.Ref, Version: s.Version, Updated: s.Updated, Hash: s.Hash, Source: s.Source, File: s.File, Line: s.Line,
		FullURL: s.FullURL, At: s.At, Seq: s.Seq, Fate: s.Fate, Why: s.Why, Unread: s.Unread, Body: body}, err
}

// fateOf reads of a stored record what became of it, from its first members
// where they stand as this program writes them.
func fateOf(text []byte) (Fate, bool, error) {
	if rest, ok := bytes.CutPrefix(text, []byte(`{"v":1,"fate":"`)); ok {
		if fate, rest, ok := bytes.Cut(rest, []byte(`","unread":`)); ok && len(fate) < 16 {
			return Fate(fate), bytes.HasPrefix(rest, []byte("true")), nil
		}
	}
	rec, err := decodeRecord(text)
	return rec.Fate, rec.Unread, err
}

// version tells one version of a resource from all others: by what the sender
// calls it, by when it was changed, and by its content.
func (r *Record) version() string {
	return part(r.Version) + "|" + strconv.FormatInt(r.Updated, 10) + "|" + r.Hash
}

func (r *Record) key() []byte     { return kv.Key("rec", part(r.Patient), part(r.Ref), r.version()) }
func (r *Record) gotKey() []byte  { return kv.Key("got", part(r.Ref), r.version()) }
func (r *Record) rawKey() []byte  { return kv.Key("raw", part(r.Ref), r.version()) }
func (r *Record) skipKey() []byte { return kv.Key("skip", part(r.Ref), r.version()) }

// receipt says that a version of a resource was received, and where it is.
type receipt struct {
	V       int    `json:"v"`
	Patient string `json:"patient,omitempty"` // key under which the record lies; empty where it lies under none
	Seq     int64  `json:"seq"`
	version string // the last part of its key
}

// receipts lists what was received of a resource.
func receipts(r kv.Reader, ref string) ([]receipt, error) {
	var list []receipt
	from, to := kv.Prefix("got", part(ref))
	err := r.Scan(from, to, func(key, text []byte) error {
		var rec receipt
		if err := decode(text, &rec); err != nil {
			return err
		}
		name, err := last(key)
		rec.version = name
		list = append(list, rec)
		return err
	})
	return list, err
}

// Take stores a version of a resource that is about a patient, with its fate so
// far, and says false where it is there already. Words are those by which the
// patient's records are found; ties to other records follow from them. The
// record's Seq is given here.
func (w *Writer) Take(rec Record, words []string) (bool, error) {
	have, known, err := w.received(&rec)
	if err != nil || known {
		return false, err
	}
	if err := w.receive(&rec); err != nil {
		return false, err
	}
	*w.counts.Resources.of(rec.Fate)++
	if err := w.putRecord(rec.key(), &rec); err != nil {
		return false, err
	}
	if err := w.putLabels("rec", &rec, rec.Labels); err != nil {
		return false, err
	}
	if err := w.tieReceipts(rec.Patient, have); err != nil {
		return false, err
	}
	return true, w.addWords(rec.Patient, words)
}

// Skip stores a version that says nothing about surveillance; false where it is
// there already.
func (w *Writer) Skip(rec Record) (bool, error) {
	_, known, err := w.received(&rec)
	if err != nil || known {
		return false, err
	}
	rec.Patient, rec.Fate = "", FateNotRelevant
	if err := w.receive(&rec); err != nil {
		return false, err
	}
	w.counts.Resources.NotRelevant++
	if err := w.putLabels("skip", &rec, rec.Labels); err != nil {
		return false, err
	}
	return true, w.putRecord(rec.skipKey(), &rec)
}

// rawRecord is how a quarantined resource is stored; Raw is base64.
type rawRecord struct {
	stored
	Raw []byte `json:"raw,omitempty"`
}

// Quarantine keeps what could not be read as it came, and, where the patient is
// known, a record without a body that says so. False where it is there already.
func (w *Writer) Quarantine(rec Record, raw []byte) (bool, error) {
	have, known, err := w.received(&rec)
	if err != nil || known {
		return false, err
	}
	rec.Fate, rec.Body, rec.Unread = FateQuarantined, nil, true
	if err := w.receive(&rec); err != nil {
		return false, err
	}
	w.counts.Resources.Quarantined++
	if err := w.putLabels("raw", &rec, rec.Labels); err != nil {
		return false, err
	}
	if err := w.put(rec.rawKey(), rawRecord{rec.stored(), raw}); err != nil || rec.Patient == "" {
		return true, err
	}
	if err := w.putRecord(rec.key(), &rec); err != nil {
		return false, err
	}
	return true, w.tieReceipts(rec.Patient, have)
}

// received says what of a resource is there already, and whether this version
// is. Where nothing but the order tells versions apart, one that comes again
// after another is the newest again.
func (w *Writer) received(rec *Record) ([]receipt, bool, error) {
	have, err := receipts(w.Tx, rec.Ref)
	if err != nil {
		return nil, false, err
	}
	name := rec.version()
	i := slices.IndexFunc(have, func(r receipt) bool { return r.version == name })
	if i < 0 {
		return have, false, nil
	}
	alike := strings.TrimSuffix(name, rec.Hash)
	for _, r := range have {
		if r.Seq > have[i].Seq && strings.HasPrefix(r.version, alike) {
			return have, true, w.again(rec, have[i])
		}
	}
	return have, true, nil
}

// again gives a version that came again the latest place.
func (w *Writer) again(rec *Record, was receipt) error {
	if was.Patient == "" {
		return nil
	}
	old := *rec
	old.Patient = was.Patient
	text, err := w.Tx.Get(old.key())
	if err != nil || text == nil {
		return err
	}
	if old, err = decodeRecord(text); err != nil {
		return err
	}
	w.Meta.Seq++
	old.Seq = w.Meta.Seq
	if err := w.put(old.gotKey(), receipt{V: 1, Patient: old.Patient, Seq: old.Seq}); err != nil {
		return err
	}
	if err := w.putRecord(old.key(), &old); err != nil {
		return err
	}
	return w.labelAgain(&old)
}

// receive gives a version its place and writes its receipt.
func (w *Writer) receive(rec *Record) error {
	w.Meta.Seq++
	rec.Seq = w.Meta.Seq
	w.counts.Resources.Received++
	return w.put(rec.gotKey(), receipt{V: 1, Patient: rec.Patient, Seq: rec.Seq})
}

// SetFate notes what became of a record; nothing is written where it is the
// same, or where it could not be read.
func (w *Writer) SetFate(rec *Record, fate Fate, why string) error {
	if rec.Fate == fate && rec.Why == why || rec.Unread {
		return nil
	}
	*w.counts.Resources.of(rec.Fate)--
	*w.counts.Resources.of(fate)++
	rec.Fate, rec.Why = fate, why
	return w.putRecord(rec.key(), rec)
}

func (w *Writer) putRecord(key []byte, rec *Record) error {
	text, err := rec.encode()
	if err != nil {
		return err
	}
	return w.putText(key, text)
}

// Records gives all versions of all resources under a patient's key.
func Records(r kv.Reader, patient string) ([]Record, error) { return records(r, "rec", part(patient)) }

// RecordsOf gives all versions of one resource under a patient's key.
func RecordsOf(r kv.Reader, patient, ref string) ([]Record, error) {
	return records(r, "rec", part(patient), part(ref))
}

func records(r kv.Reader, prefix ...any) ([]Record, error) {
	var list []Record
	from, to := kv.Prefix(prefix...)
	err := r.Scan(from, to, func(_, text []byte) error {
		rec, err := decodeRecord(text)
		list = append(list, rec)
		return err
	})
	return list, err
}

// Raw gives what could not be read as it came; nil where nothing was kept.
func Raw(r kv.Reader, rec *Record) ([]byte, error) {
	var s rawRecord
	_, err := get(r, rec.rawKey(), &s)
	return s.Raw, err
}

// ListSkipped lists up to limit of what says nothing about surveillance, from the
// page on, and moves the page.
func ListSkipped(r kv.Reader, p *Page, limit int) (list []Record, more bool, err error) {
	more, err = p.scan(r, limit, func(_, text []byte) error {
		rec, err := decodeRecord(text)
		list = append(list, rec)
		return err
	}, "skip")
	return list, more, err
}

// Unskip takes a resource that said nothing until now for one that is about a
// patient. It keeps its place.
func (w *Writer) Unskip(rec Record, words []string) error {
	have, err := receipts(w.Tx, rec.Ref)
	if err != nil {
		return err
	}
	if err := w.drop(rec.skipKey()); err != nil {
		return err
	}
	w.counts.Resources.NotRelevant--
	*w.counts.Resources.of(rec.Fate)++
	if err := w.put(rec.gotKey(), receipt{V: 1, Patient: rec.Patient, Seq: rec.Seq}); err != nil {
		return err
	}
	if err := w.putLabels("rec", &rec, rec.Labels); err != nil {
		return err
	}
	if err := w.putRecord(rec.key(), &rec); err != nil {
		return err
	}
	if err := w.tieReceipts(rec.Patient, have); err != nil {
		return err
	}
	return w.addWords(rec.Patient, words)
}

// Keys lists up to limit keys of patients of whom there are records or rulings,
// those that come after the given one, in the order in which they are stored.
func Keys(r kv.Reader, after string, limit int) ([]string, error) {
	var list []string
	for _, kind := range []string{"rec", "ruling"} {
		more, err := keysOf(r, kind, after, limit)
		if err != nil {
			return nil, err
		}
		list = append(list, more...)
	}
	slices.SortFunc(list, func(a, b string) int { return strings.Compare(part(a), part(b)) })
	list = slices.Compact(list)
	return list[:min(len(list), limit)], nil
}

// keysOf is Keys for one kind of record: it reads one record of each patient.
func keysOf(r kv.Reader, kind, after string, limit int) ([]string, error) {
	var list []string
	from, to := kv.Prefix(kind)
	if after != "" {
		_, from = kv.Prefix(kind, part(after))
	}
	for len(list) < limit {
		patient := ""
		err := r.Scan(from, to, func(_, text []byte) error {
			var rec struct {
				Patient string `json:"patient"`
			}
			err := decode(text, &rec)
			if patient = rec.Patient; err == nil {
				err = kv.Stop
			}
			return err
		})
		if err != nil || patient == "" {
			return list, err
		}
		list = append(list, patient)
		_, from = kv.Prefix(kind, part(patient))
	}
	return list, nil
}

// Known says whether there are records or rulings under a patient's key, or
// another record names it.
func Known(r kv.Reader, patient string) (bool, error) {
	known := false
	for _, kind := range []string{"rec", "ruling", "tie"} {
		from, to := kv.Prefix(kind, part(patient))
		err := r.Scan(from, to, func(_, _ []byte) error {
			known = true
			return kv.Stop
		})
		if err != nil || known {
			return known, err
		}
	}
	return false, nil
}
