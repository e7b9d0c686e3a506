package refresh

import (
	"math"
	"testing"
)

// score is how decisions compare with the truth.
type score struct {
	bands, pure, right int // bands decided; not marked mixed; of those with the right picture
	mixed, recalled    int // bands that saw two pictures; of those marked
	unlocked           int
	pureBands          int // picture-bands shown; of those with a pure frame
	possible           int // picture-bands for which the camera took a pure frame
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
	if e == nil {
		n := min(len(frames), int(2*c.fps))
		v := Find(grid240, frames[:n], FindOptions{})
		e = &v
	}
	f := NewFollower(grid240, e, o)
	var all []Decision
	for _, fr := range frames {
		all = keep(all, f.Push(fr))
	}
	all = keep(all, f.Flush())
	return f, all, truths
}

// keep appends copies of decisions, whose bands last until the next call only.
func keep(all, ds []Decision) []Decision {
	for _, d := range ds {
		d.Bands = append([]Band(nil), d.Bands...)
		all = append(all, d)
	}
	return all
}

func dark(c content) content {
	return func(k int, y, x float64) float64 { return 0.02 * c(k, y, x) }
}

func stillUntil(n int, c content) content {
	return func(k int, y, x float64) float64 { return c(max(k, n), y, x) }
}

// paused moves, stands still, and moves on.
func paused(from, to int, a, b content) content {
	return func(k int, y, x float64) float64 {
		switch {
		case k < from:
			return a(k, y, x)
		case k < to:
			return a(from, y, x)
		}
		return b(k, y, x)
	}
}

// dissolve fades from one pan to another and back.
func dissolve(k int, y, x float64) float64 {
	w := min(max(math.Sin(float64(k)/25)*1.5+0.5, 0), 1)
	return w*pan(0.003)(k, y, x) + (1-w)*pan(-0.002)(k, y+0.3, 1.3*x)
}

// flashes brighten every 30th picture a lot.
func flashes(k int, y, x float64) float64 {
	v := head(k, y, x)
	if k%30 < 2 {
		v = 0.5 + 0.5*v
	}
	return v
}

// pulldown32 shows pictures for three and two refreshes in turn.
func pulldown32(k int) int { k += 500; return (k/5)*2 + []int{0, 0, 0, 1, 1}[k%5] }

const (
	// rightGoal and recallGoal are the shares of bands not marked mixed that
	// have the right number, and of mixed bands that are marked.
	rightGoal, recallGoal = 0.995, 0.98
)

