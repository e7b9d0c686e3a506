package screen

import (
	"math"
	"slices"

	"setwitness/decode/picture"
	"setwitness/decode/screen/opencv"
)

// The dark gaps between a panel's pixels draw a fine regular grid into a
// close-up: the same number of camera pixels apart across and down, in all of
// the frame and in every frame, whatever the set shows. Textures of a scene
// are seldom square, and never everywhere at all times.

const (
	// The grid is looked for in windows of this side, px: several at each
	// place of the frame, large enough for a sharp line in the spectrum.
	gridWindow = 128
	gridPlaces = 3 // across and down
	// Pitches of a panel's pixels that a camera can show, px: from its own
	// limit to where a phone does not come nearer.
	leastPitch, mostPitch = 2.05, 12
	// A line of the spectrum has to stand out against its surroundings by
	// this factor in power.
	lineOut = 12
	// Pitches across and down agree within this share, for square pixels
	// seen a little from the side, and those of the windows within that.
	squareSlack, placeSlack = 0.12, 0.15
	// The share of the windows that have to show the grid.
	gridShare = 0.5
	// A pitch within this share of a dither's is the dither's: from place to
	// place a camera's lens alone changes that of a panel by more.
	ditherSlack = 0.005
	// A wave that strays by half of its length over the frame, or by more, keeps less
	// than this of its height from edge to edge: sin(x)/x is 0.64 at a quarter of a wave
	// to either side, and both ways add.
	keptDrawn = 0.5
)

// ditherPitches are those of the ordered dither that brings a gradient to fewer
// bits, px: matrices of 2, 4 and 8 (Bayer 1973). The first is beyond the pitches
// of panels.
var ditherPitches = [...]float64{4, 8}

// grid returns how many camera pixels there are for a row of the panel's pixels,
// and the share of the windows that show them.
func (f *Finder) grid() (px, share float64) {
	if f.size.X < 2*gridWindow || f.size.Y < 2*gridWindow {
		return 0, 0
	}
	var pitches, heights []float64
	total := 0
	for k := range f.whole {
		p := &f.whole[k].plane
		for j := range gridPlaces {
			for i := range gridPlaces {
				x := (p.W - gridWindow) * i / (gridPlaces - 1)
				y := (p.H - gridWindow) * j / (gridPlaces - 1)
				power, ok := spectrum(p, x, y)
				if !ok {
					continue
				}
				total++
				across, wide := line(power, false)
				down, high := line(power, true)
				if across > 0 && down > 0 && math.Abs(math.Log(across/down)) < squareSlack {
					pitches, heights = append(pitches, down), append(heights, min(wide, high))
				}
			}
		}
	}
	if total == 0 || len(pitches) == 0 {
		return 0, 0
	}
	slices.Sort(pitches)
	px = pitches[len(pitches)/2]
	if low, high := pitches[len(pitches)/4], pitches[len(pitches)*3/4]; dither(low) && dither(high) {
		return 0, 0
	}
	agree := 0
	for _, p := range pitches {
		if math.Abs(math.Log(p/px)) < placeSlack {
			agree++
		}
	}
	share = float64(agree) / float64(total)
	if share >= gridShare {
		slices.Sort(heights)
		if f.drawn(px, heights[len(heights)/2]) {
			return 0, 0
		}
	}
	return px, share
}

// drawn reports whether a grid of such a pitch, and of such a height in the windows,
// keeps to the rows and columns of the frame from edge to edge: a camera sees that of
// a panel a little turned, from the side and through a lens, so that over the frame it
// strays by more than half of its pitch. Letters and lights that a picture was made
// with do not.
func (f *Finder) drawn(px, height float64) bool {
	var kept []float64
	for k := range f.whole {
		p := &f.whole[k].plane
		across, down := make([]float64, p.W), make([]float64, p.H)
		for y := range p.H {
			for x := range p.W {
				v := float64(p.At(x, y))
				across[x] += v / float64(p.H)
				down[y] += v / float64(p.W)
			}
		}
		kept = append(kept, min(tone(across, px), tone(down, px))/height)
	}
	slices.Sort(kept)
	return kept[len(kept)/2] >= keptDrawn
}

