package fhir

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	models "github.com/samply/golang-fhir-models/fhir-models/fhir"

	"perennial/internal/fault"
)

// Systems of what this program writes itself. They begin with urn:perennial: so that nobody takes them for a place
// on the web.
const (
	WorkSystem           = "urn:perennial:work"                 // identifier: the work item's key, as the program knows it
	ImplantSystem        = "urn:perennial:implant"              // groupIdentifier: the implant
	FactSystem           = "urn:perennial:fact"                 // identifier in a reference to what has no address
	CodesOfWork          = "urn:perennial:codes:work"           // Task.code: kinds of work
	CodesOfStatusReason  = "urn:perennial:codes:status-reason"  // Task.statusReason: why the program closed it
	CodesOfBusinessState = "urn:perennial:codes:business-state" // Task.businessStatus
	CodesOfReason        = "urn:perennial:codes:reason"         // Task.reasonCode: rules
	StampURL             = "urn:perennial:sent"                 // extension: what the program last wrote; see Stamp
	AuthorName           = "perennial"                          // authorString of the program's notes
)

// Intent of what the program writes: it proposes work, it never orders any. R4 binds Task.intent to task-intent:
// unknown, and the codes of request-intent, of which proposal is the weakest.
const Intent = "proposal"

// Word is a code of one of our own systems, with its text. The zero Word is nothing.
type Word struct {
	Code, Text string
}

// TaskNote is a note of the program's, with its time.
type TaskNote struct {
	Text string
	Time time.Time
}

// TaskSpec is all that a Task of ours says. Input and output are not used: the models write them wrongly.
type TaskSpec struct {
	Site           string    // id of the site's store, letters, digits, "-" and "."; part of the identifier
	Key            string    // of the work item; with Site it makes the identifier by which the Task is found again
	Group          string    // the implant; groupIdentifier; may be empty
	Status         string    // R4 task-status
	StatusReason   Word      // why the program closed it
	BusinessStatus Word      // where the item stands, in our words
	Priority       string    // routine, urgent, asap, stat; may be empty
	Code           Word      // the kind of work
	Description    string    // for people, at most 4,000 letters
	Focus          Reference // what the work is about
	Reason         Reference // the index operation or the study that is the reason
	ReasonCode     Word      // the rule that made it
	Patient        Reference // whose it is; required
	Performer      string    // who might do it, in words
	From, By       string    // YYYY-MM-DD, restriction.period; either may be empty
	Authored       time.Time // when the item was made
	Modified       time.Time // when it last changed; not before Authored
	Notes          []TaskNote
}

// Token is the identifier of a work item in a form that fits into the address of a search: 32 hexadecimal digits
// that tell nothing about the patient. Its system is TokenSystem(site).
func Token(site, key string) string {
	sum := sha256.Sum256([]byte(site + "\x00" + key))
	return hex.EncodeToString(sum[:16])
}

// TokenSystem is the system of a site's tokens: two installations that write to one server never touch one
// another's Tasks.
func TokenSystem(site string) string { return WorkSystem + ":" + site }

// Stamp is what the program last wrote into the parts of a Task that people change too. It travels in the Task, as
// an extension, so that a change by a person can be told from one of ours.
type Stamp struct {
	Status, Priority, From, By string // empty: not written
}

// String writes the stamp as four words, "-" for what is empty.
func (s Stamp) String() string {
	words := []string{s.Status, s.Priority, s.From, s.By}
	for i, w := range words {
		if w == "" {
			words[i] = "-"
		}
	}
	return strings.Join(words, " ")
}

// ParseStamp reads what String writes.
func ParseStamp(text string) (s Stamp, ok bool) {
	words := strings.Split(text, " ")
	if len(words) != 4 {
		return Stamp{}, false
	}
	for i, w := range words {
		if w == "-" {
			words[i] = ""
		}
	}
	return Stamp{words[0], words[1], words[2], words[3]}, true
}

