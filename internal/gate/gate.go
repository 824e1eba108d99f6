// Package gate decides who may ask what this program serves to other programs,
// until there are accounts: who shows the token of a file; without such a file,
// this computer only.
//
// The token is read for each request, so it is changed without a restart, and
// compared in a time that does not depend on it. No error holds a token.
package gate

import (
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"net"
	"net/http"
	"net/netip"
	"strings"

	"perennial/internal/fault"
	"perennial/internal/settings"
)

// least is the least length of a token: 20 letters of 32 are the 96 bits that
// nobody guesses. Common practice, no source.
const least = 20

// Gate lets requests in. The zero Gate lets in this computer only.
type Gate struct {
	Token settings.Secret
}

// Check looks at the token's file, before anything is served.
func (g Gate) Check() error {
	if !g.Token.Given() {
		return nil
	}
	_, err := g.token()
	return err
}

func (g Gate) token() (string, error) {
	token, err := g.Token.Read()
	if err == nil && (len(token) < least || strings.ContainsAny(token, " \t")) {
		return "", fault.New(fault.Invalid, "read the token in "+g.Token.File, "Make one: openssl rand -hex 32 > "+g.Token.File, errors.New("it is shorter than 20 letters, or holds blanks"))
	}
	return token, err
}

// Enter says whether a request may be answered: 0, or the status that refuses it,
// with why.
func (g Gate) Enter(r *http.Request) (status int, why string) {
	if !g.Token.Given() {
		if !fromHere(r) {
			return http.StatusForbidden, "Without a token of the site only this computer may ask, as 127.0.0.1 or localhost. See web.fhir in the settings."
		}
		return 0, ""
	}
	token, err := g.token()
	if err != nil {
		return http.StatusServiceUnavailable, "The file of the token cannot be read here; whoever runs this program must look."
	}
	scheme, said, ok := strings.Cut(r.Header.Get("Authorization"), " ")
	a, b := sha256.Sum256([]byte(strings.TrimSpace(said))), sha256.Sum256([]byte(token))
	if equal := subtle.ConstantTimeCompare(a[:], b[:]) == 1; !ok || !strings.EqualFold(scheme, "Bearer") || !equal {
		return http.StatusUnauthorized, "A token is needed: Authorization: Bearer …"
	}
	return 0, ""
}

// fromHere says whether a request was made on this computer, under a name of it,
// and was not passed on for somebody else.
func fromHere(r *http.Request) bool {
	for _, name := range []string{"Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "X-Real-Ip", "Via"} {
		if r.Header.Get(name) != "" {
			return false
		}
	}
	return Loopback(r.Host) && Loopback(r.RemoteAddr)
}

// Loopback says whether a host, with or without a port, is this computer.
func Loopback(host string) bool {
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	host = strings.TrimSuffix(strings.TrimPrefix(host, "["), "]")
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.IsLoopback()
}
