// Package detect runs stages over the pictures of a take and turns what they
// note into events.
//
// In: a stream of pictures (package decode/picture) and a list of stages.
// Out: a Result: events with time, region, strength and confidence, the
// cadence of the take, and for every kind of fault what the take could have
// shown.
//
// A stage is a constant value: what it is called, what it measures, what it
// needs, and how to make its state for one take. A stage that finds faults
// leaves marks; a measurement stage leaves none and exists to be needed by
// others, which is the only way in which stages share work. Stages never
// decode, never draw and never know another stage but the ones they need.
//
// Time runs once. When picture n has been read, each stage steps to picture
// n - delay, where its delay is just long enough for the pictures and the
// measurements ahead that it declared. So a stage sees picture t with its
// declared neighbours on both sides, and the memory of a run depends on the
// windows and not on the length of the take.
package detect

import (
	"fmt"
	"image"
	"slices"

	"setwitness/decode/picture"
	"setwitness/detect/vision"
)

// Stage is one measurement or one detector. It is a constant: a package
// holds it in a variable called Stage and nobody writes to it.
type Stage struct {
	// Name is one lower-case word or several joined by hyphens.
	Name string
	// Title is one short lower-case line for tables.
	Title string
	// Doc says what is measured, in which unit, over which range, and what
	// looks alike and is not reported.
	Doc string
	// Kind is the kind of the marks that it leaves; empty for a measurement.
	Kind Kind
	// Needs are the measurements that it reads.
	Needs []Need
	// Reads is set when Step reads samples. The samples of a picture are let
	// go when no stage that reads is still to come to it.
	Reads bool
	// Back and Ahead are how many pictures before and after the one in hand
	// Step may ask for, or waits for.
	Back, Ahead int
	// Options are its parameters; the value of one is read with Setup.Option.
	Options []Option
	// New makes the state for one take.
	New func(*Setup) (State, error)
}

// Need declares that a stage reads the results of another one for pictures
// t-Back to t+Ahead while it steps at picture t.
type Need struct {
	Stage       *Stage
	Back, Ahead int
}

// Option is a parameter of a stage.
type Option struct {
	Name              string
	Default, Min, Max float64
	Unit              string
	// Reason says why the default is what it is: noise, visibility, geometry.
	Reason string
}

// State is a stage at work on one take. Its methods are called from one
// goroutine.
type State interface {
	// Step examines picture w.T. It is called once for every picture, in
	// order. An error ends the run; what one picture cannot tell is no
	// error.
	Step(w *Window) error
}

// Examiner is what the state of a stage with a kind has besides Step: after
// the last picture it says what the take could have shown.
type Examiner interface {
	State
	Coverage() Coverage
}

// Mark is one stage's note on one picture.
type Mark struct {
	Kind    Kind
	Picture int             // index of the picture
	Region  image.Rectangle // raster pixels
	// Strength is in Kind.Unit.
	Strength float64
	// Confidence that this is the fault it claims to be, 0 to 1; 0.5 is
	// the point of decision. Marks below it only ever extend an event that
	// a stronger one carries.
	Confidence float64
	// Measures are the numbers behind the strength, each named with its
	// unit (displacement_px, pitch_lines ...).
	Measures map[string]float64

	seen glance
}

// Coverage says what a take could have shown of one kind.
type Coverage struct {
	Kind    Kind
	State   CoverageState
	Seconds float64 // how long the kind was examined
	// Floor is the weakest strength that this take could have shown, in
	// Kind.Unit; 0 when there is none to state.
	Floor float64
	Why   string
}

// CoverageState is how far a kind was examined.
type CoverageState string

// The states of coverage in the findings document.
const (
	Examined      CoverageState = "examined"
	Limited       CoverageState = "limited"
	NotExaminable CoverageState = "not-examinable"
)

// Setup is what a stage is given to make its state.
type Setup struct {
	Format picture.Format
	// Viewer judges steps, lines and patches of this take's codes in JND, under
	// the conditions of the run.
	Viewer *vision.Viewer
	// History is how many of its own newest results a measurement stage has
	// to keep for its readers. At Step of picture t they may ask for any of
	// t-History+1 to t.
	History int

	stage   *Stage
	states  map[*Stage]State
	options map[string]float64
}

// Needed returns the state of a stage that the caller declared among its
// Needs. Asking for another is a programming error and panics.
func (s *Setup) Needed(stage *Stage) State {
	if !slices.ContainsFunc(s.stage.Needs, func(n Need) bool { return n.Stage == stage }) {
		panic(fmt.Sprintf("detect: stage %s reads %s without declaring it", s.stage.Name, stage.Name))
	}
	return s.states[stage]
}

// Option returns the value of one of the stage's own options.
func (s *Setup) Option(name string) float64 {
	if v, ok := s.options[s.stage.Name+"."+name]; ok {
		return v
	}
	for _, o := range s.stage.Options {
		if o.Name == name {
			return o.Default
		}
	}
	panic(fmt.Sprintf("detect: stage %s has no option %s", s.stage.Name, name))
}

// Validate reports the first fault in a list of stages: a missing name, doc
// or constructor, two of the same name, an option outside its range, a need
// that is not listed before its reader (which also rules out cycles).
func Validate(stages []*Stage) error {
	seen := map[*Stage]bool{}
	names := map[string]bool{}
	for _, s := range stages {
		switch {
		case s.Name == "" || s.Title == "" || s.Doc == "":
			return fmt.Errorf("stage %q: no name, title or doc", s.Name)
		case s.New == nil:
			return fmt.Errorf("stage %s: no constructor", s.Name)
		case names[s.Name]:
			return fmt.Errorf("stage %s is listed twice", s.Name)
		case s.Back < 0 || s.Ahead < 0:
			return fmt.Errorf("stage %s: negative window", s.Name)
		}
		for _, o := range s.Options {
			if o.Name == "" || o.Reason == "" || o.Default < o.Min || o.Default > o.Max {
				return fmt.Errorf("stage %s: option %q has no reason or a default outside its range", s.Name, o.Name)
			}
		}
		for _, n := range s.Needs {
			if !seen[n.Stage] {
				return fmt.Errorf("stage %s needs %s, which is not listed before it", s.Name, n.Stage.Name)
			}
			if n.Back < 0 || n.Ahead < 0 {
				return fmt.Errorf("stage %s: negative window on %s", s.Name, n.Stage.Name)
			}
		}
		seen[s], names[s.Name] = true, true
	}
	return nil
}