// NewTask writes a Task. What it returns passes Lint. Errors are of kind Invalid and name the element, never its
// content.
func NewTask(s TaskSpec) ([]byte, error) {
	const op = "write Task"
	if s.Site == "" || s.Key == "" || s.Patient.IsZero() {
		return nil, fault.New(fault.Invalid, op, "", fmt.Errorf("site, key and patient are needed"))
	}
	if !idForm.MatchString(s.Site) {
		return nil, fault.New(fault.Invalid, op, "", fmt.Errorf("the site's id may hold only letters, digits, hyphens and points"))
	}
	t := models.Task{Intent: Intent}
	if err := taskCodes(&t, s); err != nil {
		return nil, fault.New(fault.Invalid, op, "", err)
	}
	taskFacts(&t, s)
	taskTimes(&t, s)
	out, err := encode(&t)
	if err != nil {
		return nil, fault.Wrap(op, err)
	}
	return out, linted(op, out)
}

// taskCodes fills what is bound to a value set.
func taskCodes(t *models.Task, s TaskSpec) error {
	// The models read an enumeration only as JSON.
	if err := t.Status.UnmarshalJSON(quoted(s.Status)); err != nil || !known("Task", s.Status) {
		return fmt.Errorf("status is none of R4's")
	}
	if s.Priority != "" {
		t.Priority = new(models.RequestPriority)
		if err := t.Priority.UnmarshalJSON(quoted(s.Priority)); err != nil {
			return fmt.Errorf("priority is none of R4's")
		}
	}
	t.StatusReason = concept(CodesOfStatusReason, s.StatusReason)
	t.BusinessStatus = concept(CodesOfBusinessState, s.BusinessStatus)
	t.Code = concept(CodesOfWork, s.Code)
	t.ReasonCode = concept(CodesOfReason, s.ReasonCode)
	if s.Performer != "" {
		t.PerformerType = []models.CodeableConcept{{Text: &s.Performer}}
	}
	return nil
}

// taskFacts fills what the Task is about.
func taskFacts(t *models.Task, s TaskSpec) {
	t.Identifier = []models.Identifier{
		*identifier(TokenSystem(s.Site), Token(s.Site, s.Key)),
		*identifier(WorkSystem, s.Key),
	}
	if s.Group != "" {
		t.GroupIdentifier = identifier(ImplantSystem+":"+s.Site, s.Group)
	}
	t.Description = some(s.Description)
	t.Focus, t.For, t.ReasonReference = pointer(s.Focus), pointer(s.Patient), pointer(s.Reason)
	stamp := Stamp{s.Status, s.Priority, s.From, s.By}.String()
	t.Extension = []models.Extension{{Url: StampURL, ValueString: &stamp}}
}

// taskTimes fills dates and notes.
func taskTimes(t *models.Task, s TaskSpec) {
	if s.From != "" || s.By != "" {
		t.Restriction = &models.TaskRestriction{Period: &models.Period{Start: some(s.From), End: some(s.By)}}
	}
	t.AuthoredOn, t.LastModified = moment(s.Authored), moment(s.Modified)
	author := AuthorName
	for _, n := range s.Notes {
		t.Note = append(t.Note, models.Annotation{AuthorString: &author, Time: moment(n.Time), Text: n.Text})
	}
}

// quoted is a code as a JSON string.
func quoted(code string) []byte {
	b, _ := json.Marshal(code) // a string never fails
	return b
}

// moment is a time as a dateTime of UTC, to the second; nil for no time.
func moment(t time.Time) *string {
	if t.IsZero() {
		return nil
	}
	return some(t.UTC().Format("2006-01-02T15:04:05Z"))
}

func concept(system string, w Word) *models.CodeableConcept {
	if w == (Word{}) {
		return nil
	}
	c := &models.CodeableConcept{Text: some(w.Text)}
	if w.Code != "" {
		c.Coding = []models.Coding{{System: &system, Code: &w.Code}}
	}
	return c
}

func identifier(system, value string) *models.Identifier {
	return &models.Identifier{System: some(system), Value: some(value)}
}

func pointer(r Reference) *models.Reference {
	if r.IsZero() {
		return nil
	}
	out := &models.Reference{Reference: some(r.Reference), Type: some(r.Type), Display: some(r.Display)}
	if r.Identifier != nil {
		out.Identifier = identifier(r.Identifier.System, r.Identifier.Value)
	}
	return out
}
