package fakefhir

import (
	"net/http"
	"strconv"
	"strings"
	"time"
)

// pagesOnly marks a fault that strikes next pages only: their path is the base.
const pagesOnly = "\x00pages"

// strikes says whether a fault of deny is about a path.
func (f *Fault) strikes(path string) bool {
	return f.on == "" || f.on == pagesOnly && path == "" || strings.HasPrefix(path, f.on)
}

// deny answers with a status, about six times in ten.
func deny(status int, code string) func(*Server, *http.Request) (*answer, bool) {
	return func(s *Server, q *http.Request) (*answer, bool) {
		return outcome(status, "error", code), s.hit()
	}
}

// wait answers a status with Retry-After.
func wait(status int, after func(time.Time) string) func(*Server, *http.Request) (*answer, bool) {
	return func(s *Server, _ *http.Request) (*answer, bool) {
		a := outcome(status, "error", "throttled")
		if text := after(s.now); text != "" {
			a.header.Set("Retry-After", text)
		}
		return a, s.hit()
	}
}

func fixed(text string) func(time.Time) string { return func(time.Time) string { return text } }

// statusFaults are answers with a status other than 200, or with 200 and something else.
func statusFaults() []Fault {
	list := []Fault{
		{Name: "429-seconds", Bug: "Q47", What: "429 with Retry-After in seconds", deny: wait(429, fixed("7"))},
		{Name: "429-date", Bug: "Q47", What: "429 with Retry-After as a date", deny: wait(429, func(now time.Time) string { return now.Add(30 * time.Second).Format(http.TimeFormat) })},
		{Name: "429-past", Bug: "Q47", What: "429 with a Retry-After that is over", deny: wait(429, func(now time.Time) string { return now.Add(-time.Hour).Format(http.TimeFormat) })},
		{Name: "429-absurd", Bug: "R7", What: "429 with a Retry-After of a billion seconds", deny: wait(429, fixed("1000000000"))},
		{Name: "429-negative", Bug: "R7", What: "429 with a negative Retry-After", deny: wait(429, fixed("-5"))},
		{Name: "429-plain", Bug: "Q47", What: "429 without Retry-After", deny: wait(429, fixed(""))},
		{Name: "503-seconds", Bug: "Q47", What: "503 with Retry-After in seconds", deny: wait(503, fixed("3"))},
		{Name: "503-words", Bug: "R7", What: "503 with a Retry-After in words", deny: wait(503, fixed("soon"))},
		{Name: "401", Bug: "Q48", What: "the token is refused in the middle", deny: deny(401, "login")},
		{Name: "403", Bug: "Q28", What: "the right to read is gone for a while", deny: deny(403, "forbidden")},
		{Name: "type-404", Bug: "Q44", What: "a type is not known for a while", deny: deny(404, "not-supported"), on: "ImagingStudy"},
		{Name: "type-400", Bug: "Q44", What: "a search of a type is refused for a while", deny: deny(400, "not-supported"), on: "ImagingStudy"},
		{Name: "strict-refused", Bug: "Q40", What: "whoever asks for strictness is refused", deny: func(s *Server, q *http.Request) (*answer, bool) {
			return outcome(400, "error", "not-supported"), q.Header.Get("Prefer") == "handling=strict" && s.hit()
		}},
		{Name: "login-page", Bug: "Q49", What: "200 with a login page", deny: func(s *Server, _ *http.Request) (*answer, bool) {
			return &answer{status: 200, body: []byte("<!DOCTYPE html><title>Log in</title>"), header: http.Header{"Content-Type": {"text/html"}}}, s.hit()
		}},
		{Name: "outcome-200", Bug: "R7", What: "200 with an OperationOutcome in place of a Bundle", deny: func(s *Server, _ *http.Request) (*answer, bool) {
			return outcome(200, "error", "exception"), s.hit()
		}},
		{Name: "reset-before", Bug: "R7", What: "the connection breaks before an answer", deny: func(s *Server, _ *http.Request) (*answer, bool) { return nil, s.hit() }},
	}
	for _, status := range []int{500, 501, 502, 504} {
		list = append(list, Fault{Name: strconv.Itoa(status), Bug: "R7", What: "status " + strconv.Itoa(status), deny: deny(status, "exception")})
	}
	return list
}

