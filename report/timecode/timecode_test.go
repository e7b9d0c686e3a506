package timecode

import (
	"math"
	"strings"
	"testing"
)

func count(t testing.TB, num, den int, drop bool) Count {
	t.Helper()
	c, err := New(num, den, drop)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

var counts = []struct {
	num, den int
	drop     bool
}{
	{24000, 1001, false}, {24, 1, false}, {25, 1, false}, {30000, 1001, false}, {30000, 1001, true}, {30, 1, false}, {48, 1, false}, {50, 1, false},
	{60000, 1001, false}, {60000, 1001, true}, {60, 1, false}, {100, 1, false}, {120000, 1001, false}, {120000, 1001, true}, {120, 1, false}, {240, 1, false},
}

// Worked examples of dropped labels, SMPTE ST 12-1: two labels at 29.97 and four
// at 59.94 are left out at each minute that ten does not divide. The numbers
// were computed by hand from that rule, and agree with the npm package
// smpte-timecode 1.3.6.
func TestWorkedExamples(t *testing.T) {
	ntsc, double := count(t, 30000, 1001, true), count(t, 60000, 1001, true)
	for _, c := range []struct {
		count   Count
		picture int
		label   string
	}{
		{ntsc, 0, "00:00:00;00"},
		{ntsc, 1799, "00:00:59;29"},
		{ntsc, 1800, "00:01:00;02"},
		{ntsc, 3597, "00:01:59;29"},
		{ntsc, 3598, "00:02:00;02"},
		{ntsc, 17981, "00:09:59;29"},
		{ntsc, 17982, "00:10:00;00"},
		{ntsc, 19782, "00:11:00;02"},
		{ntsc, 107892, "01:00:00;00"},
		{ntsc, 2589407, "23:59:59;29"},
		{double, 3600, "00:01:00;04"},
		{double, 35964, "00:10:00;00"},
		{double, 215784, "01:00:00;00"},
		{count(t, 25, 1, false), 90000, "01:00:00:00"},
		{count(t, 24000, 1001, false), 24 * 61, "00:01:01:00"},
		{count(t, 120000, 1001, false), 119, "00:00:00:119"},
	} {
		if got := c.count.Label(c.picture); got != c.label {
			t.Errorf("%v: picture %d is %s, want %s", c.count, c.picture, got, c.label)
		}
		if got, err := c.count.Picture(c.label); err != nil || got != c.picture {
			t.Errorf("%v: %s is picture %d (%v), want %d", c.count, c.label, got, err, c.picture)
		}
	}
	if d := ntsc.Day(); d != 2589408 {
		t.Errorf("a day of 29.97 drop frame has %d pictures", d)
	}
	if d := double.Day(); d != 5178816 {
		t.Errorf("a day of 59.94 drop frame has %d pictures", d)
	}
}

// An hour of labels lasts 3603.6 s without dropped ones and 3599.9964 s with
// them; a day with them is 0.0864 s short (ST 12-1).
func TestDrift(t *testing.T) {
	for _, c := range []struct {
		count Count
		label string
		want  float64
	}{
		{count(t, 30000, 1001, false), "01:00:00:00", 3603.6},
		{count(t, 30000, 1001, true), "01:00:00;00", 3599.9964},
		{count(t, 60000, 1001, true), "01:00:00;00", 3599.9964},
	} {
		n, err := c.count.Picture(c.label)
		if err != nil {
			t.Fatal(err)
		}
		if got := float64(n) / c.count.Rate(); math.Abs(got-c.want) > 1e-6 {
			t.Errorf("%v: an hour of labels lasts %.6f s, want %.6f", c.count, got, c.want)
		}
	}
	ntsc := count(t, 30000, 1001, true)
	if short := 86400 - float64(ntsc.Day())/ntsc.Rate(); math.Abs(short-0.0864) > 1e-6 {
		t.Errorf("a day is %.6f s short", short)
	}
}

// Labels follow each other without a gap but the dropped ones, no two pictures
// of a day share one, and each leads back to its picture.
func TestRoundTrip(t *testing.T) {
	for _, k := range counts {
		c := count(t, k.num, k.den, k.drop)
		// An hour and a bit one by one, the rest of the day in leaps.
		last := ""
		for n := 0; n < c.Day(); n++ {
			if n > 62*60*c.Base() {
				n += 9973
			}
			label := c.Label(n)
			if got, err := c.Picture(label); err != nil || got != n%c.Day() {
				t.Fatalf("%v: picture %d is %s, and that is picture %d (%v)", c, n, label, got, err)
			}
			if n <= 62*60*c.Base() && len(label) == len(last) && label <= last {
				t.Fatalf("%v: %s comes after %s", c, label, last)
			}
			last = label
		}
		if got := c.Label(c.Day()); c.Label(0) != got {
			t.Errorf("%v: the second day begins at %s", c, got)
		}
		if a, b := c.Label(-1), c.Label(c.Day()-1); a != b {
			t.Errorf("%v: before the first picture is %s, want %s", c, a, b)
		}
		// Each label of a minute is there, or dropped.
		for m := range 12 {
			if c.Base() > 60 {
				break
			}
			for f := range 60 * c.Base() {
				label := c.Label(0)[:0] + two(0) + ":" + two(m) + ":" + two(f/c.Base()) + ":" + two(f%c.Base())
				_, err := c.Picture(label)
				dropped := k.drop && m%10 != 0 && f < c.Base()/15
				if dropped != (err != nil) {
					t.Fatalf("%v: %s: %v", c, label, err)
				}
			}
		}
	}
}

func two(n int) string { return string([]byte{byte('0' + n/10), byte('0' + n%10)}) }

func TestPictureRefuses(t *testing.T) {
	pal, ntsc, high := count(t, 25, 1, false), count(t, 30000, 1001, true), count(t, 120000, 1001, true)
	for _, c := range []struct {
		count Count
		label string
		want  error
	}{
		{pal, "", errForm}, {pal, "1:00:00:00", errForm}, {pal, "01:00:00:0", errForm}, {pal, "01:00:00:000", errForm}, {pal, "01-00-00-00", errForm},
		{pal, "01;00:00:00", errForm}, {pal, "01:00;00:00", errForm}, {pal, "+1:00:00:00", errForm}, {pal, "01:00:00.00", errForm}, {pal, "０1:00:00", errForm},
		{pal, " 1:00:00:00", errForm}, {pal, "01:00:00:\x0010", errForm},
		{pal, "24:00:00:00", errRange}, {pal, "00:60:00:00", errRange}, {pal, "00:00:60:00", errRange}, {pal, "00:00:00:25", errRange},
		{pal, "00:00:00;00", errMark},
		{ntsc, "00:01:00;00", errDropped}, {ntsc, "00:01:00;01", errDropped}, {ntsc, "00:59:00:01", errDropped}, {ntsc, "00:00:00;30", errRange},
		{high, "00:01:00;007", errDropped}, {high, "00:01:00;120", errRange}, {high, "00:01:00;08", errForm},
	} {
		if got, err := c.count.Picture(c.label); err == nil || !strings.Contains(err.Error(), c.want.Error()) {
			t.Errorf("%v: %q is picture %d, %v, want %v", c.count, c.label, got, err, c.want)
		}
	}
}

func TestNew(t *testing.T) {
	for _, c := range []struct {
		num, den int
		drop     bool
		want     string // of the count, or of the error
	}{
		{25, 1, false, "25 non-drop frame"}, {50, 2, false, "25 non-drop frame"}, {24000, 1001, false, "23.976 non-drop frame"},
		{30000, 1001, true, "29.97 drop frame"}, {60000, 1001, false, "59.94 non-drop frame"}, {120000, 1001, true, "119.88 drop frame"},
		{0, 1, false, "no rate"}, {25, 0, false, "no rate"}, {-25, 1, false, "no rate"}, {25, 2, false, "does not count 12.5"},
		{2997, 100, false, "does not count 29.97"}, {1000, 1, false, "1 to 999"}, {1, 10, false, "does not count 0.1"},
		{25, 1, true, "29.97"}, {30, 1, true, "29.97"}, {24000, 1001, true, "29.97"}, {48000, 1001, true, "29.97"},
	} {
		got, err := New(c.num, c.den, c.drop)
		s := got.String
		if err != nil {
			s = err.Error
		}
		if text := s(); !strings.Contains(text, c.want) {
			t.Errorf("%d/%d drop %v: %s, want %s", c.num, c.den, c.drop, text, c.want)
		}
	}
	if c := count(t, 30000, 1001, false); !c.CanDrop() || c.Drop() {
		t.Error("29.97 can drop and does not here")
	}
	if c := count(t, 24000, 1001, false); c.CanDrop() {
		t.Error("23.976 cannot drop")
	}
	if c, err := count(t, 30000, 1001, false).With(true); err != nil || !c.Drop() {
		t.Errorf("29.97 with drop: %v, %v", c, err)
	}
}

// What is taken for a label is the label of its picture, but for the mark.
func FuzzPicture(f *testing.F) {
	for _, s := range []string{"00:00:00:00", "01:00:00;00", "00:01:00;00", "23:59:59;29", "00:00:00:119", "", "::::", "99:99:99:99"} {
		f.Add(s, uint8(len(s)))
	}
	f.Fuzz(func(t *testing.T, label string, which uint8) {
		k := counts[int(which)%len(counts)]
		c := count(t, k.num, k.den, k.drop)
		n, err := c.Picture(label)
		if err != nil {
			return
		}
		if n < 0 || n >= c.Day() {
			t.Fatalf("%v: %q is picture %d of a day of %d", c, label, n, c.Day())
		}
		plain := func(s string) string { return strings.ReplaceAll(s, ";", ":") }
		if got := c.Label(n); plain(got) != plain(label) {
			t.Fatalf("%v: %q is picture %d, which is %q", c, label, n, got)
		}
	})
}
