package fakefhir

import (
	"net/http"
	"slices"
	"time"
)

// Fault is one way in which a server misbehaves. Each strikes by chance, about six times in ten.
type Fault struct {
	Name string
	Bug  string // number of the quirk (Q) or of the reliability anchor (A, R, D)
	What string
	// Blind says that nobody can notice it while it lasts, because the server contradicts itself nowhere.
	Blind bool

	// write takes the place of a POST or PUT, alone or in a batch; do is what would be done. nil breaks the connection.
	write func(s *Server, parts []string, do func() *answer) *answer
	only  string                        // POST or PUT: write strikes only these
	entry func(n int) *answer           // in place of the answer to an entry of a batch, counted from 0; nil: as it is
	stops bool                          // a batch ends at the first entry that is refused, and the rest is left out
	said  func(statement string) string // the CapabilityStatement as it is sent

	deny   func(*Server, *http.Request) (*answer, bool) // in place of an answer; nil and true: the connection breaks
	on     string                                       // deny strikes only below this path
	rows   func(*Server, *cursor) []hit                 // the rows of a search, when it begins
	page   func(*Server, *page)                         // a page, before it is written
	wire   func(http.ResponseWriter, *http.Request, *answer)
	date   func(*Server, http.Header)
	says   func(version string, types []string) (string, []string) // the CapabilityStatement
	deaf   int                                                     // to the moment from which it is asked
	late   bool                                                    // commits come minutes after their stamp
	moving bool                                                    // pages are counted from the start while people work
	larger bool                                                    // pages are larger than was asked for
}

// Ways of not heeding a parameter.
const (
	deafOpenly   = 1 + iota // the self link shows it
	deafSilently            // the self link does not
)

// Faults lists all, each with its number in the list of bugs.
func Faults() []Fault {
	return slices.Concat(linkFaults(), rowFaults(), entryFaults(), clockFaults(), statusFaults(), wireFaults(), serverFaults())
}

// linkFaults are about next links.
func linkFaults() []Fault {
	link := func(name, bug, what string, f func(s *Server, p *page)) Fault {
		return Fault{Name: name, Bug: bug, What: what, page: func(s *Server, p *page) {
			if p.next != "" {
				f(s, p)
			}
		}}
	}
	shift := func(by int) func(*Server, *page) {
		return func(s *Server, p *page) {
			p.next = s.link(p.cursor.moved(max(0, p.cursor.at+by*p.cursor.size)))
		}
	}
	swap := func(from, to string) func(*Server, *page) {
		return func(s *Server, p *page) { p.next = swapped(s, p.next, from, to) }
	}
	return []Fault{
		link("next-itself", "Q36", "a page names itself as the next", shift(0)),
		link("next-circle", "A10", "the next link leads back to the page before", shift(-1)),
		link("page-dropped", "Q37", "the next link passes over a page", shift(2)),
		link("next-missing", "A10", "a page has no next link though there is more", func(_ *Server, p *page) { p.next = "" }),
		link("next-other-host", "Q31", "the next link names another server", swap("{host}", "elsewhere.invalid")),
		link("next-scheme", "Q31", "the next link says https where the server speaks http", swap("http:", "https:")),
		link("next-port", "Q31", "the next link names another port", swap("{port}", ":1")),
		link("next-port-twice", "Q31", "the next link names the port twice", swap("{port}", "{port}{port}")),
		link("next-from-root", "Q32", "the next link is a path of the host", swap("http://{host}", "")),
		link("next-query-only", "Q32", "the next link is a query alone", swap("http://{host}/fhir", "")),
		link("next-without-scheme", "Q32", "the next link has no scheme", swap("http://", "")),
		link("next-too-long", "Q34", "the next link is so long that the server refuses it", long),
		{Name: "next-expired", Bug: "Q35", What: "the next page has expired: 410", deny: deny(410, "expired"), on: pagesOnly},
		{Name: "next-gone-400", Bug: "Q35", What: "the next page has expired: 400", deny: deny(400, "processing"), on: pagesOnly},
		{Name: "tokens-forgotten", Bug: "A10", What: "the server was started again and knows no next link any more", deny: func(s *Server, _ *http.Request) (*answer, bool) {
			if s.rng.Float64() < 0.3 {
				s.tokens, s.hits = map[string]*cursor{}, s.hits+1
			}
			return nil, false
		}},
		link("empty-pages", "Q36", "pages without rows come between", func(s *Server, p *page) {
			p.next, p.entries = s.link(p.cursor.moved(p.cursor.at)), nil
		}),
		{Name: "page-larger", Bug: "Q43", What: "pages are larger than was asked for", larger: true},
		{Name: "offset-moving", Bug: "Q38", What: "pages are counted from the start while people work", moving: true},
	}
}

