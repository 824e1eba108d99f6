package webhook

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"os"

	"perennial/internal/fault"
	"perennial/internal/settings"
)

// TLS is how the listener shows who it is and, if an authority is named, whom it lets in: those who have a certificate
// of it, and of no other. Certificate and key are read again for each connection. nil: the settings name none.
func TLS(s settings.Webhook) (*tls.Config, error) {
	if s.Certificate.File == "" {
		return nil, nil
	}
	if _, err := pair(s.Certificate); err != nil {
		return nil, err
	}
	c := &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return pair(s.Certificate) }}
	if s.ClientCA == "" {
		return c, nil
	}
	text, err := os.ReadFile(s.ClientCA)
	if err != nil {
		return nil, fault.New(fault.KindOf(err), "read "+s.ClientCA, "Check the path and the rights of the file.", errors.New("it cannot be read"))
	}
	c.ClientAuth, c.ClientCAs = tls.RequireAndVerifyClientCert, x509.NewCertPool()
	if !c.ClientCAs.AppendCertsFromPEM(text) {
		return nil, fault.New(fault.Invalid, "read "+s.ClientCA, "Name a file with the certificate of your authority as PEM.", errors.New("it holds no certificate"))
	}
	return c, nil
}

// pair is the listener's certificate with its key.
func pair(c settings.Certificate) (*tls.Certificate, error) {
	text, err := os.ReadFile(c.File)
	if err != nil {
		return nil, fault.New(fault.KindOf(err), "read "+c.File, "Check the path and the rights of the file.", errors.New("it cannot be read"))
	}
	key, err := c.Key.ReadKey()
	if err != nil {
		return nil, err
	}
	both, err := tls.X509KeyPair(text, key)
	if err != nil {
		return nil, fault.New(fault.Invalid, "read "+c.File, "Name the certificate under certificate-file and its own key under key-file, both as PEM.", errors.New("certificate and key do not fit together, or are none"))
	}
	return &both, nil
}
