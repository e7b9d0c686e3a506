package ghost

import (
	"testing"

	"setwitness/detect/echo"
)

// What one place of a picture shows is settled by what enough places of the pictures
// after it show, if that is the same.
func TestDoubtsSettledByWhatIsTold(t *testing.T) {
	place := echo.Look{Whole: true}
	shows := func(behind, ahead float64) *verdict {
		return &verdict{ratio: 1, compared: true, weights: fit{behind: behind, own: 1 - behind - ahead, ahead: ahead}}
	}
	for _, c := range []struct {
		name  string
		after *verdict
		of    echo.Look
		want  bool
	}{
		{"the same", shows(0.2, 0.3), place, true},
		{"other copies", shows(0, 0.45), place, false},
		{"of a thing", shows(0.2, 0.3), echo.Look{}, false},
	} {
		var s state
		s.doubtAt(53, &place, shows(0.19, 0.3), false)
		s.toldAt(54, &c.of, c.after)
		if s.settled(&s.doubts[0]) {
			t.Errorf("%s: settled by two pictures", c.name)
		}
		s.toldAt(55, &c.of, c.after)
		if got := s.settled(&s.doubts[0]); got != c.want {
			t.Errorf("%s: settled %v, want %v", c.name, got, c.want)
		}
	}
}
