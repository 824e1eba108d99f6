package fhirauth

import (
	"crypto/rand"
	"encoding/json"
	"errors"
	"time"

	"github.com/go-jose/go-jose/v4"

	"perennial/internal/fault"
	"perennial/internal/settings"
)

// The times of an assertion, from the moment at which it is made: issued a little before, because many servers bear
// with no clock behind ours, and valid for less than the five minutes that are allowed, counted from a clock that is
// behind too.
const (
	issuedBefore = 30 * time.Second
	validFor     = 4 * time.Minute
)

// assertion says, signed, that we are the client. now is the time by the server's clock.
func assertion(s settings.Smart, endpoint string, now time.Time) (string, error) {
	keys, err := keysOf(s)
	if err != nil {
		return "", err
	}
	o := (&jose.SignerOptions{}).WithType("JWT")
	if s.KeySet != "" {
		o = o.WithHeader("jku", s.KeySet)
	}
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: jose.SignatureAlgorithm(keys[0].Algorithm), Key: keys[0]}, o)
	if err != nil {
		return "", unsigned(s)
	}
	claims, err := json.Marshal(map[string]any{
		"iss": s.ClientID, "sub": s.ClientID, "aud": endpoint, "jti": rand.Text(),
		"iat": now.Add(-issuedBefore).Unix(), "exp": now.Add(validFor).Unix(),
	})
	if err != nil {
		return "", unsigned(s)
	}
	signed, err := signer.Sign(claims)
	if err != nil {
		return "", unsigned(s)
	}
	return signed.CompactSerialize()
}

func unsigned(s settings.Smart) error {
	return fault.New(fault.Invalid, "sign with the key in "+s.Key.File, keyHint, errors.New("it cannot sign"))
}
