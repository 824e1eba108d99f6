package fhirauth_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io"
	"math/big"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"testing"
	"time"

	"perennial/internal/fault"
	"perennial/internal/fhirauth"
	"perennial/internal/settings"
)

// authority is a certificate authority of a hospital.
type authority struct {
	t    *testing.T
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func newAuthority(t *testing.T) authority {
	key := ecKey(t, elliptic.P256())
	a := authority{t, &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "Quayside Authority"}, IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageCertSign, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour)}, key}
	whole, err := x509.ParseCertificate(a.sign(a.cert, &key.PublicKey))
	if err != nil {
		t.Fatal(err)
	}
	a.cert = whole
	return a
}

func (a authority) sign(c *x509.Certificate, public any) []byte {
	a.t.Helper()
	der, err := x509.CreateCertificate(rand.Reader, c, a.cert, public, a.key)
	if err != nil {
		a.t.Fatal(err)
	}
	return der
}

func (a authority) pem() string { return certPEM(a.cert.Raw) }

func certPEM(der []byte) string {
	return string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
}

// leaf makes a certificate for a use, with its key.
func (a authority) leaf(serial int64, use x509.ExtKeyUsage, names ...string) (der []byte, key *ecdsa.PrivateKey) {
	key = ecKey(a.t, elliptic.P256())
	c := &x509.Certificate{SerialNumber: big.NewInt(serial), Subject: pkix.Name{CommonName: "leaf"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		ExtKeyUsage: []x509.ExtKeyUsage{use}, DNSNames: names, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}}
	return a.sign(c, &key.PublicKey), key
}

// server is a TLS server with a certificate of the authority, that tells which client certificate it saw last.
func (a authority) server(clients *authority) (url string, seen *big.Int) {
	der, key := a.leaf(2, x509.ExtKeyUsageServerAuth, "localhost")
	seen = new(big.Int)
	s := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		if len(q.TLS.PeerCertificates) > 0 {
			seen.Set(q.TLS.PeerCertificates[0].SerialNumber)
		}
		io.WriteString(w, `{"resourceType":"Patient","id":"1"}`)
	}))
	s.TLS = &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}}
	if clients != nil {
		s.TLS.ClientAuth, s.TLS.ClientCAs = tls.RequireAndVerifyClientCert, x509.NewCertPool()
		s.TLS.ClientCAs.AddCert(clients.cert)
	}
	s.Config.ErrorLog = discardLog()
	s.StartTLS()
	a.t.Cleanup(s.Close)
	return s.URL, seen
}

// An authority of the hospital's own is trusted where the settings name it, for the names in its certificates only.
func TestOwnAuthority(t *testing.T) {
	a, other := newAuthority(t), newAuthority(t)
	url, _ := a.server(nil)
	read(t, client(t, settings.Rest{URL: url, CA: file(t, "ca.pem", a.pem(), 0o644)}, nil), fault.None)
	for _, r := range []settings.Rest{{URL: url}, {URL: url, CA: file(t, "other.pem", other.pem(), 0o644)},
		{URL: strings.Replace(url, "127.0.0.1", "ip6-localhost.localhost", 1), CA: file(t, "ca.pem", a.pem(), 0o644)}} {
		err := read(t, client(t, r, nil), fault.Unavailable)
		if !strings.Contains(r.URL, "ip6") && !strings.Contains(fault.HintOf(err), "under ca") {
			t.Errorf("%s: %v, %s", r.CA, err, fault.HintOf(err))
		}
	}
	for text, kind := range map[string]fault.Kind{"": fault.Invalid, marker: fault.Invalid} {
		if _, err := fhirauth.New(fhirauth.Options{Server: settings.Rest{URL: url, CA: file(t, "ca.pem", text, 0o644)}}); fault.KindOf(err) != kind || fault.HintOf(err) == "" {
			t.Error(err)
		}
	}
	if _, err := fhirauth.New(fhirauth.Options{Server: settings.Rest{URL: url, CA: "none-such"}}); fault.KindOf(err) != fault.NotFound || strings.Count(err.Error(), "none-such") != 1 {
		t.Error(err)
	}
}

