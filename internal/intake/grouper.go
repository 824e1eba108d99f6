package intake

import (
	"strings"

	"perennial/internal/chart"
)

// Grouper collects statements and tells, once all are there, whose they are.
// The zero Grouper is ready. Not for use by several goroutines at once.
type Grouper struct {
	// KnownAt is the time, in milliseconds since 1970, after which nothing was
	// received yet; zero: everything counts. It decides which version of a
	// patient's links is in force.
	KnownAt int64
	// Own says whether an address is the base of the server that the resources
	// come from; nil: only addresses that the input itself shows to be so.
	Own func(base string) bool

	c      coder
	words  words
	unused slab     // a coder that writes reads nothing into it
	blocks []string // full ones
	block  []byte   // the one that is being filled

	keys       map[string]int32 // of patients, to records
	records    []record
	lastKey    string
	lastRecord int32

	refs, uids, names, identifiers []uint64 // hash and record, see mark
	linked, nameless               []int32
	entries                        map[string]int32 // Bundle addresses of patient records; ambiguous: -1
	bases                          map[string]bool  // addresses of servers seen in Bundles
}

// record is one patient record, or one key that is not yet the id of one.
type record struct {
	key   string
	last  uint64 // its newest statement's place, plus one; zero: none
	flags uint8
}

// What a record has.
const (
	flagPerson  = 1 << iota // a Patient resource
	flagImplant             // something that may be an implant
	flagStudy
)

// Place is where a resource was found.
type Place struct {
	File    string
	Line    int    // from 1; 0 where not known
	FullURL string // of the Bundle entry
}

// The size of a block, and of a place in it.
const (
	blockBits = 20
	blockSize = 1 << blockBits
	// recordBits is how many of the 64 bits of a mark are the record's number;
	// the rest are of a hash, which only finds candidates.
	recordBits = 28
	noRecord   = -1
)

// mark joins a hash and a record.
func mark(text string, rec int32) uint64 {
	return hashFast(text)&^(1<<recordBits-1) | uint64(rec)
}

// Add copies a statement. Seq must be set where nothing else tells versions
// apart.
func (g *Grouper) Add(s *chart.Statement, at Place) {
	rec := g.record(s.Patient)
	r := &g.records[rec]
	r.last = g.write(s, at, r) + 1
	g.refs = append(g.refs, mark(s.Ref, rec))
	if s.Study != nil {
		r.flags |= flagStudy
		if s.Study.UID != "" {
			g.uids = append(g.uids, mark(s.Study.UID, rec))
		}
	}
	if o := s.Operation; o != nil && o.Role != chart.RoleOther || s.History != nil || s.Device != nil && s.Device.IsImplant {
		r.flags |= flagImplant
	}
	if s.Person != nil {
		g.addPerson(s.Person, rec)
	}
	if at.FullURL != "" {
		g.addAddress(s, at.FullURL, rec)
	}
}

// Size is about how many bytes are kept.
func (g *Grouper) Size() int {
	return len(g.blocks)<<blockBits + 200*len(g.records) + 8*(len(g.refs)+len(g.uids))
}

// record finds or makes the record of a key.
func (g *Grouper) record(key string) int32 {
	if key == g.lastKey && len(g.records) > 0 {
		return g.lastRecord // exports often give one patient's resources in a row
	}
	if rec, ok := g.keys[key]; ok {
		g.lastKey, g.lastRecord = g.records[rec].key, rec
		return rec
	}
	if g.keys == nil {
		g.keys = map[string]int32{}
	}
	if len(g.records) >= 1<<recordBits {
		panic("intake: more patients than a mark can number")
	}
	key = strings.Clone(key)
	rec := int32(len(g.records))
	g.records = append(g.records, record{key: key})
	g.keys[key] = rec
	return rec
}

// addPerson notes what tells patient records apart or ties them together.
func (g *Grouper) addPerson(p *chart.Person, rec int32) {
	g.records[rec].flags |= flagPerson
	if len(p.ReplacedBy) > 0 || len(p.Replaces) > 0 {
		g.linked = append(g.linked, rec)
	}
	for _, id := range p.Identifiers {
		g.identifiers = append(g.identifiers, mark(id, rec))
	}
	if p.Name == "" || p.Born == "" {
		return
	}
	g.names = append(g.names, mark(sameName(p), rec))
	if len(p.Identifiers) == 0 {
		g.nameless = append(g.nameless, rec)
	}
}

// sameName is a form of name and birth date in which the order of the names and
// their case do not matter.
func sameName(p *chart.Person) string {
	words := strings.Fields(strings.ToLower(p.Name))
	for i := range words { // insertion sort: names are short
		for j := i; j > 0 && words[j] < words[j-1]; j-- {
			words[j], words[j-1] = words[j-1], words[j]
		}
	}
	return strings.Join(words, " ") + "|" + p.Born
}

