package clinic

import (
	"cmp"
	"slices"
	"strconv"
	"strings"

	"perennial/internal/chart"
	"perennial/internal/day"
	"perennial/internal/intake"
	"perennial/internal/kv"
	"perennial/internal/store"
	"perennial/internal/surveil"
)

// round is one look at some patients and all who must be looked at together
// with them: it reads, and decides, but writes nothing.
type round struct {
	c       *Clinic
	r       kv.Reader
	asOf    day.Day
	rules   *surveil.Rules // for the day
	silent  bool           // a feed is silent: look again tomorrow
	keys    []string       // of patients, all that are looked at
	records []store.Record
	fates   []fate
	rulings map[string][]chart.Ruling // by the patient that they name
	before  map[string]*surveil.Plan
	groups  *intake.Groups
	merged  map[string][]string // keys by the surviving record that they belong to, without itself
	now     []person            // by id
}

// fate is what became of a record.
type fate struct {
	fate store.Fate
	why  string
}

// person is a patient as decided in this round.
type person struct {
	id      string
	chart   *chart.Chart
	plan    surveil.Plan
	rulings bool
	tasks   map[string]string // first keys of work items by the keys that they have in the chart
}

// has says whether there is anything to follow.
func (p *person) has() bool { return len(p.plan.Implants) > 0 }

// look looks at some patients.
func (c *Clinic) look(r kv.Reader, keys []string, asOf day.Day) (*round, error) {
	rd := &round{c: c, r: r, asOf: asOf, rulings: map[string][]chart.Ruling{}, before: map[string]*surveil.Plan{}}
	var err error
	if rd.rules, rd.silent, err = c.rulesOn(r, asOf); err != nil {
		return nil, err
	}
	if rd.keys, err = store.Tied(r, keys, nobody); err != nil {
		return nil, err
	}
	if err := rd.load(); err != nil {
		return nil, err
	}
	if err := rd.group(); err != nil {
		return nil, err
	}
	return rd, rd.decide()
}

// load reads the records, rulings and plans of all keys.
func (rd *round) load() error {
	for _, key := range rd.keys {
		if key == nobody {
			continue
		}
		list, err := store.Records(rd.r, key)
		if err != nil {
			return err
		}
		rd.records = append(rd.records, list...)
		rulings, err := store.RulingsOf(rd.r, key)
		if err != nil {
			return err
		}
		if len(rulings) > 0 {
			rd.rulings[key] = rulings
		}
		plan, err := store.ReadPlan(rd.r, key)
		if err != nil {
			return err
		}
		if plan != nil {
			rd.before[key] = plan
		}
	}
	if err := rd.loadLoose(); err != nil {
		return err
	}
	slices.SortFunc(rd.records, func(a, b store.Record) int { return cmp.Compare(a.Seq, b.Seq) })
	return nil
}

// loadLoose reads what only its reference can tell whose it is.
func (rd *round) loadLoose() error {
	if !slices.Contains(rd.keys, nobody) {
		return nil
	}
	refs := map[string]bool{}
	for i := range rd.records {
		refs[rd.records[i].Ref] = true
	}
	for ref := range refs {
		list, err := store.RecordsOf(rd.r, nobody, ref)
		if err != nil {
			return err
		}
		rd.records = append(rd.records, list...)
	}
	return nil
}

// group gives the records to package intake, which works out whose they are.
func (rd *round) group() error {
	bases, err := store.Bases(rd.r)
	if err != nil {
		return err
	}
	g := &intake.Grouper{Own: rd.c.own(bases)}
	guard(g, bases)
	reader := rd.c.rereading()
	rd.fates = make([]fate, len(rd.records))
	for i := range rd.records {
		rec := &rd.records[i]
		s, ok := reader.again(rec)
		if !ok {
			rd.fates[i] = fate{store.FateNotRelevant, "it says nothing about surveillance"}
			continue
		}
		rd.fates[i] = fate{store.FateSuperseded, "a newer version is about another patient"}
		if rec.Patient == nobody {
			rd.fates[i] = fate{store.FateInError, whyTakenBack}
		}
		s.Seq = int64(i + 1)
		g.Add(&s, intake.Place{File: strconv.Itoa(i), FullURL: rec.FullURL})
	}
	rd.groups = g.Groups()
	for _, p := range rd.groups.Parked() {
		if i, err := strconv.Atoi(p.File); err == nil {
			rd.fates[i] = fate{store.FateQuarantined, p.Why}
		}
	}
	return nil
}

// own says which servers are the source's own: those that the caller knows,
// those that Bundles show, and one that is the only one.
func (c *Clinic) own(bases []string) func(string) bool {
	all := servers(bases)
	return func(base string) bool {
		return c.o.Own != nil && c.o.Own(base) || slices.Contains(bases, ownMark+base) || len(all) == 1 && all[0] == base
	}
}

