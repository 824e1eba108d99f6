package main

import (
	"github.com/spf13/cobra"

	"perennial/internal/chart"
)

// value is what a ruling says, where it has a flag of its own.
type value struct{ scope, modality, every, stratum string }

func (v *value) flags(c *cobra.Command) {
	f := c.Flags()
	f.StringVar(&v.scope, "scope", "", "of a withdrawal: study or care (default study)")
	f.StringVar(&v.modality, "modality", "", "the kind of imaging that was agreed")
	f.StringVar(&v.every, "every", "", "the interval: months as P6M, days as P90D")
	f.StringVar(&v.stratum, "stratum", "", "the risk stratum: low, intermediate or high")
	oneOf(c, "scope", chart.ScopeStudy, chart.ScopeCare)
	oneOf(c, "modality", chart.Agreeable()...)
	oneOf(c, "stratum", chart.Strata()...)
}

// into writes the value into a ruling of the kind that it is for.
func (v *value) into(r *chart.Ruling) error {
	for _, one := range []struct {
		flag, said string
		kind       chart.RulingKind
	}{{"scope", v.scope, chart.RuleWithdraw}, {"modality", v.modality, chart.RuleModality}, {"every", v.every, chart.RuleInterval}, {"stratum", v.stratum, chart.RuleStratum}} {
		switch {
		case one.said == "":
		case one.kind != r.Kind:
			return usageError("--"+one.flag+" does not go with "+string(r.Kind), "Use it with: perennial rule "+string(one.kind))
		default:
			r.Value = one.said
		}
	}
	return nil
}
