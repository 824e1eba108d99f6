// Package assess is the heart from the shell: FHIR resources go in, one line a
// patient with an implant comes out. No store, no network.
//
// # Design
//
// The input streams once. Each resource is decoded without copies, becomes a
// statement (intake.Mapper), is packed (intake.Grouper) and forgotten; when all
// has been read, patients are put together and evaluated one after the other,
// by as many goroutines as there are cores, and written in the order of their
// ids. So memory grows with the number of statements, not with the bytes of the
// files, and never holds two plans of one core. Rows of a few words are kept
// until all are there (job.turns).
//
// All formats are written from the same plans.
//
// # What the tsv counts
//
// Visits done and missed are counted whose target is not after the day on which
// surveillance of the patient ended: a visit that was satisfied before a death
// which came before its target is not counted. Lapsed is 1 while the patient is
// under surveillance and in some series of an implant that has not ended the
// last two settled visits of the present clock are missed.
package assess

import (
	"context"
	"errors"
	"io"
	"io/fs"
	"runtime"
	"runtime/debug"
	"time"

	"perennial/internal/chart"
	"perennial/internal/codes"
	"perennial/internal/day"
	"perennial/internal/fault"
	"perennial/internal/intake"
	"perennial/internal/protocol"
	"perennial/internal/surveil"
)

// Exit statuses.
const (
	ExitOK          = 0 // all was read
	ExitUnread      = 1 // an input could not be read
	ExitUsage       = 2 // usage or settings
	ExitQuarantined = 3 // something was quarantined; the rest was assessed
)

// Format of the output.
type Format string

// The formats.
const (
	FormatTable   Format = "table"   // for people
	FormatJSON    Format = "json"    // one object a line
	FormatTSV     Format = "tsv"     // one row a patient
	FormatSummary Format = "summary" // one object with the counts
)

// Options say what to assess and how. Texts are as typed by a person.
type Options struct {
	Paths     []string // files and folders; "-" is standard input
	Format    Format
	AsOf      string      // YYYY-MM-DD; empty: today in the zone
	KnownAt   string      // RFC 3339, or a date: the end of that day in the zone; empty: all counts
	Zone      string      // IANA name; empty: UTC
	Rulings   string      // file of rulings, NDJSON; empty: none
	Protocols []string    // ids or files
	Site      []SiteUse   // the site's care protocols; those above come first
	Studies   []SiteStudy // that the site reports to
	Labels    []SiteLabel
	Codes     []string // files of the site's own code map
	Now       time.Time
	Settings  *surveil.Settings // nil: the defaults
	Shipped   fs.FS             // folders codes and protocols
	// Progress, if not nil, is told how many bytes of all files have been read.
	Progress func(read, all int64)
}

// Streams are where input comes from and output goes to.
type Streams struct {
	In       io.Reader
	Out, Err io.Writer
}

// Run assesses. The exit status says how it went; the error, if any, says why
// nothing was assessed, and its hint (fault.HintOf) what to do.
func Run(ctx context.Context, o Options, std Streams) (int, error) {
	before := debug.SetGCPercent(percentFor(0))
	defer debug.SetGCPercent(before)
	j, err := prepare(o)
	if err != nil {
		return ExitUsage, err
	}
	j.std = std
	inputs, failed := Find(o.Paths)
	if len(failed) > 0 {
		return ExitUnread, notAssessed(failed)
	}
	if err := j.readAll(ctx, inputs); err != nil {
		return ExitUnread, err
	}
	if err := j.write(ctx); err != nil {
		return ExitUnread, err
	}
	if j.sums.Quarantined > 0 {
		return ExitQuarantined, nil
	}
	return ExitOK, nil
}

// notAssessed says that inputs cannot be read: the hint is that of the first.
func notAssessed(failed []error) error {
	hint := fault.HintOf(failed[0]) + " Nothing was assessed, because facts may be missing."
	return fault.New(fault.KindOf(failed[0]), "", hint, errors.Join(failed...))
}

// percentFor is a setting of the garbage collector by which about 96 MB of
// garbage may lie about, however much is kept: what is kept is packed and has
// no pointers, so that neither rare cycles at the start nor frequent ones later
// are of use.
func percentFor(kept int) int {
	const garbage = 96 << 20
	return min(2400, max(25, 100*(garbage/1024)/max(1, (kept+(4<<20))/1024)))
}

// job is one run.
type job struct {
	o       Options
	std     Streams
	asOf    day.Day
	knownAt int64
	zone    *time.Location
	book    *codes.Book
	rules   *surveil.Rules
	rulings map[string][]chart.Ruling // by patient as written
	sums    Sums

	grouper *intake.Grouper
	groups  *intake.Groups
	owner   map[int][]chart.Ruling // by place of the surviving patient
	extra   []string               // patients known from rulings only, sorted
}

// prepare checks everything that was typed, before any input is read.
func prepare(o Options) (*job, error) {
	if len(o.Paths) == 0 {
		return nil, usage("no input was named", "Name files or folders of FHIR R4 resources, or - for standard input.")
	}
	j := &job{o: o, grouper: &intake.Grouper{}}
	var err error
	if j.zone, err = zoneOf(o.Zone); err != nil {
		return nil, err
	}
	if j.asOf, err = asOfDay(o.AsOf, o.Now, j.zone); err != nil {
		return nil, err
	}
	if j.knownAt, err = knownAt(o.KnownAt, j.zone); err != nil {
		return nil, err
	}
	if j.book, err = loadCodes(o.Shipped, o.Codes); err != nil {
		return nil, err
	}
	settings := surveil.Defaults()
	if o.Settings != nil {
		settings = *o.Settings
	}
	if j.rules, err = loadRules(&o, settings); err != nil {
		return nil, err
	}
	if j.rulings, err = readRulings(o.Rulings); err != nil {
		return nil, err
	}
	j.grouper.KnownAt = j.knownAt
	switch o.Format {
	case FormatJSON, FormatTSV, FormatTable, FormatSummary:
		return j, nil
	}
	return nil, usage("the format "+quote(string(o.Format))+" is not known", "Choose --format table, json or tsv.")
}

// usage is an error of what was typed.
func usage(what, hint string) error { return fault.New(fault.Invalid, "", hint, errText(what)) }

// errText is an error that is no more than its text.
type errText string

// Error is the text itself.
func (e errText) Error() string { return string(e) }

// workers is how many patients are evaluated at once.
func workers() int { return max(1, runtime.GOMAXPROCS(0)) }

// protocolSet is what the engine knows all protocols as.
type protocolSet = map[string]*protocol.Protocol
