package fhirauth

import (
	"bytes"
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rsa"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"slices"

	"github.com/go-jose/go-jose/v4"

	"perennial/internal/fault"
	"perennial/internal/settings"
)

// keyHint says how a key is made.
const keyHint = "Make a key: openssl ecparam -name secp384r1 -genkey -noout -out FILE, and chmod 600 FILE."

// leastRSA is the least length of an RSA key in bits (RFC 7518, 3.3).
const leastRSA = 2048

// keysOf are the private keys of a file, each with its kid and algorithm. The first is the one to sign with.
func keysOf(s settings.Smart) ([]jose.JSONWebKey, error) {
	text, err := s.Key.ReadKey()
	if err != nil {
		return nil, err
	}
	raw, err := parseKeys(text)
	if err != nil {
		return nil, fault.New(fault.Invalid, "read the key in "+s.Key.File, keyHint, err)
	}
	var keys []jose.JSONWebKey
	for _, k := range raw {
		k, err := usable(k, s.KeyID, len(raw) == 1)
		if err != nil {
			return nil, fault.New(fault.Invalid, "read the key in "+s.Key.File, keyHint, err)
		}
		keys = append(keys, k)
		if last := len(keys) - 1; k.KeyID == s.KeyID {
			keys[0], keys[last] = keys[last], keys[0]
		}
	}
	if s.KeyID != "" && keys[0].KeyID != s.KeyID {
		return nil, fault.New(fault.Invalid, "read the key in "+s.Key.File, "Put the kid of one of its keys under key-id.", errors.New("none of its keys has the kid of the settings"))
	}
	return keys, nil
}

// parseKeys reads a PEM, a JWK or a set of them. Errors repeat nothing of the text.
func parseKeys(text []byte) ([]jose.JSONWebKey, error) {
	if bytes.HasPrefix(bytes.TrimSpace(text), []byte("{")) {
		var set jose.JSONWebKeySet
		var one jose.JSONWebKey
		switch {
		case json.Unmarshal(text, &set) == nil && len(set.Keys) > 0:
			return set.Keys, nil
		case json.Unmarshal(text, &one) == nil:
			return []jose.JSONWebKey{one}, nil
		}
		return nil, errors.New("it is no JSON Web Key that can be read")
	}
	for block, rest := pem.Decode(text); block != nil; block, rest = pem.Decode(rest) {
		if block.Type == "EC PARAMETERS" {
			continue
		}
		key, err := parseBlock(block)
		if err != nil {
			return nil, err
		}
		return []jose.JSONWebKey{{Key: key}}, nil
	}
	return nil, errors.New("it is neither PEM nor a JSON Web Key")
}

func parseBlock(block *pem.Block) (crypto.PrivateKey, error) {
	if block.Type == "ENCRYPTED PRIVATE KEY" || block.Headers["Proc-Type"] != "" {
		return nil, errors.New("it is locked with a password; take that off: a program that runs alone cannot type it")
	}
	var key crypto.PrivateKey
	var err error
	switch block.Type {
	case "PRIVATE KEY":
		key, err = x509.ParsePKCS8PrivateKey(block.Bytes)
	case "RSA PRIVATE KEY":
		key, err = x509.ParsePKCS1PrivateKey(block.Bytes)
	case "EC PRIVATE KEY":
		key, err = x509.ParseECPrivateKey(block.Bytes)
	default:
		return nil, errors.New("it holds no private key")
	}
	if err != nil {
		return nil, errors.New("its private key cannot be read")
	}
	return key, nil
}

// usable checks a key and fills in its algorithm and its kid: that of the settings where it is the only key and has
// none, else its thumbprint (RFC 7638).
func usable(k jose.JSONWebKey, id string, only bool) (jose.JSONWebKey, error) {
	switch key := k.Key.(type) {
	case *rsa.PrivateKey:
		if n := key.N.BitLen(); n < leastRSA {
			return k, fmt.Errorf("its RSA key has %d bits, %d are needed", n, leastRSA)
		}
		k.Algorithm = string(jose.RS384)
	case *ecdsa.PrivateKey:
		if key.Curve != elliptic.P384() {
			return k, errors.New("its EC key is not on the curve P-384, which ES384 needs")
		}
		k.Algorithm = string(jose.ES384)
	default:
		return k, errors.New("it holds no private key of RSA or EC")
	}
	if only && id != "" {
		k.KeyID = id
	}
	if k.KeyID == "" {
		sum, err := k.Thumbprint(crypto.SHA256)
		if err != nil {
			return k, errors.New("its key has no thumbprint")
		}
		k.KeyID = base64.RawURLEncoding.EncodeToString(sum)
	}
	k.Use = "sig"
	return k, nil
}

// PublicKeys gives the public halves of the keys of some logins as a JSON Web Key Set, to be given to the servers'
// administrators or laid at the address that they were told. Each key stands there once.
func PublicKeys(logins ...settings.Smart) ([]byte, error) {
	set := jose.JSONWebKeySet{Keys: []jose.JSONWebKey{}}
	for _, s := range logins {
		keys, err := keysOf(s)
		if err != nil {
			return nil, err
		}
		for _, k := range keys {
			public := k.Public()
			if !slices.ContainsFunc(set.Keys, func(o jose.JSONWebKey) bool { return o.KeyID == k.KeyID && same(o.Key, public.Key) }) {
				set.Keys = append(set.Keys, public)
			}
		}
	}
	return json.MarshalIndent(set, "", "  ")
}

func same(a, b crypto.PublicKey) bool {
	k, ok := a.(interface{ Equal(crypto.PublicKey) bool })
	return ok && k.Equal(b)
}
