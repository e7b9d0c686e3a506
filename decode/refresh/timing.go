package refresh

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Timing is when the frames of a file were really captured.
type Timing struct {
	// Real is the capture time of each frame, in seconds from the first.
	Real []float64
	// Rate is the frames a second at capture, in the file's fastest stretch
	// where there are several.
	Rate float64
	// Speed is how many times slower than life the file plays, where it plays
	// slowest.
	Speed float64
	// Source says where Rate comes from.
	Source TimingSource
	// Slowed are the stretches that play slower than life; none when the
	// stamps are real throughout.
	Slowed []Stretch
	// Reason says in plain words how it was told.
	Reason string
}

// Stretch is a run of frames, from the first to before To.
type Stretch struct{ From, To int }

// TimingSource is what a capture rate was taken from.
type TimingSource uint8

// The sources, the surest first.
const (
	Given    TimingSource = iota // by the user
	Metadata                     // by the file's own statement
	Spacing                      // by the spacing of the file's frames
	Refresh                      // by the refresh of the set that was filmed
)

func (s TimingSource) String() string {
	return [...]string{"given", "metadata", "spacing", "refresh"}[s]
}

// Keys that phones write the capture rate or the intent of slow motion to.
// The first is read in real files; the two others are documented for
// QuickTime metadata by the vendor of the format.
const (
	keyCaptureRate = "com.android.capture.fps"
	// keyFullRate is 1 when the file is meant to play at full rate and 0 when
	// it is meant to play slowly; the stamps are real either way.
	keyFullRate = "com.apple.quicktime.full-frame-rate-playback-intent"
)

// Metadata values outside these bounds are damaged, not a camera's.
const leastCapture, mostCapture = 1.0, 10000.0

const (
	// slower is the least factor by which metadata must exceed the stamps'
	// rate for the file to be slowed: cameras miss their rate by less.
	slower = 1.5
	// wholeFactor is how far from a whole number the ratio of two spacings
	// may be in a file that is slowed in a part.
	wholeFactor = 0.1
	// stretchFrames is the least run that is a stretch and not lost frames.
	stretchFrames = 8
	// gapSteps is how many steps a spacing may be before it is a gap in the
	// recording and no step; rounding makes 2 and 3 ticks of one step.
	gapSteps = 1.6
)

// coarseTicks are the ticks a second, of scales in use, that are so coarse that
// rounding to them moves a frame visibly: 600 of QuickTime movies, 1000 of
// Matroska (both from memory).
var coarseTicks = [...]float64{600, 1000}

// CaptureRate reads the capture rate from a file's tags, container and stream
// alike; 0 when there is none.
func CaptureRate(tags map[string]string) float64 {
	for k, v := range tags {
		if !strings.EqualFold(k, keyCaptureRate) {
			continue
		}
		r, err := strconv.ParseFloat(strings.TrimSpace(v), 64)
		if err == nil && r >= leastCapture && r <= mostCapture {
			return r
		}
	}
	return 0
}

// Keys that cameras write their maker, their model or their system to, container and
// stream alike: those of phones with Android, of QuickTime metadata, and those that
// FFmpeg gives older notes of QuickTime (the last two from memory).
var cameraKeys = [...]string{
	"com.android.", keyFullRate, "com.apple.quicktime.make", "com.apple.quicktime.model", "com.apple.quicktime.camera.", "make", "model",
}

// ByCamera reports whether a file's tags say that a camera made it.
func ByCamera(tags map[string]string) bool {
	for k := range tags {
		k = strings.ToLower(k)
		for _, key := range cameraKeys {
			if k == key || strings.HasSuffix(key, ".") && strings.HasPrefix(k, key) {
				return true
			}
		}
	}
	return false
}

