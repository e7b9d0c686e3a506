// Package report holds the findings document: what one scan of one take
// found, in the form that every other part and every other program reads.
//
// In: a detect.Result, the facts of the take and the settings of the set.
// Out: a Findings value, and its JSON, which keeps to findings.schema.json.
// The package computes nothing that the events of the result do not already
// hold.
package report

import (
	_ "embed"
	"fmt"
	"math"
	"strings"

	"setwitness/detect"
)

// SchemaName is the value of the document's field "schema".
const SchemaName = "setwitness.findings/1"

// SchemaJSON is the document's own JSON schema (draft 2020-12).
//
//go:embed findings.schema.json
var SchemaJSON []byte

// Findings is the document.
type Findings struct {
	Schema  string `json:"schema"`
	Tool    Tool   `json:"tool"`
	Created string `json:"created,omitempty"` // RFC 3339
	// Request is what was asked of the scan beyond its defaults, by the names of
	// its flags: two documents with the same take, tool, request and conditions
	// come from the same work.
	Request map[string]string `json:"request,omitempty"`
	// Interrupted says that the user broke the scan off: another one of the same
	// take would say more.
	Interrupted bool       `json:"interrupted,omitempty"`
	Take        Take       `json:"take"`
	View        View       `json:"view"`
	Conditions  Conditions `json:"conditions"`
	Alignment   *Alignment `json:"alignment,omitempty"` // where a source was given
	Reference   *Reference `json:"reference,omitempty"` // where a source was laid on the take
	Coverage    []Coverage `json:"coverage"`            // one row for every kind, in the order of detect.Kinds
	Cadence     []Cadence  `json:"cadence,omitempty"`
	Findings    []Finding  `json:"findings"` // the most worth looking at first
	Warnings    []string   `json:"warnings"`
}

// Tool names what wrote the document.
type Tool struct {
	Name    string `json:"name"`
	Version string `json:"version"`
}

// Take is what the file is.
type Take struct {
	Path              string  `json:"path"`
	SHA256            string  `json:"sha256"`
	Container         string  `json:"container,omitempty"`
	Codec             string  `json:"codec"`
	PixelFormat       string  `json:"pixel_format"`
	Width             int     `json:"width"`
	Height            int     `json:"height"`
	RotationDeg       int     `json:"rotation_deg"`
	FrameRate         string  `json:"frame_rate"` // numerator/denominator
	VariableFrameRate bool    `json:"variable_frame_rate"`
	Scan              Scan    `json:"scan"`
	Transfer          string  `json:"transfer,omitempty"`
	Primaries         string  `json:"primaries,omitempty"`
	Matrix            string  `json:"matrix,omitempty"`
	Range             string  `json:"range,omitempty"` // limited or full
	DurationS         float64 `json:"duration_s"`
	Frames            int     `json:"frames"`
	DamagedPackets    int     `json:"damaged_packets"`
}

// Scan says how the frames of a file are flagged.
type Scan string

// The scans of the document.
const (
	Progressive      Scan = "progressive"
	InterlacedTop    Scan = "interlaced-tff"
	InterlacedBottom Scan = "interlaced-bff"
)

// View is the raster that was analysed.
type View struct {
	Kind            string       `json:"kind"`          // direct or screen
	Why             string       `json:"why,omitempty"` // what Kind rests on
	Raster          Raster       `json:"raster"`
	Corners         [][2]float64 `json:"corners,omitempty"`
	RefreshHz       float64      `json:"refresh_hz,omitempty"`
	DisplayedFrames int          `json:"displayed_frames,omitempty"`
	MixedFrames     int          `json:"mixed_frames,omitempty"`
	CameraPxPerLine float64      `json:"camera_px_per_line,omitempty"`
	Camera          *Camera      `json:"camera,omitempty"`
}

