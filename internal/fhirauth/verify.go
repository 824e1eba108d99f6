package fhirauth

import (
	"encoding/json"
	"errors"
	"os"
	"strings"
	"sync"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/go-jose/go-jose/v4/jwt"

	"perennial/internal/fault"
)

// Times of tokens that others sign. They should hold for five minutes at most (CDS Hooks, "Trusting CDS Clients");
// an hour is what implementers are told to reckon with (CDS Hooks, best practices).
const (
	longestToken = time.Hour
	clocksDiffer = time.Minute
)

// Signed lets in who shows a JSON Web Token that one issuer has signed (ES384 or RS384), as CDS Hooks clients do. The
// key set is read for each token, so that keys change without a restart. It may be used by several goroutines at once.
type Signed struct {
	Issuer   string
	Audience string // our address, or the beginning of it
	KeySet   string // file: a JSON Web Key Set with public keys
	Now      func() time.Time

	mu   sync.Mutex
	seen map[string]time.Time // ids of tokens, until they end
}

// Check looks at the key set, before anything is served.
func (s *Signed) Check() error {
	_, err := s.keys()
	return err
}

// keys are the public keys of the issuer.
func (s *Signed) keys() (jose.JSONWebKeySet, error) {
	var set jose.JSONWebKeySet
	const hint = "Put the public keys of the clients there, as a JSON Web Key Set: {\"keys\": […]}."
	text, err := os.ReadFile(s.KeySet)
	if err != nil {
		return set, fault.New(fault.KindOf(err), "read the key set "+s.KeySet, hint, errors.New("it cannot be read"))
	}
	if json.Unmarshal(text, &set) != nil || len(set.Keys) == 0 {
		return set, fault.New(fault.Invalid, "read the key set "+s.KeySet, hint, errors.New("it is no set of keys"))
	}
	for _, k := range set.Keys {
		if !k.IsPublic() {
			return set, fault.New(fault.Invalid, "read the key set "+s.KeySet, "Only public keys belong there; change the key, which has been seen.", errors.New("it holds a private or a secret key"))
		}
	}
	return set, nil
}

// Verify says whether a token lets its bearer in. It does not say why not: that would help who tries. A token is good
// once.
func (s *Signed) Verify(token string) bool {
	set, err := s.keys()
	if err != nil {
		return false
	}
	parsed, err := jwt.ParseSigned(token, []jose.SignatureAlgorithm{jose.ES384, jose.RS384})
	if err != nil {
		return false
	}
	var c jwt.Claims
	if parsed.Claims(set, &c) != nil { // it needs the kid of one of the keys
		return false
	}
	now := s.Now()
	if c.ValidateWithLeeway(jwt.Expected{Issuer: s.Issuer, Time: now}, clocksDiffer) != nil || c.Expiry == nil || c.Expiry.Time().Sub(now) > longestToken {
		return false
	}
	return s.forUs(c.Audience) && s.first(c.ID, c.Expiry.Time(), now)
}

func (s *Signed) forUs(audience jwt.Audience) bool {
	for _, a := range audience {
		if a == s.Audience || strings.HasPrefix(a, strings.TrimRight(s.Audience, "/")+"/") {
			return true
		}
	}
	return false
}

// first notes the id of a token; false where it was shown before, or has none.
func (s *Signed) first(id string, until, now time.Time) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	for old, end := range s.seen {
		if end.Add(clocksDiffer).Before(now) {
			delete(s.seen, old)
		}
	}
	if _, again := s.seen[id]; again || id == "" {
		return false
	}
	if s.seen == nil {
		s.seen = map[string]time.Time{}
	}
	s.seen[id] = until
	return true
}
