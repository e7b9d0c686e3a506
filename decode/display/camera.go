package display

import (
	"math"

	"setwitness/decode/screen"
)

// A quadrilateral that is lit and changes while all around it rests is a set before a camera,
// or a thing in a direct take: a picture within the picture, a set in a scene, a window, an
// advertising board. A camera gives itself away by what it writes into the file, by the rows
// that it and the set take one after another, by the dark room. Where none of that shows the
// picture was made that way, unless it is all that somebody would film who films a set.

const (
	// darkRoom is the light of a room, of white, that shows as black or nearly so, with what
	// the lens spreads and a sensor's noise lifts: 0.006 in invented films of dark rooms.
	darkRoom = 0.0075
	// dimRoom is up to where a sensor's noise tells that there was hardly any light. With
	// its usual full well of some thousand electrons a hundredth of white is some dozens,
	// whose root is several codes there; noiseInDark of it are left in means over a dozen
	// pixels, more than of a grain that is the same for all codes.
	dimRoom, noiseInDark = 0.02, 0.8
	// usualGlow is the share of a screen's light that a room sends back: after the integrating
	// sphere's formula a set of 0.8 m^2 in a room of 85 m^2 of walls that return a half makes them 0.005
	// as light as itself. Where that would have shown, there has to be more than its error.
	usualGlow = 0.005
	// Pictures that change in all rows at once, in less than this share of the time from
	// frame to frame, were not exposed: the shutter of a camera that films a set is open for
	// longer, and where it is not the rows are read one after another.
	leastExposure = 0.5
)

// rolled reports whether the set's pictures were seen to come on row by row.
func (s *Survey) rolled() bool {
	e := &s.Estimate
	return e.Found && max(math.Abs(e.Slope), math.Abs(e.Across)) > leastRoll*e.Period
}

// judge decides whether a screen that was found in the frames is one that a camera filmed,
// camera being what the file says of that, and says what that rests on.
func (s *Survey) judge(camera bool) {
	f, e := &s.Found, &s.Estimate
	a := f.Around
	direct := ""
	switch {
	case camera:
		s.Why += "; the file says that a camera took it"
	case s.rolled():
		s.Why += "; new pictures come on row by row, as on a set before a camera"
	case f.LaidIn():
		direct = "its sides keep to the rows and columns of the frame as no camera's view does"
	case e.Found && e.ExposureShare < leastExposure:
		direct = "what it shows is new all at once, and no camera exposed it"
	case !a.Seen:
		direct = "it fills the frame, and nothing tells of a camera"
	case a.Light < darkRoom:
		s.Why += "; all around it is dark"
	case a.Light < dimRoom && a.Noise > noiseInDark:
		s.Why += "; around it there is little but a camera's noise"
	case a.GlowError < usualGlow && a.Glow <= a.GlowError:
		direct = "it throws no light on what is around it"
	case f.WholeSet():
		s.Why += "; the room is lit and nothing else tells of a camera, but it fills the frame as a set does that is filmed"
	default:
		direct = "what is around it is lit, and nothing tells of a camera"
	}
	if direct != "" {
		*s = Survey{Why: "a quadrilateral changes in the frames, but " + direct, Timing: s.Timing, stamps: s.stamps, black: s.black}
		s.Found = screen.Found{Kind: screen.Direct}
	}
}
