package refresh

import "testing"

func TestRealTime(t *testing.T) {
	for _, fps := range []float64{24, 25, 30, 50, 60 / 1.001, 60} {
		for _, hz := range []float64{50, 60 / 1.001, 60, 100, 120} {
			for _, ex := range []float64{0.3, 0.6, 1} {
				for i, show := range []content{pan(.004), head, pan(.02)} {
					c := camera{seconds: 4, hz: hz, fps: fps, exposure: ex, slope: .012, phase: 0.0031, noise: 0.4, show: show}
					frames, _ := c.film()
					e := Find(grid240, frames, FindOptions{})
					if e.Found || !e.Unlike {
						t.Logf("%v fps %v Hz exposure %v content %d: found %v %.3f conf %.2f %s", fps, hz, ex, i, e.Found, e.Hz, e.Confidence, e.Reason)
					}
				}
			}
		}
	}
}
