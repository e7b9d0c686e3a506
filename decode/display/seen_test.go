package display

import (
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"setwitness/decode/refresh"
)

// What is kept of the decisions on a take gives every band of every frame back,
// with the lock that it was decided by.
func TestRecord(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 7))
	const frames, bands = 60, 48
	var r record
	var decisions []refresh.Decision
	var locks []refresh.Lock
	lock := refresh.Lock{Period: 0.02}
	for i := range frames {
		if i%7 == 0 {
			lock.Epoch = random.Float64()
		}
		d := refresh.Decision{Frame: 2 * i, Time: float64(i) / 240, Shown: time.Duration(i) * time.Millisecond, Locked: i > 5}
		picture := 4 + i/5
		for range bands {
			b := refresh.Band{Picture: picture}
			if random.IntN(9) == 0 {
				picture--
			}
			b.Mixed = random.IntN(4) == 0
			b.Still = b.Mixed && random.IntN(2) == 0
			d.Bands = append(d.Bands, b)
		}
		r.add(&d, lock)
		decisions, locks = append(decisions, d), append(locks, lock)
	}
	if len(r.locks) != (frames+6)/7 {
		t.Errorf("%d locks are kept, want one for each that differs", len(r.locks))
	}
	seen := r.seen(10, 2*frames-10)
	if len(seen) != frames-10 || seen[0].Frame != 10 || seen[len(seen)-1].Frame != 2*frames-12 {
		t.Fatalf("%d frames", len(seen))
	}
	for i, s := range seen {
		d := decisions[i+5]
		if s.Frame != d.Frame || s.Shown != d.Shown || s.Real != d.Time || s.Locked != d.Locked || !reflect.DeepEqual(s.Lock, locks[i+5]) {
			t.Fatalf("frame %d: %+v", d.Frame, s)
		}
		at := 0
		for b, want := range d.Bands {
			if float64(b) >= s.Runs[at].To*bands-1e-9 {
				at++
			}
			if got := s.Runs[at]; got.Picture != want.Picture || got.Mixed != want.Mixed || got.Still != want.Still {
				t.Fatalf("frame %d band %d: %+v, want %+v", d.Frame, b, got, want)
			}
		}
		if at != len(s.Runs)-1 || s.Runs[at].To != 1 {
			t.Errorf("frame %d: runs %+v end elsewhere than at the bottom", d.Frame, s.Runs)
		}
	}
	if got := r.seen(-5, 0); len(got) != 0 {
		t.Errorf("%d frames before the first", len(got))
	}
	if got := r.seen(0, 1<<20); len(got) != frames {
		t.Errorf("%d frames of a take of %d", len(got), frames)
	}
}

// Pictures are numbered as the set showed them, and those that could not be
// rebuilt have a number and no index.
func TestNumbers(t *testing.T) {
	s := &Source{numbers: []int{3, 4, 6}}
	for i, want := range s.numbers {
		n, ok := s.Number(i)
		if !ok || n != want {
			t.Errorf("picture %d has number %d", i, n)
		}
		if back, ok := s.Index(n); !ok || back != i {
			t.Errorf("number %d is picture %d, want %d", n, back, i)
		}
	}
	for _, n := range []int{-1, 5, 7} {
		if i, ok := s.Index(n); ok {
			t.Errorf("number %d is picture %d", n, i)
		}
	}
	if _, ok := s.Number(3); ok {
		t.Error("a picture after the last has a number")
	}
}
