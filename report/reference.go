package report

import (
	"fmt"
	"math"
	"strings"
)

// Reference is what only the comparison with the source shows, beside findings.
type Reference struct {
	// FollowedS is for how long it was told of each picture which one of the
	// source it shows.
	FollowedS float64 `json:"followed_s"`
	// Looks is how many pictures of both were compared for their detail, and Why
	// why none was, or no differences are stated.
	Looks int    `json:"looks"`
	Why   string `json:"why,omitempty"`
	// Detail is how much of the source's the take has over its whole length.
	Detail      []Detail     `json:"detail,omitempty"`
	Differences []Difference `json:"differences"`
}

// Differs reports whether there is one that states a difference.
func (r *Reference) Differs() bool { return r != nil && len(r.Differences) > 0 }

// Detail is how much a take has of its source's detail of one direction and pitch.
type Detail struct {
	Direction string  `json:"direction"` // horizontal or vertical: along which it changes
	PitchPx   float64 `json:"pitch_px"`  // in the middle of the band, in pixels of the take
	// KeptShare is that of the amplitude where contrast is highest, FaintShare
	// where it is lowest; 0 where there was too little to tell.
	KeptShare  float64 `json:"kept_share"`
	FaintShare float64 `json:"faint_share"`
	// ErrorCodes is by how much, in 8-bit codes (root mean square), the take's
	// detail strays from the source's: coding, noise and sampling.
	ErrorCodes float64 `json:"error_codes"`
}

// Difference is where and when detail that the source has is lost, against what
// the take keeps of it elsewhere and at other times.
type Difference struct {
	ID         string  `json:"id"`
	What       string  `json:"what"` // fine-detail, vertical-detail or horizontal-detail
	StartS     float64 `json:"start_s"`
	EndS       float64 `json:"end_s"`
	PeakS      float64 `json:"peak_s"`
	PeakFrame  int     `json:"peak_frame"`
	SourceS    float64 `json:"source_s"` // of the peak
	Region     Region  `json:"region"`
	PeakRegion Region  `json:"peak_region"`
	Lost       []Lost  `json:"lost"`
	// AmplitudeCodes is the amplitude that is lost, in 8-bit codes, of the detail
	// that lost the most.
	AmplitudeCodes float64  `json:"amplitude_codes"`
	VisibilityJND  float64  `json:"visibility_jnd"`
	Why            string   `json:"why"`
	Evidence       Compared `json:"evidence"`
}

// Lost is how much of the amplitude of detail is lost.
type Lost struct {
	Direction string  `json:"direction"`
	PitchPx   float64 `json:"pitch_px"`
	Percent   float64 `json:"percent"`
}

// Compared names the pictures of a difference, relative to the findings file: the
// place in the take, and the source's brought to its size and levels. A name is
// empty where the picture could not be read again.
type Compared struct {
	Take   string `json:"take"`
	Source string `json:"source"`
}

// Named says what a difference is, as a title.
func (d *Difference) Named() string {
	switch d.What {
	case "vertical-detail":
		return "Vertical detail lost"
	case "horizontal-detail":
		return "Horizontal detail lost"
	}
	return "Fine detail lost"
}

// Sentence says a difference in one plain sentence.
func (d *Difference) Sentence() string {
	var lost []string
	for _, l := range d.Lost {
		if l.Percent >= 1 {
			lost = append(lost, fmt.Sprintf("%.0f %% of the %s detail at a pitch of %s px", l.Percent, l.Direction, Number(l.PitchPx)))
		}
	}
	when := "At " + moment(d.PeakS)
	if d.EndS-d.StartS >= long {
		when = "From " + moment(d.StartS) + " to " + moment(d.EndS)
	}
	s := when + " detail that the source has is lost " + d.Region.place()
	if len(lost) > 0 {
		s += ": " + strings.Join(lost, ", ")
	}
	s += fmt.Sprintf(", against what the take keeps elsewhere; an amplitude of %s codes, %s (%s JND)",
		Number(math.Round(10*d.AmplitudeCodes)/10), Visible(d.VisibilityJND), Number(d.VisibilityJND))
	if d.Why != "" {
		s += "; " + d.Why
	}
	return s + "."
}

// Words say what the comparison could tell, in a line.
func (r *Reference) Words() string {
	s := fmt.Sprintf("followed to the picture for %.1f s", r.FollowedS)
	if r.Looks > 0 {
		s += fmt.Sprintf(", detail compared in %d pictures", r.Looks)
		for _, direction := range []string{"horizontal", "vertical"} {
			var kept []string
			for _, d := range r.Detail {
				if d.Direction == direction && d.KeptShare > 0 {
					kept = append(kept, fmt.Sprintf("%.0f %% at a pitch of %s px", 100*d.KeptShare, Number(d.PitchPx)))
				}
			}
			if len(kept) > 0 {
				s += "; of the " + direction + " detail the take keeps " + strings.Join(kept, " and ")
			}
		}
	}
	if r.Why != "" {
		s += "; " + r.Why
	}
	return s
}
