package filming

import (
	"math"
	"slices"
)

// Room is what surrounds the set.
type Room struct {
	// WallNits is the light of the wall behind the set without the set's
	// own, and WallSlope how much brighter (1 is twice as bright) it is one
	// screen width to the right.
	WallNits, WallSlope float64
	// Glow is the light that the set throws on the wall at its edge, as a
	// share of the picture's mean.
	Glow float64
	// Bezel is the width of the frame around the screen as a share of the
	// screen's width; it has BezelNits by itself and mirrors the picture
	// with a share of BezelMirror.
	Bezel, BezelNits, BezelMirror float64
	// ScreenNits is the room's light that the screen itself sends back.
	ScreenNits float64
	// BoardNits is the light of a board that the set stands on, whose edge
	// is BoardGap of the screen's width below the screen; 0 for none.
	BoardNits, BoardGap float64
	// A lamp of LampNits, LampSize of the screen's width across, whose
	// middle is LampX, LampY from the screen's, in screen widths, with a
	// halo on the wall; 0 for none.
	LampNits, LampSize, LampX, LampY float64
	// BoardMirror is the share of the picture that a polished board mirrors.
	BoardMirror float64
	// Things hang on the wall or stand before it, the last in front.
	Things []Thing
}

// Thing is a rectangle in the plane of the screen: a poster, a window, a
// shelf, another screen.
type Thing struct {
	// Left and right, upper and lower edge, in screen widths from the
	// screen's middle.
	X0, Y0, X1, Y1 float64
	// Nits is its light without the set's, and Glow what it sends back of the
	// set's against what the wall does there (1).
	Nits, Glow float64
	// Plays is, of another screen, the share of the set's light with which it
	// shows the same picture, its sides changed over.
	Plays float64
}

func (t *Thing) holds(x, y float64) bool {
	return x >= t.X0 && x < t.X1 && y >= t.Y0 && y < t.Y1
}

// mirrors reports whether anything but the bezel shows the picture again.
func (r *Room) mirrors() bool {
	return r.BoardMirror > 0 || slices.ContainsFunc(r.Things, func(t Thing) bool { return t.Plays > 0 })
}

// mirrored returns the place of the picture, in shares of its width and
// height, that is seen at a place of the plane around the set, and which share
// of its light.
func (r *Room) mirrored(x, y, half float64) (u, v, share float64) {
	for i := len(r.Things) - 1; i >= 0; i-- {
		if t := &r.Things[i]; t.holds(x, y) {
			return (t.X1 - x) / (t.X1 - t.X0), (y - t.Y0) / (t.Y1 - t.Y0), t.Plays
		}
	}
	edge := half + r.Bezel + r.BoardGap
	if u, v = x+0.5, (2*edge-y)/(2*half)+0.5; y > edge && u > 0 && u < 1 && v > 0 && v < 1 {
		return u, v, r.BoardMirror
	}
	return 0, 0, 0
}

// How far the set's light reaches on the wall, in screen widths, and how
// bright and wide the halo of a lamp is (common practice, no source).
const (
	glowReach = 0.35
	haloShare = 0.02
	haloReach = 0.25
)

// wall returns the nits of the plane around the set without the set's light,
// and the share of the set's mean that it sends back. x and y are in screen
// widths from the screen's middle; half the screen's height is given.
func (r *Room) wall(x, y, half float64) (nits, glow float64) {
	nits = r.WallNits * max(0.2, 1+r.WallSlope*x)
	out := math.Hypot(max(0, math.Abs(x)-0.5), max(0, math.Abs(y)-half))
	glow = r.Glow * math.Exp(-out/glowReach)
	if r.BoardNits > 0 && y > half+r.Bezel+r.BoardGap {
		nits, glow = r.BoardNits, glow/2
	}
	for i := range r.Things {
		if t := &r.Things[i]; t.holds(x, y) {
			nits, glow = t.Nits, r.Glow*math.Exp(-out/glowReach)*t.Glow
		}
	}
	if r.LampNits > 0 {
		d := math.Hypot(x-r.LampX, y-r.LampY)
		nits += r.LampNits * haloShare * math.Exp(-d/haloReach)
		// The lamp's edge is soft over a tenth of its size.
		nits += r.LampNits * max(0, min(1, (r.LampSize/2-d)/(0.1*r.LampSize)+0.5))
	}
	return nits, glow
}