// servers lists all servers, each once.
func servers(bases []string) []string {
	var all []string
	for _, b := range bases {
		all = append(all, strings.TrimPrefix(b, ownMark))
	}
	slices.Sort(all)
	return slices.Compact(all)
}

// guardID is the id of a patient that nobody has.
const guardID = "perennial!guard"

// guard keeps package intake from taking the one server that a few records name
// for the only one, where the store knows several.
func guard(g *intake.Grouper, bases []string) {
	all := servers(bases)
	if len(all) < 2 {
		return
	}
	for _, base := range all[:2] {
		g.Add(&chart.Statement{Patient: base + "/Patient/" + guardID}, intake.Place{File: "guard"})
	}
}

// decide makes the plan of every patient.
func (rd *round) decide() error {
	owners := rd.placeRulings()
	for i := range rd.groups.Len() {
		name := rd.groups.Name(i)
		if name == guardID || name == nobody {
			continue
		}
		var g intake.Group
		rd.groups.At(i, &g)
		if err := rd.person(name, g.Statements, owners[name], g.MayImplant); err != nil {
			return err
		}
		rd.fate(g.Statements)
	}
	for _, key := range rd.keys {
		if _, known := rd.groups.Find(key); !known && len(owners[key]) > 0 {
			if err := rd.person(key, nil, owners[key], true); err != nil {
				return err
			}
		}
	}
	slices.SortFunc(rd.now, func(a, b person) int { return cmp.Compare(a.id, b.id) })
	return nil
}

// placeRulings gives the rulings to the surviving records.
func (rd *round) placeRulings() map[string][]chart.Ruling {
	owners := map[string][]chart.Ruling{}
	rd.merged = map[string][]string{}
	for _, key := range rd.keys {
		to := rd.survivor(key)
		if to != key {
			rd.merged[to] = append(rd.merged[to], key)
		}
		owners[to] = append(owners[to], rd.rulings[key]...)
	}
	for _, list := range owners {
		slices.SortFunc(list, func(a, b chart.Ruling) int { return cmp.Compare(a.ID, b.ID) })
	}
	return owners
}

// survivor is the id of the record to which a key belongs; the key itself where
// no record does.
func (rd *round) survivor(key string) string {
	if i, ok := rd.groups.Find(key); ok {
		return rd.groups.Name(i)
	}
	return key
}

// person decides one patient.
func (rd *round) person(id string, statements []chart.Statement, rulings []chart.Ruling, may bool) error {
	p := person{id: id, rulings: len(rulings) > 0}
	p.chart, _ = chart.Assemble(statements, chart.Options{Patient: id, Rulings: rulings, Accept: rd.rules.Settings.AcceptReports})
	if err := rd.presentKeys(&p); err != nil {
		return err
	}
	if may || p.rulings {
		p.plan = surveil.Evaluate(p.chart, rd.rules, rd.asOf)
	} else {
		p.plan = surveil.Plan{Patient: id, AsOf: rd.asOf}
	}
	if rd.silent && p.plan.Surveillance == surveil.StateActive {
		p.plan.Wake = rd.asOf + 1
	}
	rd.now = append(rd.now, p)
	return nil
}

// presentKeys gives Tasks whose item has another key by now that key, and notes
// whose Tasks they are: the keys may be others' before the round is over.
func (rd *round) presentKeys(p *person) error {
	p.tasks = map[string]string{}
	for i := range p.chart.WorkStates {
		ws := &p.chart.WorkStates[i]
		it, found, err := store.ReadItem(rd.r, ws.Key)
		if err == nil && !found {
			it, found, err = store.FindItem(rd.r, ws.Key)
		}
		if err != nil {
			return err
		}
		if found {
			ws.Key = it.Now
			p.tasks[it.Now] = it.Key
		}
	}
	return nil
}

// Why a record does not count, for people.
const (
	whySuperseded = "a newer version of it counts"
	whyTakenBack  = "its source took it back: entered in error, cancelled or not done"
)

// fate notes what became of a patient's records: of a resource the newest
// version that could be read counts.
func (rd *round) fate(statements []chart.Statement) {
	newest := map[string]int{}
	for i := range statements {
		s := &statements[i]
		if s.Seq == 0 {
			continue // a question, made from no record
		}
		at := int(s.Seq - 1)
		rd.fates[at] = fate{store.FateSuperseded, whySuperseded}
		if s.Unreadable != "" {
			rd.fates[at] = fate{store.FateQuarantined, s.Unreadable}
			continue
		}
		if have, ok := newest[s.Ref]; !ok || chart.OlderFirst(s, &statements[have]) > 0 {
			newest[s.Ref] = i
		}
	}
	for _, i := range newest {
		s := &statements[i]
		if rd.fates[s.Seq-1] = (fate{fate: store.FateUsed}); s.Retracted {
			rd.fates[s.Seq-1] = fate{store.FateInError, whyTakenBack}
		}
	}
}
