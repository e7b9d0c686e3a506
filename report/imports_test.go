package report

import (
	"os/exec"
	"strings"
	"testing"
)

// The report builds and tests without native libraries: nothing that it needs
// may lead to one.
func TestImports(t *testing.T) {
	out, err := exec.Command("go", "list", "-deps", "./...").Output()
	if err != nil {
		t.Fatal(err)
	}
	deps := strings.Fields(string(out))
	if len(deps) < 10 {
		t.Fatalf("only %d dependencies listed", len(deps))
	}
	for _, d := range deps {
		if strings.Contains(d, "astiav") || strings.Contains(d, "gocv") || d == "setwitness/decode" || strings.HasPrefix(d, "setwitness/cmd") {
			t.Errorf("report leads to %s", d)
		}
	}
}
