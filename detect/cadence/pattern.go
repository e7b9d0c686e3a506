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
	// evidence: a longer period explains more by chance.
	price float32
}

// The patterns that conversions make, as the lengths of the holds in
// pictures (fields in a take of fields). FACTS: published pulldown sequences
// 3:2, 2:3:3:2, 5:5, 6:4, 2:2:...:3; the others are the even spread of n new
// pictures over m, which is what a converter that repeats the nearest picture
// makes of one rate at another.
var holds = [][]int{
	{1}, {2}, {3, 2}, {3}, {4}, {5}, {6}, {8},
	{2, 3, 3, 2},    // advanced pulldown, undone by dropping one frame
	{3, 2, 3, 2, 2}, // 25 at 60
	{2, 2, 2, 4},    // 24 at 60, four fields at a time
	{6, 4},          // 12 at 60
	{8, 7},          // 8 at 60
	{2, 1},          // 2 in 3: 16 at 24, 40 at 60
	{1, 1, 2},       // 3 in 4: 18 at 24
	{1, 1, 1, 2},    // 4 in 5: 24 at 30
	{1, 1, 1, 1, 2}, // 5 in 6: 25 at 30, 50 at 60
	{2, 2, 1},       // 3 in 5: 15 at 25, 30 at 50
	{2, 1, 2, 1, 2}, // 5 in 8: 15 at 24
	repeatOnce(24, 1),
	repeatOnce(12, 2), // 24 film frames over 50 fields
}

// repeatOnce returns n holds of length l, the last one a picture longer.
func repeatOnce(n, l int) []int {
	h := slices.Repeat([]int{l}, n)
	h[n-1]++
	return h
}

// The holds in fields that fall across frames. Where all holds are even the
// frames are whole and the patterns above describe them.
var wovenHolds = [][]int{
	{3, 2}, {2, 3, 3, 2}, {3, 2, 3, 2, 2}, {5, 5}, repeatOnce(12, 2),
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
	for _, h := range holds {
		out = append(out, whole(h))
	}
	if !fields {
		for _, h := range wovenHolds {
			for _, first := range []half{evenLines, oddLines} {
				out = append(out, woven(h, first))
			}
		}
	}
	return out
}

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
func whole(h []int) pattern {
	s := newSequence(h)
	p := pattern{name: holdsName(h), fresh: s.fresh}
	for j := range s.films {
		p.places = append(p.places, place{
			repeat: s.at(j) == s.at(j-1),
			third:  len(s.films) > 1 && s.at(j) == s.at(j-2),
		})
	}
	p.price = price(len(p.places), h)
	return p
}

// woven spreads holds over fields and puts two fields into each frame, the
// one with the lines of first first.
func woven(h []int, first half) pattern {
	s := newSequence(h)
	p := pattern{name: holdsName(h), fresh: s.fresh}
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
	p.price = price(len(p.places), h)
	return p
}

// price grows with what a pattern could explain by chance: one of n places to
// be at, and one more number for each kind of hold in it.
func price(places int, h []int) float32 {
	kinds := slices.Compact(slices.Sorted(slices.Values(h)))
	return float32(math.Log(float64(places))) + 2*float32(len(kinds)-1)
}