// A server that wants a client certificate gets that of the settings, as its files are at that moment.
func TestClientCertificate(t *testing.T) {
	a, clients, others := newAuthority(t), newAuthority(t), newAuthority(t)
	url, seen := a.server(&clients)
	ca := file(t, "ca.pem", a.pem(), 0o644)
	der, key := clients.leaf(7, x509.ExtKeyUsageClientAuth)
	cert, keyFile := file(t, "us.pem", certPEM(der), 0o644), file(t, "us-key.pem", pkcs8(t, key), 0o600)
	r := settings.Rest{URL: url, CA: ca, Certificate: settings.Certificate{File: cert, Key: settings.Secret{File: keyFile}}}
	transport, err := fhirauth.New(fhirauth.Options{Server: r})
	if err != nil {
		t.Fatal(err)
	}
	ask := func() (int64, error) {
		q, _ := http.NewRequest(http.MethodGet, url+"/Patient/1", nil)
		resp, err := transport.RoundTrip(q)
		if err == nil {
			resp.Body.Close()
		}
		transport.CloseIdleConnections()
		return seen.Int64(), err
	}
	if n, err := ask(); err != nil || n != 7 {
		t.Errorf("certificate %d, %v", n, err)
	}
	der, key = clients.leaf(8, x509.ExtKeyUsageClientAuth)
	if err := os.WriteFile(cert, []byte(certPEM(der)), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := ask(); fault.KindOf(err) != fault.Invalid {
		t.Errorf("a certificate with the key of another: %v", err)
	}
	if err := os.WriteFile(keyFile, []byte(pkcs8(t, key)), 0o600); err != nil {
		t.Fatal(err)
	}
	if n, err := ask(); err != nil || n != 8 {
		t.Errorf("certificate %d, %v", n, err)
	}
	der, key = others.leaf(9, x509.ExtKeyUsageClientAuth)
	for _, r := range []settings.Rest{{URL: url, CA: ca}, {URL: url, CA: ca, Certificate: settings.Certificate{File: file(t, "x.pem", certPEM(der), 0o644), Key: settings.Secret{File: file(t, "x-key.pem", pkcs8(t, key), 0o600)}}}} {
		if err := read(t, client(t, r, nil), fault.Unavailable); !strings.Contains(fault.HintOf(err), "client-certificate") {
			t.Errorf("%v, %s", err, fault.HintOf(err))
		}
	}
}

// Wrong files are found before anything is asked, and their text is not repeated.
func TestWrongCertificates(t *testing.T) {
	a := newAuthority(t)
	der, key := a.leaf(7, x509.ExtKeyUsageClientAuth)
	cert, good := file(t, "us.pem", certPEM(der), 0o644), pkcs8(t, key)
	for name, c := range map[string]struct {
		cert, key string
		kind      fault.Kind
	}{
		"no certificate file": {"none-such", file(t, "k", good, 0o600), fault.NotFound}, "no key file": {cert, "none-such", fault.NotFound},
		"others read the key": {cert, file(t, "k", good, 0o644), fault.Denied}, "another key": {cert, file(t, "k", pkcs8(t, ecKey(t, elliptic.P256())), 0o600), fault.Invalid},
		"no key": {cert, file(t, "k", marker, 0o600), fault.Invalid}, "no certificate": {file(t, "c", marker, 0o644), file(t, "k", good, 0o600), fault.Invalid},
	} {
		_, err := fhirauth.New(fhirauth.Options{Server: settings.Rest{URL: "https://fhir.invalid", Certificate: settings.Certificate{File: c.cert, Key: settings.Secret{File: c.key}}}})
		quiet(t, err)
		if fault.KindOf(err) != c.kind || fault.HintOf(err) == "" {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// The token endpoint may have the hospital's authority and want the client certificate, too.
func TestTokenEndpointOverTLS(t *testing.T) {
	a, clients := newAuthority(t), newAuthority(t)
	url, seen := a.server(&clients)
	der, key := clients.leaf(7, x509.ExtKeyUsageClientAuth)
	r := settings.Rest{URL: url, CA: file(t, "ca.pem", a.pem(), 0o644), Certificate: settings.Certificate{File: file(t, "us.pem", certPEM(der), 0o644), Key: settings.Secret{File: file(t, "k.pem", pkcs8(t, key), 0o600)}},
		Smart: settings.Smart{ClientID: "harbour", Key: settings.Secret{File: file(t, "key.pem", pkcs8(t, ecKey(t, elliptic.P384())), 0o600)}, Scope: "x", TokenURL: url + "/token"}}
	if err := read(t, client(t, r, nil), fault.Unavailable); err == nil || !strings.Contains(err.Error(), "no usable token") || seen.Int64() != 7 {
		t.Errorf("%v, certificate %d", err, seen)
	}
	r.CA = ""
	if err := read(t, client(t, r, nil), fault.Unavailable); !strings.Contains(fault.HintOf(err), "under ca") {
		t.Errorf("%v, %s", err, fault.HintOf(err))
	}
}
