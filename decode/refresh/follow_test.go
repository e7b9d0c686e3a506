package refresh

import (
	"testing"
)

// score is how decisions compare with the truth.
type score struct {
	bands, pure, right  int // bands decided; not marked mixed; of those with the right picture
	mixed, recalled     int // bands that saw two pictures; of those marked
	unlocked            int
	pictures, pureBands int // picture-bands shown; of those with a pure frame
	possible            int // picture-bands for which the camera took a pure frame
}

// traceShare is the share of an exposure that may see another picture before
// a band counts as mixed: less cannot be seen in 8 bits.
const traceShare = 0.01

func (s *score) add(decisions []Decision, truths [][]truth) {
	offset := map[int]int{}
	for _, d := range decisions {
		for b, v := range d.Bands {
			offset[v.Picture-truths[d.Frame][b].picture]++
		}
	}
	shift, most := 0, 0
	for k, n := range offset {
		if n > most {
			shift, most = k, n
		}
	}
	type place struct{ k, b int }
	shown, pure := map[place]bool{}, map[place]bool{}
	for _, d := range decisions {
		if !d.Locked {
			s.unlocked += len(d.Bands)
			continue
		}
		for b, v := range d.Bands {
			s.bands++
			t := truths[d.Frame][b]
			mixed := t.share > traceShare && t.share < 1-traceShare
			k := t.picture
			if t.share <= traceShare {
				k--
			}
			if mixed {
				s.mixed++
				if v.Mixed {
					s.recalled++
				}
			} else {
				shown[place{k, b}] = true
			}
			if !v.Mixed {
				s.pure++
				pure[place{v.Picture - shift, b}] = true
				// A mixed band that is not marked counts as wrong unless it
				// has the number of either.
				if v.Picture-shift == k || mixed && v.Picture-shift == k-1 {
					s.right++
				}
			}
		}
	}
	s.possible += len(shown)
	for p := range shown {
		if pure[p] {
			s.pureBands++
		}
	}
}

func share(n, of int) float64 {
	if of == 0 {
		return 1
	}
	return float64(n) / float64(of)
}

func follow(c camera, e *Estimate, o FollowOptions) (*Follower, []Decision, [][]truth) {
	frames, truths := c.film()
	l := Layout{Cols: 64, Rows: 48, Black: 16, Full: 255}
	if e == nil {
		n := min(len(frames), int(2*c.fps))
		v := Find(l, frames[:n], FindOptions{})
		e = &v
	}
	f := NewFollower(l, e, o)
	var all []Decision
	keep := func(ds []Decision) {
		for _, d := range ds {
			d.Bands = append([]Band(nil), d.Bands...)
			all = append(all, d)
		}
	}
	for _, fr := range frames {
		keep(f.Push(fr))
	}
	keep(f.Flush())
	return f, all, truths
}

func TestFollowTable(t *testing.T) {
	contents := []struct {
		name string
		show content
	}{{"pan", pan(0.004)}, {"head", head}}
	for _, c := range contents {
		for _, hz := range []float64{25, 50, 60 / 1.001, 60, 100, 120} {
			for i, exposure := range []float64{0.3, 0.7, 1} {
				slope := []float64{0.012, -0.009, 0.002}[i]
				cam := camera{seconds: 3, hz: hz, fps: 240, exposure: exposure, slope: slope, phase: 0.0031 * float64(i+1), noise: 0.3, show: c.show, seed: uint64(i)}
				f, ds, truths := follow(cam, nil, FollowOptions{})
				var s score
				s.add(ds, truths)
				bad := ""
				if share(s.right, s.pure) < 0.995 || share(s.recalled, s.mixed) < 0.98 {
					bad = "BAD"
				}
				t.Logf("%s %6.2f Hz exposure %.1f slope %5.1f: right %.4f of %d, recalled %.4f of %d, pure %.3f of possible %d, unlocked %.3f; now %.3f Hz err %.2g exp %.2f slope %.2f %s", c.name, hz, exposure, slope*1e3,
					share(s.right, s.pure), s.pure, share(s.recalled, s.mixed), s.mixed, share(s.pureBands, s.possible), s.possible, float64(s.unlocked)/float64(len(ds)*48), 1/f.lock.Period, f.lock.EpochError, f.lock.Exposure*240, f.lock.Slope*1e3, bad)
			}
		}
	}
}
