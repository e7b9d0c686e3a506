package filming

import "math"

// reach is how many displayed pictures a frame may touch at most.
func (c *Capture) reach() int {
	rate := min(c.Set.RefreshHz, c.Source.Format.Rate())
	return 2 + int(math.Ceil((c.Camera.ReadoutS+c.Camera.ExposureS+c.Set.RollS+c.Set.settled())*rate))
}

// touched returns the first and last displayed picture whose light may be in
// frame i.
func (c *Capture) touched(i int) (first, last int) {
	first = c.current(c.times[i]-c.Set.settled(), float64(c.Source.Format.H))
	last = c.current(c.times[i]+c.Camera.ReadoutS+c.Camera.ExposureS, 0)
	return first, last
}

// share sets how much light of each of the displayed pictures from first on
// gets into an exposure that starts at t0, as a share of what a picture of
// steady light would give. later is how much later than at the upper edge the
// line is updated.
func (c *Capture) share(first int, t0, later float64, w []float32) {
	t1 := t0 + c.Camera.ExposureS
	update := func(k int) float64 { return c.displayed[first+k].StartS + later }
	// In turn from the first picture: when its part of the exposure ends.
	end := func(k int) float64 {
		if k == len(w)-1 {
			return t1
		}
		return max(t0, min(t1, update(k+1)))
	}
	if c.Set.SettleS > 0 {
		c.settle(w, t0, update, end)
		return
	}
	before := c.until(t0, later)
	for k := range w {
		now := c.until(end(k), later)
		w[k] = float32((now - before) / c.Camera.ExposureS)
		before = now
	}
}

// until returns the integral of the set's light in a line from 0 to t.
func (c *Capture) until(t, later float64) float64 {
	if c.Set.DipDepth > 0 {
		return c.Set.emission().until(t - later - c.Set.PhaseS)
	}
	return c.Set.backlight().until(t)
}

// settle is share for a liquid crystal: from an update on, what was there
// decays with the set's time constant.
func (c *Capture) settle(w []float32, t0 float64, update, end func(k int) float64) {
	tau, exposure := c.Set.SettleS, c.Camera.ExposureS
	clear(w)
	from := t0
	for k := range w {
		to := end(k)
		if to <= from {
			continue
		}
		if k == 0 {
			w[0] = float32((to - from) / exposure)
			from = to
			continue
		}
		// The integral of what is left of the state at the update.
		start := update(k)
		left := tau * (math.Exp((start-from)/tau) - math.Exp((start-to)/tau)) / exposure
		w[k] += float32((to-from)/exposure - left)
		for j := k - 1; j >= 0 && left > 0; j-- {
			if j == 0 {
				w[0] += float32(left)
				break
			}
			own := left * (1 - math.Exp((update(j)-update(j+1))/tau))
			w[j] += float32(own)
			left -= own
		}
		from = to
	}
	for k := range w[1:] {
		if w[k] < nothing {
			w[k+1] += w[k]
			w[k] = 0
		}
	}
}