// addAddress notes the address of a Bundle entry.
func (g *Grouper) addAddress(s *chart.Statement, fullURL string, rec int32) {
	if base, local, ok := SplitAddress(fullURL); ok && local == s.Ref {
		if !g.bases[base] {
			g.bases = with(g.bases, strings.Clone(base), true)
		}
		return
	}
	if s.Person == nil {
		return
	}
	if have, ok := g.entries[fullURL]; ok && have != rec {
		rec = noRecord
	}
	g.entries = with(g.entries, strings.Clone(fullURL), rec)
}

func with[V any](m map[string]V, key string, v V) map[string]V {
	if m == nil {
		m = map[string]V{}
	}
	m[key] = v
	return m
}

// Marks before a statement.
const (
	withPlace = 1 << iota
	withAddress
)

// write appends a statement to the block and gives its place.
func (g *Grouper) write(s *chart.Statement, at Place, r *record) uint64 {
	c := &g.c
	c.words, c.out, c.slab = &g.words, c.out[:0], &g.unused
	c.uint(&r.last)
	var marks uint64
	if provisional(r.key) {
		marks |= withPlace
	}
	if at.FullURL != "" && !strings.HasSuffix(at.FullURL, "/"+s.Ref) {
		marks |= withAddress
	}
	c.uint(&marks)
	if marks&withPlace != 0 {
		c.word(&at.File)
		number(c, &at.Line)
	}
	if marks&withAddress != 0 {
		c.text(&at.FullURL)
	}
	c.statement(s)
	return g.store(c.out)
}

// store keeps bytes in the current block, or starts a new one.
func (g *Grouper) store(b []byte) uint64 {
	if len(g.block)+len(b) > blockSize {
		g.seal()
	}
	if len(b) > blockSize {
		g.block = nil
		g.blocks = append(g.blocks, string(b))
		return uint64(len(g.blocks)-1) << blockBits
	}
	at := uint64(len(g.blocks))<<blockBits | uint64(len(g.block))
	g.block = append(g.block, b...)
	return at
}

// seal closes the current block.
func (g *Grouper) seal() {
	if len(g.block) == 0 {
		return
	}
	g.blocks = append(g.blocks, string(g.block))
	g.block = g.block[:0]
}

// stored is a statement as it is read back.
type stored struct {
	place   uint64
	at      Place
	s       chart.Statement
	before  uint64 // place of the record's statement before it, plus one
	address string
}

// reader reads statements back; each goroutine has its own.
type reader struct {
	c    coder
	slab slab
	st   stored // the one that is being visited
}

// load reads the statement at a place.
func (g *Grouper) load(rd *reader, place uint64, out *stored) {
	c := &rd.c
	c.reading, c.words, c.slab = true, &g.words, &rd.slab
	c.in, c.at = g.blocks[place>>blockBits], int(place&(blockSize-1))
	*out = stored{place: place}
	c.uint(&out.before)
	var marks uint64
	c.uint(&marks)
	if marks&withPlace != 0 {
		c.word(&out.at.File)
		number(c, &out.at.Line)
	}
	if marks&withAddress != 0 {
		c.text(&out.address)
	}
	out.at.FullURL = out.address
	c.statement(&out.s)
}

// each reads the statements of one record, the last first. What is visited
// holds only during the call; its facts hold as long as the reader's slab.
func (g *Grouper) each(rd *reader, rec int32, visit func(*stored)) {
	for next := g.records[rec].last; next != 0; {
		g.load(rd, next-1, &rd.st)
		next = rd.st.before
		rd.st.s.Patient = g.records[rec].key
		visit(&rd.st)
	}
}

// reset gives the room for facts free again.
func (s *slab) reset() {
	s.persons, s.operations, s.studies, s.reports = s.persons[:0], s.operations[:0], s.studies[:0], s.reports[:0]
	s.bookings, s.contacts, s.attempts, s.devices = s.bookings[:0], s.contacts[:0], s.attempts[:0], s.devices[:0]
	s.histories, s.conditions, s.labs, s.enrolments = s.histories[:0], s.conditions[:0], s.labs[:0], s.enrolments[:0]
	s.allergies, s.works, s.orders = s.allergies[:0], s.works[:0], s.orders[:0]
}

// newer says whether a is a later version than b: by meta.lastUpdated, then by
// versionId (as a number where both are), then by its place in the input.
func newer(a, b *chart.Statement) bool {
	if a.Updated != b.Updated {
		return a.Updated > b.Updated
	}
	if a.Version != b.Version {
		na, nb := versionNumber(a.Version), versionNumber(b.Version)
		if na >= 0 && nb >= 0 && na != nb {
			return na > nb
		}
		if na < 0 || nb < 0 {
			return a.Version > b.Version
		}
	}
	return a.Seq > b.Seq
}

// versionNumber is a versionId as a number, -1 where it is none.
func versionNumber(v string) int64 {
	if v == "" || len(v) > 18 {
		return -1
	}
	n := int64(0)
	for i := range len(v) {
		if v[i] < '0' || v[i] > '9' {
			return -1
		}
		n = n*10 + int64(v[i]-'0')
	}
	return n
}

// known says whether a statement had been received by the known-at time.
func (g *Grouper) known(s *chart.Statement) bool {
	return g.KnownAt == 0 || s.Updated <= g.KnownAt
}
