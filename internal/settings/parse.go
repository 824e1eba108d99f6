package settings

import (
	"fmt"
	"net"
	"net/mail"
	"net/netip"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"perennial/internal/day"
	"perennial/internal/fault"
	"perennial/internal/yamldoc"
)

// Parse lays a document over Default. name is used in problems only. The
// error, of kind fault.Invalid, wraps yamldoc.Problems: all that is wrong, in
// order, each with line and column. The settings are of use only without one.
func Parse(name string, doc []byte) (Settings, error) {
	s := Default()
	r, top := yamldoc.Open(name, doc)
	p := parser{r}
	p.site(top.Map("site"), top, &s)
	p.care(top.Map("care"), &s)
	p.studies(top, &s)
	p.labelling(top, &s)
	if m := top.Map("codes"); m != nil {
		s.Codes = p.filled(m, "site", "")
		m.Done()
	}
	p.numbers(top.Map("numbers"), &s.Numbers)
	if m := top.Map("store"); m != nil {
		s.Store = p.filled(m, "path", s.Store)
		m.Done()
	}
	p.sources(top.Map("sources"), &s.Sources)
	p.out(top.Map("out"), &s)
	p.mail(top.Map("mail"), &s)
	p.digest(top.Map("digest"), &s.Digest)
	p.web(top.Map("web"), &s)
	p.times(top.Map("times"), &s.Times)
	p.together(top, &s)
	top.Done()
	if ps := r.Problems(); len(ps) > 0 {
		return s, fault.New(fault.Invalid, "", hint(len(ps)), yamldoc.Problems(ps))
	}
	return s, nil
}

func hint(n int) string {
	if n == 1 {
		return "Put this right in the settings and try again; perennial settings check says whether all is well."
	}
	return fmt.Sprintf("Put these %d problems right in the settings and try again; perennial settings check says whether all is well.", n)
}

// parser reads one document.
type parser struct{ r *yamldoc.Reader }

// filled is a text that may be absent but not blank.
func (p parser) filled(m *yamldoc.Section, key, otherwise string) string {
	if !m.Has(key) {
		m.Allow(key)
		return otherwise
	}
	return need(m, key)
}

// need is a text of one line that must be there.
func need(m *yamldoc.Section, key string) string {
	text := m.NeedText(key)
	if strings.ContainsFunc(text, unicode.IsControl) {
		m.Report(key, "text on one line is expected here")
		return ""
	}
	return text
}

func (p parser) site(m, top *yamldoc.Section, s *Settings) {
	if m == nil {
		if len(p.r.Problems()) == 0 {
			top.Report("", "site is missing; a map with name and zone is expected")
		}
		return
	}
	s.Site.Name = need(m, "name")
	s.Site.Zone = p.zone(m)
	s.Site.RecordsFrom, s.Site.Start = p.day(m, "records-from"), p.day(m, "start")
	m.Done()
}

// zone checks an IANA name. Local and the empty name, which Go knows too, are
// refused: they mean something else on every computer.
func (p parser) zone(m *yamldoc.Section) string {
	zone := need(m, "zone")
	if strings.TrimSpace(zone) == "" {
		return ""
	}
	if _, err := time.LoadLocation(zone); err != nil || strings.EqualFold(zone, "local") {
		m.Report("zone", "no time zone has the name %q; an IANA name such as Europe/Lisbon or America/Chicago is expected", cut(zone))
	}
	return zone
}

// day reads a whole date; zero where absent.
func (p parser) day(m *yamldoc.Section, key string) day.Day {
	text := m.Text(key)
	if text == "" {
		return 0
	}
	span, err := day.ParseDate(text)
	if err != nil || !span.Exact() {
		m.Report(key, "a date written YYYY-MM-DD is expected here, not %q", cut(text))
		return 0
	}
	return span.First
}

func (p parser) care(m *yamldoc.Section, s *Settings) {
	if m == nil {
		return
	}
	for _, item := range m.Maps("protocols") {
		u := Use{Protocol: need(item, "use"), From: p.day(item, "from")}
		item.Done()
		if slices.Contains(s.Care, u) {
			item.Report("use", "%s stands here twice with the same date", cut(u.Protocol))
		}
		s.Care = append(s.Care, u)
	}
	m.Done()
}

// number is one of Numbers with its key and bounds.
type number struct {
	key         string
	at          *int
	least, most int
}

