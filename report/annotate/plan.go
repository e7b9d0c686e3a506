package annotate

import (
	"math"
	"time"

	"setwitness/report"
)

const (
	// What is shown at full speed before and after a finding, so that the eye
	// is there when it comes.
	around = 500 * time.Millisecond
	// A long finding is shown so long at full speed, round its peak.
	mostFull = 4 * time.Second
	// What is slowed: the finding with a little before and after, of a long one as
	// much round the peak as is watched in a few seconds; in either case as many
	// pictures, at least.
	besides, besidesPictures    = 60 * time.Millisecond, 3
	mostSlowed, slowestPictures = 250 * time.Millisecond, 24
	// The picture of the peak is held so long.
	hold = 1500 * time.Millisecond
	// Sites and players show no more than 60 frames a second; with the
	// tolerance of clocks.
	mostRate = 60.5
)

// Rate is a number of frames a second.
type Rate struct{ Num, Den int }

// Value returns it as a number.
func (r Rate) Value() float64 { return float64(r.Num) / float64(r.Den) }

// Divided is the rate of a clip of which every so many'th picture is shown at full
// speed.
func (r Rate) Divided() (Rate, int) {
	n := max(1, int(math.Ceil(r.Value()/mostRate)))
	return Rate{r.Num, r.Den * n}, n
}

// Slow returns the least factor of at least a wanted one by which every picture is
// repeated a whole number of times, where every so many'th is shown at full
// speed.
func Slow(wanted, every int) int { return (wanted + every - 1) / every * every }

// Span is when a finding is shown, in the take's time.
type Span struct {
	From, To         time.Duration // at full speed
	SlowFrom, SlowTo time.Duration // slowed
	Peak             time.Duration
}

// SpanOf plans what is shown of a finding. period is from one picture to the next
// in the take's time, which runs so many times slower than life.
func SpanOf(f *report.Finding, period time.Duration, slowness float64) Span {
	at := func(s float64) time.Duration { return time.Duration(math.Round(s * float64(time.Second))) }
	own := func(life time.Duration) time.Duration { return time.Duration(float64(life) * slowness) }
	start, end, peak := at(f.StartS), at(f.EndS), at(f.PeakS)
	// Times of the document are rounded to the microsecond: half a period is
	// far more.
	half := period / 2
	trim := func(from, to, most time.Duration) (time.Duration, time.Duration) {
		if to-from <= most {
			return from, to
		}
		// As much of it as can be, with the peak inside.
		from = max(from, min(peak-most/2-half, to-most))
		return from, from + most
	}
	s := Span{Peak: peak}
	s.From, s.To = trim(start-own(around), end+own(around), own(mostFull))
	whole := func(d time.Duration, least int) time.Duration {
		return max(own(d)/period, time.Duration(least)) * period
	}
	more := whole(besides, besidesPictures)
	s.SlowFrom, s.SlowTo = trim(start-more-half, end+more-half, whole(mostSlowed, slowestPictures))
	s.From, s.To = min(s.From, s.SlowFrom), max(s.To, s.SlowTo)
	s.From, s.SlowFrom = max(s.From, 0), max(s.SlowFrom, 0)
	return s
}

// Counts turns the times of pictures that follow each other into the frames for
// which each is shown at full speed: one at a steady rate, more where the file
// has a gap; at a variable rate as many as lie between their times.
func Counts(times []time.Duration, rate Rate, variable bool) []int {
	out := make([]int, len(times))
	for i := range times {
		n := 1
		if i+1 < len(times) {
			if variable {
				frame := func(t time.Duration) int { return int(math.Round((t - times[0]).Seconds() * rate.Value())) }
				n = frame(times[i+1]) - frame(times[i])
			} else {
				n = int(math.Round((times[i+1] - times[i]).Seconds() * rate.Value()))
			}
		}
		// A longer gap is no part of what is shown.
		out[i] = min(max(n, 1), int(rate.Value())+1)
	}
	return out
}

// Pace is how a finding is shown.
type Pace struct {
	Full bool // at full speed first
	Slow int  // factor
}

// Paces returns ways to show a finding, the one that was asked for first; those
// after it flash less.
func Paces(slow int) []Pace {
	var out []Pace
	for _, full := range []bool{true, false} {
		for _, k := range []int{1, 2, 4} {
			out = append(out, Pace{full, k * slow})
		}
	}
	return out
}

// Hold is the number of output frames for which the peak is held.
func Hold(rate Rate) int { return int(math.Round(hold.Seconds() * rate.Value())) }
