// Package archtest fails when a package imports upwards, when the heart
// reaches for a clock, when a third-party module is used outside the one
// package that owns it, or when an exported name has no documentation. The
// table in imports_test.go is the structure of the program; a package without
// a row, and a row without a package, fail too.
package archtest
