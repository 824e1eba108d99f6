package cases_test

import (
	"strings"
	"testing"

	"perennial/internal/testkit/cases"
)

// output is what assess could print for one patient.
const output = `{"patient":"p1","identifiers":["urn:mrn|Q1"],"surveillance":"active","followUp":"overdue","imagingGap":false,
"implants":[{"id":"Procedure/x","class":"evar","index":"2023-04-20","clock":"2025-05-05","protocol":"svs-aaa-2018@1","visits":[
{"step":"m1","n":1,"target":"2023-05-20","opens":"2023-05-05","closes":"2023-06-19","standing":"done","timing":"on-time","study":"ImagingStudy/a"},
{"step":"y2","n":3,"target":"2025-04-20","opens":"2025-01-20","closes":"2025-07-19","standing":"excused"},
{"step":"m1","n":1,"target":"2025-06-04","opens":"2025-05-20","closes":"2025-07-04","standing":"open"}],
"next":{"step":"m1","target":"2025-06-04"}}],
"work":[{"key":"p1/Procedure/x/2/m1/1/arrange-imaging","kind":"arrange-imaging","urgency":"routine","by":"2025-07-04"},
{"key":"p1/Procedure/x/2/m1/1/answer-question","kind":"answer-question","urgency":"asap"}],
"questions":[{"key":"q","kind":"study-acceptance","about":"ImagingStudy/b"}]}`

func line() []byte { return []byte(strings.ReplaceAll(output, "\n", "")) }

func TestWhatIsContained(t *testing.T) {
	t.Parallel()
	for _, want := range []string{
		`{"patient":"p1"}`,
		`{"identifiers":["urn:mrn|Q1"],"imagingGap":false}`,
		`{"implants":[{}]}`,
		`{"implants":[{"protocol":"svs-aaa-2018"}]}`,
		`{"implants":[{"protocol":"svs-aaa-2018@1","absent":["ended"]}]}`,
		`{"implants":[{"visits":[{"step":"m1","target":"2025-06-04","standing":"open"},{"step":"m1","target":"2023-05-20","standing":"done"}]}]}`,
		`{"implants":[{"visits":[{"step":"y2"}],"absentVisits":["m6"],"next":{"step":"m1"}}]}`,
		`{"work":[{"kind":"arrange-imaging","visit":"m1","by":"2025-07-04"}],"absentWork":["chase-overdue",{"kind":"answer-question","urgency":"routine"}]}`,
		`{"work":[{"kind":"arrange-imaging","visit":"m1"}],"absentWork":[{"kind":"arrange-imaging","visit":"y2"}]}`,
		`{"questions":[{"about":"ImagingStudy/b"}],"absentQuestions":["study-early","identity"],"absent":["ended","wake"]}`,
		`{"questions":[{"kind":"study-acceptance","about":"ImagingStudy/b","key":"q"}]}`,
	} {
		if diffs := cases.Compare([]byte(want), line()); len(diffs) != 0 {
			t.Errorf("%s:\n%s", want, strings.Join(diffs, "\n"))
		}
	}
}

