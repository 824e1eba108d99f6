package fhir

import "github.com/bytedance/sonic/encoder"

// Slim writes a record as JSON for a store: what is empty is left out, and [Decode] gives the same record again. Series
// that were left for later are loaded first. It is not for sending: a server would lose what is not kept here.
func Slim(r Resource) ([]byte, error) {
	if s, ok := r.(*ImagingStudy); ok && s.Series == nil && len(s.raw) > 0 {
		if err := s.loadSeries(newDecoder(noCopy)); err != nil {
			return nil, err
		}
	}
	return encoder.Encode(r, encoder.NoValidateJSONMarshaler)
}
