package protocol

import "strings"

// Classes are the implant classes that a protocol may be for.
func Classes() []string {
	return append(AorticClasses(), strings.Fields("carotid-stent vein-bypass prosthetic-bypass aorto-iliac-stent femoropopliteal-stent renal-stent mesenteric-stent filter")...)
}

// AorticClasses are the implant classes of the aorta and its branches.
func AorticClasses() []string {
	return strings.Fields("evar tevar arch-branch fenestrated-branched iliac-branch open-repair")
}

// EvidenceMarks are the marks that say how a rule is known: read in the named
// source (FOUND), read in a secondary summary (FOUND2), from memory with high,
// medium or low confidence (MEM-H, MEM-M, MEM-L), or chosen here because no
// source fixes it (DESIGN).
func EvidenceMarks() []string {
	return strings.Fields("FOUND FOUND2 MEM-H MEM-M MEM-L DESIGN")
}

// findings are the things that a condition may ask about.
func findings() []string {
	return strings.Fields("endoleak sac-diameter migration branch-patency fracture separation kink infection rupture false-lumen")
}

// typesOf are the types that a finding may have.
func typesOf(finding string) []string {
	if finding == "endoleak" {
		return strings.Fields("I Ia Ib Ic II III IIIa IIIb IIIc IV V unknown none")
	}
	return strings.Fields("present absent patent occluded stenosed thrombosed partially-thrombosed unknown normal")
}

// measures are the diameters that a condition may ask about: the first word of
// a finding's method after the modality.
func measures() []string {
	return strings.Fields("sac ascending arch isthmus descending abdominal")
}

func sexes() []string      { return []string{"female", "male"} }
func events() []string     { return []string{"relining", "occlusion", "explant"} }
func conditions() []string { return []string{"dissection"} }
func urgencies() []string  { return []string{"routine", "asap", "urgent", "stat"} }
func statuses() []string   { return []string{"draft", "reviewed", "retired"} }
func profiles() []string   { return []string{"clinic-v1", "trial-v1", "own"} }
func studies() []string    { return []string{"trial-v1", "own", "none"} }
func bins() []string       { return []string{"registry-ltfu-v1", "analysis-days-v1", "own", "none"} }
func choosers() []string   { return []string{"site", "patient"} }
func anchors() []string    { return []string{"index", "last-imaging"} }
