package refresh

import (
	"math"
	"testing"
)

var grid240 = Layout{Cols: 64, Rows: 48, Black: 16, Full: 255}

func TestFindRates(t *testing.T) {
	for _, hz := range []float64{50, 60, 120} {
		for _, fps := range []float64{240, 240 / 1.001} {
			for _, exposure := range []float64{0.2, 0.6, 1} {
				for i, slope := range []float64{0.012, -0.009, 0.002} {
					c := camera{seconds: 2, hz: hz, fps: fps, exposure: exposure, slope: slope, phase: 0.0031 * float64(i+1), noise: 0.4, show: pan(0.004), seed: uint64(i)}
					frames, _ := c.film()
					e := Find(grid240, frames, FindOptions{})
					bad := ""
					if !e.Found || math.Abs(e.Hz-hz) > 0.05 {
						bad = "BAD"
					}
					t.Logf("%6.2f Hz %6.2f fps exposure %.1f slope %6.1f ms: %7.3f Hz err %6.3f slope %6.2f across %5.2f exposure %.2f conf %.2f phase err %.2f ms %s", hz, fps, exposure, slope*1e3, e.Hz, e.Hz-hz, e.Slope*1e3, e.Across*1e3, e.ExposureShare, e.Confidence,
						1e3*math.Remainder(e.Epoch-c.phase, 1/hz), bad)
				}
			}
		}
	}
}
