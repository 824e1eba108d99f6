package clinic_test

import (
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"perennial/internal/chart"
	"perennial/internal/clinic"
	"perennial/internal/fault"
	"perennial/internal/kv"
	"perennial/internal/store"
)

// dev is a Device of a patient; of nobody where that is empty.
func dev(id, patient, version, more string) string {
	of := ""
	if patient != "" {
		of = fmt.Sprintf(`,"patient":{"reference":"Patient/%s"}`, patient)
	}
	if more != "" {
		more = "," + more
	}
	return fmt.Sprintf(`{"resourceType":"Device","id":"%s","meta":{"versionId":"%s","lastUpdated":"2026-01-0%sT00:00:00Z"}%s%s}`, id, version, version, of, more)
}

func base(text string) string { return base64.StdEncoding.EncodeToString([]byte(text)) }

// rowsOf are the rows of a recall in short: "sure p1 Device/d1 |remarks".
func rowsOf(t *testing.T, r *rig, w clinic.Wanted) []string {
	t.Helper()
	list, err := r.Recall(t.Context(), w)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for i := range list.Rows {
		row := &list.Rows[i]
		match := "possible"
		if row.Sure {
			match = "sure"
		}
		out = append(out, fmt.Sprintf("%s %s %s|%s", match, row.Patient, row.Label.Ref, strings.Join(row.Remarks, ";")))
	}
	return out
}

const hrf = "(01)00844588003288(17)141120(10)7654321D(21)10987654d321"

// A lot is found in every form in which a record may carry it.
func TestRecallFindsEveryForm(t *testing.T) {
	t.Parallel()
	const sure, possible = "sure", "possible"
	forms := []struct{ name, more, want string }{
		{"lotNumber", `"lotNumber":"7654321D"`, sure},
		{"lower case and hyphens", `"lotNumber":"765-4321 d"`, sure},
		{"zeros in front", `"lotNumber":"0007654321D"`, sure},
		{"with the word", `"lotNumber":"LOT: 7654321D"`, sure},
		{"printed UDI", `"udiCarrier":[{"carrierHRF":"` + hrf + `"}]`, sure},
		{"scanned UDI", `"udiCarrier":[{"carrierAIDC":"` + base("010084458800328817141120107654321D\x1d2110987654d321") + `"}]`, sure},
		{"scanned UDI that is not base64", `"udiCarrier":[{"carrierAIDC":"010084458800328817141120107654321D"}]`, sure},
		{"separator swallowed", `"udiCarrier":[{"carrierAIDC":"` + base("010084458800328817141120107654321D2110987654d321") + `"}]`, possible},
		{"HIBCC", `"udiCarrier":[{"carrierHRF":"+A99912345/$$5200157654321DX"}]`, sure},
		{"whole UDI as device identifier", `"udiCarrier":[{"deviceIdentifier":"` + hrf + `"}]`, sure},
		{"second carrier", `"udiCarrier":[{"carrierHRF":"(01)00643169001763(10)OTHER1"},{"carrierHRF":"` + hrf + `"}]`, sure},
		{"in the serial number", `"serialNumber":"7654321D"`, possible},
		{"UDI in the lot", `"lotNumber":"` + hrf + `"`, sure},
		{"as an identifier", `"identifier":[{"value":"7654321D"}]`, possible},
		{"UDI as an identifier", `"identifier":[{"value":"` + hrf + `"}]`, sure},
		{"in the name", `"deviceName":[{"name":"Main body, lot 7654321D","type":"user-friendly-name"}]`, possible},
		{"in a note", `"note":[{"text":"sticker says LOT7654321D, main body"}]`, possible},
		{"in the model number", `"modelNumber":"EG-28 / 7654321D"`, possible},
		{"in the type", `"type":{"text":"stent-graft 7654321D"}`, possible},
		{"another lot", `"lotNumber":"7654321E"`, ""},
		{"part of another lot", `"lotNumber":"7654321D9"`, ""},
	}
	r := newRig(t)
	var all []string
	for i, f := range forms {
		id := fmt.Sprintf("p%02d", i)
		all = append(all, patient(id, ""), evar("pr-"+id, id, "2024-01-31"), dev("d-"+id, id, "1", f.more))
	}
	r.give(all...)
	r.sound()
	got := rowsOf(t, r, clinic.Wanted{Lots: []string{"7654321d"}})
	for i, f := range forms {
		id := fmt.Sprintf("p%02d", i)
		at := slices.IndexFunc(got, func(row string) bool { return strings.Contains(row, " "+id+" ") })
		have := ""
		if at >= 0 {
			have, _, _ = strings.Cut(got[at], " ")
		}
		if have != f.want {
			t.Errorf("%s: %q, want %q", f.name, have, f.want)
		}
	}
	for _, w := range []clinic.Wanted{{Serials: []string{"10987654D321"}}, {Models: []string{"844588003288"}}, {Models: []string{hrf}}} {
		if rows := rowsOf(t, r, w); !slices.Contains(rows, "sure p04 Device/d-p04|tied to no implant on record") {
			t.Errorf("%+v: %q", w, rows)
		}
	}
}

