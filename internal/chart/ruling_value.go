package chart

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"perennial/internal/day"
)

// Scopes of a withdrawal.
const (
	ScopeStudy = "study" // reports to a device study end; the care goes on
	ScopeCare  = "care"  // surveillance ends
)

// Strata are the risk strata that a person may confirm; StratumNone stands for
// a patient of whom none is confirmed.
func Strata() []string { return []string{"low", "intermediate", "high"} }

// StratumNone is the stratum of a patient of whom none is confirmed.
const StratumNone = "none"

// Channels are the ways in which a patient may be reached out to.
func Channels() []string { return []string{"phone", "letter", "email", "message", "visit"} }

// Outcomes are what may come of an outreach attempt.
func Outcomes() []string {
	return []string{"reached", "message-left", "no-answer", "wrong-number", "returned-mail", "declined", "moved"}
}

// Problem says what is wrong with what a ruling says, beside who, when and
// why; empty where nothing is.
func (r *Ruling) Problem() string {
	if why := r.dateProblem(); why != "" {
		return why
	}
	switch r.Kind {
	case RuleAttempt:
		if !slices.Contains(Channels(), r.Channel) || !slices.Contains(Outcomes(), r.Outcome) {
			return "the channel or the outcome of the attempt is missing or not known: " + strings.Join(Channels(), ", ") + "; " + strings.Join(Outcomes(), ", ")
		}
	case RulePause:
		if r.Until == 0 {
			return "the day until which surveillance pauses is missing; care that ends for good is a stop or a transfer"
		}
	case RuleWithdraw:
		if r.Value != "" && r.Value != ScopeStudy && r.Value != ScopeCare {
			return "the scope of a withdrawal is study or care"
		}
	case RuleStudy:
		if strings.TrimSpace(r.Value) == "" {
			return "the study is missing: name it as the settings do, by reference (ResearchStudy/x), identifier (system|value) or name"
		}
	case RuleModality:
		if k, ok := ParseKind(r.Value); !ok || k == OtherImaging {
			return "the kind of imaging that was agreed is missing or not known: " + strings.Join(Agreeable(), ", ")
		}
	case RuleInterval:
		if _, ok := r.Interval(); !ok {
			return "the interval is missing or not usable: write months as P6M or days as P90D, from a month to ten years"
		}
	case RuleStratum:
		if !slices.Contains(Strata(), r.Value) {
			return "the stratum is low, intermediate or high"
		}
	case RuleStaged:
		if r.About == "" || r.Value == "" || r.About == r.Value {
			return "the first and the last of the staged operations are to be named, each by its reference"
		}
	case RuleConfirm:
		if _, ok := ParseFinding(r.Value); r.About == "" || !ok {
			return "the study, report or finding is missing, or what was found is not known: write it as endoleak II, sac-diameter 58.2 mm, migration 12 mm, fracture or fracture absent"
		}
	case RuleSnooze:
		if r.About == "" || r.Until <= r.From() {
			return "the key of the work item is missing, or the day until which it is to be hidden, which lies after the day of the ruling"
		}
	}
	return ""
}

// dateProblem says what is wrong with the date that a ruling of some kinds
// gives; only that of an implant may be left out.
func (r *Ruling) dateProblem() string {
	dated := r.Kind == RuleIndex || r.Kind == RuleDied || r.Kind == RuleImplant && r.Value != ""
	if !dated {
		return ""
	}
	if _, err := day.ParseDate(r.Value); err != nil {
		return "the date is missing or cannot be read: write it as 2024-03-05, or 2024-03 or 2024 where no more is known"
	}
	return ""
}

// Agreeable are the kinds of imaging that may be agreed in place of another.
func Agreeable() []string {
	return slices.DeleteFunc(Kinds(), func(name string) bool { return name == OtherImaging.String() })
}

// Interval is the interval of a ruling: whole months, or days, from a month
// to ten years.
func (r *Ruling) Interval() (day.Offset, bool) {
	o, err := day.ParseOffset(r.Value)
	months := o.Days == 0 && o.Months >= 1 && o.Months <= 120
	days := o.Months == 0 && o.Days >= 28 && o.Days <= 3660
	return o, err == nil && (months || days)
}

// findingWords are the findings that a person may confirm, with their types;
// a type left out is the first.
func findingWords() map[string][]string {
	state := strings.Fields("present absent unknown")
	return map[string][]string{
		"endoleak": strings.Fields("unknown none I Ia Ib Ic II III IIIa IIIb IIIc IV V"), "sac-diameter": nil, "migration": state,
		"branch-patency": strings.Fields("patent occluded stenosed unknown"), "fracture": state, "separation": state, "kink": state, "infection": state,
		"rupture": state, "false-lumen": strings.Fields("patent thrombosed partially-thrombosed unknown"),
	}
}

// ParseFinding reads a finding as a person writes it: its name, and a type or
// a measure ("endoleak II", "sac-diameter 58.2 mm", "fracture absent").
func ParseFinding(text string) (Finding, bool) {
	words := strings.Fields(text)
	if len(words) == 0 {
		return Finding{}, false
	}
	f := Finding{What: words[0]}
	types, known := findingWords()[f.What]
	switch {
	case !known:
		return f, false
	case len(words) == 1 && types != nil:
		f.Type = types[0]
		return f, true
	case len(words) == 2 && slices.Contains(types, words[1]):
		f.Type = words[1]
		return f, true
	case len(words) == 3 && (f.What == "sac-diameter" || f.What == "migration"):
		return measured(f, words[1], words[2])
	}
	return f, false
}

// measured adds a measure in mm or cm, in tenths of a millimetre.
func measured(f Finding, number, unit string) (Finding, bool) {
	v, err := strconv.ParseFloat(number, 64)
	if scale := map[string]float64{"mm": 10, "cm": 100}[unit]; err == nil && scale > 0 && v > 0 && v*scale <= 5000 {
		f.Tenths, f.Has = int(math.Round(v*scale)), true
		return f, true
	}
	return f, false
}

// FindingText is a finding in the words that ParseFinding reads.
func FindingText(f *Finding) string {
	if f.Has {
		return fmt.Sprintf("%s %d.%d mm", f.What, f.Tenths/10, f.Tenths%10)
	}
	return strings.TrimSpace(f.What + " " + f.Type)
}
