//go:build race

package main

// withRace says that the tests run with the race detector, which takes memory of
// its own.
const withRace = true