// clockFaults are about the Date header.
func clockFaults() []Fault {
	by := func(name, what string, f func(*Server) string) Fault {
		return Fault{Name: name, Bug: "Q39", What: what, date: func(s *Server, h http.Header) { h.Set("Date", f(s)) }}
	}
	at := func(s *Server, d time.Duration) string { return s.now.Add(d).UTC().Format(http.TimeFormat) }
	return []Fault{
		{Name: "date-absent", Bug: "Q39", What: "answers do not say the server's time", date: func(_ *Server, h http.Header) { h["Date"] = nil }},
		by("date-ahead", "the clock of the answers is up to three hours ahead", func(s *Server) string { return at(s, time.Duration(1+s.rng.IntN(180))*time.Minute) }),
		by("date-behind", "the clock of the answers is up to three hours behind", func(s *Server) string { return at(s, -time.Duration(1+s.rng.IntN(180))*time.Minute) }),
		by("date-past", "the clock of the answers is years behind", func(s *Server) string { return at(s, -20*365*24*time.Hour) }),
		by("date-garbage", "the clock of the answers cannot be read", func(*Server) string { return "half past two" }),
	}
}

// serverFaults are about what a server says of itself.
func serverFaults() []Fault {
	return []Fault{
		{Name: "no-metadata", Bug: "R7", What: "there is no CapabilityStatement", deny: deny(404, "not-found"), on: "metadata"},
		{Name: "metadata-lies", Bug: "R7", What: "the CapabilityStatement lists one type only", Blind: true, says: func(v string, _ []string) (string, []string) { return v, []string{"Patient"} }},
		{Name: "metadata-empty", Bug: "R7", What: "the CapabilityStatement lists no type", says: func(v string, _ []string) (string, []string) { return v, nil }},
		{Name: "metadata-r5", Bug: "Q2", What: "the CapabilityStatement is one of R5", says: func(_ string, types []string) (string, []string) { return "5.0.0", types }},
	}
}

// maxLink is how long an address may be for the server.
const maxLink = 4096

// long makes a link longer than that.
func long(_ *Server, p *page) { p.next += "&state=" + strings.Repeat("x", maxLink) }

// swapped changes a link; {host} and {port} stand for the server's.
func swapped(s *Server, link, from, to string) string {
	host := strings.TrimSuffix(strings.TrimPrefix(s.Base, "http://"), "/fhir")
	port := host[strings.LastIndexByte(host, ':'):]
	r := strings.NewReplacer("{host}", host, "{port}", port)
	return strings.Replace(link, r.Replace(from), r.Replace(to), 1)
}

func otherCase(_ *Server, h *hit) {
	v := *h.v
	h.full = "" // the address stays right
	r := *h.r
	r.id = strings.ToUpper(r.id)
	h.body = body(&r, &v)
	h.full = "http://x.invalid/" + h.r.typ + "/" + h.r.id
}

// stampAs writes lastUpdated otherwise; "" leaves it out.
func stampAs(f func(string) string) func(*Server, *hit) {
	return func(_ *Server, h *hit) {
		was := h.v.stamp.UTC().Format(stampForm)
		text := body(h.r, h.v)
		if now := f(was); now != "" {
			h.body = strings.Replace(text, was, now, 1)
		} else {
			h.body = strings.Replace(text, `,"lastUpdated":"`+was+`"`, "", 1)
		}
	}
}

// oddly writes a moment with seven digits and another zone, or with whole seconds.
func oddly(stamp string) string {
	at, _ := time.Parse(stampForm, stamp)
	if at.Second()%2 == 0 {
		return at.In(time.FixedZone("", 5*3600+1800)).Format("2006-01-02T15:04:05.0000000-07:00")
	}
	return at.Format("2006-01-02T15:04:05Z")
}
