// Package second is a second, deliberately simple implementation of the
// decision engine. It was written from the specification alone and shares no
// code with the engine, so that the two can be compared chart by chart: where
// they differ, one of them has misread a sentence.
//
// Everything is done in the plainest way. Charts are small structs with the
// dates as they were sent; every question is answered by walking over all
// facts again; nothing is cached between days. Slow is fine, obvious is not
// negotiable. Protocols are Go literals (protocols.go) and the engine knows
// none of them by name.
//
// Only the standard library is used. Files, by topic: dates (civil dates and
// ranges), chart and plan (what goes in and comes out), implants (operations
// become implants and clocks), studies (what counts as imaging of what),
// visits (the grid), match (which study serves which visit), standing,
// triggers and conditions (what a finding must be), added (the visits and series
// that triggers add), rules (the shipped triggers), ends (death, pauses, rulings), ladder (the
// follow-up rungs), work, questions, wake, twice (imaging told of twice),
// generate, stir and observe (random charts; generate_rules has random
// triggers), shrink (a chart made small).
//
// README.md in this folder lists every sentence of the specification that can
// be read in two ways, and the reading taken here.
package second
