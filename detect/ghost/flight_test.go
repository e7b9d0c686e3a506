package ghost

import (
	"math"
	"testing"
)

// crowd paints rows of things that sway and glint above and below a flight at
// y 180, so that every tile on its way holds some of them.
func crowd(_ *clip, k, x, y, v float64) float64 {
	if math.Abs(y-180) > 70 {
		return v
	}
	const apart = 60
	f := math.Round((x - 30) / apart)
	side := math.Copysign(1, y-180)
	cx, cy := 30+apart*f+6*math.Sin(2.3*k+f), 180+side*(46+4*math.Sin(1.9*k+2*f))
	level := 25 + 45*math.Abs(math.Sin(1.3*k+3*f+side))
	return v + level*max(0, min(1, 18-math.Hypot(x-cx, y-cy)))
}

// A ball that passes close by others has the tiles to itself in no picture: its
// copies are told where it is alone among what stands out.
func TestFlightThroughCrowd(t *testing.T) {
	for _, c := range []struct {
		name  string
		mix   func(int) []float64
		found bool
	}{
		{"copies on both sides", burst(18, 22, .25, .5, .25), true},
		{"one copy", burst(18, 22, 0, .5, .5), true},
		{"clean", nil, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			clip := newClip(5)
			clip.diameter = 24
			clip.y = func(float64) float64 { return 180 }
			clip.paint, clip.mix = crowd, c.mix
			events := scan(t, clip).Events
			if !c.found {
				if len(events) > 0 {
					t.Errorf("found %+v", events)
				}
				return
			}
			if len(events) != 1 {
				t.Fatalf("found %d events: %+v", len(events), events)
			}
			if e := events[0]; e.Start < 17 || e.Start > 20 || e.End > 23 || math.Abs(float64(e.Region.Min.Y+e.Region.Max.Y)/2-180) > 30 {
				t.Errorf("pictures %d to %d at %v, want 18 to 22 along y 180", e.Start, e.End, e.Region)
			}
		})
	}
}
