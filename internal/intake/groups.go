package intake

import (
	"slices"
	"strings"

	"perennial/internal/chart"
)

// Groups are all statements by patient. Reading them from several goroutines at
// once is allowed, each with a Group of its own.
type Groups struct {
	g      *Grouper
	owner  []int32 // the surviving record of each record; noRecord: whose it is cannot be told
	order  []int32 // surviving records by key
	merged map[int32][]int32
	// What has to be changed when a surviving record is read.
	moved    map[int32]map[string]bool // references whose newer version is about somebody else
	borrowed map[int32][]uint64        // places of statements that only their reference tells whose they are
	doubts   map[int32][]chart.Doubt
	onlyBase string // the one address that all absolute references to patients have
	parked   []Parked
	// Moved is how many statements are superseded because a newer version of
	// the resource is about another patient.
	Moved int
	// Loose is how many retractions do not say whose they are and take back
	// nothing that is there.
	Loose int
}

// Parked is a resource whose patient cannot be told.
type Parked struct {
	Place
	Ref string
	Why string
	// Weighty says that it is an operation, an implant or imaging.
	Weighty bool
}

// Group is what is known about one patient: the statements of the surviving
// record and of those merged into it. They hold until the next call of At with
// the same Group. Added statements, which no resource made, carry doubts and
// have no reference.
type Group struct {
	Patient    string // id of the surviving record
	Statements []chart.Statement
	MayImplant bool // false: there is no operation, history or device that could be an implant
	Added      int  // statements among them that no resource made

	rd        reader
	addresses map[string]string
}

// Groups works out whose the statements are. Nothing can be added afterwards.
func (g *Grouper) Groups() *Groups {
	g.seal()
	g.block, g.c.out = nil, nil
	g.words.number = nil
	gs := &Groups{g: g, moved: map[int32]map[string]bool{}, borrowed: map[int32][]uint64{}, doubts: map[int32][]chart.Doubt{}, merged: map[int32][]int32{}}
	gs.findOnlyBase()
	gs.resolve()
	gs.survivors()
	gs.collect()
	gs.findMoved()
	gs.findSharedStudies()
	gs.findNameless()
	gs.park()
	g.refs, g.uids, g.names, g.identifiers = nil, nil, nil, nil
	return gs
}

// Len is how many patients there are, with or without an implant.
func (gs *Groups) Len() int { return len(gs.order) }

// Find gives the place of the patient into whose record an id was merged, or
// whose id it is.
func (gs *Groups) Find(id string) (int, bool) {
	rec, ok := gs.g.keys[id]
	if !ok || gs.owner[rec] == noRecord {
		return 0, false
	}
	key := gs.g.records[gs.owner[rec]].key
	return slices.BinarySearchFunc(gs.order, key, func(rec int32, key string) int { return strings.Compare(gs.g.records[rec].key, key) })
}

// Name is the id of the surviving record at a place. Places are in byte order
// of these.
func (gs *Groups) Name(i int) string { return gs.g.records[gs.order[i]].key }

// Met numbers the patients in the order in which the input first named them:
// those with near numbers have statements that lie near one another.
func (gs *Groups) Met(i int) int32 { return gs.order[i] }

// MayImplant says, without reading the statements, whether anything of a
// patient could be an implant.
func (gs *Groups) MayImplant(i int) bool { return gs.has(gs.order[i], flagImplant) }

// Parked lists the resources whose patient cannot be told, by file and line.
func (gs *Groups) Parked() []Parked { return gs.parked }

func (gs *Groups) has(root int32, flag uint8) bool {
	all := gs.g.records[root].flags
	for _, rec := range gs.merged[root] {
		all |= gs.g.records[rec].flags
	}
	return all&flag != 0
}

