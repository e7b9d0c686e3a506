// Package footage finds real clips for tests: third-party material that the
// repository does not carry.
package footage

import (
	"os"
	"path/filepath"
	"runtime"
	"testing"
)

// Path names a real clip, and skips the test where it is not there. Clips lie
// in the folder that SETWITNESS_FOOTAGE names, or else in ../shared/footage
// beside the repository.
func Path(t testing.TB, name string) string {
	t.Helper()
	dir := os.Getenv("SETWITNESS_FOOTAGE")
	if dir == "" {
		_, here, _, _ := runtime.Caller(0)
		dir = filepath.Join(filepath.Dir(here), "..", "..", "..", "shared", "footage")
	}
	path := filepath.Join(dir, name)
	if _, err := os.Stat(path); err != nil {
		t.Skipf("no footage: %v (set SETWITNESS_FOOTAGE to its folder)", err)
	}
	return path
}
