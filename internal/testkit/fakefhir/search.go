package fakefhir

import (
	"encoding/json"
	"fmt"
	"net/url"
	"sort"
	"strconv"
	"strings"
	"time"
)

// cursor is where a next link leads.
type cursor struct {
	typ   string
	query url.Values
	rows  []hit // as they were at the first page
	at    int   // of the first row of the page
	size  int
	total int
}

// hit is one row of a result.
type hit struct {
	r    *row
	v    *version
	full string // fullUrl; "" as it should be
	body string // "" as it should be
	mode string
}

// page is one page before it is written.
type page struct {
	typ     string
	kind    string // Bundle.type
	self    string
	next    string
	total   int // -1: not said
	entries []string
	query   url.Values
	cursor  *cursor
}

// known are the search parameters that the server understands.
func known(name string) bool {
	return strings.Contains(" _lastUpdated _count _id _elements _summary _sort _total _format patient subject target identifier ", " "+name+" ")
}

// unknown lists the parameters that it does not.
func unknown(q url.Values) (names []string) {
	for name := range q {
		if !known(name) {
			names = append(names, name)
		}
	}
	return names
}

// find searches: oldest change first.
func (s *Server) find(typ string, q url.Values) []hit {
	var list []hit
	rows := s.table(typ).rows
	if token := q.Get("identifier"); token != "" && !strings.HasSuffix(token, "|") {
		rows = s.table(typ).byToken[token]
	}
	for _, r := range rows {
		if v := s.latest(r); v != nil && matches(r, v, q) {
			list = append(list, hit{r: r, v: v})
		}
	}
	sort.SliceStable(list, func(i, j int) bool { return list[i].v.stamp.Before(list[j].v.stamp) })
	return list
}

func matches(r *row, v *version, q url.Values) bool {
	for _, text := range q["_lastUpdated"] {
		if len(text) < 3 {
			return false
		}
		at, err := time.Parse(time.RFC3339, text[2:])
		if err != nil || !map[string]bool{"ge": !v.stamp.Before(at), "gt": v.stamp.After(at), "le": !v.stamp.After(at), "lt": v.stamp.Before(at)}[text[:2]] {
			return false
		}
	}
	if id := q.Get("_id"); id != "" && !strings.Contains(","+id+",", ","+r.id+",") {
		return false
	}
	for _, name := range []string{"patient", "subject", "target"} {
		if who := q.Get(name); who != "" && !strings.Contains(v.fields, `"reference":"`+who+`"`) {
			return false
		}
	}
	if token := q.Get("identifier"); token != "" {
		system, value, _ := strings.Cut(token, "|")
		if value == "" {
			return strings.Contains(v.fields, `"system":"`+system+`"`)
		}
		return strings.Contains(v.fields, `"system":"`+system+`","value":"`+value+`"`)
	}
	return true
}

// first makes the first page of a search.
func (s *Server) first(typ string, q url.Values) *page {
	size := s.o.Page
	if n, err := strconv.Atoi(q.Get("_count")); err == nil && n > 0 {
		size = min(n, size)
	}
	if s.fault != nil && s.fault.larger {
		size += 1 + s.rng.IntN(5)
		s.hits++
	}
	asked := q
	if s.fault != nil && s.fault.deaf != 0 && q.Has("_lastUpdated") && s.hit() {
		q = url.Values{}
		for k, v := range asked {
			if k != "_lastUpdated" {
				q[k] = v
			}
		}
		if s.fault.deaf == deafSilently {
			rows := s.find(typ, q)
			return s.pageAt(&cursor{typ: typ, query: asked, rows: rows, size: size, total: len(rows)})
		}
	}
	c := &cursor{typ: typ, query: q, rows: s.find(typ, q), size: size}
	c.total = len(c.rows)
	if s.fault != nil && s.fault.rows != nil {
		c.rows = s.fault.rows(s, c)
	}
	return s.pageAt(c)
}

