package display

import (
	"sort"
	"time"

	"setwitness/decode/refresh"
)

// Seen is which pictures of the set one camera frame shows.
type Seen struct {
	Frame  int           // of the file
	Shown  time.Duration // its presentation time
	Real   float64       // when it was captured, s
	Locked bool          // the set's refresh was known
	Lock   refresh.Lock  // what the frame was decided by
	Runs   []Run         // from the top
}

// Run is rows of a camera frame that show the same.
type Run struct {
	To      float64 // where it ends, as a share of the screen's height
	Picture int     // number of the picture, of the newer one where there are two
	// Mixed is set where the exposure may have seen two pictures, and Still
	// with it where nothing moved, so that both look the same.
	Mixed, Still bool
}

// record keeps what every camera frame of a take showed, in little: some
// fifty bytes a frame.
type record struct {
	frames []recorded
	runs   []recordedRun
	locks  []refresh.Lock // each one where it differs from the one before
}

type recorded struct {
	frame, run, lock int32
	locked           bool
	shown            time.Duration
	real             float64
}

type recordedRun struct {
	picture      int32
	to           uint16 // band, exclusive
	mixed, still bool
}

// add enters a decision that was taken by a lock.
func (r *record) add(d *refresh.Decision, l refresh.Lock) {
	if n := len(r.locks); n == 0 || r.locks[n-1] != l {
		r.locks = append(r.locks, l)
	}
	r.frames = append(r.frames, recorded{
		frame: int32(d.Frame), run: int32(len(r.runs)), lock: int32(len(r.locks) - 1),
		locked: d.Locked, shown: d.Shown, real: d.Time,
	})
	first := len(r.runs)
	for i, b := range d.Bands {
		next := recordedRun{picture: int32(b.Picture), to: uint16(i + 1), mixed: b.Mixed, still: b.Still}
		if n := len(r.runs); n > first {
			last := &r.runs[n-1]
			if last.picture == next.picture && last.mixed == next.mixed && last.still == next.still {
				last.to = next.to
				continue
			}
		}
		r.runs = append(r.runs, next)
	}
}

// seen returns frames of the file, to exclusive.
func (r *record) seen(from, to int) []Seen {
	at := func(frame int) int {
		return sort.Search(len(r.frames), func(i int) bool { return int(r.frames[i].frame) >= frame })
	}
	var out []Seen
	for i := at(from); i < at(to); i++ {
		f := &r.frames[i]
		end := len(r.runs)
		if i+1 < len(r.frames) {
			end = int(r.frames[i+1].run)
		}
		s := Seen{Frame: int(f.frame), Shown: f.shown, Real: f.real, Locked: f.locked, Lock: r.locks[f.lock]}
		runs := r.runs[f.run:end]
		for _, b := range runs {
			s.Runs = append(s.Runs, Run{
				To: float64(b.to) / float64(runs[len(runs)-1].to), Picture: int(b.picture), Mixed: b.mixed, Still: b.still,
			})
		}
		out = append(out, s)
	}
	return out
}

// Seen returns what the frames of the file from one up to before another
// showed, as far as the take was read.
func (o *Source) Seen(from, to int) []Seen { return o.record.seen(from, to) }

// Number returns the number that picture i has in Seen.
func (o *Source) Number(i int) (int, bool) {
	if i < 0 || i >= len(o.numbers) {
		return 0, false
	}
	return o.numbers[i], true
}

// Index is the inverse of Number.
func (o *Source) Index(number int) (int, bool) {
	i := sort.SearchInts(o.numbers, number)
	return i, i < len(o.numbers) && o.numbers[i] == number
}
