package fhirserve

import (
	"net/http"
	"slices"
	"time"

	"perennial/internal/fhir"
)

type capability struct {
	ResourceType   string         `json:"resourceType"`
	Status         string         `json:"status"`
	Date           string         `json:"date"`
	Kind           string         `json:"kind"`
	Software       software       `json:"software"`
	Implementation implementation `json:"implementation"`
	FHIRVersion    string         `json:"fhirVersion"`
	Format         []string       `json:"format"`
	Rest           []rest         `json:"rest"`
}

type software struct {
	Name    string `json:"name"`
	Version string `json:"version,omitempty"`
}

type implementation struct {
	Description string `json:"description"`
	URL         string `json:"url"`
}

type rest struct {
	Mode          string     `json:"mode"`
	Documentation string     `json:"documentation"`
	Security      security   `json:"security"`
	Resource      []resource `json:"resource"`
}

type security struct {
	Description string `json:"description"`
}

type resource struct {
	Type            string        `json:"type"`
	Documentation   string        `json:"documentation"`
	Interaction     []interaction `json:"interaction"`
	Versioning      string        `json:"versioning"`
	ReadHistory     bool          `json:"readHistory"`
	ConditionalRead string        `json:"conditionalRead"`
	SearchParam     []searchParam `json:"searchParam"`
}

type interaction struct {
	Code string `json:"code"`
}

type searchParam struct {
	Name          string `json:"name"`
	Type          string `json:"type"`
	Documentation string `json:"documentation,omitempty"`
}

// metadata answers with what works here, and nothing else.
func (x *exchange) metadata() error {
	who := "Who shows the token of the site (Authorization: Bearer) may ask."
	if !x.s.o.Gate.Token.Given() {
		who = "Only this computer may ask."
	}
	c := capability{ResourceType: "CapabilityStatement", Status: "active", Date: x.s.begun.UTC().Format(time.RFC3339), Kind: "instance",
		Software:       software{"perennial", x.s.o.Version},
		Implementation: implementation{"Imaging surveillance of patients with vascular implants: work, schedules, protocols. Read only.", x.base()},
		FHIRVersion:    "4.0.1", Format: []string{"application/fhir+json", "json"},
		Rest: []rest{{Mode: "server", Security: security{who},
			Documentation: "Search by GET or POST _search; _count (at most 200), _sort by _id, _lastUpdated or -_lastUpdated, _summary=count. " +
				"Prefer: handling=strict makes an unknown parameter an error. Follow next links as they are. Patients, operations and studies that are referred to " +
				"lie on the FHIR server that perennial reads from. Everything that asks for something is a proposal."}}}
	for _, k := range kinds() {
		c.Rest[0].Resource = append(c.Rest[0].Resource, k.capability())
	}
	body, err := fhir.Encode(c)
	if err == nil {
		x.send(http.StatusOK, x.pretty(body))
	}
	return err
}

// capability is what is offered of a type.
func (k *kind) capability() resource {
	r := resource{Type: k.name, Documentation: k.about, Interaction: []interaction{{"read"}, {"search-type"}}, Versioning: "versioned", ConditionalRead: "full-support"}
	types := paramTypes()
	for _, name := range slices.Concat([]string{"_id", "_lastUpdated"}, k.params) {
		r.SearchParam = append(r.SearchParam, searchParam{name, types[name][0], types[name][1]})
	}
	return r
}
