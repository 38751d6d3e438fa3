// Package tier says which of the test commands a test belongs to.
//
//	make check     go test -short: what takes no time to speak of
//	make test      TWINPLATE_TESTS=test: every promise once
//	make test-all  TWINPLATE_TESTS=all: long cases, many seeds, the whole browser suite too
//
// Plain go test runs what make test runs, but skips a test whose outside program is missing, so
// that it passes with only Go. Under make a missing program is a failure, and so is every skip but
// those of InTest and InTestAll: see internal/test/suite.
package tier

import (
	"os"
	"testing"
)

// Belongs begins the message of a skip that InTest or InTestAll makes; the command follows.
const Belongs = "belongs to "

// Quick reports whether only what make check runs is wanted.
func Quick() bool { return testing.Short() }

// All reports whether all that there is is wanted: the long rows of a table, the many seeds.
func All() bool { return Longest() && !Quick() }

// Longest reports whether the run is make test-all's, in whichever of its parts. Unlike the others
// it may be called outside tests.
func Longest() bool { return os.Getenv("TWINPLATE_TESTS") == "all" }

// Strict reports whether everything that a test needs must be there: the run is one of make test or
// make test-all.
func Strict() bool { return os.Getenv("TWINPLATE_TESTS") != "" }

// InTest skips a test that belongs to make test where the run is make check's.
func InTest(t testing.TB) {
	t.Helper()
	if Quick() {
		t.Skip(Belongs + "make test")
	}
}

// InTestAll skips a test that belongs to make test-all in any other run.
func InTestAll(t testing.TB) {
	t.Helper()
	if !All() {
		t.Skip(Belongs + "make test-all")
	}
}

// Missing ends a test that needs what is missing here, as the text says: it fails under make test
// and make test-all, and is skipped otherwise.
func Missing(t testing.TB, text string) {
	t.Helper()
	if Strict() {
		t.Fatal(text)
	}
	t.Skip(text)
}
