package fhirhttp

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"perennial/internal/fault"
)

// maxFile is how long one file of an export may be, unpacked.
const maxFile = 64 << 30

// File opens one file of an export, to be read while it comes; what is gzip is unpacked. Its address must lead to the
// server, or to an origin of Options.Files. The login goes along to the server alone: if the export says that its files
// need it, or if the server refuses to give the file without. An error of reading is of kind Unavailable: the file
// ended early or is damaged, or nothing came for the time that a request may take.
func (c *Client) File(ctx context.Context, address string, login bool) (io.ReadCloser, error) {
	var f *file
	err := c.again(ctx, request{method: http.MethodGet, typ: "file"}, func() *failure {
		f = c.newFile(ctx)
		trouble := c.open(f, address, login)
		if trouble == nil {
			trouble = f.unpack()
		}
		if trouble != nil {
			_ = f.Close()
		}
		return trouble
	})
	if err != nil {
		return nil, err
	}
	return f, nil
}

// errSilent is why a file is given up of which nothing comes.
var errSilent = errors.New("nothing comes any more")

func (c *Client) newFile(ctx context.Context) *file {
	ctx, cancel := context.WithCancelCause(ctx)
	return &file{ctx: ctx, cancel: cancel, limit: maxFile, patience: c.o.Timeout, timer: time.AfterFunc(c.o.Timeout, func() { cancel(errSilent) })}
}

// open asks for a file and follows redirects. Elsewhere a redirect leads without the login.
func (c *Client) open(f *file, address string, login bool) *failure {
	from := c.base
	for hop := range maxRedirects {
		u, ours, err := c.fileAt(from, address, login && hop == 0)
		if err != nil {
			return &failure{err: err}
		}
		resp, err := c.fetch(f.ctx, u, ours, login)
		if err == nil && resp.StatusCode == http.StatusUnauthorized && ours && !login {
			drop(resp)
			resp, err = c.fetch(f.ctx, u, ours, true)
		}
		switch {
		case err != nil:
			return unanswered(true, f.why(bare(err)))
		case whole(resp.StatusCode):
			f.timer.Stop()
			f.body = resp.Body
			return nil
		case resp.StatusCode < 300:
			drop(resp)
			return &failure{err: fault.New(fault.Unavailable, "answer", "", fmt.Errorf("status %d in place of the file", resp.StatusCode)), again: true}
		case resp.StatusCode < 400 && resp.Header.Get("Location") != "":
			from, address = u, resp.Header.Get("Location")
			drop(resp)
		default:
			defer resp.Body.Close()
			answer := response{status: resp.StatusCode, header: resp.Header}
			answer.body, _ = c.body(resp, 64<<10)
			return c.refused(true, answer)
		}
	}
	return &failure{err: fault.New(fault.Unavailable, "follow redirects", "", errors.New("the server redirects without end"))}
}

// fileAt checks where a file lies: at the server (then its address is rebuilt on the configured origin), or at one of
// the other origins that are allowed, which get no login.
func (c *Client) fileAt(from *url.URL, address string, login bool) (u *url.URL, ours bool, err error) {
	const op = "open file of the export"
	u, err = from.Parse(strings.TrimSpace(address))
	switch {
	case err != nil || u.Host == "":
		return nil, false, fault.New(fault.Invalid, op, "Tell the server's administrator.", errors.New("its address is none"))
	case c.ours(u):
		u, err = c.follow(op, from, address)
		return u, true, err
	case !slices.Contains(c.o.Files, strings.ToLower(u.Scheme+"://"+u.Host)):
		return nil, false, fault.New(fault.Denied, op, "If that is the same server under another name, add the name to aliases; if files are kept there, add its address to file-hosts.",
			fmt.Errorf("it lies on another server (%s)", u.Host))
	case login:
		return nil, false, fault.New(fault.Denied, op, "The login goes to the server of the settings alone. Ask the server's administrator for files that are given out there, or by signed addresses.",
			fmt.Errorf("another server (%s) would want the login", u.Host))
	}
	u.User, u.Fragment = nil, ""
	return u, false, nil
}

// fetch makes one request for a file.
func (c *Client) fetch(ctx context.Context, u *url.URL, ours, login bool) (*http.Response, error) {
	if ours && login {
		req, err := c.prepare(ctx, request{method: http.MethodGet, url: u})
		if err != nil {
			return nil, err
		}
		req.Header.Set("Accept", "application/fhir+ndjson")
		return c.http.Do(req)
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, u.String(), nil)
	if err != nil {
		return nil, fault.New(fault.Internal, "prepare request", "", errors.New("the address cannot be used"))
	}
	c.plain(req)
	req.Header.Set("Accept", "application/fhir+ndjson")
	if ours {
		return c.bare.Do(req)
	}
	return c.far.Do(req)
}

// whole says whether a status stands for a whole file: 202 says that there is none yet, 206 that it is a part.
func whole(status int) bool {
	return status == http.StatusOK || status == http.StatusNonAuthoritativeInfo || status == http.StatusNoContent
}

func drop(resp *http.Response) {
	_, _ = io.CopyN(io.Discard, resp.Body, 64<<10)
	_ = resp.Body.Close()
}

// file is a file on its way.
type file struct {
	ctx      context.Context
	cancel   context.CancelCauseFunc
	timer    *time.Timer // ends it when nothing came for so long
	patience time.Duration
	body     io.ReadCloser
	in       io.Reader // unpacked
	limit    int64     // bytes that may still come
}

// unpack looks whether the file is gzip: some servers do not say so, or say so wrongly.
func (f *file) unpack() *failure {
	packed := bufio.NewReaderSize(wire{f}, 64<<10)
	f.in = packed
	if magic, _ := packed.Peek(2); !bytes.Equal(magic, []byte{0x1f, 0x8b}) {
		return nil
	}
	z, err := gzip.NewReader(packed)
	if err != nil {
		return &failure{err: cut(err), again: true}
	}
	f.in = z
	return nil
}

// Read reads on.
func (f *file) Read(p []byte) (int, error) {
	n, err := f.in.Read(p)
	if f.limit -= int64(n); f.limit < 0 {
		return n, fault.New(fault.Invalid, "read file", "", fmt.Errorf("it is over %d GB", maxFile>>30))
	}
	if err != nil && err != io.EOF {
		err = cut(err)
	}
	return n, err
}

// Close lets go of the connection.
func (f *file) Close() error {
	f.timer.Stop()
	f.cancel(nil)
	if f.body == nil {
		return nil
	}
	return f.body.Close()
}

// why says of an error that comes from silence that it does.
func (f *file) why(err error) error {
	if err != nil && errors.Is(context.Cause(f.ctx), errSilent) {
		return errSilent
	}
	return err
}

// wire is what comes, while something comes.
type wire struct{ f *file }

// Read reads on, and waits only so long.
func (w wire) Read(p []byte) (int, error) {
	w.f.timer.Reset(w.f.patience)
	n, err := w.f.body.Read(p)
	w.f.timer.Stop() // whoever reads may take time
	if err != io.EOF {
		err = w.f.why(err)
	}
	return n, err
}
