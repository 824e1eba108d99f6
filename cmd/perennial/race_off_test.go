//go:build !race

package main

// withRace says that the tests run with the race detector.
const withRace = false
