package cadence_test

import (
	"fmt"
	"slices"
	"testing"

	"setwitness/detect/cadence"
	"setwitness/testdata/faults"
)

// pulldowns are the field maps of the known ways to lay film over fields: film
// frames of the top and the bottom field of the first frames, as FFmpeg's
// documentation of its telecine filter defines them ("for how many fields a
// frame is to be displayed"), and how many of the frames mix two film frames.
// 2:3, 3:2 and 2:3:3:2 make 30 frames of 24, one field in twelve held longer
// makes 25 of 24 (the names are common practice, no source).
var pulldowns = []struct {
	holds     []int
	first     [][2]int
	film, out int // film frames, and the frames that they become
	mixed     int // of those
	frames    string
	fields    string
}{
	{[]int{2, 3}, [][2]int{{0, 0}, {1, 1}, {1, 2}, {2, 3}, {3, 3}}, 24, 30, 12, "3:2", "3:2"},
	{[]int{3, 2}, [][2]int{{0, 0}, {0, 1}, {1, 2}, {2, 2}, {3, 3}}, 24, 30, 12, "3:2", "3:2"},
	{[]int{2, 3, 3, 2}, [][2]int{{0, 0}, {1, 1}, {1, 2}, {2, 2}, {3, 3}}, 24, 30, 6, "2:3:3:2", "2:3:3:2"},
	{euro, [][2]int{{0, 0}, {1, 1}, {2, 2}, {3, 3}, {4, 4}, {5, 5}, {6, 6}, {7, 7}, {8, 8}, {9, 9}, {10, 10}, {11, 11}, {11, 12}, {12, 13}},
		24, 25, 12, "2:2:2:2:2:2:2:2:2:2:2:3", "2:2:2:2:2:2:2:2:2:2:2:3"},
	{[]int{5}, [][2]int{{0, 0}, {0, 0}, {0, 1}, {1, 1}, {1, 1}}, 24, 60, 12, "5:5", "5:5"},
	{[]int{6, 4}, [][2]int{{0, 0}, {0, 0}, {0, 0}, {1, 1}, {1, 1}}, 24, 60, 0, "3:2", "6:4"},
	{[]int{2}, [][2]int{{0, 0}, {1, 1}, {2, 2}}, 25, 25, 0, "1:1", "2:2"},
	{[]int{3, 2, 3, 2, 2}, [][2]int{{0, 0}, {0, 1}, {1, 2}, {2, 2}, {3, 3}, {4, 4}}, 25, 30, 10, "3:2:3:2:2", "3:2:3:2:2"},
}

// around reports whether b is a or a turned to begin elsewhere.
func around(a, b []cadence.Place) bool {
	if len(a) != len(b) {
		return false
	}
	for turn := range a {
		if slices.Equal(append(slices.Clone(a[turn:]), a[:turn]...), b) {
			return true
		}
	}
	return false
}

// The patterns that are followed are those of the published maps, place by
// place, in whole frames and in fields.
func TestPulldownMaps(t *testing.T) {
	for _, c := range pulldowns {
		for k, want := range c.first {
			if top, bottom := faults.FieldMap(k, c.holds...); [2]int{top, bottom} != want {
				t.Errorf("%v: frame %d holds film frames %d and %d, want %v", c.holds, k, top, bottom, want)
			}
		}
		mixed := 0
		for k := range c.out {
			top, bottom := faults.FieldMap(k, c.holds...)
			if top != bottom {
				mixed++
			}
		}
		if _, end := faults.FieldMap(c.out-1, c.holds...); mixed != c.mixed || end != c.film-1 {
			t.Errorf("%v: %d of %d frames are mixed, the last ends film frame %d; want %d and %d", c.holds, mixed, c.out, end, c.mixed, c.film-1)
		}
		fields := 0
		for _, n := range c.holds {
			fields += n
		}
		frames := fields
		if frames%2 == 0 {
			frames /= 2
		}
		var inFrames, inFields []cadence.Place
		for k := range frames {
			p := frameTruth(k+frames, c.holds...)
			p.Pattern = c.frames
			inFrames = append(inFrames, p)
		}
		for k := range fields {
			p := pictureTruth(k+fields, c.holds...)
			p.Pattern = c.fields
			inFields = append(inFields, p)
		}
		matches := func(fields bool, name string, want []cadence.Place) bool {
			return slices.ContainsFunc(cadence.Patterns(fields)[name], func(period []cadence.Place) bool {
				period = slices.Clone(period)
				for i := range period {
					period[i].Third = period[i].Third && fields // of no meaning in frames
				}
				return around(period, want)
			})
		}
		if !matches(false, c.frames, inFrames) {
			t.Errorf("%v: no pattern %s in frames is %v", c.holds, c.frames, inFrames)
		}
		if !matches(true, c.fields, inFields) {
			t.Errorf("%v: no pattern %s in fields is %v", c.holds, c.fields, inFields)
		}
	}
}

// Repeated fields as ITU-T H.262 6.3.10 defines their flags (from memory): a
// frame with repeat_first_field lasts for three fields, the third being its
// first one again, else for two; top_field_first tells which comes first. The
// fields of a stream alternate, so a frame of three turns the order.
func TestRepeatedFieldsOfH262(t *testing.T) {
	type frame struct{ top, repeat bool }
	for name, c := range map[string]struct {
		flags []frame
		holds []int
	}{
		"3:2":     {[]frame{{true, true}, {false, false}, {false, true}, {true, false}}, []int{3, 2}},
		"2:3":     {[]frame{{true, false}, {true, true}, {false, false}, {false, true}}, []int{2, 3}},
		"2:3:3:2": {[]frame{{true, false}, {true, true}, {false, true}, {true, false}}, []int{2, 3, 3, 2}},
	} {
		var shown []string // fields in order: film frame and parity
		for i := range 4 * len(c.flags) {
			f := c.flags[i%len(c.flags)]
			parities := []string{"top", "bottom"}
			if !f.top {
				parities = []string{"bottom", "top"}
			}
			if f.repeat {
				parities = append(parities, parities[0])
			}
			for _, p := range parities {
				shown = append(shown, fmt.Sprint(i, " ", p))
			}
		}
		for k := range len(shown) / 2 {
			top, bottom := faults.FieldMap(k, c.holds...)
			got := [2]string{fmt.Sprint(top, " top"), fmt.Sprint(bottom, " bottom")}
			if want := [2]string(shown[2*k : 2*k+2]); got != want {
				t.Errorf("%s: frame %d is %v, the flags ask for %v", name, k, got, want)
			}
		}
	}
}
