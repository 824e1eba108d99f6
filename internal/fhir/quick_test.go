package fhir_test

import (
	"testing"

	gocmp "github.com/google/go-cmp/cmp"

	"perennial/internal/fhir"
)

// quickBodies are bodies of and around the common shape.
func quickBodies(t testing.TB) []string {
	list := everyRecord(t)
	const head, tail = `{"resourceType":"ImagingStudy","id":"1","status":"available","subject":{"reference":"Patient/1"}`, `}`
	for _, more := range []string{
		``, ` `, `,"started":"2024-05-01"`, `,"started":""`, `,"started":null`, `,"started":5`, `,"started":"2024\u002d05"`, `,"status":"cancelled"`,
		`,"subject":{"display":"x"}`, `,"modality":[]`, `,"modality":[{"code":"CT"},{"system":"s","code":"MR","display":"d"}]`, `,"modality":{"code":"CT"}`,
		`,"modality":[{"code":"CT"}],"modality":[{"code":"MR"}]`, `,"modality":[{"system":"s"}]`, `,"modality":["CT"]`, `,"modality":[{"coding":[{"code":"CT"}]}]`,
		`,"series":[{"uid":"1","modality":{"code":"CT"},"description":"a \"quoted\" ]"}]`, `,"series":[{"modality":{}}]`, `,"series":null`, `,"series":{}`, `,"series":[`,
		`,"x":[1,[2,"]"],{"a":"}"}],"y":{"z":[{}]},"n":12.5`, `,"x":true`, `,"x":-1`, `,"x":`, `,`, `,"x"`, `,"procedure":[{}]`,
		`,"procedureCode":[{"coding":[{"system":"a","code":"b"},{"code":"c"}],"text":"t"},{"text":"u"}],"reasonCode":[{"coding":[{"code":"q"}]}]`,
		`,"procedureCode":[{"coding":[{"code":"b"}],"coding":[{"code":"c"}]}]`, `,"procedureCode":[{}]`, `,"meta":{"profile":["a","b"],"versionId":"3","tag":[{"code":"x"}]}`,
		`,"meta":{"security":[{"code":"R"}]}`, `,"identifier":[{"use":"usual","type":{"coding":[{"code":"ACSN"}]},"system":"s","value":"v","extension":[]}]`,
		`,"identifier":[{"value":"v","period":{"start":"2020"},"assigner":{"display":"x"}}]`, `,"basedOn":[{"reference":"ServiceRequest/1"},{"identifier":{"value":"1"}}]`,
		`,"encounter":{"reference":"Encounter/1","type":"Encounter"},"procedureReference":{"display":"d"}`, `,"description":"\n"`, `} {`, `}x`,
	} {
		list = append(list, head+more+tail)
	}
	// In the order of the standard, and out of it: what was read in order must not be read again.
	const study = `{"resourceType":"ImagingStudy","id":"1"`
	for _, more := range []string{
		`,"meta":{"versionId":"1","lastUpdated":"2020-01-02T03:04:05Z","source":"s"},"identifier":[{"use":"official","system":"urn:dicom:uid","value":"urn:oid:1.2.3.4.5"}],"status":"available",` +
			`"modality":[{"system":"s","code":"CT","display":"d"}],"subject":{"reference":"Patient/1","display":"d"},"encounter":{"reference":"Encounter/1"},"started":"2020","basedOn":[{"reference":"ServiceRequest/1"}],` +
			`"referrer":{"display":"r"},"endpoint":[{"reference":"Endpoint/1"}],"numberOfSeries":2,"numberOfInstances":3,"procedureCode":[{"coding":[{"system":"s","code":"c"}],"text":"t"}],` +
			`"reasonCode":[{"text":"r"}],"description":"d","series":[{"uid":"1","modality":{"code":"CT"}}]`,
		`,"status":"available","meta":{"versionId":"1"},"subject":{"reference":"Patient/1"}`, `,"meta":{"versionId":"1"},"meta":{"versionId":"2"},"status":"available","subject":{"reference":"Patient/1"}`,
		`,"id":"2","status":"available","subject":{"reference":"Patient/1"}`, `,"status":"available","subject":{"reference":"Patient/1","display":"a","display":"b"}`,
		`,"status":"available","subject":{"reference":"Patient/1"},"subject":{"reference":"Patient/2"},"started":"2020","status":"available"`,
		`,"identifier":[{"use":"a","system":"s","value":"v","use":"b"}],"status":"available","subject":{"reference":"Patient/1"}`, `,"meta":{"versionId":"1","versionId":"2"},"status":"available","subject":{"reference":"Patient/1"}`,
		`,"status":"available","modality":[{"system":"","code":"CT"}],"subject":{"reference":"Patient/1"}`, `,"status":"available","subject":{"reference":"Patient/1"},"referrer":{"display":"r"},"procedureCode":[{"coding":[]}]`,
		`,"status":"available","subject":{"reference":"Patient/1"},"description":"a","description":"b"`, `,"status":"available","subject":{"reference":"Patient\/1"}`, `,"status":"available","subject":{"reference":"Patient/1"},"procedureCode":[{"coding":[{"system":"s","code":"c"}],"coding":[{"code":"d"}]}]`,
	} {
		list = append(list, study+more+tail)
	}
	for _, body := range []string{
		`"Patient","id":"p","active":true,"name":[{"family":"Muster","given":["A","B"],"use":"usual"},{"text":"x"}],"telecom":[{"system":"phone","value":"5","use":"home"}],"gender":"male"`,
		`"Patient","id":"p","active":false,"deceasedBoolean":true,"birthDate":"1945-01","deceasedDateTime":"2020"`, `"Patient","id":"p","active":1`, `"Patient","active":true,"active":false`,
		`"Patient","name":[{"given":[]}],"x":tru`, `"Patient","telecom":[{"rank":1}]`, `"Patient","link":[{"other":{"reference":"Patient/2"},"type":"refer"}]`, `"Patient","id":"","text":{"div":"<a b=\"c\">"}`,
		`"Procedure","id":"1","status":"completed","subject":{"reference":"Patient/1"},"code":{"coding":[{"code":"1"}],"text":"t"},"performer":[{"function":{"text":"f"},"actor":{"display":"d"}}],"outcome":{"text":"o"}`,
		`"Procedure","id":"1","status":"completed","subject":{"reference":"Patient/1"},"bodySite":[{"text":"a"},{"coding":[{"code":"b"}]}],"focalDevice":[{"action":{"text":"a"},"manipulated":{"reference":"Device/1"}}]`,
		`"Procedure","id":"1","status":"completed","subject":{"reference":"Patient/1"},"occurrenceDateTime":"2020"`, `"Procedure","id":"1","status":"completed","subject":{"reference":"Patient/1"},"performedPeriod":{"start":"2020"}`,
		`"Procedure","id":"1","status":"completed","subject":{"reference":"Patient/1"},"performedPeriod":{"start":"2020","end":"2021-02-03","x":[1]}`,
		`"Procedure","id":"1","status":"completed","subject":{"reference":"Patient/1"},"performedPeriod":{}`, `"Procedure","id":"1","status":"completed","subject":{"reference":"Patient/1"},"performedPeriod":null`,
		`"Procedure","id":"1","status":"completed","subject":{"reference":"Patient/1"},"performedPeriod":{"start":"2020"},"performedPeriod":{"end":"2021"}`,
		`"Procedure","id":"1","status":"done","subject":{"reference":"Patient/1"}`, `"Procedure","id":"1","status":"completed"`, `"Procedure","status":"completed","subject":{"reference":"Patient/1"},"code":[]`,
	} {
		list = append(list, `{"resourceType":`+body+`}`)
	}
	return list
}

