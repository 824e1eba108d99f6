package fhirhttp

import (
	"context"
	"errors"
	"fmt"
	"hash/maphash"
	"iter"
	"maps"
	"net/http"
	"net/url"
	"strings"
	"time"

	"perennial/internal/fault"
	"perennial/internal/fhir"
)

// Page is one page of a search. Its bodies lie in a buffer of the page's own: they are safe to keep.
type Page struct {
	fhir.Page
	Date time.Time // the server's clock when it made the page (its Date header); zero where it does not say
}

// Ask is a search.
type Ask struct {
	Type    string
	Params  url.Values
	Lenient bool // do not ask the server to refuse what it does not know
	Post    bool // by POST _search, which keeps the parameters out of the logs; what is too long for an address goes so in any case
}

// maxAddress is how long an address may be: some proxies refuse more than 2,048 bytes.
const maxAddress = 1900

// maxEmpty is how many empty pages there may be in a row: some servers filter after they have cut the pages.
const maxEmpty = 100

// Search gives the pages of a search, one request each, as they are asked for. After an error there are no more. A
// page that has expired on the server, or a server that pages in a loop, is an error of kind Unavailable: begin again.
func (c *Client) Search(ctx context.Context, typ string, query url.Values) iter.Seq2[Page, error] {
	return c.Ask(ctx, Ask{Type: typ, Params: query})
}

// Ask is Search with more to say.
func (c *Client) Ask(ctx context.Context, a Ask) iter.Seq2[Page, error] {
	return func(yield func(Page, error) bool) {
		w := walk{c: c, typ: a.Type, lenient: a.Lenient, seen: map[string]int{}, pages: map[uint64]bool{}, seed: maphash.MakeSeed()}
		r := w.first(a)
		for n := 0; r.url != nil; n++ {
			if n >= c.o.MaxPages {
				yield(Page{}, fault.New(fault.Invalid, "search "+a.Type, "Search a shorter time.", fmt.Errorf("there are more than %d pages", c.o.MaxPages)))
				return
			}
			page, next, err := w.step(ctx, r)
			if !yield(page, err) || err != nil {
				return
			}
			r = w.get(next)
		}
	}
}

// Count asks how many resources a search has. ok is false where the server does not say.
func (c *Client) Count(ctx context.Context, a Ask) (n int, ok bool, err error) {
	a.Params = maps.Clone(a.Params)
	if a.Params == nil {
		a.Params = url.Values{}
	}
	a.Params.Del("_count")
	a.Params.Set("_summary", "count")
	w := walk{c: c, typ: a.Type, lenient: a.Lenient}
	resp, err := w.read(ctx, w.first(a))
	if err != nil {
		return 0, false, err
	}
	page, err := w.parse(resp)
	return page.Total, err == nil && page.Total >= 0, err
}

// walk is one search on its way.
type walk struct {
	c       *Client
	typ     string
	lenient bool
	seen    map[string]int // address → how many entries had been found when it was read
	pages   map[uint64]bool
	seed    maphash.Seed
	found   int
	empty   int // pages in a row
	paging  bool
}

// first is the request for the first page.
func (w *walk) first(a Ask) request {
	r := w.get(w.c.at(a.Type))
	r.url.RawQuery = a.Params.Encode()
	if !a.Post && len(r.url.String()) <= maxAddress {
		return r
	}
	r.method, r.reads, r.body = http.MethodPost, true, []byte(r.url.RawQuery)
	r.url = w.c.at(a.Type, "_search")
	r.header["Content-Type"] = "application/x-www-form-urlencoded"
	return r
}

func (w *walk) get(u *url.URL) request {
	r := request{method: http.MethodGet, url: u, typ: w.typ, header: map[string]string{"Cache-Control": "no-cache"}}
	if !w.lenient {
		r.header["Prefer"] = "handling=strict"
	}
	return r
}

// parse reads a page; an OperationOutcome in its place is told in its codes.
func (w *walk) parse(resp response) (Page, error) {
	page, err := fhir.ParsePage(resp.body)
	switch words := said(resp.body); {
	case err == nil && (page.Type == "searchset" || page.Type == ""):
		date, _ := http.ParseTime(resp.header.Get("Date"))
		return Page{page, date}, nil
	case err == nil:
		err = errors.New("the answer is a Bundle of another kind")
	case words != "":
		err = errors.New("in place of a Bundle the server says: " + words)
	}
	return Page{}, fault.New(fault.Unavailable, "search "+w.typ, "", err)
}

