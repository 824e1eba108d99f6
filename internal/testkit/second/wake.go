package second

import "reflect"

// wake is the first day after the as-of date on which the plan is another,
// found by evaluating every day in turn. It looks WakeDays ahead (900 without
// a setting) and answers "" where nothing changes by then: "not within that
// time", not "never".
func wake(c Chart, protocols []Protocol, asOf day, o Options, plan Plan) string {
	plan.Wake = ""
	for d := asOf + 1; d <= asOf+day(o.WakeDays); d++ {
		if !reflect.DeepEqual(plan, assessOn(c, protocols, d, o)) {
			return d.String()
		}
	}
	return ""
}