// quickSame checks that a Decoder, which has a quick way, reads what Decode reads.
func quickSame(t *testing.T, d *fhir.Decoder, body string) {
	t.Helper()
	want, wantErr := fhir.Decode([]byte(body))
	got, gotErr := d.Decode([]byte(body))
	if s, ok := got.(*fhir.ImagingStudy); ok && gotErr == nil {
		if gotErr = d.LoadSeries(s); gotErr != nil {
			got = nil
		}
	}
	if (wantErr == nil) != (gotErr == nil) || wantErr != nil && wantErr.Error() != gotErr.Error() {
		t.Fatalf("%s\ngives %v, want %v", body, gotErr, wantErr)
	}
	if wantErr != nil {
		return
	}
	plain := gocmp.FilterPath(func(p gocmp.Path) bool { return p.Last().String() == ".raw" }, gocmp.Ignore())
	if diff := gocmp.Diff(want, got, plain, gocmp.AllowUnexported(fhir.ImagingStudy{})); diff != "" {
		t.Fatalf("%s\n(-Decode +Decoder):\n%s", body, diff)
	}
}

func TestQuickReadsTheSame(t *testing.T) {
	t.Parallel()
	var d fhir.Decoder
	for range 2 { // the second time into rooms that were used
		for _, body := range quickBodies(t) {
			quickSame(t, &d, body)
		}
	}
}

func FuzzQuick(f *testing.F) {
	for _, body := range quickBodies(f) {
		f.Add(body)
	}
	f.Fuzz(func(t *testing.T, body string) {
		var d fhir.Decoder
		quickSame(t, &d, body)
		quickSame(t, &d, body)
	})
}
