package unmapped_test

import (
	"strings"
	"testing"

	"perennial/config"
	"perennial/internal/codes"
	"perennial/internal/unmapped"
)

func TestMostFrequentFirst(t *testing.T) {
	t.Parallel()
	book, problems := codes.Load(config.Files)
	if len(problems) > 0 {
		t.Fatal(problems[0])
	}
	const subject = `"subject":{"reference":"Patient/1"}`
	c := unmapped.Counter{Book: book}
	err := c.Read("test", strings.NewReader(`
{"resourceType":"Procedure","id":"1","status":"completed",`+subject+`,"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"34705"}]}}
{"resourceType":"Procedure","id":"2","status":"completed",`+subject+`,"code":{"coding":[{"system":"urn:local","code":"AB1","display":"Stent of something"}]}}
{"resourceType":"Procedure","id":"3","status":"completed",`+subject+`,"code":{"coding":[{"system":"urn:local","code":"AB1"}]}}
{"resourceType":"ImagingStudy","id":"4","status":"available",`+subject+`,"procedureCode":[{"coding":[{"code":"CTABDA"}],"text":"CT ANGIO ABD PEL"}]}
{"resourceType":"Procedure","id":"5","status":
`))
	if err != nil {
		t.Fatal(err)
	}
	got := c.Rows()
	want := []unmapped.Row{{Count: 2, On: "operation", System: "urn:local", Code: "AB1", Text: "Stent of something"}, {Count: 1, On: "imaging", Code: "CTABDA", Text: "CT ANGIO ABD PEL"}}
	if len(got) != 2 || got[0] != want[0] || got[1] != want[1] {
		t.Errorf("%+v, want %+v", got, want)
	}
}
