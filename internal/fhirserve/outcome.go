package fhirserve

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strconv"

	"perennial/internal/fault"
)

// refusal is an answer that is an OperationOutcome. Its text never repeats what
// was asked.
type refusal struct {
	status int
	code   string // R4 issue-type
	text   string
}

// Error is the text.
func (r refusal) Error() string { return r.text }

// invalid refuses a search that makes no sense.
func invalid(format string, args ...any) error {
	return refusal{status: http.StatusBadRequest, code: "invalid", text: fmt.Sprintf(format, args...)}
}

// unknownType refuses a type that is not served.
func unknownType(typ string) error {
	text := "This type is not served here; see the CapabilityStatement at metadata."
	if typ == "" {
		text = "Name a type, such as Task; see the CapabilityStatement at metadata."
	}
	if typ == "Patient" {
		text = "Patients are not served here: ids of patients are those of the FHIR server that perennial reads from."
	}
	return refusal{status: http.StatusNotFound, code: "not-supported", text: text}
}

// refusalOf is what to say of an error.
func refusalOf(err error) refusal {
	if r, ok := errors.AsType[refusal](err); ok {
		return r
	}
	switch fault.KindOf(err) {
	case fault.Canceled, fault.Unavailable, fault.Locked:
		return refusal{status: http.StatusServiceUnavailable, code: "transient", text: "The answer did not come in time; ask again later."}
	}
	return refusal{status: http.StatusInternalServerError, code: "exception", text: "The answer could not be made."}
}

// outcome is an OperationOutcome.
type outcome struct {
	ResourceType string  `json:"resourceType"`
	Issue        []issue `json:"issue"`
}

type issue struct {
	Severity    string `json:"severity"`
	Code        string `json:"code"`
	Diagnostics string `json:"diagnostics,omitempty"`
}

func outcomeOf(severity, code, text string) outcome {
	return outcome{"OperationOutcome", []issue{{severity, code, text}}}
}

// refuse answers with an OperationOutcome.
func (x *exchange) refuse(r refusal) {
	x.did.Status = r.status
	if x.sent {
		return
	}
	if r.status == http.StatusServiceUnavailable {
		x.w.Header().Set("Retry-After", "5")
	}
	body, err := json.Marshal(outcomeOf("error", r.code, r.text))
	if err == nil {
		x.send(r.status, body)
	}
}

// mediaType is that of all answers.
const mediaType = "application/fhir+json; fhirVersion=4.0; charset=utf-8"

// send sends a body whole. To HEAD only its length goes.
func (x *exchange) send(status int, body []byte) {
	h := x.w.Header()
	h.Set("Content-Type", mediaType)
	h.Set("Content-Length", strconv.Itoa(len(body)))
	x.did.Status, x.sent = status, true
	x.w.WriteHeader(status)
	if x.r.Method != http.MethodHead {
		_, _ = x.w.Write(body) // where it fails the reader has gone
	}
}

func kindOfPanic(caught any) string { return fmt.Sprintf("%T", caught) }