// tone is the height of the strongest wave of about a pitch in samples.
func tone(v []float64, px float64) (height float64) {
	mean := 0.0
	for _, x := range v {
		mean += x / float64(len(v))
	}
	n, hann := float64(len(v)), hann(len(v))
	for cycles := n / px * (1 - placeSlack); cycles <= n/px*(1+placeSlack); cycles += 0.25 {
		var re, im float64
		for i, x := range v {
			sin, cos := math.Sincos(2 * math.Pi * cycles * float64(i) / n)
			re, im = re+hann[i]*(x-mean)*cos, im+hann[i]*(x-mean)*sin
		}
		height = max(height, math.Hypot(re, im)*4/n)
	}
	return height
}

// hann is the window of Hann over n samples, of mean 1/2.
func hann(n int) []float64 {
	w := make([]float64, n)
	for i := range w {
		w[i] = 0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/float64(n))
	}
	return w
}

// dither reports whether a pitch is that of an ordered dither.
func dither(px float64) bool {
	return slices.ContainsFunc(ditherPitches[:], func(p float64) bool { return math.Abs(px/p-1) < ditherSlack })
}

// spectrum returns the power of a window of a plane, gridWindow squared; it
// reports false for a window without contrast.
func spectrum(p *picture.Plane, x0, y0 int) ([]float32, bool) {
	px := make([]float32, gridWindow*gridWindow)
	var mean float64
	for y := range gridWindow {
		for x := range gridWindow {
			mean += float64(p.At(x0+x, y0+y))
		}
	}
	mean /= gridWindow * gridWindow
	hann := hann(gridWindow)
	var energy float64
	for y := range gridWindow {
		for x := range gridWindow {
			v := (float64(p.At(x0+x, y0+y)) - mean) * hann[x] * hann[y]
			px[y*gridWindow+x] = float32(v)
			energy += v * v
		}
	}
	if energy == 0 {
		return nil, false
	}
	c, err := opencv.DFT(px, gridWindow, gridWindow)
	if err != nil {
		return nil, false
	}
	power := make([]float32, gridWindow*gridWindow)
	for i := range power {
		power[i] = c[2*i]*c[2*i] + c[2*i+1]*c[2*i+1]
	}
	return power, true
}

// line returns the pitch of the strongest line along an axis of a spectrum, px, and
// the height of its wave; 0 when none stands out.
func line(power []float32, down bool) (pitch, height float64) {
	at := func(along, beside int) float32 {
		beside = (beside + gridWindow) % gridWindow
		if down {
			return power[along*gridWindow+beside]
		}
		return power[beside*gridWindow+along]
	}
	// The strongest within some degrees of the axis: the camera is turned a
	// little.
	const turn = 0.08
	n := gridWindow / 2
	ridge := make([]float64, n+1) // with the finest there is, every other pixel
	for i := range ridge {
		w := 1 + int(turn*float64(i))
		for k := -w; k <= w; k++ {
			ridge[i] = max(ridge[i], float64(at(i, k)))
		}
	}
	best, power1 := 0, 0.0
	from, to := int(math.Round(gridWindow/mostPitch)), int(math.Round(gridWindow/leastPitch))
	for i := from; i <= min(to, n-1); i++ {
		// The shoulder of a finer or coarser line is none.
		if ridge[i] < ridge[i-1] || ridge[i] < ridge[i+1] {
			continue
		}
		var near []float64
		for k := i - 8; k <= i+8; k++ {
			if (k < i-2 || k > i+2) && k > 0 && k <= n {
				near = append(near, ridge[k])
			}
		}
		slices.Sort(near)
		if out := ridge[i] / max(near[len(near)/2], 1e-9); out > lineOut && ridge[i] > power1 {
			best, power1 = i, ridge[i]
		}
	}
	// What alternates from pixel to pixel is dither and no lens's picture.
	if best == 0 || ridge[n] > power1 {
		return 0, 0
	}
	// Between the bins, by the centre of the peak.
	var sum, weight float64
	for k := best - 1; k <= best+1; k++ {
		sum += float64(k) * ridge[k]
		weight += ridge[k]
	}
	return gridWindow * weight / sum, math.Sqrt(power1) * 8 / (gridWindow * gridWindow)
}