// At reads the statements of the patient at a place into the group.
func (gs *Groups) At(i int, into *Group) {
	root := gs.order[i]
	into.Patient, into.Statements, into.Added, into.MayImplant = gs.g.records[root].key, into.Statements[:0], 0, gs.has(root, flagImplant)
	into.rd.slab.reset()
	clear(into.addresses)
	moved := gs.moved[root]
	gs.eachOf(&into.rd, root, func(st *stored) {
		if moved[st.s.Ref] {
			return
		}
		if st.address != "" {
			if into.addresses == nil {
				into.addresses = map[string]string{}
			}
			into.addresses[st.address] = st.s.Ref
		}
		into.Statements = append(into.Statements, st.s)
	})
	gs.localise(into)
	if list := gs.doubts[root]; len(list) > 0 {
		into.Statements = append(into.Statements, chart.Statement{Patient: into.Patient, Doubts: list})
		into.Added++
	}
}

// eachOf reads all statements of a surviving record, merged and borrowed ones
// too.
func (gs *Groups) eachOf(rd *reader, root int32, visit func(*stored)) {
	gs.g.each(rd, root, visit)
	for _, rec := range gs.merged[root] {
		gs.g.each(rd, rec, visit)
	}
	for _, place := range gs.borrowed[root] {
		gs.g.load(rd, place, &rd.st)
		rd.st.s.Patient = gs.g.records[root].key
		visit(&rd.st)
	}
}

// localise turns addresses in references into local references: those of
// entries of Bundles, and those of the source's own server.
func (gs *Groups) localise(into *Group) {
	fix := func(ref *string) {
		if !strings.Contains(*ref, ":") {
			return
		}
		if local, ok := into.addresses[*ref]; ok {
			*ref = local
		} else if base, local, ok := SplitAddress(*ref); ok && gs.own(base) {
			*ref = local
		}
	}
	fixAll := func(list []string) {
		for i := range list {
			fix(&list[i])
		}
	}
	for i := range into.Statements {
		s := &into.Statements[i]
		if s.Operation != nil {
			fixAll(s.Operation.Devices)
		}
		if s.Study != nil {
			fixAll(s.Study.Orders)
		}
		if s.Report != nil {
			fixAll(s.Report.Studies)
			fixAll(s.Report.Results)
			fixAll(s.Report.Orders)
		}
		if s.Booking != nil {
			fixAll(s.Booking.Orders)
		}
		if s.Enrolment != nil {
			fix(&s.Enrolment.Study)
		}
		for j := range s.Findings {
			fix(&s.Findings[j].Study)
		}
	}
}

// collect lists the surviving records and what was merged into them.
func (gs *Groups) collect() {
	for i, root := range gs.owner {
		rec := int32(i)
		switch {
		case root == noRecord:
		case root == rec:
			gs.order = append(gs.order, rec)
		default:
			gs.merged[root] = append(gs.merged[root], rec)
		}
	}
	slices.SortFunc(gs.order, func(a, b int32) int { return strings.Compare(gs.g.records[a].key, gs.g.records[b].key) })
}

// countLoose counts the retractions that nobody's resource answers to.
func (gs *Groups) countLoose(rd *reader, byRef int32) {
	lent := map[uint64]bool{}
	for _, places := range gs.borrowed {
		for _, p := range places {
			lent[p] = true
		}
	}
	gs.g.each(rd, byRef, func(st *stored) {
		if st.s.Retracted && !lent[st.place] {
			gs.Loose++
		}
	})
}

// park lists what cannot be given to a patient.
func (gs *Groups) park() {
	var rd reader
	for i, root := range gs.owner {
		if root != noRecord {
			continue
		}
		if gs.g.records[i].key == string(markByRef) {
			gs.countLoose(&rd, int32(i))
			continue
		}
		why := gs.why(gs.g.records[i].key)
		gs.g.each(&rd, int32(i), func(st *stored) {
			s := &st.s
			if s.Unreadable != "" {
				return // known to be so already
			}
			heavy := s.Study != nil || s.Operation != nil && s.Operation.Role != chart.RoleOther || s.History != nil || s.Device != nil && s.Device.IsImplant || s.Report != nil || len(s.Findings) > 0
			gs.parked = append(gs.parked, Parked{Place: st.at, Ref: s.Ref, Why: why, Weighty: heavy})
		})
	}
	slices.SortFunc(gs.parked, func(a, b Parked) int {
		if d := strings.Compare(a.File, b.File); d != 0 {
			return d
		}
		if a.Line != b.Line {
			return a.Line - b.Line
		}
		return strings.Compare(a.Ref, b.Ref)
	})
}
