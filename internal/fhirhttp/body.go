package fhirhttp

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"slices"
	"strings"

	"perennial/internal/fault"
	"perennial/internal/fhir"
)

// body reads an answer whole, within the limit before and after gunzip. A connection that ends before the announced
// length, or in the middle of a gzip, is an error of kind Unavailable; too much is Invalid.
func (c *Client) body(r *http.Response, limit int64) ([]byte, error) {
	packed := bufio.NewReader(io.LimitReader(r.Body, limit+1))
	var in io.Reader = packed
	// Some proxies pack without saying so, others say so and do not: the first bytes decide.
	if magic, _ := packed.Peek(2); bytes.Equal(magic, []byte{0x1f, 0x8b}) {
		z, err := gzip.NewReader(packed)
		if err != nil {
			return nil, cut(err)
		}
		in = io.LimitReader(z, limit+1)
	}
	out, err := io.ReadAll(in)
	switch {
	case int64(len(out)) > limit:
		return nil, fault.New(fault.Invalid, "read answer", "Ask for smaller pages.", fmt.Errorf("it is over %d MB", limit>>20))
	case err != nil:
		return nil, cut(err)
	}
	return bytes.TrimPrefix(out, []byte("\xef\xbb\xbf")), nil
}

func cut(err error) error {
	return fault.New(fault.Unavailable, "read answer", "", fmt.Errorf("it ends early or is damaged: %w", bare(err)))
}

// looksRight refuses a success that is no JSON object: an error page with status 200, a login page, half a body.
func (c *Client) looksRight(r request, resp response) error {
	body := bytes.TrimLeft(resp.body, " \t\r\n")
	if len(body) == 0 && r.method != http.MethodGet {
		return nil // a server may answer a write without a body
	}
	if len(body) == 0 || body[0] != '{' {
		kind, _, err := mime.ParseMediaType(resp.header.Get("Content-Type"))
		switch {
		case err != nil:
			kind = "no content type"
		case !slices.Contains([]string{"text/html", "text/plain", "application/xhtml+xml", "application/xml", "text/xml", "application/fhir+xml", "application/json", "application/fhir+json", "application/fhir+ndjson"}, kind):
			kind = "another content type" // what stands there is not repeated
		}
		return fault.New(fault.Unavailable, "read answer", "Check the base address, and whether a proxy or a login page answers in the server's place.",
			fmt.Errorf("it is not JSON (%s)", kind))
	}
	if !json.Valid(body) {
		return fault.New(fault.Unavailable, "read answer", "", errors.New("it is not whole JSON"))
	}
	if deep(body) {
		return fault.New(fault.Invalid, "read answer", "Ask the server's administrator: no resource of FHIR looks so.", fmt.Errorf("it is nested more than %d deep", maxDepth))
	}
	return nil
}

// maxDepth is how deep an answer may be nested. What people record in FHIR stays below thirty.
const maxDepth = 128

// deep says whether valid JSON is nested deeper than that.
func deep(body []byte) bool {
	depth, quoted := 0, false
	for i := 0; i < len(body); i++ {
		switch c := body[i]; {
		case quoted && c == '\\':
			i++
		case c == '"':
			quoted = !quoted
		case quoted:
		case c == '{', c == '[':
			if depth++; depth > maxDepth {
				return true
			}
		case c == '}', c == ']':
			depth--
		}
	}
	return false
}

// said is what an OperationOutcome says in codes; "" for anything else.
func said(body []byte) string { return words(fhir.ParseOutcome(body)) }

// words are the first issues of an outcome, in codes.
func words(outcome []fhir.OutcomeIssue) string {
	var list []string
	for _, issue := range outcome[:min(len(outcome), 3)] {
		list = append(list, issue.String())
	}
	return strings.Join(list, "; ")
}