func TestFollow(t *testing.T) {
	base := camera{seconds: 2.2, hz: 60000. / 1001, fps: 240, exposure: 0.8, slope: 0.011, phase: 0.004, noise: 0.4, show: pan(0.004), seed: 5}
	with := func(f func(c *camera)) camera { c := base; f(&c); return c }
	tests := []struct {
		name     string
		camera   camera
		unlocked float64 // share of bands that may be so
	}{
		{"noise", with(func(c *camera) { c.noise = 1.5 }), 0},
		{"head", with(func(c *camera) { c.show = head; c.noise = 0.3 }), 0},
		{"exactly four frames", with(func(c *camera) { c.hz = 60; c.exposure = 1; c.slope = 0.002 }), 0},
		{"120 full exposure", with(func(c *camera) { c.hz = 120; c.exposure = 1 }), 0},
		{"50 upwards", with(func(c *camera) { c.hz = 50; c.slope = -0.014 }), 0},
		{"dips and drift", with(func(c *camera) { c.dips = 0.9; c.dipLength = 0.12; c.dipSlope = 0.012; c.drift = 0.3 }), 0},
		{"backlight", with(func(c *camera) { c.pwm = 0.2 }), 0},
		{"uneven times", with(func(c *camera) { c.jitter = 0.0008 }), 0},
		{"across", with(func(c *camera) { c.across = -0.004; c.slope = 0.005 }), 0},
		{"dark head", with(func(c *camera) { c.show = dark(head); c.noise = 0.1 }), 0},
		{"dissolve", with(func(c *camera) { c.show = dissolve }), 0},
		{"flashes", with(func(c *camera) { c.show = flashes; c.noise = 0.3 }), 0},
		{"3:2", with(func(c *camera) { c.hz = 60; c.show24 = pulldown32 }), 0},
		{"120 a second", with(func(c *camera) { c.fps = 120; c.hz = 50; c.jitter = 0.0004 }), 0},
		{"exactly two frames", with(func(c *camera) {
			c.fps = 120
			c.hz = 60
			c.exposure = 0.45
			c.slope = 0.002
			c.noise = 0.1
			c.phase = 0.001
		}), 0},
		{"still, then moving", with(func(c *camera) { c.seconds = 3; c.show = stillUntil(60, head); c.noise = 0.3 }), 0.65},
		{"moving, still, moving", with(func(c *camera) { c.seconds = 5; c.show = paused(120, 240, head, pan(0.003)); c.noise = 0.3 }), 0},
	}
	for _, c := range tests {
		f, ds, truths := follow(c.camera, nil, FollowOptions{})
		if len(ds) != int(c.camera.seconds*c.camera.fps) {
			t.Errorf("%s: %d decisions", c.name, len(ds))
		}
		var s score
		s.add(ds, truths)
		unlocked := float64(s.unlocked) / float64(len(ds)*grid240.Rows)
		t.Logf("%-22s right %.4f of %d, recalled %.4f of %d, a pure frame for %.3f of %d, unlocked %.3f; %.3f Hz", c.name,
			share(s.right, s.pure), s.pure, share(s.recalled, s.mixed), s.mixed, share(s.pureBands, s.possible), s.possible, unlocked, 1/f.lock.Period)
		if share(s.right, s.pure) < rightGoal || share(s.recalled, s.mixed) < recallGoal || unlocked > c.unlocked || s.pure == 0 {
			t.Errorf("%s: right %.4f, recalled %.4f, unlocked %.3f", c.name, share(s.right, s.pure), share(s.recalled, s.mixed), unlocked)
		}
		// What the camera saw alone is not thrown away.
		if got := share(s.pureBands, s.possible); got < 0.95 {
			t.Errorf("%s: a pure frame for %.3f of the pictures' bands", c.name, got)
		}
	}
}

// After a cut in the file the phase is another; the lock comes back within
// half a second, and pictures go on being numbered upwards.
func TestFollowCut(t *testing.T) {
	c := camera{seconds: 3, hz: 50, fps: 240, exposure: 0.7, slope: 0.012, phase: 0.004, noise: 0.4, show: pan(0.004)}
	frames, _ := c.film()
	e := Find(grid240, frames[:400], FindOptions{})
	const cut, skipped = 400, 23
	for _, told := range []bool{true, false} {
		f := NewFollower(grid240, &e, FollowOptions{})
		last, back := math.MinInt, -1
		n := 0
		for i, fr := range frames {
			if i >= cut && i < cut+skipped {
				continue
			}
			if i == cut+skipped && told {
				f.Cut()
			}
			if i >= cut {
				fr.Time -= skipped * 1. / 240
			}
			for _, d := range f.Push(fr) {
				n++
				if d.Frame > cut+skipped && d.Locked && back < 0 && d.Frame > cut+80 {
					back = d.Frame
				}
				if d.Frame > cut+150 && !d.Locked {
					t.Fatalf("told %v: frame %d is not locked", told, d.Frame)
				}
				if d.Frame > cut+150 && d.Bands[0].Picture < last {
					t.Fatalf("told %v: frame %d: picture %d after %d", told, d.Frame, d.Bands[0].Picture, last)
				}
				last = max(last, d.Bands[0].Picture)
			}
		}
		if back < 0 || n+len(f.Flush()) != len(frames)-skipped {
			t.Errorf("told %v: locked again at frame %d, %d decisions", told, back, n)
		}
		l, _ := f.Locked()
		// In the shifted time the updates come earlier by what was skipped.
		if d := math.Remainder(l.Epoch-(c.phase-skipped*1./240), l.Period); math.Abs(d) > 3e-4 {
			t.Errorf("told %v: phase off by %g s", told, d)
		}
	}
}

