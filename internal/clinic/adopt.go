package clinic

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"perennial/internal/audit"
	"perennial/internal/day"
	"perennial/internal/fault"
	"perennial/internal/kv"
	"perennial/internal/protocol"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

// force is what the clinic decides by.
type force struct {
	rules   *surveil.Rules
	basis   string
	waiting bool // the settings say something else, which nobody has adopted yet
}

// Rules are the rules in force.
func (c *Clinic) Rules() *surveil.Rules { return c.force.Load().rules }

// Waiting are the rules that would hold if the changed protocols of the settings
// were adopted today; nil where nothing waits.
func (c *Clinic) Waiting() *surveil.Rules {
	f := c.force.Load()
	if !f.waiting {
		return nil
	}
	next := successor(f.rules, c.given, c.Today())
	next.Settings = f.rules.Settings
	return next
}

// takeUp finds what is in force: what was adopted last. A store that keeps nothing
// begins with what is given; protocols that only came with the program, and that
// nothing uses, are taken in.
func (c *Clinic) takeUp(w *store.Writer, given *surveil.Rules) (*force, error) {
	held, found, err := store.ReadAdopted(w.Tx)
	if err != nil {
		return nil, err
	}
	now := adoptedOf(given)
	if !found {
		now.At = w.Now
		return c.forceOf(given, false), keepAdopted(w, now, given)
	}
	old, err := rulesOf(w.Tx, &held, given)
	switch {
	case err != nil:
		return nil, err
	case old == nil: // kept by a program that read its documents otherwise
		now.At = w.Now
		return c.forceOf(given, false), keepAdopted(w, now, given)
	case held.Given == now.Given:
		return c.forceOf(old, false), nil
	}
	next := successor(old, given, c.Today())
	if differ(old, next) {
		return c.forceOf(old, true), nil
	}
	same := adoptedOf(next)
	same.Given, same.At, same.By = now.Given, held.At, held.By
	return c.forceOf(next, false), keepAdopted(w, same, next)
}

func (c *Clinic) forceOf(rules *surveil.Rules, waiting bool) *force {
	return &force{rules: rules, basis: basisOf(&c.o, rules), waiting: waiting}
}

// adoptedOf is the stored form of rules.
func adoptedOf(r *surveil.Rules) store.Adopted {
	a := store.Adopted{Care: map[string][]store.AdoptedEra{}, All: map[string]string{}}
	for class, eras := range r.Care {
		for _, e := range eras {
			a.Care[class] = append(a.Care[class], store.AdoptedEra{Hash: e.Protocol.Hash, From: e.From, Chosen: e.Chosen})
		}
	}
	for id, p := range r.All {
		a.All[id] = p.Hash
	}
	asked := []any{a.Care, a.All}
	if a.Studies, a.Labels = keptStudies(r.StudyCare), keptLabels(r.Labels); len(a.Studies)+len(a.Labels) > 0 {
		asked = append(asked, a.Studies, a.Labels)
	}
	text, _ := json.Marshal(asked) // maps of words and days: cannot fail
	sum := sha256.Sum256(text)
	a.Given = hex.EncodeToString(sum[:16])
	return a
}

// keepAdopted stores what is in force, with the documents.
func keepAdopted(w *store.Writer, a store.Adopted, rules *surveil.Rules) error {
	for _, p := range rules.All {
		if err := w.PutProtocol(p.Hash, p.Text); err != nil {
			return err
		}
	}
	for _, eras := range rules.Care {
		for _, e := range eras {
			if err := w.PutProtocol(e.Protocol.Hash, e.Protocol.Text); err != nil {
				return err
			}
		}
	}
	return w.PutAdopted(a)
}

// rulesOf are the rules of what is kept, with the numbers of the settings; nil
// where a document cannot be read any more.
func rulesOf(r kv.Reader, a *store.Adopted, given *surveil.Rules) (*surveil.Rules, error) {
	read := map[string]*protocol.Protocol{}
	for _, p := range given.All {
		read[p.Hash] = p
	}
	find := func(hash string) (*protocol.Protocol, error) {
		if read[hash] != nil {
			return read[hash], nil
		}
		text, err := store.ReadProtocol(r, hash)
		if err != nil {
			return nil, err
		}
		read[hash], _ = protocol.Parse("adopted", []byte(text))
		return read[hash], nil
	}
	out := &surveil.Rules{Care: map[string][]surveil.InForce{}, All: map[string]*protocol.Protocol{}, Settings: given.Settings, Studies: given.Studies}
	for class, eras := range a.Care {
		for _, e := range eras {
			p, err := find(e.Hash)
			if p == nil || err != nil {
				return nil, err
			}
			out.Care[class] = append(out.Care[class], surveil.InForce{Protocol: p, From: e.From, Chosen: e.Chosen})
		}
	}
	for id, hash := range a.All {
		p, err := find(hash)
		if p == nil || err != nil {
			return nil, err
		}
		out.All[id] = p
	}
	whole, err := takeScope(out, a, find)
	if !whole || err != nil {
		return nil, err
	}
	return out, nil
}

