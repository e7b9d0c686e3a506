package motion

import (
	"math"
	"testing"

	"setwitness/detect/cells"
)

// Where a camera's exposure drifts, or steps, over a still scene nothing stands
// out but what moves.
func TestExposure(t *testing.T) {
	for name, exposure := range map[string]func(i int) float64{
		"drifts": func(i int) float64 { return 1 + 0.004*float64(i) },
		"steps":  func(i int) float64 { return 1 + 0.06*float64(i/12) },
		"in two steps": func(i int) float64 {
			return 1 + 0.05*float64(i/10) - 0.03*float64(i/15)
		},
	} {
		t.Run(name, func(t *testing.T) {
			s := newScene(3)
			s.stepX, s.diameter, s.contrast, s.exposure = 22, 30, 60, exposure
			seen := 0
			probe(t, s, func(i int, m *Map) {
				// In the picture of a step a background has the light of both.
				if i < 4 || i > 19 || math.Abs(exposure(i)-exposure(i-1)) > 0.01 {
					return
				}
				cx := 60 + s.stepX*float64(i)
				for k := range m.Tiles {
					if !m.Tiles[k].Thing {
						continue
					}
					x, y := (float64(k%m.Cols)+0.5)*64, (float64(k/m.Cols)+0.5)*64
					if math.Abs(x-cx) > 80 || math.Abs(y-100) > 80 {
						t.Errorf("picture %d: a thing in tile %d,%d, the disc is at %.0f,100", i, k%m.Cols, k/m.Cols, cx)
					}
					seen++
				}
			})
			if seen < 16 {
				t.Errorf("the disc is a thing in %d tiles", seen)
			}
		})
	}
}

func TestLightFit(t *testing.T) {
	// of returns samples of some ranges, each with its background and what they are
	// off it.
	of := func(points ...[2]float64) (ranges [][]behind) {
		for _, p := range points {
			var list []behind
			for range 2 * fewestOfRange {
				list = append(list, behind{off: int32(p[1]), background: uint16(p[0])})
			}
			ranges = append(ranges, list)
		}
		return ranges
	}
	const code = cells.Unit8
	for _, c := range []struct {
		name         string
		ranges       [][]behind
		offset, gain float64
	}{
		{"nothing", of([2]float64{500, 0}, [2]float64{1500, 0}, [2]float64{2500, 0}), 0, 0},
		{"less than can be told", of([2]float64{500, 2}, [2]float64{1500, 3}, [2]float64{2500, 4}), 0, 0},
		{"an offset", of([2]float64{500, 3 * code}, [2]float64{1500, 3 * code}), 3 * code, 0},
		{"a gain", of([2]float64{500, 25}, [2]float64{1500, 75}, [2]float64{2500, 125}, [2]float64{3500, 175}), 0, 0.05},
		{"a gain, and a thing before one range", of([2]float64{500, 25}, [2]float64{1500, -900}, [2]float64{2500, 125}, [2]float64{3500, 175}), 0, 0.05},
		{"things that come and go", of([2]float64{500, 300}, [2]float64{1500, 0}, [2]float64{2500, -250}, [2]float64{3000, 320}), 0, 0},
		{"one range that has few", [][]behind{{{off: 99, background: 700}}}, 0, 0},
	} {
		var l lit
		l.fit(c.ranges)
		if math.Abs(l.offset-c.offset) > 0.5 || math.Abs(l.gain-c.gain) > 1e-3 {
			t.Errorf("%s: offset %.2f, gain %.4f, want %.2f, %.4f", c.name, l.offset, l.gain, c.offset, c.gain)
		}
	}
}