// list gives every number with its key and bounds.
func (n *Numbers) list() []number {
	return []number{
		{"lead-days", &n.LeadDays, 0, 366}, {"asap-days", &n.AsapDays, 0, 366}, {"lost-after-days", &n.LostAfterDays, 30, 1830},
		{"lost-attempts", &n.LostAttempts, 1, 20}, {"lost-channels", &n.LostChannels, 1, 6}, {"report-days", &n.ReportDays, 1, 366},
		{"report-asap-days", &n.ReportAsapDays, 1, 366}, {"review-days", &n.ReviewDays, 1, 366}, {"question-days", &n.QuestionDays, 1, 366},
		{"trace-days", &n.TraceDays, 1, 366}, {"cluster-days", &n.ClusterDays, 0, 30}, {"death-days", &n.DeathDays, 0, 30},
		{"feed-stale-days", &n.FeedStaleDays, 1, 90}, {"kidney-days", &n.KidneyDays, 1, 3660},
		{"kidney-long-days", &n.KidneyLongDays, 1, 3660}, {"kidney-threshold", &n.KidneyThreshold, 0, 120},
	}
}

func (p parser) numbers(m *yamldoc.Section, n *Numbers) {
	if m == nil {
		return
	}
	for _, one := range n.list() {
		*one.at = m.Int(one.key, *one.at, one.least, one.most)
	}
	n.AcceptReports = m.Bool("accept-reports", n.AcceptReports)
	if n.ReportAsapDays < n.ReportDays {
		m.Report("report-asap-days", "%d is less than report-days (%d); it must not be", n.ReportAsapDays, n.ReportDays)
	}
	m.Done()
}

func (p parser) sources(m *yamldoc.Section, s *Sources) {
	if m == nil {
		return
	}
	if f := m.Map("folder"); f != nil {
		s.Folder = need(f, "path")
		f.Done()
	}
	rest := m.Map("rest")
	p.pull(rest, &s.Pull)
	s.Rest = p.rest(rest)
	p.bulk(m.Map("bulk"), &s.Bulk)
	p.webhook(m.Map("webhook"), &s.Hook)
	if s.Hook.Given() && s.Rest.URL == "" && s.Bulk.Rest.URL == "" {
		m.Report("webhook", "is of no use without a server to look at; rest or bulk is expected beside it")
	}
	m.Done()
}

// webAddress is an http or https address without login, query or fragment.
func (p parser) webAddress(m *yamldoc.Section, key string, must bool) string {
	if !must && !m.Has(key) {
		m.Allow(key)
		return ""
	}
	text := need(m, key)
	if text == "" {
		return ""
	}
	u, err := url.Parse(text)
	switch {
	case err != nil, u.Scheme != "http" && u.Scheme != "https", u.Host == "":
		m.Report(key, "an address that begins with https:// (or http://) is expected here")
	case u.User != nil:
		m.Report(key, "the address holds a user name or password; take them out; a login stands under token-file, basic or smart")
	case u.RawQuery != "", u.Fragment != "":
		m.Report(key, "the address must end before ? or #")
	default:
		return text
	}
	return ""
}

// secret is the name of a file that holds a secret.
func (p parser) secret(m *yamldoc.Section, key string) Secret {
	return Secret{p.filled(m, key, "")}
}

func (p parser) out(m *yamldoc.Section, s *Settings) {
	if m == nil {
		return
	}
	if word := m.OneOf("mode", ModeOff, ModeFiles, ModeSend); word != "" {
		s.Out.Mode = word
	}
	s.Out.Folder = p.filled(m, "folder", s.Out.Folder)
	rest := m.Map("rest")
	p.write(rest, &s.Out.Write)
	s.Out.Rest = p.rest(rest)
	p.also(m, &s.Out)
	m.Done()
}

func (p parser) mail(m *yamldoc.Section, s *Settings) {
	if m == nil {
		return
	}
	s.Mail.Host = p.filled(m, "host", "")
	if strings.ContainsAny(s.Mail.Host, " :/@") {
		m.Report("host", "the name of a mail server is expected here, without port or address")
	}
	s.Mail.Port = m.Int("port", s.Mail.Port, 1, 65535)
	if word := m.Text("starttls"); word != "required" && m.Has("starttls") {
		m.Report("starttls", "mail about patients is sent through an encrypted connection or not at all: required is the only value")
	}
	p.noSecret(m, "password")
	s.Mail.User, s.Mail.Password = p.filled(m, "user", ""), p.secret(m, "password-file")
	s.Mail.From = p.address(m, "from")
	for _, item := range m.Maps("recipients") {
		one := Recipient{Address: p.address(item, "address"), Role: item.NeedOneOf("role", Roles()...)}
		item.Done()
		if slices.ContainsFunc(s.Mail.Recipients, func(r Recipient) bool { return r.Address != "" && strings.EqualFold(r.Address, one.Address) }) {
			item.Report("address", "this recipient stands here twice")
		}
		s.Mail.Recipients = append(s.Mail.Recipients, one)
	}
	m.Done()
}