func TestWhatDiffers(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ about, want, says string }{
		{"a wrong date", `{"implants":[{"visits":[{"step":"y2","target":"2025-04-21"}]}]}`,
			`implants[0].visits[y2].target: want "2025-04-21", got "2025-04-20"`},
		{"a wrong window", `{"implants":[{"visits":[{"step":"m1","target":"2025-06-04","opens":"2025-05-19"}]}]}`,
			`implants[0].visits[m1].opens: want "2025-05-19", got "2025-05-20"`},
		{"a missing visit", `{"implants":[{"visits":[{"step":"y3"}]}]}`, `implants[0].visits: want {"step":"y3"}, got none; there are: m1, y2, m1`},
		{"more visits of a step than there are", `{"implants":[{"visits":[{"step":"y2"},{"step":"y2"}]}]}`, `implants[0].visits: want {"step":"y2"}, got none`},
		{"one visit cannot serve twice", `{"implants":[{"visits":[{"step":"m1","standing":"open"},{"step":"m1","standing":"open"}]}]}`,
			`implants[0].visits[m1].standing: want "open", got "done"`},
		{"a forbidden visit", `{"implants":[{"absentVisits":["y2"]}]}`, `implants[0].visits: "y2" must not be there`},
		{"a forbidden question", `{"absentQuestions":["study-acceptance"]}`, `questions: "study-acceptance" must not be there`},
		{"any question", `{"absentQuestions":["*"]}`, `questions: "*" must not be there`},
		{"a forbidden work item", `{"absentWork":[{"kind":"answer-question","urgency":"asap"}]}`, `work: {"kind":"answer-question","urgency":"asap"} must not be there`},
		{"a forbidden work item of a visit", `{"absentWork":[{"kind":"arrange-imaging","visit":"m1"}]}`, `must not be there`},
		{"a forbidden key", `{"implants":[{"absent":["clock"]}]}`, `implants[0]: "clock" must not be there, got "2025-05-05"`},
		{"a key that is not there", `{"ended":"died"}`, `ended: want "died", got nothing`},
		{"a number is no text", `{"implants":[{"visits":[{"step":"y2","n":"3"}]}]}`, `want "3", got 3`},
		{"false is not absent", `{"imagingGap":true}`, `imagingGap: want true, got false`},
		{"one implant too few", `{"implants":[{},{}]}`, `implants: want 2, got 1`},
		{"another protocol", `{"implants":[{"protocol":"svs-aaa"}]}`, `implants[0].protocol: want "svs-aaa", got "svs-aaa-2018@1"`},
		{"another version", `{"implants":[{"protocol":"svs-aaa-2018@2"}]}`, `want "svs-aaa-2018@2"`},
		{"work of another visit", `{"work":[{"kind":"arrange-imaging","visit":"y2"}]}`, `there are: p1/Procedure/x/2/m1/1/arrange-imaging`},
		{"a missing question", `{"questions":[{"kind":"death-date"}]}`, `there are: study-acceptance ImagingStudy/b`},
		{"a list that is shorter", `{"identifiers":[]}`, `identifiers: want [], got ["urn:mrn|Q1"]`},
		{"an object where a text is", `{"patient":{"id":"p1"}}`, `patient: want {"id":"p1"}, got "p1"`},
		{"a key that nobody writes", `{"absentQuestion":["identity"]}`, `absentQuestion: want ["identity"], got nothing`},
	} {
		diffs := cases.Compare([]byte(c.want), line())
		if len(diffs) != 1 || !strings.Contains(diffs[0], c.says) {
			t.Errorf("%s: want one difference with\n%s\ngot\n%s", c.about, c.says, strings.Join(diffs, "\n"))
		}
	}
}

// An expectation that lets everything pass is a difference itself.
func TestExpectationsThatSayNothing(t *testing.T) {
	t.Parallel()
	for _, want := range []string{
		``, `{}`, `[]`, `{"patient":"p1"} {}`,
		`{"absentQuestions":"identity"}`, `{"absentQuestions":["study-acceptence"]}`, `{"absentWork":[{"kind":"phone"}]}`,
		`{"absent":[]}`, `{"implants":[]}`, `{"implants":[{"visits":{}}]}`, `{"implants":[{"visits":[{}]}]}`, `{"implants":[{"visits":["m1"]}]}`,
		`{"work":[{"kind":"arange-imaging"}]}`,
	} {
		if diffs := cases.Compare([]byte(want), line()); len(diffs) == 0 {
			t.Errorf("%q passes", want)
		}
	}
}

func TestOutputThatIsNotOnePatient(t *testing.T) {
	t.Parallel()
	for _, got := range []string{``, "\n", `{"patient":"p1"`, `["p1"]`, "{\"patient\":\"p1\"}\n{\"patient\":\"p2\"}\n"} {
		if diffs := cases.Compare([]byte(`{"patient":"p1"}`), []byte(got)); len(diffs) != 1 {
			t.Errorf("%q: %v", got, diffs)
		}
	}
	if diffs := cases.Compare([]byte(`{"patient":"p1"}`), []byte("{\"patient\":\"p1\"}\n")); len(diffs) != 0 {
		t.Errorf("a line end at the end: %v", diffs)
	}
}
