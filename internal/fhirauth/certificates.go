package fhirauth

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io/fs"
	"os"

	"perennial/internal/fault"
	"perennial/internal/settings"
)

// tlsOf is how the server is recognised, and how we show who we are.
func tlsOf(r settings.Rest) (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12}
	if r.CA != "" {
		pool, err := poolOf(r.CA)
		if err != nil {
			return nil, err
		}
		c.RootCAs = pool
	}
	if r.Certificate.File != "" {
		if _, err := pairOf(r.Certificate); err != nil {
			return nil, err
		}
		c.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return pairOf(r.Certificate) }
	}
	return c, nil
}

// poolOf is the system's authorities and those of a file.
func poolOf(path string) (*x509.CertPool, error) {
	const hint = "Name a file with the certificate of your authority as PEM."
	text, err := publicFile(path, hint)
	if err != nil {
		return nil, err
	}
	pool, err := x509.SystemCertPool()
	if err != nil {
		pool = x509.NewCertPool()
	}
	if !pool.AppendCertsFromPEM(text) {
		return nil, fault.New(fault.Invalid, "read "+path, hint, errors.New("it holds no certificate"))
	}
	return pool, nil
}

// pairOf is a client certificate with its key.
func pairOf(c settings.Certificate) (*tls.Certificate, error) {
	cert, err := publicFile(c.File, "Name a file with your client certificate as PEM.")
	if err != nil {
		return nil, err
	}
	key, err := c.Key.ReadKey()
	if err != nil {
		return nil, err
	}
	pair, err := tls.X509KeyPair(cert, key)
	if err != nil { // its text may repeat what stands in the files
		return nil, fault.New(fault.Invalid, "read the client certificate "+c.File, "Give a certificate and its private key as PEM, the key without a password.",
			errors.New("certificate and key are not a pair, or cannot be read"))
	}
	return &pair, nil
}

// publicFile reads a file that is no secret.
func publicFile(path, hint string) ([]byte, error) {
	text, err := os.ReadFile(path)
	if err == nil {
		return text, nil
	}
	kind := fault.KindOf(err)
	if p, ok := errors.AsType[*fs.PathError](err); ok {
		err = p.Err
	}
	return nil, fault.New(kind, "read "+path, hint, err)
}
