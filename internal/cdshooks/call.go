package cdshooks

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"perennial/internal/day"
	"perennial/internal/fault"
	"perennial/internal/fhir"
)

type services struct {
	Services []service `json:"services"`
}

type service struct {
	Hook        string            `json:"hook"`
	Title       string            `json:"title"`
	Description string            `json:"description"`
	ID          string            `json:"id"`
	Prefetch    map[string]string `json:"prefetch"`
}

// discovery is what there is.
func discovery() services {
	return services{[]service{{Hook: "patient-view", Title: "Imaging surveillance of vascular implants", ID: ID,
		Description: "Says what imaging is due or overdue for a patient with a vascular implant, since when, and why. It proposes and orders nothing.",
		Prefetch:    map[string]string{"patient": "Patient/{{context.patientId}}"}}}}
}

// call is what is read of a call. All else, such as fhirAuthorization, is not.
type call struct {
	Hook       string `json:"hook"`
	FHIRServer string `json:"fhirServer"`
	Context    struct {
		PatientID string `json:"patientId"`
	} `json:"context"`
	Prefetch struct {
		Patient *struct {
			ID        string `json:"id"`
			BirthDate string `json:"birthDate"`
		} `json:"patient"`
	} `json:"prefetch"`
}

// parse reads a call, and gives the patient's id.
func parse(body []byte) (c call, id string, err error) {
	if json.Unmarshal(body, &c) != nil {
		return c, "", refusal{http.StatusBadRequest, "This is no call of CDS Hooks: it cannot be read as one."}
	}
	if c.Hook != "patient-view" {
		return c, "", refusal{http.StatusBadRequest, "This service answers the hook patient-view."}
	}
	id = strings.TrimPrefix(c.Context.PatientID, "Patient/")
	if !fhir.WellFormed("Patient/" + id) {
		return c, "", refusal{http.StatusBadRequest, "context.patientId is missing, or is no id of FHIR."}
	}
	return c, id, nil
}

// patientView answers the hook.
func (x *exchange) patientView() (any, error) {
	body, err := x.body()
	if err != nil {
		return nil, err
	}
	c, id, err := parse(body)
	if err != nil {
		return nil, err
	}
	x.did.Patient = "Patient/" + id
	if base := strings.TrimRight(c.FHIRServer, "/"); base != "" && len(x.s.o.Servers) > 0 && !slices.Contains(x.s.o.Servers, base) {
		return nil, refusal{http.StatusPreconditionFailed, "Ids of this FHIR server are not known here; see servers under web.cds-hooks in the settings."}
	}
	v, err := x.s.o.Clinic.Patient(x.r.Context(), id)
	if fault.KindOf(err) == fault.NotFound {
		return answer{[]card{}}, nil
	}
	if err != nil {
		return nil, err
	}
	if p := c.Prefetch.Patient; p != nil && (p.ID != "" && p.ID != id || otherBirthday(p.BirthDate, v.Chart.Born)) {
		return nil, refusal{http.StatusPreconditionFailed, "The Patient that was prefetched is not the one that is known here under this id."}
	}
	cards := x.s.cards(&v)
	x.did.Cards = len(cards)
	return answer{cards}, nil
}

// otherBirthday says whether two dates of birth cannot be one.
func otherBirthday(text string, known day.Span) bool {
	said, err := day.ParseDate(text)
	return err == nil && known.Known() && (said.Last < known.First || known.Last < said.First)
}

func kindOf(caught any) string { return fmt.Sprintf("%T", caught) }
