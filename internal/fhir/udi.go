package fhir

// UDI is a unique device identifier taken apart. Dates are YYYY-MM-DD.
type UDI struct {
	Issuer       string // gs1, hibcc, iccbba
	DI           string // device identifier: the model
	Lot          string
	Serial       string
	Manufactured string
	Expires      string
	Reference    string   // additional product identification, GS1 AI 240
	Donation     string   // ICCBBA donation identification number
	Notes        []string // what is odd about it: a check digit that fails, a day that was not given
}
