package webhook_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io"
	"log"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"perennial/internal/fault"
	"perennial/internal/settings"
	"perennial/internal/source/webhook"
)

// authority signs certificates.
type authority struct {
	t    *testing.T
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func newAuthority(t *testing.T) *authority {
	t.Helper()
	a := &authority{t: t}
	a.cert, a.key = a.make(&x509.Certificate{IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign})
	return a
}

// make makes a certificate and its key; the first of an authority signs itself.
func (a *authority) make(c *x509.Certificate) (*x509.Certificate, *ecdsa.PrivateKey) {
	a.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		a.t.Fatal(err)
	}
	c.SerialNumber, c.Subject, c.NotBefore, c.NotAfter = big.NewInt(time.Now().UnixNano()), pkix.Name{CommonName: "Quayside"}, time.Now().Add(-time.Hour), time.Now().Add(time.Hour)
	parent, signer := a.cert, a.key
	if parent == nil {
		parent, signer = c, key
	}
	der, err := x509.CreateCertificate(rand.Reader, c, parent, &key.PublicKey, signer)
	if err != nil {
		a.t.Fatal(err)
	}
	whole, err := x509.ParseCertificate(der)
	if err != nil {
		a.t.Fatal(err)
	}
	return whole, key
}

// leaf writes a certificate and its key to files.
func (a *authority) leaf(dir, name string, use x509.ExtKeyUsage) settings.Certificate {
	a.t.Helper()
	c, key := a.make(&x509.Certificate{ExtKeyUsage: []x509.ExtKeyUsage{use}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}})
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		a.t.Fatal(err)
	}
	at := filepath.Join(dir, name)
	write(a.t, at+".pem", "CERTIFICATE", c.Raw)
	write(a.t, at+"-key.pem", "PRIVATE KEY", der)
	return settings.Certificate{File: at + ".pem", Key: settings.Secret{File: at + "-key.pem"}}
}

func write(t *testing.T, path, kind string, der []byte) {
	t.Helper()
	if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
}

// Who has no certificate of the authority that the site names does not get as far as a question.
func TestClientCertificates(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	ours, theirs := newAuthority(t), newAuthority(t)
	write(t, filepath.Join(dir, "ca.pem"), "CERTIFICATE", ours.cert.Raw)
	s := settings.Webhook{Certificate: ours.leaf(dir, "hook", x509.ExtKeyUsageServerAuth), ClientCA: filepath.Join(dir, "ca.pem")}
	config, err := webhook.TLS(s)
	if err != nil {
		t.Fatal(err)
	}
	r := newRig(t, webhook.Options{})
	l, err := tls.Listen("tcp", "127.0.0.1:0", config)
	if err != nil {
		t.Fatal(err)
	}
	server := &http.Server{Handler: r, ReadHeaderTimeout: time.Second, ErrorLog: log.New(io.Discard, "", 0)}
	go func() { _ = server.Serve(l) }()
	t.Cleanup(func() { _ = server.Close() })
	roots := x509.NewCertPool()
	roots.AddCert(ours.cert)
	ask := func(certs ...tls.Certificate) int {
		t.Helper()
		c := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots, Certificates: certs}}}
		defer c.CloseIdleConnections()
		resp, err := c.Post("https://"+l.Addr().String()+"/server", "", nil)
		if err != nil {
			return 0
		}
		resp.Body.Close()
		return resp.StatusCode
	}
	load := func(c settings.Certificate) tls.Certificate {
		t.Helper()
		pair, err := tls.LoadX509KeyPair(c.File, c.Key.File)
		if err != nil {
			t.Fatal(err)
		}
		return pair
	}
	good, foreign := load(ours.leaf(dir, "good", x509.ExtKeyUsageClientAuth)), load(theirs.leaf(dir, "foreign", x509.ExtKeyUsageClientAuth))
	wrongUse := load(ours.leaf(dir, "wrong", x509.ExtKeyUsageServerAuth))
	if got := ask(good); got != http.StatusOK || r.took() == "" {
		t.Errorf("one who may is answered with %d", got)
	}
	for name, certs := range map[string][]tls.Certificate{"none": nil, "another authority": {foreign}, "a certificate of a server": {wrongUse}} {
		if got := ask(certs...); got != 0 || r.took() != "" {
			t.Errorf("%s: %d", name, got)
		}
	}
	ours.leaf(dir, "hook", x509.ExtKeyUsageServerAuth) // is changed while it runs
	if got := ask(good); got != http.StatusOK {
		t.Errorf("after its certificate was changed: %d", got)
	}
}

// What is wrong with the files is told, and nothing of what they hold.
func TestTLSFiles(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	a := newAuthority(t)
	one, two := a.leaf(dir, "one", x509.ExtKeyUsageServerAuth), a.leaf(dir, "two", x509.ExtKeyUsageServerAuth)
	if err := os.WriteFile(filepath.Join(dir, "none.pem"), []byte(secret), 0o600); err != nil {
		t.Fatal(err)
	}
	if c, err := webhook.TLS(settings.Webhook{}); c != nil || err != nil {
		t.Error(c, err)
	}
	for want, s := range map[string]settings.Webhook{
		"do not fit together":  {Certificate: settings.Certificate{File: one.File, Key: two.Key}},
		"absent.pem":           {Certificate: settings.Certificate{File: filepath.Join(dir, "absent.pem"), Key: one.Key}},
		"holds no certificate": {Certificate: one, ClientCA: filepath.Join(dir, "none.pem")},
		"ca.pem: it cannot":    {Certificate: one, ClientCA: filepath.Join(dir, "ca.pem")},
	} {
		if _, err := webhook.TLS(s); err == nil || !strings.Contains(err.Error(), want) || fault.HintOf(err) == "" || strings.Contains(err.Error(), secret) {
			t.Errorf("%s: %v", want, err)
		}
	}
}
