package fhirhttp_test

import (
	"errors"
	"net/http"
	"testing"

	"perennial/internal/fault"
	"perennial/internal/fhirhttp"
)

// failing is a transport that gets no answer.
type failing struct {
	err   error
	tries int
}

func (f *failing) RoundTrip(*http.Request) (*http.Response, error) {
	f.tries++
	return nil, f.err
}

// What the transport classified, such as a refused login, stays what it is: the hint is kept, and only what may pass
// is tried again. Anything else is a server that does not answer.
func TestTransportErrors(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		err   error
		kind  fault.Kind
		tries int
	}{
		{fault.New(fault.Denied, "log in", "Ask.", errors.New("refused")), fault.Denied, 1}, {fault.New(fault.Invalid, "log in", "Ask.", errors.New("no key")), fault.Invalid, 1},
		{fault.New(fault.Unavailable, "log in", "Ask.", errors.New("busy")), fault.Unavailable, 4}, {errors.New("no route"), fault.Unavailable, 4},
	} {
		f := &failing{err: c.err}
		r := start(t, nil, func(o *fhirhttp.Options) { o.HTTP = f })
		_, err := r.Read(t.Context(), "Patient", "1")
		if fault.KindOf(err) != c.kind || f.tries != c.tries || fault.HintOf(err) != fault.HintOf(c.err) {
			t.Errorf("%v: %v after %d tries", c.err, err, f.tries)
		}
		f.tries = 0
		if _, err := r.Create(t.Context(), "Task", []byte("{}"), nil); fault.KindOf(err) != c.kind || f.tries != 1 {
			t.Errorf("a write: %v: %v after %d tries", c.err, err, f.tries)
		}
	}
}
