package screen

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// farthest is how far outside a frame a corner may be given, in pixels.
const farthest = 1 << 15

var errCorners = errors.New("want four pairs x,y in camera pixels: top left, top right, bottom right, bottom left")

// ParseCorners reads the four corners of a screen as a user gives them,
// "x,y x,y x,y x,y": top left, top right, bottom right, bottom left, in camera
// pixels.
func ParseCorners(s string) (Quad, error) {
	fields := strings.Fields(s)
	var q Quad
	if len(fields) != len(q) {
		return q, fmt.Errorf("corners %q: %w", s, errCorners)
	}
	for i, f := range fields {
		xs, ys, ok := strings.Cut(f, ",")
		x, errX := strconv.ParseFloat(xs, 64)
		y, errY := strconv.ParseFloat(ys, 64)
		if !ok || errX != nil || errY != nil {
			return Quad{}, fmt.Errorf("corner %q: %w", f, errCorners)
		}
		if !(math.Abs(x) <= farthest && math.Abs(y) <= farthest) {
			return Quad{}, fmt.Errorf("corner %q lies too far away", f)
		}
		q[i] = Point{x, y}
	}
	if !q.convex() {
		return Quad{}, fmt.Errorf("corners %q do not go round a screen clockwise: %w", s, errCorners)
	}
	return q, nil
}

// String writes the corners as ParseCorners reads them.
func (q Quad) String() string {
	var b strings.Builder
	for i, p := range q {
		if i > 0 {
			b.WriteByte(' ')
		}
		b.WriteString(strconv.FormatFloat(p.X, 'f', -1, 64))
		b.WriteByte(',')
		b.WriteString(strconv.FormatFloat(p.Y, 'f', -1, 64))
	}
	return b.String()
}