// Camera is what was found out, in a take of a screen, about the camera and how
// it saw the set. Words stand where a number would say less.
type Camera struct {
	Capture string `json:"capture"`           // when the frames were captured
	Refresh string `json:"refresh,omitempty"` // what was found of the set's refresh
	// FramesPerPicture is the camera's frames to one displayed picture.
	FramesPerPicture float64 `json:"frames_per_picture,omitempty"`
	// ExposureMs is how long a frame is exposed. DownMs and AcrossMs are how
	// much later a new picture begins to show at the bottom than at the top,
	// and at the right than at the left: the set's own update less the camera's
	// readout.
	ExposureMs float64 `json:"exposure_ms,omitempty"`
	DownMs     float64 `json:"down_ms,omitempty"`
	AcrossMs   float64 `json:"across_ms,omitempty"`
	// Border says what the corners are those of.
	Border Border `json:"border"`
	// CornersConfidence is 0 to 1. CornersSpreadPx is by how many camera pixels
	// (root mean square) what one frame says of a corner differs from its path
	// over the frames around, and SwayPx the farthest that a corner moved.
	CornersConfidence float64 `json:"corners_confidence"`
	CornersSpreadPx   float64 `json:"corners_spread_px"`
	SwayPx            float64 `json:"sway_px"`
	// CarriedFrames are those in which too little of the border showed.
	CarriedFrames int `json:"carried_frames"`
	// TrustedShare is how much of all rows of all pictures was exposed to one
	// picture alone.
	TrustedShare float64 `json:"trusted_share"`
	// NoiseCodes is the standard deviation of a sample of one frame.
	NoiseCodes float64 `json:"noise_codes,omitempty"`
	Sample     *Sample `json:"sample,omitempty"`
}

// Border is what the corners of a screen are those of.
type Border string

// The borders: that of the panel, that of the lit picture because the panel's
// did not show, the one that the user gave, and none, as in a close-up.
const (
	PanelBorder Border = "panel"
	LitBorder   Border = "lit-picture"
	GivenBorder Border = "given"
	NoBorder    Border = "none"
)

// Sample is one camera frame, with the picture that it shows as the files of
// the evidence.
type Sample struct {
	Frame   int           `json:"frame"`
	TimeS   float64       `json:"time_s"`
	Corners [4][2]float64 `json:"corners"` // as those of View, in this frame
	Camera  string        `json:"camera"`  // file of the frame
	Picture string        `json:"picture"` // file of the picture, rebuilt and straightened
}

// Raster is a size in pixels.
type Raster struct {
	Width  int `json:"width"`
	Height int `json:"height"`
}

// Conditions are what visibility was computed for, and how the set was set
// up.
type Conditions struct {
	PeakNits        float64 `json:"peak_nits"`
	BlackNits       float64 `json:"black_nits"`
	EOTF            string  `json:"eotf"`
	DistanceHeights float64 `json:"distance_heights"`
	// ResponseAssumed says that a camera filmed the set: EOTF is what is assumed
	// of the camera, and its full scale is taken for the peak.
	ResponseAssumed bool              `json:"response_assumed,omitempty"`
	Settings        map[string]string `json:"settings,omitempty"`
}

// Alignment says how the take was laid beside the clip that was played.
type Alignment struct {
	Path   string `json:"path"` // of the source
	SHA256 string `json:"sha256"`
	// Why says why they could not be aligned; the rest is then empty.
	Why string `json:"why,omitempty"`
	// Confidence that it is right to the picture, Explained how much of what
	// changes in the take the source explains, KnownShare how many of the take's
	// pictures have their place in the source; 0 to 1.
	Confidence float64 `json:"confidence"`
	Explained  float64 `json:"explained"`
	KnownShare float64 `json:"known_share"`
	// Rate is how many seconds of the source go by in one of the take's, in life.
	Rate  float64 `json:"rate,omitempty"`
	Still bool    `json:"still,omitempty"` // nothing moves in either
	// Spans are the stretches of the take in which the source ran on.
	Spans  []AlignedSpan `json:"spans,omitempty"`
	Raster *RasterMap    `json:"raster,omitempty"`
}

