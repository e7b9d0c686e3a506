// Package timecode counts pictures as SMPTE ST 12-1 does.
//
// In: a rate, and the number of a picture or its label. Out: the label, or the
// number. Pictures are counted from 0, which is 00:00:00:00; after a day the
// count begins again.
package timecode

import (
	"errors"
	"fmt"
	"math"
	"strconv"
)

// Count is one way to count: so many labels to a second of the count, at a rate
// that may be a thousandth below, with or without dropped labels.
type Count struct {
	num, den int // pictures a second
	base     int // labels to a second of the count
	drop     bool
}

// MostBase is the most labels to a second: three digits.
const MostBase = 999

// New returns the count of num/den pictures a second: a whole number of them, or
// a thousand and first less (30000/1001). Only the latter can drop labels, and
// only where the base is a multiple of 30.
func New(num, den int, drop bool) (Count, error) {
	if num <= 0 || den <= 0 {
		return Count{}, fmt.Errorf("%d/%d is no rate", num, den)
	}
	rate := float64(num) / float64(den)
	c := Count{num: num, den: den, base: int(math.Round(rate)), drop: drop}
	switch whole, slow := int64(c.base)*int64(den) == int64(num), int64(c.base)*1000*int64(den) == int64(num)*1001; {
	case !whole && !slow:
		return Count{}, fmt.Errorf("time code does not count %g pictures a second", rate)
	case c.base < 1 || c.base > MostBase:
		return Count{}, fmt.Errorf("time code counts 1 to %d pictures a second, not %g", MostBase, rate)
	case drop && !(slow && c.base%dropBase == 0):
		return Count{}, fmt.Errorf("labels are dropped at 29.97 pictures a second and its multiples, not at %g", rate)
	}
	return c, nil
}

// Two labels are dropped at each minute for every 30 to a second, except at
// minutes 0, 10, 20 and so on: 18 in 17982 pictures, which is what 30 a second
// are ahead of 30000/1001 (ST 12-1; at 60 four labels). Beyond 60 no standard
// says how to drop; the rule is carried on.
const dropBase, dropLabels, dropMinutes = 30, 2, 10

// CanDrop says whether the rate can be counted with dropped labels.
func (c Count) CanDrop() bool {
	_, err := New(c.num, c.den, true)
	return err == nil
}

// With returns the count with or without dropped labels.
func (c Count) With(drop bool) (Count, error) { return New(c.num, c.den, drop) }

// Drop says whether labels are dropped.
func (c Count) Drop() bool { return c.drop }

// Base is how many labels there are to a second of the count.
func (c Count) Base() int { return c.base }

// Rate is how many pictures there are in a second.
func (c Count) Rate() float64 { return float64(c.num) / float64(c.den) }

// String states the rate as the trade does, and the way of counting.
func (c Count) String() string {
	s := strconv.FormatFloat(math.Round(c.Rate()*1000)/1000, 'f', -1, 64)
	if c.num%c.den != 0 && c.base != 24 {
		s = strconv.FormatFloat(c.Rate(), 'f', 2, 64)
	}
	if c.drop {
		return s + " drop frame"
	}
	return s + " non-drop frame"
}

// dropped is how many labels are dropped at a minute.
func (c Count) dropped() int {
	if !c.drop {
		return 0
	}
	return c.base / dropBase * dropLabels
}

// Day is how many pictures have a label.
func (c Count) Day() int {
	const minutes = 24 * 60
	return minutes*60*c.base - c.dropped()*(minutes-minutes/dropMinutes)
}

// Label is the label of a picture: hours, minutes, seconds and pictures. A
// semicolon stands before the pictures where labels are dropped.
func (c Count) Label(picture int) string {
	n := picture % c.Day()
	if n < 0 {
		n += c.Day()
	}
	if d := c.dropped(); d > 0 {
		minute := 60*c.base - d // in pictures, of all but the first of ten
		ten := dropMinutes*minute + d
		n += n/ten*(dropMinutes-1)*d + max(n%ten-d, 0)/minute*d
	}
	mark := ":"
	if c.drop {
		mark = ";"
	}
	s := n / c.base
	return fmt.Sprintf("%02d:%02d:%02d%s%0*d", s/3600, s/60%60, s%60, mark, c.digits(), n%c.base)
}

// digits is how many a label has for its pictures.
func (c Count) digits() int { return max(2, len(strconv.Itoa(c.base-1))) }

// Errors of labels.
var (
	errForm    = errors.New("it is not of the form hh:mm:ss:ff")
	errRange   = errors.New("hours, minutes, seconds or pictures are too many")
	errDropped = errors.New("this label is dropped: there is no such picture")
	errMark    = errors.New("a semicolon stands for dropped labels, and none are dropped here")
)

// Picture is the number of the picture that has a label. Where labels are
// dropped a colon is taken for the semicolon, since the count is known; where
// none are, a semicolon is an error.
func (c Count) Picture(label string) (int, error) {
	n, err := c.parse(label)
	if err != nil {
		return 0, fmt.Errorf("time code %q: %w", label, err)
	}
	return n, nil
}

func (c Count) parse(label string) (int, error) {
	const form = "00:00:00:"
	if len(label) != len(form)+c.digits() {
		return 0, errForm
	}
	var parts [4]int
	for i, k := 0, 0; i < len(label); i++ {
		switch b := label[i]; {
		case b >= '0' && b <= '9' && (i >= len(form) || form[i] == '0'):
			parts[k] = 10*parts[k] + int(b-'0')
		case i < len(form) && form[i] == ':' && (b == ':' || b == ';' && i == len(form)-1):
			k++
		default:
			return 0, errForm
		}
	}
	h, m, s, f := parts[0], parts[1], parts[2], parts[3]
	switch {
	case h > 23 || m > 59 || s > 59 || f >= c.base:
		return 0, errRange
	case label[len(form)-1] == ';' && !c.drop:
		return 0, errMark
	case s == 0 && f < c.dropped() && m%dropMinutes != 0:
		return 0, errDropped
	}
	minutes := 60*h + m
	return (60*minutes+s)*c.base + f - c.dropped()*(minutes-minutes/dropMinutes), nil
}
