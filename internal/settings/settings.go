// Package settings is what a site says about itself and about how the program
// is to run: one YAML document, small, strict and without secrets.
//
// Design:
//
//   - Default gives a program that can be started: everything has a value but
//     the site's name and zone. Parse lays a document over it.
//   - Strict: an unknown key, a word that is none of those known, a zone that
//     does not exist is a problem, and all problems come at once, each with its
//     line and column, so that a document is put right in one go.
//   - Secrets are never written into the document. A Secret is the name of a
//     file; Print shows that name and never what the file holds. A key that
//     looks like a secret in the clear is refused without repeating it.
//   - What clinicians answer for (protocols, code lists) stands in documents of
//     its own that are only named here.
//   - Nothing here opens a database, a socket or a log. The only file that is
//     read is that of a Secret, when it is asked for.
package settings

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"perennial/internal/day"
)

// Settings are all settings of one site. The zero value is of no use; start
// from Default.
type Settings struct {
	Site    Site
	Care    []Use // care.protocols, in the order written; empty: the program's defaults
	Studies []Study
	Labels  []Label // labelling
	Codes   string  // codes.site: file with the site's own code map; empty: none
	Numbers Numbers
	Store   string // store.path: the file of the store
	Sources Sources
	Out     Out
	Mail    Mail
	Digest  Digest
	Listen  string // web.listen: host:port; a loopback address
	Read    ReadSide
	Times   Times
}

// Site is who and where.
type Site struct {
	Name        string
	Zone        string  // IANA name
	RecordsFrom day.Day // visits whose last day lies before it are not judged; zero: all are
	Start       day.Day // reports from this day on are work; zero: the day of init
}

// Location is the zone, which Parse has checked.
func (s Site) Location() (*time.Location, error) { return time.LoadLocation(s.Zone) }

// Use is a care protocol and the day from which the site works by it.
type Use struct {
	Protocol string  // id of a shipped protocol, or a file (with a slash or .yaml)
	From     day.Day // zero: from the beginning
}

// Study is a device study, or a registry, that patients of the site take part in.
type Study struct {
	Study    string // as ResearchSubject.study names it: ResearchStudy/x, or system|value
	Name     string // for people
	Protocol string // its calendar and windows: an id or a file, as in Use
	Care     bool   // it also makes the work of those who are on it
}

// Label is a protocol that the labelling of some devices asks for.
type Label struct {
	Devices  []string // device identifiers (UDI-DI)
	Protocol string   // an id or a file, as in Use
}

// File says whether the protocol is a file, not the id of a shipped one.
func (u Use) File() bool { return isFile(u.Protocol) }

