package fhirhttp

import (
	"context"
	"errors"
	"fmt"
	"iter"
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

// Search gives the pages of a search, one request each, as they are asked for. After an error there are no more. A
// page that has expired on the server, or a server that pages in a loop, is an error of kind Unavailable: begin again.
func (c *Client) Search(ctx context.Context, typ string, query url.Values) iter.Seq2[Page, error] {
	return func(yield func(Page, error) bool) {
		u := c.at(typ)
		u.RawQuery = query.Encode()
		w := walk{c: c, typ: typ, seen: map[string]int{}}
		for n := 0; u != nil; n++ {
			if n >= c.o.MaxPages {
				yield(Page{}, fault.New(fault.Invalid, "search "+typ, "Search a shorter time.", fmt.Errorf("there are more than %d pages", c.o.MaxPages)))
				return
			}
			page, next, err := w.step(ctx, u)
			if !yield(page, err) || err != nil {
				return
			}
			u = next
		}
	}
}

// walk is one search on its way.
type walk struct {
	c      *Client
	typ    string
	seen   map[string]int // address → how many entries had been found when it was read
	found  int
	paging bool
}

// step reads one page and finds out where the next is; nil: there is none.
func (w *walk) step(ctx context.Context, u *url.URL) (page Page, next *url.URL, err error) {
	w.seen[u.String()] = w.found
	resp, err := w.read(ctx, u)
	if err != nil {
		return Page{}, nil, err
	}
	page.Page, err = fhir.ParsePage(resp.body)
	if err != nil {
		return Page{}, nil, fault.New(fault.Unavailable, "search "+w.typ, "", err)
	}
	page.Date, _ = http.ParseTime(resp.header.Get("Date"))
	w.found += len(page.Entries)
	w.paging = true
	if page.Next == "" {
		return page, nil, nil
	}
	next, err = w.c.follow(resp.url, page.Next)
	if err != nil {
		return Page{}, nil, fault.Wrap("search "+w.typ, err)
	}
	if before, again := w.seen[next.String()]; again {
		if w.found == before {
			return page, nil, nil // some servers end with an empty page that names itself
		}
		return Page{}, nil, fault.New(fault.Unavailable, "search "+w.typ, "Tell the server's administrator.", errors.New("its pages lead in a circle"))
	}
	return page, next, nil
}

// read reads the page at u. If it is a next page below no base and not found, the same below the base is tried.
func (w *walk) read(ctx context.Context, u *url.URL) (response, error) {
	r := request{method: http.MethodGet, url: u, typ: w.typ, header: map[string]string{"Prefer": "handling=strict"}}
	resp, err := w.c.send(ctx, r)
	if !w.paging || err == nil {
		return resp, err
	}
	kind := fault.KindOf(err)
	if base := w.c.base.Path; kind == fault.NotFound && base != "" && !strings.HasPrefix(u.Path, base+"/") && u.Path != base {
		below := *u
		below.Path, below.RawPath = base+u.Path, ""
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
func (c *Client) follow(page *url.URL, link string) (*url.URL, error) {
	const op = "follow next link"
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