// pageAt makes the page at which a cursor stands.
func (s *Server) pageAt(c *cursor) *page {
	if s.fault != nil && s.fault.moving {
		s.stir(c)
	}
	end := min(c.at+c.size, len(c.rows))
	at := min(c.at, end)
	p := &page{typ: c.typ, kind: "searchset", self: s.Base + "/" + c.typ + "?" + c.query.Encode(), total: -1, query: c.query, cursor: c}
	for _, h := range c.rows[at:end] {
		p.entries = append(p.entries, s.entry(h, c.query.Get("_elements")))
	}
	if s.o.Total || c.query.Get("_total") == "accurate" {
		p.total = c.total
	}
	if end < len(c.rows) {
		p.next = s.link(c.moved(end))
	}
	return p
}

// moved is the cursor at another row.
func (c *cursor) moved(at int) *cursor {
	d := *c
	d.at = at
	return &d
}

// link makes an opaque next link.
func (s *Server) link(c *cursor) string {
	s.serial++
	token := fmt.Sprintf("t%dx", s.serial)
	s.tokens[token] = c
	return s.Base + "?_getpages=" + token
}

// stir changes a resource that was on a page before and searches anew, as a server that counts rows from the start
// does while people work.
func (s *Server) stir(c *cursor) {
	if c.at > 0 && s.hit() {
		h := c.rows[s.rng.IntN(min(c.at, len(c.rows)))]
		if v := s.latest(h.r); v != nil {
			s.now = s.now.Add(time.Second)
			s.put(h.r.typ, h.r.id, v.fields, s.now)
		}
	}
	c.rows = s.find(c.typ, c.query)
}

func (s *Server) entry(h hit, elements string) string {
	text, full, mode := h.body, h.full, h.mode
	if text == "" {
		text = body(h.r, h.v)
	}
	if elements != "" {
		text = only(text, elements)
	}
	if full == "" {
		full = s.Base + "/" + h.r.typ + "/" + h.r.id
	}
	if mode == "" {
		mode = "match"
	}
	return `{"fullUrl":"` + full + `","resource":` + text + `,"search":{"mode":"` + mode + `"}}`
}

// only keeps some members, and marks the resource.
func only(text, elements string) string {
	var all map[string]json.RawMessage
	var meta map[string]json.RawMessage
	if json.Unmarshal([]byte(text), &all) != nil || json.Unmarshal(all["meta"], &meta) != nil {
		return text
	}
	for name := range all {
		if name != "resourceType" && name != "id" && !strings.Contains(","+elements+",", ","+name+",") {
			delete(all, name)
		}
	}
	meta["tag"] = json.RawMessage(`[{"system":"http://terminology.hl7.org/CodeSystem/v3-ObservationValue","code":"SUBSETTED"}]`)
	all["meta"], _ = json.Marshal(meta)
	out, _ := json.Marshal(all)
	return string(out)
}

// write writes the page as a Bundle.
func (p *page) write() []byte {
	var b strings.Builder
	b.WriteString(`{"resourceType":"Bundle"`)
	if p.kind != "" {
		b.WriteString(`,"type":"` + p.kind + `"`)
	}
	if p.total >= 0 {
		fmt.Fprintf(&b, `,"total":%d`, p.total)
	}
	b.WriteString(`,"link":[{"relation":"self","url":` + quote(p.self) + `}`)
	if p.next != "" {
		b.WriteString(`,{"relation":"next","url":` + quote(p.next) + `}`)
	}
	b.WriteString(`]`)
	for i, e := range p.entries {
		b.WriteString(map[bool]string{true: `,"entry":[`, false: `,`}[i == 0])
		b.WriteString(e)
	}
	if len(p.entries) > 0 {
		b.WriteString(`]`)
	}
	b.WriteString(`}`)
	return []byte(b.String())
}

func quote(text string) string {
	b, _ := json.Marshal(text)
	return string(b)
}
