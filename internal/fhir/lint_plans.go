package fhir

import (
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"
)

// planShape lists the elements that we write of plans, protocols and what belongs to them, as shape does. Intents and
// statuses are narrower than R4's: what asks for something is a draft and a proposal.
// Source: HL7 FHIR R4 (4.0.1), the structure definitions.
func planShape(typ string) string {
	const (
		top       = "resourceType:code! id:id! "
		published = top + "url:uri! identifier:Identifier* version:version! name:machine-name! title:string! status:publication-status! description:string! usage:string " +
			"relatedArtifact:RelatedArtifact* "
	)
	switch typ {
	case "PlanDefinition":
		return published + "type:CodeableConcept! action:Action*"
	case "ActivityDefinition":
		return published + "kind:service-request! code:CodeableConcept! intent:proposal! bodySite:CodeableConcept*"
	case "CarePlan":
		return top + "identifier:Identifier* instantiatesCanonical:canonical* status:plan-status! intent:proposal! category:CodeableConcept* title:string! description:string! " +
			"subject:Reference! period:Period created:dateTime! author:Reference! supportingInfo:Reference* activity:Activity* note:Annotation*"
	case "ServiceRequest":
		return top + "identifier:Identifier* instantiatesCanonical:canonical* basedOn:Reference* status:request-status! intent:proposal! priority:request-priority code:CodeableConcept! " +
			"subject:Reference! occurrencePeriod:Period! authoredOn:dateTime! requester:Reference! reasonCode:CodeableConcept* supportingInfo:Reference* " +
			"bodySite:CodeableConcept* note:Annotation*"
	case "Flag":
		return top + "identifier:Identifier* status:flag-status! code:CodeableConcept! subject:Reference! period:Period author:Reference!"
	case "Communication":
		return top + "identifier:Identifier*! status:event-status! statusReason:CodeableConcept category:CodeableConcept* medium:CodeableConcept* subject:Reference! " +
			"about:Reference* sent:dateTime sender:Reference! note:Annotation*"
	case "Provenance":
		return top + "target:Reference*! recorded:instant! policy:uri* reason:CodeableConcept* activity:CodeableConcept! agent:Agent*! entity:Entity*"
	case "AuditEvent":
		return top + "type:Coding! subtype:Coding* action:audit-action recorded:instant! outcome:audit-outcome agent:AuditAgent*! source:AuditSource! entity:AuditEntity*"
	}
	return planPart(typ)
}

// planPart lists the elements of their parts.
func planPart(typ string) string {
	switch typ {
	case "RelatedArtifact":
		return "type:artifact-type! label:string display:string citation:string!"
	case "Action":
		return "id:id! extension:Extension* title:string! textEquivalent:string priority:request-priority code:CodeableConcept* documentation:RelatedArtifact* " +
			"condition:ActionCondition* relatedAction:RelatedAction* timingTiming:Timing groupingBehavior:grouping-behavior definitionCanonical:canonical action:Action*"
	case "ActionCondition":
		return "extension:Extension*! kind:condition-kind!"
	case "RelatedAction":
		return "actionId:id! relationship:action-relationship! offsetDuration:Duration"
	case "Duration":
		return "value:decimal! unit:string system:uri! code:code!"
	case "Timing":
		return "repeat:Repeat!"
	case "Repeat":
		return "boundsDuration:Duration period:decimal! periodUnit:time-unit!"
	case "Activity":
		return "reference:Reference!"
	case "Agent":
		return "type:CodeableConcept who:Reference!"
	case "Entity":
		return "role:entity-role! what:Reference!"
	case "AuditAgent":
		return "type:CodeableConcept who:Reference requestor:boolean!"
	case "AuditSource":
		return "observer:Reference! type:Coding*"
	case "AuditEntity":
		return "what:Reference type:Coding role:Coding"
	}
	return ""
}

var (
	partialForm   = regexp.MustCompile(`^[0-9]{4}(-(0[1-9]|1[0-2]))?$`)
	machineForm   = regexp.MustCompile(`^[A-Z][A-Za-z0-9_]{0,254}$`)
	canonicalForm = regexp.MustCompile(`^[^\s|#]+\|[^\s|]+$`)
)