// rowFaults are about which rows a search has.
func rowFaults() []Fault {
	each := func(name, bug, what string, f func(s *Server, list []hit, h hit) []hit) Fault {
		return Fault{Name: name, Bug: bug, What: what, rows: func(s *Server, c *cursor) (list []hit) {
			for _, h := range c.rows {
				if s.hit() {
					list = f(s, list, h)
				} else {
					list = append(list, h)
				}
			}
			return list
		}}
	}
	with := func(f func(*Server, *hit)) func(*Server, []hit, hit) []hit {
		return func(s *Server, list []hit, h hit) []hit {
			f(s, &h)
			return append(list, h)
		}
	}
	stale := each("versions-back", "Q39", "a copy that lags five minutes behind gives older versions", with(func(s *Server, h *hit) {
		if h.v.n > 1 && s.now.Sub(h.v.stamp) < 5*time.Minute {
			h.v = &h.r.past[h.v.n-2]
		}
	}))
	stale.Blind = true
	return []Fault{
		each("rows-twice", "Q37", "rows come twice, on one page or on two", func(_ *Server, list []hit, h hit) []hit { return append(list, h, h) }),
		each("rows-missing", "A9", "rows are left out", func(_ *Server, list []hit, _ hit) []hit { return list }),
		each("history-rows", "Q37", "older versions come beside the newest", func(_ *Server, list []hit, h hit) []hit {
			for i := range h.v.n - 1 {
				list = append(list, hit{r: h.r, v: &h.r.past[i]})
			}
			return append(list, h)
		}),
		each("empty-shells", "A13", "rows have an id and nothing behind it", with(func(_ *Server, h *hit) {
			v := *h.v
			v.fields = ""
			h.body = body(h.r, &v)
		})),
		each("subsetted", "Q26", "rows are parts of resources, marked as such", with(func(_ *Server, h *hit) { h.body = only(body(h.r, h.v), "status") })),
		each("id-case", "Q20", "ids come in other case than in their address", with(otherCase)),
		each("stamp-absent", "Q39", "resources do not say when they were changed", with(stampAs(func(string) string { return "" }))),
		each("stamp-odd", "Q39", "moments of change come with odd precision and zones", with(stampAs(oddly))),
		stale,
		{Name: "late-commit", Bug: "A12", What: "what was stamped is committed minutes later", late: true},
		{Name: "deaf-openly", Bug: "Q40", What: "the moment from which it is asked is left out, and the self link shows it", deaf: deafOpenly},
		{Name: "deaf-silently", Bug: "Q40", What: "the moment from which it is asked is left out, and the self link says otherwise", deaf: deafSilently},
	}
}

// entryFaults are about what else a page says.
func entryFaults() []Fault {
	spoil := func(name, bug, what string, f func(s *Server, p *page)) Fault {
		return Fault{Name: name, Bug: bug, What: what, page: f}
	}
	issue := func(severity, code string) string {
		return `{"resource":{"resourceType":"OperationOutcome","issue":[{"severity":"` + severity + `","code":"` + code + `","diagnostics":"Testa Quay-34"}]},"search":{"mode":"outcome"}}`
	}
	return []Fault{
		spoil("outcome-warning", "Q42", "a warning stands among the rows", func(_ *Server, p *page) { p.entries = append(p.entries, issue("warning", "informational")) }),
		spoil("outcome-error", "Q42", "an error stands in place of some rows", func(s *Server, p *page) {
			p.entries = append(p.entries[:len(p.entries)/2], issue("error", "incomplete"))
		}),
		spoil("no-entry", "Q42", "a page says how many there are and has none", func(_ *Server, p *page) {
			p.total, p.entries = max(p.total, len(p.cursor.rows)), nil
		}),
		spoil("no-type", "Q42", "the Bundle does not say its type", func(_ *Server, p *page) { p.kind = "" }),
		spoil("other-type", "Q42", "the Bundle is one of another kind", func(_ *Server, p *page) { p.kind = "collection" }),
		spoil("total-wrong", "Q43", "the total is far off", func(s *Server, p *page) { p.total = len(p.cursor.rows) + 1 + s.rng.IntN(1000) }),
		spoil("total-zero", "Q43", "the total is zero beside rows", func(_ *Server, p *page) { p.total = 0 }),
		spoil("deleted-entries", "A13", "deletions stand among the rows", func(_ *Server, p *page) {
			p.entries = append(p.entries, `{"fullUrl":"http://x.invalid/Patient/gone","request":{"method":"DELETE","url":"Patient/gone"},"response":{"status":"204"}}`)
		}),
		spoil("included", "Q41", "rows of another type come uncalled", func(_ *Server, p *page) {
			p.entries = append(p.entries, `{"resource":{"resourceType":"Practitioner","id":"uncalled","active":true},"search":{"mode":"include"}}`)
		}),
		spoil("self-missing", "Q40", "there is no self link", func(_ *Server, p *page) { p.self = "" }),
	}
}
