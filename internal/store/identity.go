package store

import (
	"slices"
	"strings"

	"perennial/internal/kv"
)

// Sorts of words by which records are found that may be one person's.
const (
	wordIdentifier = "i|" // an identifier that a patient's record has
	wordWanted     = "w|" // an identifier by which a resource names its patient
	wordKey        = "k|" // an id or address of a record that another names
	wordName       = "n|" // name and birth date of a record with identifiers
	wordNameless   = "o|" // … of one without
	wordStudy      = "u|" // UID of a study
)

// IdentifierWord is the word of an identifier that a patient has.
func IdentifierWord(key string) string { return wordIdentifier + key }

// WantedWord is the word of an identifier by which a resource names its patient.
func WantedWord(key string) string { return wordWanted + key }

// KeyWord is the word of another patient's key: who has it is looked at together
// with that key.
func KeyWord(key string) string { return wordKey + key }

// NameWord is the word of a name and a birth date; identified says that the
// record has an identifier.
func NameWord(name string, identified bool) string {
	if identified {
		return wordName + name
	}
	return wordNameless + name
}

// StudyWord is the word of a study's UID.
func StudyWord(uid string) string { return wordStudy + uid }

// partners are the words with which a word ties. Two records that have an
// identifier or a name in common are not tied: only who is looked for by it is,
// or who has nothing else to be known by.
func partners(word string) []string {
	rest := word[2:]
	switch word[:2] {
	case wordIdentifier:
		return []string{wordWanted + rest}
	case wordWanted:
		return []string{wordIdentifier + rest}
	case wordName:
		return []string{wordNameless + rest}
	case wordNameless:
		return []string{wordName + rest, wordNameless + rest}
	}
	return []string{word}
}

// addWords notes words of a patient's key and ties it to those to whom they lead.
func (w *Writer) addWords(patient string, words []string) error {
	for _, word := range words {
		key := kv.Key("token", part(word), part(patient))
		have, err := w.Tx.Get(key)
		if err != nil {
			return err
		}
		if have != nil {
			continue
		}
		if err := w.putText(key, []byte(patient)); err != nil {
			return err
		}
		if target, ok := strings.CutPrefix(word, wordKey); ok {
			if err := w.tie(patient, target); err != nil {
				return err
			}
		}
		if err := w.tieAll(patient, partners(word)); err != nil {
			return err
		}
	}
	return nil
}

// tieAll ties a patient to all who have one of the words.
func (w *Writer) tieAll(patient string, words []string) error {
	for _, word := range words {
		others, err := texts(w.Tx, "token", part(word))
		if err != nil {
			return err
		}
		for _, other := range others {
			if err := w.tie(patient, other); err != nil {
				return err
			}
		}
	}
	return nil
}

// tieReceipts ties a patient to all under whom versions of a resource lie.
func (w *Writer) tieReceipts(patient string, have []receipt) error {
	for _, r := range have {
		if r.Patient == "" {
			continue
		}
		if err := w.tie(patient, r.Patient); err != nil {
			return err
		}
	}
	return nil
}

// tie notes that two keys must be looked at together.
func (w *Writer) tie(a, b string) error {
	if a == b {
		return nil
	}
	if err := w.putText(kv.Key("tie", part(a), part(b)), []byte(b)); err != nil {
		return err
	}
	return w.putText(kv.Key("tie", part(b), part(a)), []byte(a))
}

// Tied lists all keys that must be looked at together with the given ones, them
// included, in order. Nobody is reached over the key called nobody, under which
// lies what only its reference can tell whose it is; it is listed itself.
func Tied(r kv.Reader, from []string, nobody string) ([]string, error) {
	seen := map[string]bool{}
	queue := slices.Clone(from)
	for i := 0; i < len(queue); i++ {
		key := queue[i]
		if seen[key] {
			continue
		}
		seen[key] = true
		if key == nobody {
			continue
		}
		others, err := texts(r, "tie", part(key))
		if err != nil {
			return nil, err
		}
		queue = append(queue, others...)
	}
	slices.Sort(queue)
	return slices.Compact(queue), nil
}

// AddBase notes a server on which patients are said to be, and says whether it
// is new.
func (w *Writer) AddBase(address string) (bool, error) {
	key := kv.Key("base", part(address))
	have, err := w.Tx.Get(key)
	if err != nil || have != nil {
		return false, err
	}
	return true, w.putText(key, []byte(address))
}

// Bases lists these servers.
func Bases(r kv.Reader) ([]string, error) { return texts(r, "base") }
