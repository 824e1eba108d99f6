package store

import (
	"encoding/hex"
	"slices"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/kv"
)

// labelled is the version of the index of devices that this program writes. A
// program that does not know the index drops the number from the store with its
// first change: the index is then made again, and never believed when it is not
// complete.
const labelled = 1

// Labelled is what one stored version of a resource says of devices.
type Labelled struct {
	Ref     string // of the resource
	Version string // tells its versions apart within the store
	Patient string // key under which the version lies; empty where it lies under none
	Updated int64
	Seq     int64
	Unread  bool // the resource is quarantined: the marks are all texts in it
	Back    bool // it is marked entered in error
	List    []chart.Label
	Uses    []string
	Of      string // key of the patient of whom it says so; as Patient, or where that is empty
	kind    string
}

// labelRecord is how it is stored.
type labelRecord struct {
	V       int           `json:"v"`
	Kind    string        `json:"kind"` // rec, raw or skip: where the version itself is
	Ref     string        `json:"ref"`
	Patient string        `json:"patient,omitempty"`
	Updated int64         `json:"updated,omitempty"`
	Seq     int64         `json:"seq"`
	Back    bool          `json:"back,omitempty"`
	List    []chart.Label `json:"list,omitempty"`
	Uses    []string      `json:"uses,omitempty"`
	Of      string        `json:"of,omitempty"`
}

func labelKey(ref, version string) []byte { return kv.Key("device", part(ref), version) }
func markKey(m chart.Mark, ref, version string) []byte {
	return kv.Key("mark", string(m.Sort), part(m.Value), part(ref), version)
}
func usesKey(device, ref, version string) []byte {
	return kv.Key("uses", part(device), part(ref), version)
}
func bareKey(patient string) []byte { return kv.Key("bare", part(patient)) }
func lacksKey(sort, device string) []byte {
	return kv.Key("lacks", sort, part(device))
}

// What a device can lack.
const (
	lacksAll    = "all"    // no lot, no device identifier and no serial number
	lacksOwner  = "owner"  // the record names no patient
	lacksUnread = "unread" // the record cannot be read
)

// putLabels stores what a version says of devices, and its marks. Where it lies
// somewhere else now (Unskip), the record of it is replaced.
func (w *Writer) putLabels(kind string, rec *Record, l *chart.Labels) error {
	if l.None() {
		return nil
	}
	version := rec.version()
	for i := range l.List {
		for _, m := range l.List[i].Marks {
			if err := w.putText(markKey(m, rec.Ref, version), []byte(rec.Ref)); err != nil {
				return err
			}
		}
	}
	for _, device := range l.Uses {
		if err := w.putText(usesKey(device, rec.Ref, version), []byte(rec.Ref)); err != nil {
			return err
		}
	}
	err := w.put(labelKey(rec.Ref, version), labelRecord{1, kind, rec.Ref, rec.Patient, rec.Updated, rec.Seq, l.Back, l.List, l.Uses, l.Of})
	if err != nil {
		return err
	}
	return w.lack(rec.Ref)
}

// lack notes what the newest versions of a resource's devices lack.
func (w *Writer) lack(ref string) error {
	versions, err := LabelsOf(w.Tx, ref)
	if err != nil {
		return err
	}
	for device, lacks := range lacking(versions) {
		for _, sort := range lackSorts() {
			key := lacksKey(sort, device)
			if !slices.Contains(lacks, sort) {
				err = w.drop(key)
			} else {
				err = w.putText(key, []byte(device))
			}
			if err != nil {
				return err
			}
		}
	}
	return nil
}

// labelAgain gives what a version says of devices its new place, if it says
// anything.
func (w *Writer) labelAgain(rec *Record) error {
	var have labelRecord
	key := labelKey(rec.Ref, rec.version())
	found, err := get(w.Tx, key, &have)
	if err != nil || !found {
		return err
	}
	have.Seq = rec.Seq
	if err := w.put(key, have); err != nil {
		return err
	}
	return w.lack(rec.Ref)
}

func lackSorts() []string {
	return []string{string(chart.MarkLot), string(chart.MarkModel), string(chart.MarkSerial), lacksAll, lacksOwner, lacksUnread}
}