// address is a mail address that must be there.
func (p parser) address(m *yamldoc.Section, key string) string {
	text := need(m, key)
	if text == "" {
		return ""
	}
	a, err := mail.ParseAddress(text)
	if err != nil || !strings.Contains(a.Address, "@") {
		m.Report(key, "a mail address is expected here")
		return ""
	}
	return text
}

func (p parser) digest(m *yamldoc.Section, d *Digest) {
	if m == nil {
		return
	}
	d.At = p.clock(m, "at", d.At)
	d.Names = m.Bool("names", d.Names)
	d.Link = p.webAddress(m, "link", false)
	m.Done()
}

func (p parser) web(m *yamldoc.Section, s *Settings) {
	if m == nil {
		return
	}
	s.Listen = p.filled(m, "listen", s.Listen)
	host, port, err := net.SplitHostPort(s.Listen)
	n, perr := strconv.Atoi(port)
	addr, aerr := netip.ParseAddr(host)
	switch {
	case err != nil, perr != nil, n < 0, n > 65535:
		m.Report("listen", "host and port are expected here, such as 127.0.0.1:8420")
	case host != "localhost" && (aerr != nil || !addr.IsLoopback()):
		m.Report("listen", "the pages have no accounts yet, so whoever reaches them reads them: only 127.0.0.1, ::1 or localhost is allowed")
	}
	p.readSide(m, &s.Read)
	m.Done()
}

func (p parser) times(m *yamldoc.Section, t *Times) {
	if m == nil {
		return
	}
	t.PollEvery = m.Int("poll-every-minutes", t.PollEvery, 1, 1440)
	t.SendEvery = m.Int("send-every-minutes", t.SendEvery, 1, 1440)
	t.NightlyAt = p.clock(m, "nightly-at", t.NightlyAt)
	m.Done()
}

// clock reads a time of day written 07:05.
func (p parser) clock(m *yamldoc.Section, key string, otherwise Clock) Clock {
	text := p.filled(m, key, otherwise.String())
	at, err := time.Parse("15:04", text)
	if err != nil {
		m.Report(key, "a time of day such as 07:05 is expected here, not %q", cut(text))
		return otherwise
	}
	return Clock{at.Hour(), at.Minute()}
}

// together checks what only several settings together can get wrong.
func (p parser) together(top *yamldoc.Section, s *Settings) {
	at := func(path, text string) {
		key, _, _ := strings.Cut(path, ".")
		line, col := top.At(key)
		p.r.Report(line, col, path, text)
	}
	if s.Mail.User != "" && !s.Mail.Password.Given() {
		at("mail.password-file", "is missing; mail.user needs the file that holds the password")
	}
	if s.Mail.User == "" && s.Mail.Password.Given() {
		at("mail.user", "is missing; mail.password-file is of no use without it")
	}
	if s.Out.Mode == ModeSend && s.Mail.Host == "" && s.Out.Rest.URL == "" {
		at("out.mode", "send needs a way out: mail.host for digests or out.rest.url for Tasks")
	}
	if s.Sources.Bulk.Rest.URL != "" && s.Sources.Bulk.Every >= 24*s.Numbers.FeedStaleDays {
		at("sources.bulk.every-hours", fmt.Sprintf("%d hours are not less than numbers.feed-stale-days (%d); the source would be called silent between two exports", s.Sources.Bulk.Every, s.Numbers.FeedStaleDays))
	}
	if s.Mail.Host != "" && len(s.Mail.Recipients) == 0 {
		at("mail.recipients", "is missing; a mail server is named, but nobody to write to")
	}
}

// cut shortens what is repeated from a document.
func cut(text string) string {
	r := []rune(text)
	if len(r) <= 40 {
		return text
	}
	return string(r[:40]) + "…"
}