// Nobody is left out for what became of them or of the record.
func TestRecallFindsEverybody(t *testing.T) {
	t.Parallel()
	const lot = `"lotNumber":"L123"`
	contained := func(id, of string) string {
		return fmt.Sprintf(`{"resourceType":"Procedure","id":"%s","status":"completed","contained":[{"resourceType":"Device","id":"d","lotNumber":"L123"}],"subject":{"reference":"Patient/%s"},
			"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"34705"}]},"performedDateTime":"2024-01-31","focalDevice":[{"manipulated":{"reference":"#d"}}]}`, id, of)
	}
	uses := func(id, of, device string) string {
		return fmt.Sprintf(`{"resourceType":"Procedure","id":"%s","status":"completed","subject":{"reference":"Patient/%s"},
			"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"34705"}]},"performedDateTime":"2024-01-31","focalDevice":[{"manipulated":%s}]}`, id, of, device)
	}
	named := func(device string) string { return `{"reference":"Device/` + device + `"}` }
	r := newRig(t)
	r.give(
		patient("dead", `,"deceasedDateTime":"2025-05-05"`), uses("pr-dead", "dead", named("d-dead")), dev("d-dead", "dead", "1", lot),
		patient("out", ""), uses("pr-out", "out", named("d-out")), dev("d-out", "out", "1", lot),
		`{"resourceType":"Procedure","id":"x-out","status":"completed","subject":{"reference":"Patient/out"},"code":{"coding":[{"system":"http://www.ama-assn.org/go/cpt","code":"34830"}]},"performedDateTime":"2025-02-01"}`,
		patient("old", `,"link":[{"other":{"reference":"Patient/new"},"type":"replaced-by"}]`), dev("d-old", "old", "1", lot),
		patient("new", ""), evar("pr-new", "new", "2024-01-31"),
		patient("inside", ""), contained("pr-inside", "inside"),
		patient("used", ""), uses("pr-used", "used", named("d-used")), dev("d-used", "", "1", lot),
		patient("said", ""), uses("pr-said", "said", `{"display":"main body, lot L123"}`),
		patient("has", ""), dev("d-has", "", "1", lot), `{"resourceType":"DeviceUseStatement","id":"u","status":"active","subject":{"reference":"Patient/has"},"device":{"reference":"Device/d-has"}}`,
		patient("changed", ""), dev("d-changed", "changed", "1", lot), dev("d-changed", "changed", "2", `"lotNumber":"L999"`),
		patient("wrong", ""), dev("d-wrong", "wrong", "1", lot+`,"status":"entered-in-error"`),
		patient("broken", ""), dev("d-broken", "broken", "1", lot+`,"status":7`),
		patient("number", ""), dev("d-number", "number", "1", `"status":"odd","note":[{"text":"lot L123"}]`),
		patient("undated", ""), dev("d-undated", "undated", "1", lot+`,"type":{"coding":[{"system":"http://snomed.info/sct","code":"65818007"}]}`),
		dev("d-nobody", "", "1", lot), dev("d-unknown", "gone", "1", lot),
		patient("late", ""), uses("pr-late", "late", named("d-late")), dev("d-late", "late", "1", lot+`,"expirationDate":"2023-12-31"`),
	)
	r.sound()
	want := []string{
		"sure dead Device/d-dead|died 5 May 2025",
		"sure gone Device/d-unknown|no Patient resource of this id is there;tied to no implant on record",
		"sure inside Procedure/pr-inside#d|",
		"sure late Device/d-late|had expired when it was implanted",
		"sure new Device/d-old|the record old was merged into new;tied to no implant on record",
		"sure out Device/d-out|implant ended: explanted 1 Feb 2025",
		"sure undated Device/d-undated|surveillance is unresolved: a question must be answered first;the day of the operation is not known",
		"possible  Device/d-nobody|the record names no patient: look for the owner",
		"possible broken Device/d-broken|the device record is quarantined: this was found in its text;tied to no implant on record",
		"possible changed Device/d-changed|an earlier version of the device record says so, the present one does not;tied to no implant on record",
		"possible has Device/d-has|DeviceUseStatement/u of this patient names the device;tied to no implant on record",
		"possible number Device/d-number|the device record is quarantined: this was found in its text;tied to no implant on record",
		"possible said Procedure/pr-said|no device record: only words in Procedure/pr-said",
		"possible used Device/d-used|Procedure/pr-used of this patient names the device",
		"possible wrong Device/d-wrong|the device record is marked entered in error;tied to no implant on record",
	}
	if diff := cmp.Diff(want, rowsOf(t, r, clinic.Wanted{Lots: []string{"l-123"}})); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// What could not be searched is counted: of the newest versions, of patients.
func TestRecallGaps(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.give(
		patient("a", ""), evar("pr-a", "a", "2024-01-31"), // no device at all
		patient("b", ""), evar("pr-b", "b", "2024-01-31"), dev("b1", "b", "1", `"type":{"text":"graft"}`), dev("b2", "b", "1", `"lotNumber":"L1"`),
		dev("b3", "b", "1", `"udiCarrier":[{"deviceIdentifier":"00844588003288"}]`), dev("b4", "b", "1", `"lotNumber":"L2"`), dev("b4", "b", "2", `"type":{"text":"graft"}`),
		dev("b5", "b", "1", `"status":"entered-in-error"`), dev("b6", "b", "1", `"status":7`),
		dev("scanner", "", "1", `"serialNumber":"CT1"`),
	)
	r.sound()
	list, err := r.Recall(t.Context(), clinic.Wanted{Lots: []string{"L1"}})
	want := store.Gaps{NoLot: 2, NoModel: 3, NoSerial: 4, Nothing: 1, NoPatient: 1, Unread: 1, NoDevice: 2, Of: 2}
	if diff := cmp.Diff(want, list.Gaps); diff != "" || err != nil || list.Patients != 1 {
		t.Errorf("%v, %d patients (-want +got):\n%s", err, list.Patients, diff)
	}
	r.give(dev("b1", "b", "2", `"lotNumber":"L3"`), dev("b6", "b", "3", `"lotNumber":"L3"`))
	r.sound()
	list, _ = r.Recall(t.Context(), clinic.Wanted{Lots: []string{"L3"}})
	if g := list.Gaps; g.NoLot != 1 || g.Nothing != 0 || g.Unread != 0 || len(list.Rows) != 2 {
		t.Errorf("after lots were sent: %+v, %d rows", g, len(list.Rows))
	}
}

// Several flags: another model is left out, one that is not on record is not.
func TestRecallOfModelAndLot(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	model := func(di string) string { return `"udiCarrier":[{"deviceIdentifier":"` + di + `"}]` }
	r.give(patient("p", ""),
		dev("both", "p", "1", model("00844588003288")+`,"lotNumber":"L1"`), dev("second", "p", "1", model("00844588003288")+`,"lotNumber":"L2"`),
		dev("other-lot", "p", "1", model("00844588003288")+`,"lotNumber":"L9"`), dev("other-model", "p", "1", model("00643169001763")+`,"lotNumber":"L1"`),
		dev("no-lot", "p", "1", model("00844588003288")), dev("no-model", "p", "1", `"lotNumber":"L1"`))
	got := rowsOf(t, r, clinic.Wanted{Models: []string{"0844588003288"}, Lots: []string{"L1", "L2"}})
	var short []string
	for _, row := range got {
		row, _, _ = strings.Cut(row, "|")
		short = append(short, row)
	}
	if diff := cmp.Diff([]string{"sure p Device/both", "sure p Device/second", "possible p Device/no-lot", "possible p Device/no-model"}, short); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// Of an implant that a person entered by hand the words count, too.
func TestRecallByHand(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	if _, err := r.Rule(t.Context(), chart.Ruling{Patient: "elsewhere", Kind: chart.RuleImplant, Class: "evar", Value: "2019-05-02", Device: "Harbour graft, lot L-77", Who: "Quay", Why: "operated elsewhere"}); err != nil {
		t.Fatal(err)
	}
	got := rowsOf(t, r, clinic.Wanted{Lots: []string{"l77"}})
	if len(got) != 1 || !strings.HasPrefix(got[0], "possible elsewhere ") || !strings.HasSuffix(got[0], "|entered by hand: Harbour graft, lot L-77") {
		t.Errorf("%q", got)
	}
}

// A store that a program without the index has written gets it before the first
// answer: the same that it would have had.
func TestRecallOfAnOlderStore(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	var all []string
	for i := range 40 {
		id := fmt.Sprintf("p%02d", i)
		all = append(all, patient(id, ""), evar("pr-"+id, id, "2024-01-31"), dev("d-"+id, id, "1", `"lotNumber":"L1","udiCarrier":[{"carrierHRF":"`+hrf+`"}]`))
	}
	all = append(all, dev("broken", "p01", "1", `"status":7,"lotNumber":"L1"`), dev("nobody", "", "1", `"lotNumber":"L1"`))
	r.give(all...)
	index := func() map[string]string {
		kept := map[string]string{}
		for key, text := range dump(t, r.db) {
			parts, _ := kv.Split([]byte(key))
			if kind, _ := parts[0].(string); slices.Contains([]string{"bare", "device", "lacks", "mark", "uses"}, kind) {
				kept[key] = text
			}
		}
		return kept
	}
	before, rows := index(), rowsOf(t, r, clinic.Wanted{Lots: []string{"L1"}})
	if len(rows) != 42 || len(before) < 200 {
		t.Fatalf("%d rows, %d keys", len(rows), len(before))
	}
	old := map[string]any{}
	err := r.db.Update(t.Context(), func(tx kv.Tx) error {
		for key := range before {
			if err := tx.Delete([]byte(key)); err != nil {
				return err
			}
		}
		text, err := tx.Get(kv.Key("meta"))
		if err == nil {
			err = json.Unmarshal(text, &old)
		}
		delete(old, "labels")
		if err == nil {
			text, err = json.Marshal(old)
		}
		if err == nil {
			err = tx.Put(kv.Key("mark", "lot", "STALE", "Device/x", "1"), []byte("Device/x"))
		}
		return errors.Join(err, tx.Put(kv.Key("meta"), text))
	})
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(rows, rowsOf(t, r, clinic.Wanted{Lots: []string{"L1"}})); diff != "" {
		t.Errorf("rows (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(before, index()); diff != "" {
		t.Errorf("index (-want +got):\n%s", diff)
	}
	r.sound()
}

// Every key of the index that is lost, and one that leads nowhere, shows.
func TestCheckSeesTheIndexOfDevices(t *testing.T) {
	t.Parallel()
	for _, kind := range []string{"bare", "device", "lacks", "mark", "uses"} {
		r := newRig(t)
		r.give(patient("a", ""), evar("pr-a", "a", "2024-01-31"), patient("b", ""), dev("d", "b", "1", `"lotNumber":"L1"`),
			`{"resourceType":"DeviceUseStatement","id":"u","status":"active","subject":{"reference":"Patient/b"},"device":{"reference":"Device/d"}}`)
		r.sound()
		err := r.db.Update(t.Context(), func(tx kv.Tx) error {
			from, to := kv.Prefix(kind)
			var key []byte
			err := tx.Scan(from, to, func(k, _ []byte) error {
				key = slices.Clone(k)
				return kv.Stop
			})
			if key == nil {
				t.Errorf("%s: there is none", kind)
			}
			return errors.Join(err, tx.Delete(key))
		})
		if err != nil {
			t.Fatal(err)
		}
		if rep, err := r.Check(t.Context()); err != nil || len(rep.Problems) == 0 {
			t.Errorf("%s: a key is lost and nobody sees it: %v", kind, err)
		}
	}
}

func TestRecallRefuses(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	for _, w := range []clinic.Wanted{{}, {Lots: []string{" - "}}} {
		if _, err := r.Recall(t.Context(), w); fault.KindOf(err) != fault.Invalid {
			t.Errorf("%+v: %v", w, err)
		}
	}
}
