package cadence

import (
	"math"
	"slices"
	"strconv"
	"strings"
)

// half says which lines of a frame repeat while the others are new: the
// signature of film frames woven from fields at another rate.
type half uint8

const (
	neither   half = iota
	evenLines      // counted from 0
	oddLines
)

// place is one picture in the period of a pattern.
type place struct {
	repeat bool // it shows what the picture before it shows
	half   half // frames only
	// third is set where the picture shows what the last but one shows. In
	// a take of fields those two have the same lines, and are equal then.
	third bool
}

// pattern is one way in which new pictures follow each other.
type pattern struct {
	name   string
	places []place
	// fresh is how many new pictures (film frames) one period holds.
	fresh int
	// price is what it takes to believe in the pattern, in the unit of
	// evidence: how rare it is, and that one of n places has to be right.
	price float32
}

// woven reports whether pictures hold fields of different film frames.
func (p *pattern) woven() bool {
	return slices.ContainsFunc(p.places, func(at place) bool { return at.half != neither })
}

// manner is one way to hold film frames or live pictures, as the lengths of
// the holds in pictures (fields in a take of fields).
type manner struct {
	holds []int
	// rarity is how much rarer it is than live motion and plain film, in
	// natural logarithms (common practice, no source).
	rarity float32
}

// The manners that conversions make. Published pulldown sequences: 3:2,
// 2:3:3:2, 5:5, 6:4, 2:2:...:3 (24 film frames over 50 fields); the others are
// the even spread of n new pictures over m, which is what a converter that
// repeats the nearest picture makes of one rate at another.
var manners = []manner{
	{[]int{1}, 0}, {[]int{2}, 0}, {[]int{3, 2}, 1},
	{[]int{3}, 1}, {[]int{4}, 1}, {[]int{5}, 1}, {[]int{6}, 2}, {[]int{8}, 2},
	{[]int{2, 3, 3, 2}, 2},    // advanced pulldown, undone by dropping one frame
	{[]int{3, 2, 3, 2, 2}, 2}, // 25 at 60
	{[]int{2, 2, 2, 4}, 2},    // 24 at 60, four fields at a time
	{[]int{6, 4}, 2},          // 12 at 60
	{[]int{8, 7}, 2},          // 8 at 60
	{[]int{2, 1}, 3},          // 2 in 3: 16 at 24, 40 at 60
	{[]int{1, 1, 2}, 4},       // 3 in 4: 18 at 24
	{[]int{1, 1, 1, 2}, 4},    // 4 in 5: 24 at 30
	{[]int{1, 1, 1, 1, 2}, 5}, // 5 in 6: 25 at 30, 50 at 60
	{[]int{2, 2, 1}, 4},       // 3 in 5: 15 at 25, 30 at 50
	{[]int{2, 1, 2, 1, 2}, 4}, // 5 in 8: 15 at 24
	// Two repeats 25 pictures apart are worth a pattern, one is a break.
	{repeatOnce(24, 1), 8},
	{repeatOnce(12, 2), 8},
}

// repeatOnce returns n holds of length l, the last one a picture longer.
func repeatOnce(n, l int) []int {
	h := slices.Repeat([]int{l}, n)
	h[n-1]++
	return h
}

// The manners in fields that fall across frames. Where all holds are even the
// frames are whole and the manners above describe them.
var wovenManners = []manner{
	{[]int{3, 2}, 1}, {[]int{2, 3, 3, 2}, 2}, {[]int{3, 2, 3, 2, 2}, 2}, {[]int{5}, 2}, {repeatOnce(12, 2), 4},
}

func holdsName(h []int) string {
	if len(h) == 24 {
		return "24-in-25" // one repeat a second
	}
	if len(h) == 1 {
		h = []int{h[0], h[0]}
	}
	s := make([]string, len(h))
	for i, n := range h {
		s[i] = strconv.Itoa(n)
	}
	return strings.Join(s, ":")
}

// patterns returns the patterns that a take can show.
func patterns(fields bool) []pattern {
	var out []pattern
	for _, m := range manners {
		out = append(out, whole(m))
	}
	if fields {
		return out
	}
	for _, m := range wovenManners {
		for _, first := range []half{evenLines, oddLines} {
			out = append(out, weave(m, first))
		}
	}
	// Live fields, each woven with the one before it into a picture of its
	// own: the other half of the lines is new each time. How it looks is the
	// business of others; that every instant is there is a cadence of 1:1.
	return append(out, pattern{name: out[0].name, places: []place{{half: evenLines}, {half: oddLines}},
		fresh: 2, price: wovenLive + math.Ln2})
}

// wovenLive is how much rarer woven live fields are than live pictures.
const wovenLive = 2

// sequence numbers the film frames behind an endless row of pictures.
type sequence struct {
	films []int // of one period
	fresh int   // film frames in it
}

func newSequence(h []int) sequence {
	s := sequence{fresh: len(h)}
	for i, n := range h {
		for range n {
			s.films = append(s.films, i)
		}
	}
	return s
}

// at returns the film frame of picture j >= -period.
func (s sequence) at(j int) int {
	n := len(s.films)
	return s.films[(j+n)%n] + ((j+n)/n-1)*s.fresh
}

// whole spreads holds over pictures that are new or not as a whole.
func whole(m manner) pattern {
	s := newSequence(m.holds)
	p := pattern{name: holdsName(m.holds), fresh: s.fresh}
	for j := range s.films {
		p.places = append(p.places, place{
			repeat: s.at(j) == s.at(j-1),
			third:  len(s.films) > 1 && s.at(j) == s.at(j-2),
		})
	}
	p.price = m.rarity + float32(math.Log(float64(len(p.places))))
	return p
}

// weave spreads holds over fields and puts two fields into each frame, the
// one with the lines of first first.
func weave(m manner, first half) pattern {
	s := newSequence(m.holds)
	p := pattern{name: holdsName(m.holds), fresh: s.fresh}
	fields := len(s.films)
	if fields%2 == 1 { // two periods then fill whole frames
		fields *= 2
		p.fresh *= 2
	}
	second := oddLines
	if first == oddLines {
		second = evenLines
	}
	for j := 0; j < fields; j += 2 {
		var at place
		switch a, b := s.at(j) == s.at(j-2), s.at(j+1) == s.at(j-1); {
		case a && b:
			at.repeat = true
		case a:
			at.half = first
		case b:
			at.half = second
		}
		p.places = append(p.places, at)
	}
	p.price = m.rarity + float32(math.Log(float64(len(p.places))))
	return p
}
