//go:build !race

package web_test

const raceDetector = false