// RealTimes tells from the frames' presentation times, which rise, and the
// file's tags when the frames were captured. given is the capture rate that
// the user states, or 0.
func RealTimes(shown []time.Duration, tags map[string]string, given float64) Timing {
	t := Timing{Speed: 1, Source: Spacing}
	n := len(shown)
	t.Real = make([]float64, n)
	if n < 2 {
		t.Reason = "too few frames to tell their rate"
		return t
	}
	steps := make([]float64, n-1)
	for i := range steps {
		steps[i] = (shown[i+1] - shown[i]).Seconds()
	}
	fast := typicalStep(steps)
	if !(fast > 0) {
		t.Reason = "the frames' times do not rise"
		return t
	}
	runs := t.runs(steps, fast)
	slowest := fast
	for _, r := range runs {
		slowest = max(slowest, r.step)
	}
	capture := given
	if given > 0 {
		t.Source = Given
	} else if capture = CaptureRate(tags); capture*fast > 1/slower {
		t.Source = Metadata
	}
	if t.Source == Spacing || len(runs) > 1 && capture*fast < slower && given == 0 {
		// Stamps that come as fast as the file says, or faster, are real.
		capture = 1 / fast
	}
	t.Rate = capture
	at := 0.0
	i := 0
	for _, r := range runs {
		factor := 1.0
		if r.step*capture > slower {
			factor = r.step * capture
			t.Slowed = append(t.Slowed, Stretch{r.from, r.to + 1})
			t.Speed = max(t.Speed, factor)
		} else if t.Source == Given {
			factor = r.step * capture
		}
		for ; i < r.to; i++ {
			at += steps[i] / factor
			t.Real[i+1] = at
		}
	}
	straighten(t.Real, shown, 1/t.Rate)
	t.Reason = t.tell(tags, 1/slowest)
	return t
}

// run is a run of steps of about one length.
type run struct {
	from, to int     // steps
	step     float64 // s
}

// typicalStep returns the shortest spacing that a good part of the frames
// has: stamps are rounded, so it is a mean over like ones.
func typicalStep(steps []float64) float64 {
	v := slices.Clone(steps)
	slices.Sort(v)
	// A stretch of real speed at either end may be a tenth of the frames.
	const part = 0.05
	s := v[int(part*float64(len(v)-1))]
	return meanNear(steps, s)
}

// meanNear averages the steps that are near s.
func meanNear(steps []float64, s float64) float64 {
	sum, n := 0.0, 0
	for _, v := range steps {
		if v > s/gapSteps && v < s*gapSteps {
			sum += v
			n++
		}
	}
	if n == 0 {
		return s
	}
	return sum / float64(n)
}

// runs divides the steps where their length changes by a whole factor for
// longer than a few frames.
func (t *Timing) runs(steps []float64, fast float64) []run {
	factor := func(s float64) int {
		f := s / fast
		k := math.Round(f)
		if k < 2 || math.Abs(f-k) > wholeFactor*k {
			return 1
		}
		return int(k)
	}
	// What is short are lost frames, and belongs to the stretch before it.
	var runs []run
	for i := 0; i < len(steps); {
		k := factor(steps[i])
		j := i
		for j < len(steps) && factor(steps[j]) == k {
			j++
		}
		step := float64(k) * fast
		switch n := len(runs); {
		case n > 0 && (j-i < stretchFrames || runs[n-1].step == step):
			runs[n-1].to = j
		case n == 0 && j-i < stretchFrames:
			runs = append(runs, run{i, j, 0}) // belongs to what follows
		case n == 1 && runs[0].step == 0:
			runs[0].to, runs[0].step = j, step
		default:
			runs = append(runs, run{i, j, step})
		}
		i = j
	}
	if runs[0].step == 0 {
		runs[0].step = fast
	}
	for i := range runs {
		runs[i].step = meanNear(steps[runs[i].from:runs[i].to], runs[i].step)
	}
	return runs
}

// straighten puts times that were rounded to coarse ticks back on their even
// grid; times that vary by more than the rounding were captured so, and stay.
func straighten(real []float64, shown []time.Duration, step float64) {
	n := len(real)
	even := (real[n-1] - real[0]) / float64(n-1)
	if n < stretchFrames || math.Abs(even-step) > step/100 {
		return // frames are missing, or the spacing changes
	}
	for _, ticks := range coarseTicks {
		if !multiples(shown, ticks) {
			continue
		}
		tick := real[n-1] / (shown[n-1] - shown[0]).Seconds() / ticks
		lo, hi := math.Inf(1), math.Inf(-1)
		for i, v := range real {
			d := v - real[0] - even*float64(i)
			lo, hi = min(lo, d), max(hi, d)
		}
		// Rounding leaves one tick at most, and the ends another of their own.
		if hi-lo > 1.5*tick {
			return
		}
		for i := range real {
			real[i] = even * float64(i)
		}
		return
	}
}