// Words say how the take was laid beside its source, in a line.
func (a *Alignment) Words() string {
	if a.Why != "" {
		return "not aligned: " + a.Why
	}
	if a.Still {
		return "nothing moves in either"
	}
	words := "begins at " + Clock(a.Spans[0].SourceS) + " of it"
	if a.Spans[0].StartS > 0 {
		words = "from " + Clock(a.Spans[0].StartS) + " on, which is " + Clock(a.Spans[0].SourceS) + " of it"
	}
	if n := len(a.Spans) - 1; n > 0 {
		words += fmt.Sprintf(", and goes on elsewhere %d times", n)
		if n == 1 {
			words = strings.TrimSuffix(words, "1 times") + "once"
		}
	}
	const told = 0.0005 // a rate that clocks alone do not explain
	if math.Abs(a.Rate-1) > told {
		words += fmt.Sprintf(", at %.4g times its rate", a.Rate)
	}
	return fmt.Sprintf("%s; %.0f %% of the pictures are known there, %.0f %% sure to the picture", words, 100*a.KnownShare, 100*a.Confidence)
}

// AlignedSpan is a stretch of the take and where it begins in the source.
type AlignedSpan struct {
	StartS  float64 `json:"start_s"`
	EndS    float64 `json:"end_s"`
	SourceS float64 `json:"source_s"`
}

// RasterMap says where the source's picture lies: x of the take's raster is at
// scale_x*x + offset_x in the source's frame, pixels having their centres at whole
// numbers.
type RasterMap struct {
	ScaleX      float64 `json:"scale_x"`
	OffsetX     float64 `json:"offset_x"`
	ScaleY      float64 `json:"scale_y"`
	OffsetY     float64 `json:"offset_y"`
	Correlation float64 `json:"correlation"`
}

// Coverage says how far a kind was examined.
type Coverage struct {
	Kind    detect.Kind          `json:"kind"`
	State   detect.CoverageState `json:"state"`
	Seconds float64              `json:"seconds"`
	Floor   *Quantity            `json:"floor,omitempty"`
	Why     string               `json:"why,omitempty"`
}

// Quantity is a number with its unit.
type Quantity struct {
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
}

// Cadence is a stretch in which new pictures follow each other in one way.
type Cadence struct {
	StartS          float64 `json:"start_s"`
	EndS            float64 `json:"end_s"`
	Pattern         string  `json:"pattern"`
	NewPicturesPerS float64 `json:"new_pictures_per_s,omitempty"`
}

// Finding is one fault. Frames are those of the file, EndFrame inclusive;
// EndS is the instant at which the last of them gives way to the next.
type Finding struct {
	ID         string      `json:"id"`
	Kind       detect.Kind `json:"kind"`
	StartS     float64     `json:"start_s"`
	EndS       float64     `json:"end_s"`
	PeakS      float64     `json:"peak_s"`
	StartFrame int         `json:"start_frame"`
	EndFrame   int         `json:"end_frame"`
	PeakFrame  int         `json:"peak_frame"`
	SourceS    *float64    `json:"source_s,omitempty"`
	// Region is where it shows over its whole time, PeakRegion where in the
	// picture at PeakS.
	Region        Region             `json:"region"`
	PeakRegion    *Region            `json:"peak_region,omitempty"`
	Strength      Quantity           `json:"strength"`
	VisibilityJND float64            `json:"visibility_jnd"`
	Confidence    float64            `json:"confidence"`
	Origin        Origin             `json:"origin"`
	Measures      map[string]float64 `json:"measures"`
	Evidence      Evidence           `json:"evidence"`
}

// Region is a rectangle in fractions of the analysed raster.
type Region struct {
	X float64 `json:"x"`
	Y float64 `json:"y"`
	W float64 `json:"w"`
	H float64 `json:"h"`
}

// Origin says whose fault a finding is.
type Origin struct {
	Verdict string `json:"verdict"` // source, set, capture or undetermined
	Why     string `json:"why"`
}

// Evidence names the pictures of a finding, relative to the findings file.
// A name is empty where the picture could not be read again.
type Evidence struct {
	Crop    string `json:"crop"`
	Context string `json:"context"`
	Strip   string `json:"strip,omitempty"`
	// Lifted and Profile are there for kinds that show in small steps of code.
	Lifted  string `json:"lifted,omitempty"`
	Profile string `json:"profile,omitempty"`
}
