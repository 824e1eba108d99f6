package store

import (
	"bytes"
	"slices"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/kv"
)

// relabelPage labels the next records: of the four kinds in the order of their
// keys.
func (w *Writer) relabelPage(p *Page, limit int, read func(rec *Record, raw []byte) *chart.Labels) (more bool, err error) {
	for _, kind := range []string{"plan", "raw", "rec", "skip"} {
		if _, end := kv.Prefix(kind); bytes.Compare(p.after, end) >= 0 {
			continue
		}
		var list [][]byte // values; writing comes after reading
		more, err = p.scan(w.Tx, limit, func(key, text []byte) error {
			if kind == "plan" || kind == "raw" || mayName(key) {
				list = append(list, slices.Clone(text))
			}
			return nil
		}, kind)
		for i := 0; err == nil && i < len(list); i++ {
			err = w.relabel(kind, list[i], read)
		}
		if err != nil || more {
			return more, err
		}
		_, p.after = kv.Prefix(kind)
	}
	return false, nil
}

// relabel labels one record, or notes the implants of a plan.
func (w *Writer) relabel(kind string, text []byte, read func(rec *Record, raw []byte) *chart.Labels) error {
	if kind == "plan" {
		p, err := decodePlan(text)
		if err != nil {
			return err
		}
		return w.putBare(p.Patient, bareImplants(p))
	}
	if kind == "raw" {
		var s rawRecord
		if err := decode(text, &s); err != nil {
			return err
		}
		rec, err := decodeRecord(text)
		if err != nil {
			return err
		}
		return w.putLabels(kind, &rec, read(&rec, s.Raw))
	}
	rec, err := decodeRecord(text)
	if err != nil || rec.Unread {
		return err // it lies as it came among the raw ones
	}
	return w.putLabels(kind, &rec, read(&rec, nil))
}

// mayName says whether the key of a record is that of a resource that may name
// devices.
func mayName(key []byte) bool {
	parts, err := kv.Split(key)
	if err != nil || len(parts) < 3 {
		return false
	}
	ref, _ := parts[len(parts)-2].(string)
	kind, _, _ := strings.Cut(ref, "/")
	return kind == "Device" || kind == "Procedure" || kind == "DeviceUseStatement"
}

// labels checks the index of devices: what records say of devices against the
// records, and every mark against that, both ways.
func (c *checker) labels() error {
	m, err := ReadMeta(c.r)
	if err != nil || !m.Relabelled() {
		return err // it is made again before it is asked
	}
	if err := c.each("device", c.label); err != nil {
		return err
	}
	for _, kind := range []string{"mark", "uses"} {
		if err := c.each(kind, c.leads(kind)); err != nil {
			return err
		}
	}
	if err := c.lacks(); err != nil {
		return err
	}
	for _, kind := range []string{"rec", "skip"} {
		if err := c.each(kind, c.namesDevice); err != nil {
			return err
		}
	}
	return c.bare()
}

// label checks that what is said of devices has its record, and its marks.
func (c *checker) label(key, text []byte) error {
	version, err := last(key)
	if err != nil {
		return err
	}
	l, err := decodeLabels(text, version)
	if err != nil {
		return err
	}
	from := kv.Key("rec", part(l.Patient), part(l.Ref), version)
	if l.kind != "rec" {
		from = kv.Key(l.kind, part(l.Ref), version)
	}
	if err := c.there(from, "device: the record of it is not there"); err != nil {
		return err
	}
	for i := range l.List {
		for _, m := range l.List[i].Marks {
			if err := c.there(markKey(m, l.Ref, version), "device: it is not found by a mark"); err != nil {
				return err
			}
		}
	}
	for _, device := range l.Uses {
		if err := c.there(usesKey(device, l.Ref, version), "device: its use is not found"); err != nil {
			return err
		}
	}
	return nil
}

// leads checks that a mark, or a use, stands in what it leads to.
func (c *checker) leads(kind string) func(key, ref []byte) error {
	return func(key, ref []byte) error {
		version, err := last(key)
		if err != nil {
			return err
		}
		text, err := c.r.Get(labelKey(string(ref), version))
		if err != nil {
			return err
		}
		if text == nil {
			c.note(kind + ": it leads to no device")
			return nil
		}
		l, err := decodeLabels(text, version)
		if err != nil {
			return err
		}
		for i := range l.List {
			for _, m := range l.List[i].Marks {
				if bytes.Equal(key, markKey(m, l.Ref, version)) {
					return nil
				}
			}
		}
		for _, device := range l.Uses {
			if bytes.Equal(key, usesKey(device, l.Ref, version)) {
				return nil
			}
		}
		c.note(kind + ": the device says something else")
		return nil
	}
}

// lacks checks what is noted to be lacking.
func (c *checker) lacks() error {
	want := map[string]bool{}
	refs := ""
	err := c.each("device", func(_, text []byte) error {
		l, err := decodeLabels(text, "")
		if err != nil || l.Ref == refs {
			return err
		}
		refs = l.Ref
		versions, err := LabelsOf(c.r, l.Ref)
		for device, lacks := range lacking(versions) {
			for _, sort := range lacks {
				want[string(lacksKey(sort, device))] = true
			}
		}
		return err
	})
	if err != nil {
		return err
	}
	err = c.each("lacks", func(key, _ []byte) error {
		if !want[string(key)] {
			c.note("lacks: the device does not lack it")
		}
		delete(want, string(key))
		return nil
	})
	if len(want) > 0 {
		c.note("lacks: a device that lacks something is not counted")
	}
	return err
}

// namesDevice checks that a record that names a device is in the index.
func (c *checker) namesDevice(key, text []byte) error {
	if !mayName(key) {
		return nil
	}
	parts, err := kv.Split(key)
	if err != nil {
		return damaged("a key is not one of ours")
	}
	ref, _ := parts[len(parts)-2].(string)
	version, _ := parts[len(parts)-1].(string)
	if strings.HasPrefix(ref, "Procedure/") && !bytes.Contains(text, []byte(`"contained":[{`)) {
		return nil
	}
	if _, unread, err := fateOf(text); err != nil || unread {
		return err
	}
	return c.there(kv.Key("device", ref, version), "record: a device that is not in the index")
}

// bare checks the count of implants without a device.
func (c *checker) bare() error {
	err := c.each("plan", func(_, text []byte) error {
		p, err := decodePlan(text)
		if err != nil {
			return err
		}
		have, err := c.r.Get(bareKey(p.Patient))
		if err == nil && len(have) != bareImplants(p) {
			c.note("plan: implants without a device are not counted right")
		}
		return err
	})
	if err != nil {
		return err
	}
	return c.each("bare", func(key, _ []byte) error {
		patient, err := last(key)
		if err != nil {
			return err
		}
		return c.there(kv.Key("plan", patient), "bare: nobody with a plan")
	})
}