func TestFollowerAllocates(t *testing.T) {
	frames, _ := camera{seconds: 5, hz: 50, fps: 240, exposure: 0.7, slope: 0.012, noise: 0.4, show: pan(0.004)}.film()
	e := Find(grid240, frames[:480], FindOptions{})
	f := NewFollower(grid240, &e, FollowOptions{})
	i := 0
	push := func() { f.Push(frames[i]); i++ }
	for range 1000 {
		push()
	}
	// The window is full; what is left is the growth of its spare parts.
	if got := testing.AllocsPerRun(150, push); got > 2 {
		t.Errorf("%g allocations a frame", got)
	}
}

// BenchmarkFollower is the whole cost of a frame beside its grid, at 240.
func BenchmarkFollower(b *testing.B) {
	frames, _ := camera{seconds: 4, hz: 60000. / 1001, fps: 240, exposure: 0.7, slope: 0.012, noise: 0.4, show: pan(0.004)}.film()
	e := Find(grid240, frames[:480], FindOptions{})
	f := NewFollower(grid240, &e, FollowOptions{})
	span := frames[len(frames)-1].Time + 1./240
	i := 0
	for b.Loop() {
		fr := frames[i%len(frames)]
		fr.Time += float64(i/len(frames)) * span
		f.Push(fr)
		i++
	}
}

// BenchmarkUnlocked is the cost where no lock can be had: a real-time capture.
func BenchmarkUnlocked(b *testing.B) {
	frames, _ := camera{seconds: 20, hz: 60000. / 1001, fps: 60, exposure: 0.7, slope: 0.012, noise: 0.4, show: pan(0.004)}.film()
	f := NewFollower(grid240, nil, FollowOptions{})
	span := frames[len(frames)-1].Time + 1./60
	i := 0
	for b.Loop() {
		fr := frames[i%len(frames)]
		fr.Time += float64(i/len(frames)) * span
		f.Push(fr)
		i++
	}
}

func BenchmarkFind(b *testing.B) {
	frames, _ := camera{seconds: 2, hz: 60000. / 1001, fps: 240, exposure: 0.7, slope: 0.012, noise: 0.4, show: pan(0.004)}.film()
	for b.Loop() {
		Find(grid240, frames, FindOptions{})
	}
}

func FuzzFollower(f *testing.F) {
	f.Add([]byte{1, 5, 5, 200, 3, 0, 9, 255, 17, 4}, uint8(3))
	f.Add([]byte{0, 0, 0, 0}, uint8(255))
	f.Fuzz(func(t *testing.T, data []byte, cuts uint8) {
		if len(data) == 0 {
			return
		}
		l := Layout{Cols: 6, Rows: 5, Black: 16}
		fo := NewFollower(l, nil, FollowOptions{})
		got, at := 0, 0.0
		n := min(40*len(data), 400)
		for i := range n {
			g := make([]float32, l.Cols*l.Rows)
			for p := range g {
				g[p] = float32(data[(i/4*7+p)%len(data)])
				if g[p] == 17 {
					g[p] = float32(math.NaN())
				}
			}
			at += float64(data[i%len(data)]%8) / 1000
			if cuts > 0 && i%int(cuts) == 1 {
				fo.Cut()
			}
			got += len(fo.Push(Frame{Index: i, Time: at, Grid: g}))
		}
		if got += len(fo.Flush()); got != n {
			t.Fatalf("%d decisions on %d frames", got, n)
		}
	})
}