// lacking says what each device in the versions of a resource lacks: of the
// newest version, and only what no version has.
func lacking(versions []Labelled) map[string][]string {
	out, has := map[string][]string{}, map[string][]chart.MarkSort{}
	newest := -1
	for i := range versions {
		v := &versions[i]
		if newest < 0 || v.after(&versions[newest]) {
			newest = i
		}
		for j := range v.List {
			if d := &v.List[j]; !d.Mention {
				out[d.Ref] = nil
				for _, sort := range []chart.MarkSort{chart.MarkLot, chart.MarkModel, chart.MarkSerial} {
					if d.Has(sort) {
						has[d.Ref] = append(has[d.Ref], sort)
					}
				}
			}
		}
	}
	if newest < 0 || versions[newest].Back {
		return out
	}
	v := &versions[newest]
	for j := range v.List {
		if d := &v.List[j]; !d.Mention {
			out[d.Ref] = lacksOf(v, has[d.Ref])
		}
	}
	return out
}

func lacksOf(v *Labelled, has []chart.MarkSort) []string {
	var lacks []string
	for _, sort := range []chart.MarkSort{chart.MarkLot, chart.MarkModel, chart.MarkSerial} {
		if !slices.Contains(has, sort) {
			lacks = append(lacks, string(sort))
		}
	}
	switch {
	case v.Unread:
		return []string{lacksUnread}
	case len(has) == 0:
		lacks = append(lacks, lacksAll)
	}
	if v.Patient == "" {
		lacks = append(lacks, lacksOwner)
	}
	return lacks
}

// after says whether a version is later than another, as far as can be told
// without reading the resource.
func (l *Labelled) after(other *Labelled) bool {
	if l.Updated != other.Updated {
		return l.Updated > other.Updated
	}
	return l.Seq > other.Seq
}

// LabelsOf lists what the stored versions of a resource say of devices, the
// latest first.
func LabelsOf(r kv.Reader, ref string) ([]Labelled, error) {
	var list []Labelled
	from, to := kv.Prefix("device", part(ref))
	err := r.Scan(from, to, func(key, text []byte) error {
		version, err := last(key)
		if err != nil {
			return err
		}
		l, err := decodeLabels(text, version)
		list = append(list, l)
		return err
	})
	slices.SortStableFunc(list, func(a, b Labelled) int {
		if a.after(&b) {
			return -1
		}
		return 1
	})
	return list, err
}

func decodeLabels(text []byte, version string) (Labelled, error) {
	var rec labelRecord
	err := decode(text, &rec)
	of := rec.Patient
	if of == "" {
		of = rec.Of
	}
	return Labelled{Of: of, Ref: rec.Ref, Version: version, Patient: rec.Patient, Updated: rec.Updated, Seq: rec.Seq, Unread: rec.Kind == "raw",
		Back: rec.Back, List: rec.List, Uses: rec.Uses, kind: rec.Kind}, err
}

// Fate reads what became of a version.
func (l *Labelled) Fate(r kv.Reader) (Fate, error) {
	switch l.kind {
	case "raw":
		return FateQuarantined, nil
	case "skip":
		return FateNotRelevant, nil
	}
	text, err := r.Get(kv.Key("rec", part(l.Patient), part(l.Ref), l.Version))
	if err != nil || text == nil {
		return "", err
	}
	fate, _, err := fateOf(text)
	return fate, err
}

// Marked lists the resources of which a version carries a mark.
func Marked(r kv.Reader, m chart.Mark) ([]string, error) {
	list, err := texts(r, "mark", string(m.Sort), part(m.Value))
	slices.Sort(list)
	return slices.Compact(list), err
}

// Users lists the resources that name a device: operations, and statements that
// a patient has it.
func Users(r kv.Reader, device string) ([]string, error) {
	list, err := texts(r, "uses", part(device))
	slices.Sort(list)
	return slices.Compact(list), err
}

