package refresh

import (
	"math"
	"testing"
)

func dark(c content) content {
	return func(k int, y, x float64) float64 { return 0.02 * c(k, y, x) }
}

func stillUntil(n int, c content) content {
	return func(k int, y, x float64) float64 { return c(max(k, n), y, x) }
}

// dissolve fades every second from one pan to another.
func dissolve(k int, y, x float64) float64 {
	w := min(max(math.Sin(float64(k)/25)*1.5+0.5, 0), 1)
	return w*pan(0.003)(k, y, x) + (1-w)*pan(-0.002)(k, y+0.3, 1.3*x)
}

// flashes brightens every 30th picture a lot.
func flashes(k int, y, x float64) float64 {
	v := head(k, y, x)
	if k%30 < 2 {
		v = 0.5 + 0.5*v
	}
	return v
}

func pulldown32(k int) int { return (k/5)*2 + []int{0, 0, 0, 1, 1}[((k%5)+5)%5] }

func TestFollowHard(t *testing.T) {
	base := camera{seconds: 4, hz: 60 / 1.001, fps: 240, exposure: 0.8, slope: 0.011, phase: 0.004, noise: 0.4, show: pan(0.004), seed: 5}
	with := func(f func(c *camera)) camera { c := base; f(&c); return c }
	for _, c := range []struct {
		name string
		cam  camera
	}{
		{"base", base},
		{"noise 1.5", with(func(c *camera) { c.noise = 1.5 })},
		{"head noise 0.6", with(func(c *camera) { c.show = head; c.noise = .6 })},
		{"dips", with(func(c *camera) { c.dips = .9; c.dipLength = .12; c.dipSlope = .012 })},
		{"dips head", with(func(c *camera) { c.dips = .9; c.dipLength = .12; c.dipSlope = .012; c.show = head })},
		{"black insertion", with(func(c *camera) { c.dips = 1; c.dipLength = .5; c.dipSlope = .012 })},
		{"pwm", with(func(c *camera) { c.pwm = .2 })},
		{"drift", with(func(c *camera) { c.drift = .3 })},
		{"jitter", with(func(c *camera) { c.jitter = .0008 })},
		{"response 1 ms", with(func(c *camera) { c.response = .001 })},
		{"response 2.5 ms", with(func(c *camera) { c.response = .0025 })},
		{"across 3 ms", with(func(c *camera) { c.across = .003 })},
		{"across -4 ms, no slope", with(func(c *camera) { c.across = -.004; c.slope = 0.001 })},
		{"dark", with(func(c *camera) { c.show = dark(pan(.004)); c.noise = 0.5 })},
		{"dark head", with(func(c *camera) { c.show = dark(head); c.noise = 0.3 })},
		{"still 3.5 s then head", with(func(c *camera) { c.seconds = 6; c.show = stillUntil(210, head) })},
		{"head then still then pan", with(func(c *camera) {
			c.seconds = 8
			c.show = func(k int, y, x float64) float64 {
				if k < 120 {
					return head(k, y, x)
				}
				if k < 360 {
					return head(120, y, x)
				}
				return pan(.003)(k, y, x)
			}
		})},
		{"dissolve", with(func(c *camera) { c.show = dissolve })},
		{"flashes", with(func(c *camera) { c.show = flashes })},
		{"3:2", with(func(c *camera) { c.hz = 60; c.show24 = pulldown32 })},
		{"3:2 head", with(func(c *camera) { c.hz = 60; c.show24 = pulldown32; c.show = head })},
		{"25 on 100", with(func(c *camera) { c.hz = 100; c.countNew = true; c.show24 = func(k int) int { return k / 4 } })},
		{"24 on 120", with(func(c *camera) { c.hz = 120; c.countNew = true; c.show24 = func(k int) int { return k / 5 } })},
		{"30 on 60", with(func(c *camera) { c.hz = 60; c.countNew = true; c.show24 = func(k int) int { return k / 2 } })},
		{"12 on 24", with(func(c *camera) { c.hz = 24; c.show24 = func(k int) int { return k / 2 } })},
		{"120 fps of 50", with(func(c *camera) { c.hz = 50; c.fps = 120 })},
		{"120 fps of 59.94", with(func(c *camera) { c.fps = 120 })},
		{"119.88 fps of 59.94", with(func(c *camera) { c.fps = 120 / 1.001 })},
		{"60 fps of 25", with(func(c *camera) { c.hz = 25; c.fps = 60 })},
		{"60 fps of 60", with(func(c *camera) { c.fps = 60; c.hz = 60 })},
		{"60 fps of 59.94", with(func(c *camera) { c.fps = 60 })},
		{"60 fps of 50", with(func(c *camera) { c.fps = 60; c.hz = 50 })},
		{"30 fps of 60", with(func(c *camera) { c.fps = 30; c.hz = 60 })},
		{"60 fps of 50 still", with(func(c *camera) { c.fps = 60; c.hz = 50; c.show = stillUntil(9999, head) })},
		{"still", with(func(c *camera) { c.show = stillUntil(9999, head) })},
		{"flat", with(func(c *camera) { c.show = func(k int, y, x float64) float64 { return .2 } })},
		{"25 then 50", with(func(c *camera) {
			c.hz = 50
			c.countNew = true
			c.seconds = 6
			c.show24 = func(k int) int {
				if k < 120 {
					return k &^ 1
				}
				return k
			}
		})},
	} {
		f, ds, truths := follow(c.cam, nil, FollowOptions{})
		frames, _ := c.cam.film()
		e := Find(grid240, frames[:min(len(frames), int(2*c.cam.fps))], FindOptions{})
		var s score
		s.add(ds, truths)
		bad := ""
		if share(s.right, s.pure) < 0.995 || share(s.recalled, s.mixed) < 0.98 {
			bad = "BAD"
		}
		t.Logf("%-24s right %.4f of %d, recalled %.4f of %d, pure %.3f of possible %d, unlocked %.3f; now %.3f Hz err %.2g exp %.2f slope %.2f across %.2f %s\n     %.3f Hz conf %.2f %s", c.name,
			share(s.right, s.pure), s.pure, share(s.recalled, s.mixed), s.mixed, share(s.pureBands, s.possible), s.possible, float64(s.unlocked)/float64(len(ds)*48), 1/f.lock.Period, f.lock.EpochError, f.lock.Exposure*c.cam.fps, f.lock.Slope*1e3, f.lock.Across*1e3, bad, e.Hz, e.Confidence, e.Reason)
	}
}