// step reads one page and finds out where the next is; nil: there is none.
func (w *walk) step(ctx context.Context, r request) (page Page, next *url.URL, err error) {
	w.seen[r.url.String()] = w.found
	resp, err := w.read(ctx, r)
	if err != nil {
		return Page{}, nil, err
	}
	if page, err = w.parse(resp); err == nil {
		err = w.fresh(page)
	}
	if err != nil {
		return Page{}, nil, err
	}
	w.found += len(page.Entries)
	w.paging = true
	if page.Next == "" {
		return page, nil, nil
	}
	next, err = w.c.follow("follow next link", resp.url, page.Next)
	if err != nil {
		return Page{}, nil, fault.Wrap("search "+w.typ, err)
	}
	if before, again := w.seen[next.String()]; again {
		if w.found == before {
			return page, nil, nil // some servers end with an empty page that names itself
		}
		return Page{}, nil, w.circle("its pages lead in a circle")
	}
	return page, next, nil
}

// fresh refuses a page that was there before under another address, and empty pages without end.
func (w *walk) fresh(page Page) error {
	if len(page.Entries) == 0 {
		if w.empty++; w.empty > maxEmpty {
			return w.circle("it gives empty pages without end")
		}
		return nil
	}
	w.empty = 0
	var h maphash.Hash
	h.SetSeed(w.seed)
	for _, e := range page.Entries {
		_, _ = h.Write(e.Body)
	}
	sum := h.Sum64()
	if w.pages[sum] {
		return w.circle("it gives the same page again")
	}
	w.pages[sum] = true
	return nil
}

func (w *walk) circle(what string) error {
	return fault.New(fault.Unavailable, "search "+w.typ, "Tell the server's administrator.", errors.New(what))
}

// read reads the page at u. If it is a next page below no base and not found, the same below the base is tried. A
// server without POST _search is asked by GET.
func (w *walk) read(ctx context.Context, r request) (response, error) {
	resp, err := w.c.send(ctx, r)
	if err == nil {
		return resp, nil
	}
	kind := fault.KindOf(err)
	if r.reads && (kind == fault.NotFound || kind == fault.Invalid) && len(r.body) < 16<<10 {
		get := w.get(w.c.at(w.typ))
		get.url.RawQuery = string(r.body)
		return w.c.send(ctx, get)
	}
	if !w.paging {
		return resp, err
	}
	if base := w.c.base.Path; kind == fault.NotFound && base != "" && !strings.HasPrefix(r.url.Path, base+"/") && r.url.Path != base {
		below := *r.url
		below.Path, below.RawPath = base+r.url.Path, ""
		r.url = &below
		if resp, err2 := w.c.send(ctx, r); err2 == nil {
			return resp, nil
		}
	}
	if kind == fault.NotFound || kind == fault.Invalid {
		return response{}, fault.New(fault.Unavailable, "read next page", "The page may have expired: the search begins again at the next run.", err)
	}
	return response{}, err
}

// follow resolves a link against the page that it stands on, and rebuilds it on the configured origin.
func (c *Client) follow(op string, page *url.URL, link string) (*url.URL, error) {
	link = strings.TrimSpace(link)
	for _, host := range c.hosts() {
		if strings.HasPrefix(link, host+"/") { // an address without its scheme
			link = c.base.Scheme + "://" + link
			break
		}
	}
	u, err := page.Parse(link)
	if err != nil || u.Opaque != "" {
		return nil, fault.New(fault.Unavailable, op, "Tell the server's administrator.", errors.New("it is not an address"))
	}
	if !c.ours(u) {
		return nil, fault.New(fault.Denied, op, "If this is the same server under another name, add that name to the server's aliases.",
			fmt.Errorf("it leads to another server (%s)", u.Host))
	}
	u.Scheme, u.Host, u.User, u.Fragment = c.base.Scheme, c.base.Host, nil, ""
	return u, nil
}

// ours says whether an address names the server: its host, with whatever port and scheme, or an alias. Some proxies
// write the port twice; a host that the standard library cannot read is not ours.
func (c *Client) ours(u *url.URL) bool {
	if u.Scheme != "http" && u.Scheme != "https" {
		return false
	}
	for _, host := range c.hosts() {
		if strings.EqualFold(u.Host, host) || strings.EqualFold(u.Hostname(), host) {
			return true
		}
	}
	return false
}

func (c *Client) hosts() []string {
	return append([]string{c.base.Host, c.base.Hostname()}, c.o.Aliases...)
}

// at is the address of something below the base.
func (c *Client) at(parts ...string) *url.URL {
	return c.base.JoinPath(parts...)
}