// Gaps count what a search for devices cannot find.
type Gaps struct {
	NoLot     int `json:"noLot"`                 // device records without a lot
	NoModel   int `json:"noUdiDi"`               // … without a device identifier
	NoSerial  int `json:"noSerial"`              // … without a serial number
	Nothing   int `json:"nothing"`               // … without any of the three
	NoPatient int `json:"noPatient"`             // device records that name no patient, and that no operation names: equipment, or somebody's
	Unread    int `json:"unreadable"`            // device records that cannot be read
	NoDevice  int `json:"implantsWithoutDevice"` // implants of which no device is on record
	Of        int `json:"patientsOfThese"`
}

// ReadGaps counts them.
func ReadGaps(r kv.Reader) (Gaps, error) {
	var g Gaps
	for sort, n := range map[string]*int{string(chart.MarkLot): &g.NoLot, string(chart.MarkModel): &g.NoModel, string(chart.MarkSerial): &g.NoSerial,
		lacksAll: &g.Nothing, lacksUnread: &g.Unread} {
		var err error
		if *n, err = count(r, "lacks", sort); err != nil {
			return g, err
		}
	}
	if err := g.equipment(r); err != nil {
		return g, err
	}
	from, to := kv.Prefix("bare")
	err := r.Scan(from, to, func(_, text []byte) error {
		g.NoDevice += len(text)
		g.Of++
		return nil
	})
	return g, err
}

// equipment takes out of the counts what no patient and no operation names.
func (g *Gaps) equipment(r kv.Reader) error {
	devices, err := texts(r, "lacks", lacksOwner)
	for i := 0; err == nil && i < len(devices); i++ {
		var users []string
		if users, err = Users(r, devices[i]); err != nil || len(users) > 0 {
			continue
		}
		g.NoPatient++
		for sort, n := range map[string]*int{string(chart.MarkLot): &g.NoLot, string(chart.MarkModel): &g.NoModel, string(chart.MarkSerial): &g.NoSerial, lacksAll: &g.Nothing} {
			text, wrong := r.Get(lacksKey(sort, devices[i]))
			if err = wrong; text != nil {
				*n--
			}
		}
	}
	return err
}

// putBare notes how many implants of a patient have no device on record: one
// letter for each.
func (w *Writer) putBare(patient string, n int) error {
	if n == 0 {
		return w.drop(bareKey(patient))
	}
	return w.putText(bareKey(patient), []byte(strings.Repeat("x", n)))
}

// Relabelled says whether the index of devices is complete.
func (m *Meta) Relabelled() bool { return m.Labels == labelled }

// Relabel makes the index of devices again, a page at a time, in a store that
// another program has written; it goes on where it was interrupted. What a
// version says of devices is told by read, from the record or, where it could
// not be read, from the body as it came.
func (w *Writer) Relabel(limit int, read func(rec *Record, raw []byte) *chart.Labels) (done bool, err error) {
	m := &w.Meta
	if m.Relabelled() {
		return true, nil
	}
	if m.LabelsAt == "" {
		n, err := w.dropIndex(limit)
		if n == 0 && err == nil {
			m.LabelsAt = "-"
		}
		return false, err
	}
	at, _ := hex.DecodeString(strings.TrimPrefix(m.LabelsAt, "-"))
	p := Page{after: at}
	more, err := w.relabelPage(&p, limit, read)
	if err != nil {
		return false, err
	}
	m.LabelsAt = "-" + hex.EncodeToString(p.after)
	if !more {
		m.Labels, m.LabelsAt = labelled, ""
	}
	return !more, nil
}

// indexKinds are the keys of the index of devices.
func indexKinds() []string { return []string{"bare", "device", "lacks", "mark", "uses"} }

// dropIndex removes up to limit keys of the index.
func (w *Writer) dropIndex(limit int) (int, error) {
	var keys [][]byte
	for _, kind := range indexKinds() {
		from, to := kv.Prefix(kind)
		err := w.Tx.Scan(from, to, func(key, _ []byte) error {
			if len(keys) >= limit {
				return kv.Stop
			}
			keys = append(keys, slices.Clone(key))
			return nil
		})
		if err != nil {
			return 0, err
		}
	}
	for _, key := range keys {
		if err := w.drop(key); err != nil {
			return 0, err
		}
	}
	return len(keys), nil
}