// multiples reports whether all times are whole ticks from the first.
func multiples(shown []time.Duration, ticks float64) bool {
	for _, v := range shown {
		x := (v - shown[0]).Seconds() * ticks
		// A time is kept to a nanosecond.
		if math.Abs(x-math.Round(x)) > 4e-9*ticks {
			return false
		}
	}
	return true
}

func (t *Timing) tell(tags map[string]string, played float64) string {
	var from string
	switch t.Source {
	case Given:
		from = fmt.Sprintf("%.6g frames a second at capture, as given", t.Rate)
	case Metadata:
		from = fmt.Sprintf("%.6g frames a second at capture, as the file says", t.Rate)
	default:
		from = fmt.Sprintf("%.6g frames a second by the spacing of the frames", t.Rate)
	}
	switch {
	case len(t.Slowed) == 0:
		if v, ok := tags[keyFullRate]; ok && strings.TrimSpace(v) == "0" {
			return from + "; the file asks for slow play, its stamps are real"
		}
		return from + "; the stamps are real"
	case len(t.Slowed) == 1 && t.Slowed[0].From == 0 && t.Slowed[0].To == len(t.Real):
		return fmt.Sprintf("%s, written at %.6g a second: %.3g times slower than life", from, played, t.Speed)
	}
	return fmt.Sprintf("%s; %d stretches play up to %.3g times slower than life", from, len(t.Slowed), t.Speed)
}

// captureRates are the rates that phones film at, the likeliest first.
var captureRates = [...]float64{240, 120, 480, 960}

// GuessCapture tells the capture rate of a file without metadata from the
// rate of new pictures that Find sees in the file's own time, written at
// played frames a second. It returns 0 when the rate is that of life, or none
// fits; sure is false when several rates fit, and the likeliest is returned.
func GuessCapture(played, seen float64) (rate float64, sure bool) {
	if played <= 0 || seen <= 0 || nominal(seen) > 0 {
		return 0, false
	}
	fits := 0
	for _, c := range captureRates {
		if c < slower*played {
			continue
		}
		if nominal(seen*c/played) > 0 {
			fits++
			if rate == 0 {
				rate = c
			}
		}
	}
	return rate, fits == 1
}

const (
	// FewestSlowed is the number of frames that FindSlowed tells by, and
	// MostPlayed, frames a second, the rate up to which a file may be a slowed
	// one that says nothing of it: they are written to be played at the rates of
	// film and television (common practice, no source).
	FewestSlowed, MostPlayed = 120, 32.0
)

// FindSlowed is Find for a file without metadata, played at so many frames a
// second, in which Find sees no rhythm: at each rate that phones film at the
// set may show one. It returns the likeliest such rate, 0 for none, and whether
// it is the only one.
func FindSlowed(l Layout, frames []Frame, played float64) (rate float64, sure bool) {
	// sureWorth is the worth of a right lock on few frames: the beat of a slow
	// camera with film on a set came to 0.65 at a rate that sets have.
	const sureWorth = 0.85
	scaled := slices.Clone(frames)
	for _, c := range captureRates {
		if c < slower*played {
			continue
		}
		for i := range scaled {
			scaled[i].Time = frames[i].Time * played / c
		}
		e := Find(l, scaled, FindOptions{quiet: true})
		if !e.Found || !driven(e.Hz) || e.worth() < sureWorth {
			continue
		}
		fits := 0
		for _, r := range captureRates {
			if r >= slower*played && driven(e.Hz*r/c) {
				fits++
			}
		}
		return c, fits == 1
	}
	return 0, false
}

// driven reports whether sets for television are driven at a rate.
func driven(hz float64) bool {
	r := nominal(hz)
	return r != 0 && r != 48 && r != 144
}
