package fhir

// Device is the slim record of a Device.
type Device struct {
	Header
	Identifier         []Identifier      `json:"identifier,omitempty"`
	UDICarrier         []UDICarrier      `json:"udiCarrier,omitempty"`
	Status             string            `json:"status,omitempty"` // optional in R4
	StatusReason       []CodeableConcept `json:"statusReason,omitempty"`
	DistinctIdentifier string            `json:"distinctIdentifier,omitempty"`
	Manufacturer       string            `json:"manufacturer,omitempty"`
	ManufactureDate    string            `json:"manufactureDate,omitempty"` // dateTime
	ExpirationDate     string            `json:"expirationDate,omitempty"`  // dateTime
	LotNumber          string            `json:"lotNumber,omitempty"`
	SerialNumber       string            `json:"serialNumber,omitempty"`
	DeviceName         []DeviceName      `json:"deviceName,omitempty"`
	ModelNumber        string            `json:"modelNumber,omitempty"`
	Type               CodeableConcept   `json:"type,omitzero"`
	Patient            Reference         `json:"patient,omitzero"`
	Safety             []CodeableConcept `json:"safety,omitempty"`
	Note               []Annotation      `json:"note,omitempty"`
	Parent             Reference         `json:"parent,omitzero"`
}

// UDICarrier is the unique device identifier as printed or scanned; [Device.UDI] reads it.
type UDICarrier struct {
	DeviceIdentifier string `json:"deviceIdentifier,omitempty"`
	Issuer           string `json:"issuer,omitempty"`
	Jurisdiction     string `json:"jurisdiction,omitempty"`
	CarrierAIDC      string `json:"carrierAIDC,omitempty"` // base64 of the scanned bytes
	CarrierHRF       string `json:"carrierHRF,omitempty"`  // the human-readable form
	EntryType        string `json:"entryType,omitempty"`
}

// DeviceName is a name of the device and what kind of name it is.
type DeviceName struct {
	Name string `json:"name,omitempty"`
	Type string `json:"type,omitempty"`
}

// DeviceUseStatement says that a patient uses, or has, a device.
type DeviceUseStatement struct {
	Header
	Status         string            `json:"status"`
	Subject        Reference         `json:"subject,omitzero"`
	Device         Reference         `json:"device,omitzero"`
	BasedOn        []Reference       `json:"basedOn,omitempty"`
	TimingPeriod   *Period           `json:"timingPeriod,omitempty"`
	TimingDateTime string            `json:"timingDateTime,omitempty"`
	RecordedOn     string            `json:"recordedOn,omitempty"` // dateTime
	ReasonCode     []CodeableConcept `json:"reasonCode,omitempty"`
	BodySite       CodeableConcept   `json:"bodySite,omitzero"`
}
