package fhirauth

import (
	"context"
	"encoding/base64"

	"perennial/internal/settings"
)

// bearer is a token from a file, which somebody else keeps fresh.
type bearer struct{ token func() (string, error) }

func (b bearer) header(context.Context, string) (string, error) {
	token, err := b.token()
	if err != nil {
		return "", err
	}
	return "Bearer " + token, nil
}

// basic is a user name with the password of a file.
type basic struct{ settings.Basic }

func (b basic) header(context.Context, string) (string, error) {
	password, err := b.Password.Read()
	if err != nil {
		return "", err
	}
	return "Basic " + base64.StdEncoding.EncodeToString([]byte(b.User+":"+password)), nil
}