// planForm says whether a text is a value of a type or value set of plans and protocols; known is false for the other
// kinds. Source: HL7 FHIR R4 (4.0.1), the value sets of the same names; proposal, request-status, event-status and plan-status are narrower.
func planForm(kind, s string) (good, known bool) {
	sets := map[string]string{
		"proposal": Intent, "request-status": "draft completed revoked", "event-status": "completed not-done entered-in-error unknown", "plan-status": "draft completed revoked", "service-request": "ServiceRequest",
		"publication-status": "draft active retired", "flag-status": "active inactive", "artifact-type": "citation", "grouping-behavior": "logical-group",
		"condition-kind": "applicability", "action-relationship": "after-start", "time-unit": "d mo", "entity-role": "source", "audit-action": "C U", "audit-outcome": "0 8",
	}
	if set, ok := sets[kind]; ok {
		return slices.Contains(strings.Fields(set), s), true
	}
	switch kind {
	case "canonical":
		return canonicalForm.MatchString(s), true
	case "machine-name":
		return machineForm.MatchString(s), true
	case "version":
		return !strings.ContainsAny(s, "|# \n"), true
	case "instant":
		_, err := time.Parse(time.RFC3339, s)
		return err == nil, true
	}
	return true, false
}

// decimal checks a number.
func (l *linter) decimal(path string, v any) {
	if n, ok := v.(json.Number); !ok || strings.HasPrefix(n.String(), "-") {
		l.say(path, "is not a number from 0 on")
	}
}

// plan checks what holds between the elements of a resource.
func (l *linter) plan(path, typ string, m map[string]any) {
	switch typ {
	case "CarePlan":
		if _, asks := m["activity"]; asks && m["status"] != "draft" {
			l.say(path+".activity", "is asked for by a plan that is no draft")
		}
		for i, a := range objects(m["activity"]) {
			r, _ := a["reference"].(map[string]any)
			text, _ := r["reference"].(string)
			if to := ParseReference(text); r["type"] == "ServiceRequest" && text == "" {
				continue // by its identifier
			} else if to.Kind != URN && to.Type != "ServiceRequest" {
				l.say(fmt.Sprintf("%s.activity[%d].reference", path, i), "is no ServiceRequest")
			}
		}
	case "Communication":
		if _, why := m["statusReason"]; m["status"] == "not-done" && !why {
			l.say(path+".statusReason", "is missing: nobody knows why it was not done")
		}
	case "PlanDefinition":
		ids := map[string]bool{}
		l.actions(path, m, func(at string, a map[string]any) {
			id, _ := a["id"].(string)
			if ids[id] {
				l.say(at+".id", "is given twice")
			}
			ids[id] = true
		})
		l.actions(path, m, func(at string, a map[string]any) {
			for i, r := range objects(a["relatedAction"]) {
				if id, _ := r["actionId"].(string); !ids[id] {
					l.say(fmt.Sprintf("%s.relatedAction[%d].actionId", at, i), "names no action")
				}
			}
		})
	case "Bundle":
		l.entries(path, m)
	}
}

// actions visits all actions below an element.
func (l *linter) actions(path string, m map[string]any, visit func(at string, a map[string]any)) {
	for i, a := range objects(m["action"]) {
		at := fmt.Sprintf("%s.action[%d]", path, i)
		visit(at, a)
		l.actions(at, a, visit)
	}
}

// objects are the objects of a list.
func objects(v any) (list []map[string]any) {
	all, _ := v.([]any)
	for _, one := range all {
		if m, ok := one.(map[string]any); ok {
			list = append(list, m)
		}
	}
	return list
}

// entries checks that a Bundle that asks a server for something says what for, that no other does (R4 bdl-3), and that
// no two entries have one fullUrl (R4 bdl-7).
func (l *linter) entries(path string, m map[string]any) {
	urls := map[string]bool{}
	for i, e := range objects(m["entry"]) {
		at := fmt.Sprintf("%s.entry[%d]", path, i)
		_, request := e["request"]
		switch collection := m["type"] == "collection"; {
		case collection && request:
			l.say(at+".request", "is not for a collection")
		case !collection && !request:
			l.say(at+".request", "is missing")
		}
		if url, ok := e["fullUrl"].(string); ok {
			if urls[url] {
				l.say(at+".fullUrl", "is given twice")
			}
			urls[url] = true
		}
	}
}

// extended checks that an extension has a value or extensions of its own, not both (R4 ext-1).
func (l *linter) extended(path string, m map[string]any) {
	_, nested := m["extension"]
	values := 0
	for name := range m {
		if strings.HasPrefix(name, "value") {
			values++
		}
	}
	if nested == (values > 0) {
		l.say(path, "has neither a value nor extensions, or both")
	}
}
