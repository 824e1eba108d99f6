package fhir

// Patient is the slim record of a Patient. The address is not kept.
type Patient struct {
	Header
	Identifier []Identifier   `json:"identifier,omitempty"`
	Active     *bool          `json:"active,omitempty"`
	Name       []HumanName    `json:"name,omitempty"`
	Telecom    []ContactPoint `json:"telecom,omitempty"`
	Gender     string         `json:"gender,omitempty"`
	BirthDate  string         `json:"birthDate,omitempty"` // date
	// DeceasedBoolean is nil when it was not sent; true without a date is a death on an unknown day.
	DeceasedBoolean  *bool         `json:"deceasedBoolean,omitempty"`
	DeceasedDateTime string        `json:"deceasedDateTime,omitempty"`
	DeceasedMasked   *Masked       `json:"_deceasedDateTime,omitempty"` // a date of death that exists but was withheld
	Link             []PatientLink `json:"link,omitempty"`
}

// HumanName is a name, as sent.
type HumanName struct {
	Use    string   `json:"use,omitempty"`
	Text   string   `json:"text,omitempty"`
	Family string   `json:"family,omitempty"`
	Given  []string `json:"given,omitempty"`
	Prefix []string `json:"prefix,omitempty"`
	Suffix []string `json:"suffix,omitempty"`
	Period Period   `json:"period,omitzero"`
}

// ContactPoint is a phone number, mail address or the like.
type ContactPoint struct {
	System string  `json:"system,omitempty"` // phone, fax, email, pager, url, sms, other
	Value  string  `json:"value,omitempty"`
	Use    string  `json:"use,omitempty"`
	Rank   Decimal `json:"rank,omitempty"`
	Period Period  `json:"period,omitzero"`
}

// PatientLink ties two records of one person together.
type PatientLink struct {
	Other Reference `json:"other,omitzero"`
	Type  string    `json:"type,omitempty"` // replaced-by, replaces, refer, seealso
}
