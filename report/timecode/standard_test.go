package timecode

import "testing"

func TestFor(t *testing.T) {
	for _, c := range []struct {
		num, den int
		want     string
	}{
		{25, 1, "25 non-drop frame"}, {50, 1, "50 non-drop frame"}, {30000, 1001, "29.97 drop frame"}, {2997, 100, "29.97 drop frame"},
		{60000, 1001, "59.94 drop frame"}, {24000, 1001, "23.976 non-drop frame"}, {23976, 1000, "23.976 non-drop frame"}, {30, 1, "30 non-drop frame"},
		// Cameras: whole numbers of frames to a label.
		{240, 1, "60 non-drop frame"}, {240000, 1001, "59.94 drop frame"}, {120, 1, "60 non-drop frame"}, {100, 1, "50 non-drop frame"},
		{960, 1, "60 non-drop frame"}, {90, 1, "30 non-drop frame"}, {1000, 1, "50 non-drop frame"},
		// and labels to a frame.
		{15, 1, "30 non-drop frame"}, {25, 2, "25 non-drop frame"}, {10, 1, "30 non-drop frame"}, {1, 1, "24 non-drop frame"},
		// The nearest.
		{23530, 100, "60 non-drop frame"}, {273, 10, "25 non-drop frame"}, {2893, 100, "29.97 drop frame"}, {1, 1000, "23.976 non-drop frame"},
		// None.
		{0, 1, "25 non-drop frame"}, {0, 0, "25 non-drop frame"}, {-5, 1, "25 non-drop frame"},
	} {
		if got := For(c.num, c.den).String(); got != c.want {
			t.Errorf("%d/%d: %s, want %s", c.num, c.den, got, c.want)
		}
	}
}
