package settings

import (
	"net/url"
	"strconv"
	"strings"

	"perennial/internal/yamldoc"
)

// Bulk is a FHIR R4 server that is read by Bulk Data exports, and how.
type Bulk struct {
	Rest      Rest     // its address and login; URL empty: none
	Level     string   // level: LevelSystem, LevelPatient or LevelGroup
	Group     string   // group: id of the Group, for LevelGroup
	Filters   []string // type-filter: searches that narrow what is exported
	Format    string   // output-format; empty: the server's own choice
	Aliases   []string // aliases: other names that the server gives itself in links
	FileHosts []string // file-hosts: other origins where its files may lie
	Every     int      // every-hours: from one export to the next
	Limit     int      // limit-hours: how long an export may take
	Reconcile int      // reconcile-days: how often everything is exported again; 0: never
	Counts    bool     // counts: check (yes) or ignore
}

// Words of Bulk.Level.
const (
	LevelSystem  = "system"
	LevelPatient = "patient"
	LevelGroup   = "group"
)

// defaultBulk is what holds where nothing is said.
func defaultBulk() Bulk {
	return Bulk{Level: LevelPatient, Every: 24, Limit: 24, Reconcile: 7, Counts: true}
}

func (p parser) bulk(m *yamldoc.Section, s *Bulk) {
	if m == nil {
		return
	}
	s.Group = p.serverID(m, "group")
	if s.Group != "" {
		s.Level = LevelGroup
	}
	if word := m.OneOf("level", LevelSystem, LevelPatient, LevelGroup); word != "" {
		if (word == LevelGroup) != m.Has("group") {
			m.Report("level", "group is expected here if the id of a Group stands under group, and only then")
		}
		s.Level = word
	}
	s.Filters, s.Format = m.Texts("type-filter"), p.filled(m, "output-format", "")
	for _, f := range s.Filters {
		if typ, search, ok := strings.Cut(f, "?"); !ok || typ == "" || search == "" || strings.ContainsAny(f, ", ") {
			m.Report("type-filter", "searches such as Procedure?status=completed are expected here, with %%2C for a comma and %%20 for a blank")
			break
		}
	}
	s.Aliases, s.FileHosts = p.aliases(m), p.origins(m, "file-hosts")
	s.Every = m.Int("every-hours", s.Every, 1, 168)
	s.Limit = m.Int("limit-hours", s.Limit, 1, 168)
	s.Reconcile = m.Int("reconcile-days", s.Reconcile, 0, 90)
	s.Counts = m.OneOf("counts", "check", "ignore") != "ignore"
	s.Rest = p.rest(m)
}

// origins are addresses without a path. What goes there is about patients, so it must be encrypted.
func (p parser) origins(m *yamldoc.Section, key string) (list []string) {
	for _, text := range m.Texts(key) {
		u, err := url.Parse(strings.TrimSuffix(text, "/"))
		if err != nil || u.Scheme != "https" && (u.Scheme != "http" || Readable(text)) || u.Host == "" || u.Path != "" || u.RawQuery != "" || u.User != nil {
			m.Report(key, "addresses such as https://files.example.org, without a path, are expected here")
			return nil
		}
		list = append(list, strings.ToLower(u.Scheme+"://"+u.Host))
	}
	return list
}

// bulk writes the keys that stand beside the address of sources.bulk.
func (p printer) bulk(s Bulk) {
	p.raw(4, "level", s.Level)
	p.text(4, "group", s.Group)
	p.list(4, "type-filter", s.Filters)
	p.text(4, "output-format", s.Format)
	p.list(4, "aliases", s.Aliases)
	p.list(4, "file-hosts", s.FileHosts)
	p.raw(4, "every-hours", strconv.Itoa(s.Every))
	p.raw(4, "limit-hours", strconv.Itoa(s.Limit))
	p.raw(4, "reconcile-days", strconv.Itoa(s.Reconcile))
	p.raw(4, "counts", map[bool]string{true: "check", false: "ignore"}[s.Counts])
}