// differ says whether a patient may be owed something else: another protocol for a
// class, or another document under an id that was known.
func differ(old, next *surveil.Rules) bool {
	for id, p := range old.All {
		if next.All[id].Hash != p.Hash {
			return true
		}
	}
	if !slices.Equal(keptStudies(old.StudyCare), keptStudies(next.StudyCare)) || !slices.Equal(keptLabels(old.Labels), keptLabels(next.Labels)) {
		return true
	}
	same := func(a, b surveil.InForce) bool { return a.Protocol.Hash == b.Protocol.Hash && a.From == b.From }
	return !maps.EqualFunc(old.Care, next.Care, func(a, b []surveil.InForce) bool { return slices.EqualFunc(a, b, same) })
}

// successor are the rules that hold once those that are given are adopted on a
// day: from that day on, or from the later day that the site names. What lies
// before stays under its version.
func successor(old, given *surveil.Rules, today day.Day) *surveil.Rules {
	out := &surveil.Rules{Care: maps.Clone(old.Care), All: maps.Clone(old.All), Settings: given.Settings, Studies: given.Studies,
		StudyCare: continuedStudies(old.StudyCare, given.StudyCare, today), Labels: continuedLabels(old.Labels, given.Labels, today)}
	maps.Copy(out.All, given.All)
	for class, eras := range given.Care {
		out.Care[class] = continued(old.Care[class], eras, today)
	}
	return out
}

// continued puts eras behind those that have begun.
func continued(old, given []surveil.InForce, today day.Day) []surveil.InForce {
	if len(old) == 0 {
		return given // nobody was followed by anything: there is nothing to keep
	}
	list := slices.Clone(old)
	for len(list) > 1 && list[len(list)-1].From >= today {
		list = list[:len(list)-1]
	}
	for i, e := range given {
		if i+1 < len(given) && given[i+1].From <= today {
			continue // another has taken its place by now
		}
		e.From = max(e.From, today)
		if last := &list[len(list)-1]; last.Protocol.Hash != e.Protocol.Hash {
			list = append(list, e)
		} else {
			last.Chosen = e.Chosen
		}
	}
	return list
}

// Adopt puts the changed protocols of the settings in force and looks at everybody
// again. Who is kept in the audit trail. fault.Conflict where nothing waits.
func (c *Clinic) Adopt(ctx context.Context, who string) (Changes, error) {
	if strings.TrimSpace(who) == "" {
		return Changes{}, fault.New(fault.Invalid, "adopt the protocols", "Say who decides it.", errors.New("who is missing"))
	}
	var next *force
	err := c.update(ctx, audit.Entry{Actor: who, Action: "protocol.adopt"}, func(w *store.Writer) (any, error) {
		rules := c.Waiting()
		if rules == nil {
			return nil, fault.New(fault.Conflict, "adopt the protocols", "Nothing is left to do.", errors.New("nothing waits: the protocols of the settings are in force"))
		}
		a := adoptedOf(rules)
		a.Given, a.At, a.By = adoptedOf(c.given).Given, w.Now, who
		next = c.forceOf(rules, false)
		return refsOf(rules), keepAdopted(w, a, rules)
	})
	if err != nil {
		return Changes{}, err
	}
	c.force.Store(next)
	return c.rebuild(ctx)
}

// refsOf says for the audit trail what is in force, by class, study and device.
func refsOf(r *surveil.Rules) map[string][]string {
	out := map[string][]string{}
	for class, eras := range r.Care {
		for _, e := range eras {
			text := e.Protocol.Ref()
			if e.From > 0 {
				text = fmt.Sprintf("%s from %s", text, e.From)
			}
			out[class] = append(out[class], text)
		}
	}
	for _, s := range r.StudyCare {
		out["study "+s.Key] = append(out["study "+s.Key], s.Protocol.Ref())
	}
	for _, l := range r.Labels {
		out["device "+l.Device] = append(out["device "+l.Device], l.Protocol.Ref())
	}
	return out
}
