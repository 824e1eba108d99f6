package store

import (
	"bytes"
	"compress/gzip"
	"io"
	"time"

	"perennial/internal/day"
	"perennial/internal/kv"
)

// Adopted are the protocols in force: those that a person adopted last, or that
// the store began with.
type Adopted struct {
	V     int                     `json:"v"`
	Given string                  `json:"given"` // hash of what the settings asked for then
	At    time.Time               `json:"at"`
	By    string                  `json:"by,omitempty"` // empty: the store began with them
	Care  map[string][]AdoptedEra `json:"care"`         // by class, the latest last
	All   map[string]string       `json:"all"`          // hash of the document, by id of the protocol

	Studies []AdoptedTime `json:"studies,omitempty"` // those that make the work, the strongest first
	Labels  []AdoptedTime `json:"labels,omitempty"`  // by device
}

// AdoptedTime is a protocol for those on a study, or with a device, for a time.
type AdoptedTime struct {
	Key   string  `json:"key"` // of the study, or of the device
	Name  string  `json:"name,omitempty"`
	Hash  string  `json:"hash"`
	From  day.Day `json:"from,omitempty"`
	Until day.Day `json:"until,omitempty"`
}

// AdoptedEra is a protocol and the day from which it is in force.
type AdoptedEra struct {
	Hash   string  `json:"hash"`
	From   day.Day `json:"from,omitempty"`
	Chosen string  `json:"chosen"`
}

func adoptedKey() []byte { return kv.Key("adopted") }

// ReadAdopted reads the protocols in force; false where none are kept yet.
func ReadAdopted(r kv.Reader) (Adopted, bool, error) {
	var a Adopted
	found, err := get(r, adoptedKey(), &a)
	return a, found, err
}

// PutAdopted keeps the protocols in force.
func (w *Writer) PutAdopted(a Adopted) error {
	a.V = Version
	return w.put(adoptedKey(), a)
}

// ReadProtocol reads the text of a protocol by its hash; empty where it is not
// kept.
func ReadProtocol(r kv.Reader, hash string) (string, error) {
	packed, err := r.Get(protocolKey(hash))
	if err != nil || packed == nil {
		return "", err
	}
	z, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		return "", damaged("a protocol cannot be read")
	}
	text, err := io.ReadAll(z)
	if err != nil {
		return "", damaged("a protocol cannot be read")
	}
	return string(text), nil
}

// PutProtocol keeps the text of a protocol, packed. What was in force once is
// never dropped.
func (w *Writer) PutProtocol(hash, text string) error {
	have, err := w.Tx.Get(protocolKey(hash))
	if err != nil || have != nil {
		return err // the hash is that of what it says
	}
	var b bytes.Buffer
	z, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
	if err != nil {
		return err
	}
	if _, err := io.WriteString(z, text); err != nil {
		return err
	}
	if err := z.Close(); err != nil {
		return err
	}
	return w.putText(protocolKey(hash), b.Bytes())
}

func protocolKey(hash string) []byte { return kv.Key("protocol", hash) }
