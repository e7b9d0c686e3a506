package faults

import (
	"image"

	"setwitness/decode/picture"
	"setwitness/detect"
)

// pick returns the sequence of pictures source(0), source(1) ... of s.
func pick(s Sequence, n int, source func(k int) int, truth ...Truth) Sequence {
	r := s
	r.Len = n
	return r.with(func(k int) *picture.Picture { return s.near(source(k)) }, truth...)
}

func whole(f picture.Format) image.Rectangle { return image.Rect(0, 0, f.W, f.H) }

// Hold shows source picture i for pattern[i % len] pictures: 2:2 or 3:2
// pulldown of whole pictures. rate is that of the pictures shown.
func Hold(s Sequence, rateNum, rateDen int, pattern ...int) Sequence {
	var map0 []int
	for i := range s.Len {
		for range pattern[i%len(pattern)] {
			map0 = append(map0, i)
		}
	}
	r := pick(s, len(map0), func(k int) int { return map0[k] })
	r.Format.RateNum, r.Format.RateDen = rateNum, rateDen
	return r
}

// FieldMap returns the source frames of the top and of the bottom field of
// frame k, when source frame i lasts for pattern[i % len] fields.
func FieldMap(k int, pattern ...int) (top, bottom int) {
	find := func(field int) int {
		cycle := 0
		for _, n := range pattern {
			cycle += n
		}
		i := field / cycle * len(pattern)
		field %= cycle
		for _, n := range pattern {
			if field < n {
				break
			}
			field -= n
			i++
		}
		return i
	}
	return find(2 * k), find(2*k + 1)
}

// Telecine lays film over fields: source frame i lasts for pattern[i % len]
// fields, and two fields each are woven into one frame of the new rate. The
// frames whose fields come from different source frames are combed.
func Telecine(s Sequence, rateNum, rateDen int, pattern ...int) Sequence {
	fields := 0
	for i := range s.Len {
		fields += pattern[i%len(pattern)]
	}
	r := s
	r.Len = fields / 2
	r.Format.RateNum, r.Format.RateDen = rateNum, rateDen
	r.Truth = nil
	t := Truth{Kind: detect.Combing, First: -1, Region: whole(s.Format), Measures: map[string]float64{Pitch: 2}}
	for k := range r.Len {
		if top, bottom := FieldMap(k, pattern...); top != bottom {
			if t.First < 0 {
				t.First = k
			}
			t.Last = k
		}
	}
	r = r.with(func(k int) *picture.Picture {
		top, bottom := FieldMap(k, pattern...)
		if top == bottom {
			return s.near(top)
		}
		p, o := copyOf(s.near(top)), s.near(bottom)
		p.Index, p.Frame = k, k
		eachPlane(p, whole(s.Format), func(n int, dst *picture.Plane, r image.Rectangle) {
			copyLines(dst, plane(o, n), r, 1)
		})
		return p
	})
	if t.First >= 0 {
		r.Truth = append(r.Truth, t)
	}
	return r
}

// stumble is the truth of a break between pictures first and last.
func stumble(s Sequence, first, last int, measure string, n int) Truth {
	return Truth{Kind: detect.CadenceBreak, First: first, Last: last, Region: whole(s.Format),
		Measures: map[string]float64{measure: float64(n)}}
}

// Repeat shows picture at n times more; what follows comes later.
func Repeat(s Sequence, at, n int) Sequence {
	return pick(s, s.Len+n, func(k int) int {
		switch {
		case k <= at:
			return k
		case k <= at+n:
			return at
		}
		return k - n
	}, stumble(s, at, at+n, Repeated, n))
}

// Drop leaves out n pictures from at on; what follows comes earlier.
func Drop(s Sequence, at, n int) Sequence {
	return pick(s, s.Len-n, func(k int) int {
		if k < at {
			return k
		}
		return k + n
	}, stumble(s, at-1, at, Lost, n))
}

// RepeatDrop shows picture at once more and leaves out the one that follows:
// one step is missing and the next one is twice as long.
func RepeatDrop(s Sequence, at int) Sequence {
	return RepeatThenDrop(s, at, at+1)
}

// RepeatThenDrop shows picture repeat once more and then runs one picture late
// until it leaves out picture drop.
func RepeatThenDrop(s Sequence, repeat, drop int) Sequence {
	t := stumble(s, repeat, drop+1, Repeated, 1)
	t.Measures[Lost] = 1
	return pick(s, s.Len, func(k int) int {
		if k > repeat && k <= drop {
			return k - 1
		}
		return k
	}, t)
}

// Halve shows, from first to last, every second picture in place of the one
// after it: motion at half the rate.
func Halve(s Sequence, first, last int) Sequence {
	n := (last - first + 1) / 2
	return pick(s, s.Len, func(k int) int {
		if k >= first && k <= last && (k-first)&1 == 1 {
			return k - 1
		}
		return k
	}, stumble(s, first, last, Repeated, n))
}
