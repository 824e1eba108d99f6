package fhir_test

import (
	"strings"
	"testing"

	"perennial/internal/fhir"
)

// Plans that ask for more than a proposal, or name what is not there, are found.
func TestLintPlans(t *testing.T) {
	t.Parallel()
	const (
		who     = `"subject":{"reference":"Patient/1"}`
		request = `"resourceType":"ServiceRequest","id":"1","code":{"text":"CT"},` + who + `,"occurrencePeriod":{"start":"2026-01-01"},"authoredOn":"2026-01","requester":{"display":"p"}`
		plan    = `"resourceType":"CarePlan","id":"1","intent":"proposal","title":"a","description":"b",` + who + `,"created":"2026-01-01","author":{"display":"p"}`
		defined = `"resourceType":"PlanDefinition","id":"1","url":"urn:a","version":"1","name":"A","title":"a","status":"draft","description":"b","type":{"text":"c"}`
		flagged = `{"resourceType":"Flag","id":"1","status":"active","code":{"text":"a"},` + who + `,"author":{"display":"p"}}`
	)
	for _, c := range []struct{ body, want string }{
		{`{` + request + `,"status":"draft","intent":"proposal"}`, ""},
		{`{` + request + `,"status":"draft","intent":"plan"}`, "ServiceRequest.intent is not a valid proposal"},
		{`{` + request + `,"status":"active","intent":"proposal"}`, "ServiceRequest.status is not a valid request-status"},
		{`{` + request + `,"status":"draft","intent":"proposal","doNotPerform":true}`, "ServiceRequest.doNotPerform is not an element"},
		{`{` + request + `,"status":"draft","intent":"proposal","instantiatesCanonical":["urn:a"]}`, "is not a valid canonical"},
		{`{` + plan + `,"status":"draft","activity":[{"reference":{"reference":"ServiceRequest/1"}}]}`, ""},
		{`{` + plan + `,"status":"draft","activity":[{"reference":{"reference":"urn:uuid:c757873d-ec9a-4326-a141-556f43239520"}}]}`, ""},
		{`{` + plan + `,"status":"draft","activity":[{"reference":{"type":"ServiceRequest","identifier":{"system":"urn:a","value":"1"}}}]}`, ""},
		{`{` + plan + `,"status":"draft","activity":[{"reference":{"type":"Task","identifier":{"system":"urn:a","value":"1"}}}]}`, "CarePlan.activity[0].reference is no ServiceRequest"},
		{`{"resourceType":"Communication","id":"1","identifier":[{"value":"1"}],"status":"not-done",` + who + `,"sender":{"display":"p"}}`, "Communication.statusReason is missing"},
		{`{"resourceType":"Communication","id":"1","identifier":[{"value":"1"}],"status":"in-progress",` + who + `,"sender":{"display":"p"}}`, "Communication.status is not a valid event-status"},
		{`{"resourceType":"Communication","id":"1","status":"completed",` + who + `,"sender":{"display":"p"}}`, "Communication.identifier is missing"},
		{`{"resourceType":"Communication","id":"1","identifier":[{"value":"1"}],"status":"completed",` + who + `,"sender":{"display":"p"},"sent":"now"}`, "Communication.sent is not a valid dateTime"},
		{`{"resourceType":"Communication","id":"1","identifier":[{"value":"1"}],"status":"not-done","statusReason":{"text":"a"},` + who + `,"sender":{"display":"p"},"about":[{"reference":"CarePlan/1"}]}`, ""},
		{`{` + plan + `,"status":"draft","activity":[{"reference":{"reference":"Task/1"}}]}`, "CarePlan.activity[0].reference is no ServiceRequest"},
		{`{` + plan + `,"status":"revoked","activity":[{"reference":{"reference":"ServiceRequest/1"}}]}`, "CarePlan.activity is asked for by a plan that is no draft"},
		{`{` + plan + `,"status":"active"}`, "CarePlan.status is not a valid plan-status"},
		{`{` + defined + `,"action":[{"id":"a","title":"a"},{"id":"b","title":"b","action":[{"id":"c","title":"c","relatedAction":[{"actionId":"a","relationship":"after-start"}]}]}]}`, ""},
		{`{` + defined + `,"action":[{"id":"a","title":"a"},{"id":"b","title":"b","action":[{"id":"a","title":"c"}]}]}`, "PlanDefinition.action[1].action[0].id is given twice"},
		{`{` + defined + `,"action":[{"id":"a","title":"a","relatedAction":[{"actionId":"z","relationship":"after-start"}]}]}`, "PlanDefinition.action[0].relatedAction[0].actionId names no action"},
		{`{` + defined + `,"action":[{"id":"a","title":"a","timingTiming":{"repeat":{"period":"12","periodUnit":"mo"}}}]}`, "period is not a number"},
		{`{` + defined + `,"action":[{"id":"a","title":"a","timingTiming":{"repeat":{"period":-1,"periodUnit":"mo"}}}]}`, "period is not a number"},
		{`{` + defined + `,"action":[{"id":"a","title":"a","extension":[{"url":"urn:a"}]}]}`, "extension[0] has neither a value nor extensions"},
		{`{` + defined + `,"action":[{"id":"a","title":"a","extension":[{"url":"urn:a","valueString":"a","extension":[{"url":"b","valueString":"b"}]}]}]}`, "extension[0] has neither a value nor extensions, or both"},
		{`{"resourceType":"Bundle","type":"collection","entry":[{"fullUrl":"urn:a","resource":` + flagged + `}]}`, ""},
		{`{"resourceType":"Bundle","type":"collection","entry":[{"fullUrl":"urn:a","resource":` + flagged + `},{"fullUrl":"urn:a","resource":` + flagged + `}]}`, "Bundle.entry[1].fullUrl is given twice"},
		{`{"resourceType":"Bundle","type":"collection","entry":[{"fullUrl":{"a":1},"resource":` + flagged + `}]}`, "Bundle.entry[0].fullUrl is not a text"},
		{`{"resourceType":"Bundle","type":"collection","entry":[{"resource":` + flagged + `,"request":{"method":"POST","url":"Flag"}}]}`, "Bundle.entry[0].request is not for a collection"},
		{`{"resourceType":"Bundle","type":"batch","entry":[{"resource":` + flagged + `}]}`, "Bundle.entry[0].request is missing"},
		{`{"resourceType":"Provenance","id":"1","recorded":"2026-01-01","activity":{"text":"a"}}`, "Provenance.recorded is not a valid instant"},
		{`{"resourceType":"Provenance","id":"1","recorded":"2026-01-01T00:00:00Z","activity":{"text":"a"}}`, "Provenance.target is missing"},
	} {
		got := strings.Join(fhir.Lint([]byte(c.body)), "\n")
		if c.want == "" && got != "" || !strings.Contains(got, c.want) {
			t.Errorf("%s\ngot  %q\nwant %q", c.body, got, c.want)
		}
	}
}
