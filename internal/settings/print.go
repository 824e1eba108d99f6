package settings

import (
	"bufio"
	"io"
	"strconv"
	"strings"

	"perennial/internal/day"
)

// Print writes the settings that hold, as a document that Parse reads back to
// the same settings. Of a secret it writes the name of its file, with a remark.
func (s Settings) Print(w io.Writer) error {
	p := printer{w: bufio.NewWriter(w)}
	p.site(s)
	p.scope(s)
	p.numbers(s.Numbers)
	p.head("store")
	p.text(2, "path", s.Store)
	p.sources(s.Sources)
	p.out(s.Out)
	p.mail(s.Mail)
	p.head("digest")
	p.raw(2, "at", strconv.Quote(s.Digest.At.String()))
	p.raw(2, "names", yesNo(s.Digest.Names))
	p.text(2, "link", s.Digest.Link)
	p.head("web")
	p.text(2, "listen", s.Listen)
	p.readSide(s.Read)
	p.head("times")
	p.raw(2, "poll-every-minutes", strconv.Itoa(s.Times.PollEvery))
	p.raw(2, "send-every-minutes", strconv.Itoa(s.Times.SendEvery))
	p.raw(2, "nightly-at", strconv.Quote(s.Times.NightlyAt.String()))
	return p.w.Flush()
}

// printer writes lines; the first error is kept by the buffer.
type printer struct{ w *bufio.Writer }

func (p printer) head(key string) { p.w.WriteString(key + ":\n") }

func (p printer) raw(indent int, key, value string) {
	p.w.WriteString(strings.Repeat(" ", indent) + strings.TrimRight(key+": "+value, " ") + "\n")
}

// text writes a quoted text; nothing where it is empty.
func (p printer) text(indent int, key, value string) {
	if value != "" {
		p.raw(indent, key, quote(value))
	}
}

// list writes a list of texts; nothing where it is empty.
func (p printer) list(indent int, key string, texts []string) {
	if len(texts) > 0 {
		p.raw(indent, key, "")
	}
	for _, text := range texts {
		p.w.WriteString(strings.Repeat(" ", indent+2) + "- " + quote(text) + "\n")
	}
}

func (p printer) day(indent int, key string, d day.Day) {
	if d > 0 {
		p.raw(indent, key, d.String())
	}
}

func (p printer) secret(indent int, key string, s Secret) {
	if s.Given() {
		p.raw(indent, key, quote(s.File)+" # what it holds is not shown")
	}
}

func (p printer) site(s Settings) {
	p.head("site")
	p.text(2, "name", s.Site.Name)
	p.text(2, "zone", s.Site.Zone)
	p.day(2, "records-from", s.Site.RecordsFrom)
	p.day(2, "start", s.Site.Start)
	if len(s.Care) > 0 {
		p.head("care")
		p.head("  protocols")
		for _, u := range s.Care {
			p.text(4, "- use", u.Protocol)
			p.day(6, "from", u.From)
		}
	}
	if s.Codes != "" {
		p.head("codes")
		p.text(2, "site", s.Codes)
	}
}

func (p printer) numbers(n Numbers) {
	p.head("numbers")
	for _, one := range n.list() {
		p.raw(2, one.key, strconv.Itoa(*one.at))
	}
	p.raw(2, "accept-reports", yesNo(n.AcceptReports))
}

func (p printer) sources(s Sources) {
	if s.Folder == "" && s.Rest.URL == "" && s.Bulk.Rest.URL == "" {
		return
	}
	p.head("sources")
	if s.Folder != "" {
		p.head("  folder")
		p.text(4, "path", s.Folder)
	}
	p.rest("rest", s.Rest)
	if s.Rest.URL != "" {
		p.pull(s.Pull)
	}
	p.rest("bulk", s.Bulk.Rest)
	if s.Bulk.Rest.URL != "" {
		p.bulk(s.Bulk)
	}
	p.webhook(s.Hook)
}

func (p printer) out(o Out) {
	p.head("out")
	p.raw(2, "mode", quote(o.Mode))
	p.text(2, "folder", o.Folder)
	p.list(2, "also", o.Also)
	p.rest("rest", o.Rest)
	if o.Rest.URL != "" {
		p.write(o.Write)
	}
}

func (p printer) mail(m Mail) {
	if m.Host == "" && m.From == "" {
		return
	}
	p.head("mail")
	p.text(2, "host", m.Host)
	p.raw(2, "port", strconv.Itoa(m.Port))
	p.raw(2, "starttls", "required")
	p.text(2, "user", m.User)
	p.secret(2, "password-file", m.Password)
	p.text(2, "from", m.From)
	if len(m.Recipients) > 0 {
		p.head("  recipients")
	}
	for _, r := range m.Recipients {
		p.text(4, "- address", r.Address)
		p.raw(6, "role", r.Role)
	}
}

// quote writes a text between single quotes, as YAML reads it back.
func quote(text string) string { return "'" + strings.ReplaceAll(text, "'", "''") + "'" }

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}