func isFile(protocol string) bool {
	return strings.ContainsAny(protocol, `/\`) || strings.HasSuffix(protocol, ".yaml")
}

// Numbers are the numbers of the specification that a site may change, in
// days unless said otherwise. They are named as in package surveil.
type Numbers struct {
	LeadDays        int
	AsapDays        int
	LostAfterDays   int
	LostAttempts    int // attempts
	LostChannels    int // channels
	ReportDays      int
	ReportAsapDays  int
	ReviewDays      int
	QuestionDays    int
	TraceDays       int
	ClusterDays     int
	DeathDays       int
	FeedStaleDays   int
	KidneyDays      int
	KidneyLongDays  int
	KidneyThreshold int // mL/min/1.73 m2
	AcceptReports   bool
}

// Sources are where resources come from. All may be used.
type Sources struct {
	Folder string // watched folder; empty: none
	Rest   Rest
	Pull   Pull // how Rest is read
	Bulk   Bulk
	Hook   Webhook // webhook: hints of the servers of Rest and Bulk
}

// Out is how far anything leaves the program.
type Out struct {
	Mode   string   // off, files or send
	Folder string   // for files
	Rest   Rest     // FHIR server that Tasks are sent to; URL empty: none
	Write  Write    // how they are written there
	Also   []string // also: what is written beside Tasks; none by default
}

// Words of Out.Mode.
const (
	ModeOff   = "off"
	ModeFiles = "files"
	ModeSend  = "send"
)

// Mail is how letters leave and to whom. STARTTLS is always required.
type Mail struct {
	Host       string // empty: no mail by SMTP
	Port       int
	User       string // empty: no login
	Password   Secret
	From       string // address, with or without a name
	Recipients []Recipient
}

// Recipient is one who gets the digest, in a message of his own.
type Recipient struct {
	Address string
	Role    string // nurse, lead, quality or it
}

// Roles are the words for a recipient's role.
func Roles() []string { return []string{"nurse", "lead", "quality", "it"} }

// Digest is when the digest goes out and how much it says.
type Digest struct {
	At    Clock
	Names bool // patients' names in full instead of initials
	Link  string
}

// Times say when the program acts by itself. They only tick: what is due is
// computed from what is stored.
type Times struct {
	PollEvery int   // minutes between two looks at the sources
	SendEvery int   // minutes between two tries of the outbox
	NightlyAt Clock // evaluation of the patients who wake
}

// Clock is a time of day in the site's zone.
type Clock struct{ Hour, Minute int }

// String writes the time as 07:05.
func (c Clock) String() string { return fmt.Sprintf("%02d:%02d", c.Hour, c.Minute) }

// Cron writes the time as a daily cron line of five fields.
func (c Clock) Cron() string { return fmt.Sprintf("%d %d * * *", c.Minute, c.Hour) }

// Default is what holds where a document says nothing. Site.Name and Site.Zone
// are empty: a document must say them.
func Default() Settings {
	return Settings{
		Numbers: Numbers{LeadDays: 60, AsapDays: 30, LostAfterDays: 180, LostAttempts: 3, LostChannels: 2, ReportDays: 14,
			ReportAsapDays: 30, ReviewDays: 14, QuestionDays: 14, TraceDays: 30, ClusterDays: 3, DeathDays: 2, FeedStaleDays: 3,
			KidneyDays: 90, KidneyLongDays: 365, KidneyThreshold: 30},
		Store:   "perennial.db",
		Sources: Sources{Pull: defaultPull(), Bulk: defaultBulk()},
		Out:     Out{Mode: ModeFiles, Folder: "out", Write: defaultWrite()},
		Mail:    Mail{Port: 587},
		Digest:  Digest{At: Clock{7, 0}},
		Listen:  "127.0.0.1:8420",
		Times:   Times{PollEvery: 15, SendEvery: 2, NightlyAt: Clock{2, 10}},
	}
}

// In gives the settings with every relative path counted from dir, which is
// the folder of the document.
func (s Settings) In(dir string) Settings {
	at := func(p *string) {
		if *p != "" && !filepath.IsAbs(*p) {
			*p = filepath.Join(dir, *p)
		}
	}
	care := make([]Use, len(s.Care))
	for i, u := range s.Care {
		if u.File() {
			at(&u.Protocol)
		}
		care[i] = u
	}
	s.Care, s.Studies, s.Labels = care, slices.Clone(s.Studies), slices.Clone(s.Labels)
	for i := range s.Studies {
		if isFile(s.Studies[i].Protocol) {
			at(&s.Studies[i].Protocol)
		}
	}
	for i := range s.Labels {
		if isFile(s.Labels[i].Protocol) {
			at(&s.Labels[i].Protocol)
		}
	}
	for _, p := range []*string{&s.Codes, &s.Store, &s.Sources.Folder, &s.Out.Folder, &s.Sources.Pull.Patients.File, &s.Mail.Password.File, &s.Read.Token.File, &s.Read.Cards.KeySet} {
		at(p)
	}
	for _, p := range slices.Concat(s.Sources.Rest.files(), s.Sources.Bulk.Rest.files(), s.Sources.Hook.files(), s.Out.Rest.files()) {
		at(p)
	}
	return s
}
