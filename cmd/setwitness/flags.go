package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"setwitness/detect"
	"setwitness/detect/vision"
)

// parseSettings reads key=value pairs that say how the set was set up.
func parseSettings(pairs []string) (map[string]string, error) {
	out := map[string]string{}
	for _, p := range pairs {
		key, value, ok := strings.Cut(p, "=")
		key, value = strings.TrimSpace(key), strings.TrimSpace(value)
		switch {
		case !ok || key == "":
			return nil, fmt.Errorf("--setting %q is not key=value", p)
		case !printable(key) || !printable(value):
			return nil, fmt.Errorf("--setting %q holds characters that are no text", p)
		}
		if _, twice := out[key]; twice {
			return nil, fmt.Errorf("--setting %s is given twice", key)
		}
		out[key] = value
	}
	return out, nil
}

func printable(s string) bool {
	return utf8.ValidString(s) && strings.IndexFunc(s, unicode.IsControl) < 0
}

// parseOptions reads stage.name=value pairs and holds them against what the
// stages declare.
func parseOptions(pairs []string, stages []*detect.Stage) (map[string]float64, error) {
	known := map[string]detect.Option{}
	for _, s := range stages {
		for _, o := range s.Options {
			known[s.Name+"."+o.Name] = o
		}
	}
	out := map[string]float64{}
	for _, p := range pairs {
		name, text, ok := strings.Cut(p, "=")
		if !ok || name == "" {
			return nil, fmt.Errorf("--option %q is not stage.name=value", p)
		}
		o, ok := known[name]
		if !ok {
			return nil, fmt.Errorf("--option %q: no stage has it (see setwitness stages)", name)
		}
		v, err := strconv.ParseFloat(text, 64)
		if err != nil || math.IsNaN(v) {
			return nil, fmt.Errorf("--option %s: %q is not a number", name, text)
		}
		if v < o.Min || v > o.Max {
			return nil, fmt.Errorf("--option %s: %g is outside %g to %g", name, v, o.Min, o.Max)
		}
		if _, twice := out[name]; twice {
			return nil, fmt.Errorf("--option %s is given twice", name)
		}
		out[name] = v
	}
	return out, nil
}

// noneEmpty reports a flag that is given without a value, as a variable of a
// shell that is not set gives it: it would count as not given.
func noneEmpty(c *cobra.Command) error { return noneEmptyOf(c.Flags()) }

func noneEmptyOf(flags *pflag.FlagSet) (err error) {
	flags.Visit(func(f *pflag.Flag) {
		if err == nil && f.Value.String() == "" {
			err = fmt.Errorf("--%s is given without a value", f.Name)
		}
	})
	return err
}

// viewing is what a command line says of how the set is looked at. What it
// leaves out is that of the reference conditions.
type viewing struct {
	eotf           vision.EOTF // empty: by the take
	peak, distance float64     // 0: not stated
	black          float64
	blackStated    bool
}

// parseViewing reads the flags of the viewing conditions; empty ones are not
// stated.
func parseViewing(peak, black, eotf, distance string) (viewing, error) {
	var v viewing
	var err error
	if v.peak, err = parseWithin("--peak-nits", peak, vision.LeastPeak, vision.MostPeak, "cd/m2"); err != nil {
		return viewing{}, err
	}
	if v.black, err = parseWithin("--black-nits", black, vision.LeastBlack, vision.MostBlack, "cd/m2"); err != nil {
		return viewing{}, err
	}
	v.blackStated = black != ""
	if v.distance, err = parseWithin("--distance", distance, vision.LeastDistance, vision.MostDistance, "picture heights"); err != nil {
		return viewing{}, err
	}
	if eotf != "auto" {
		if v.eotf, err = vision.ParseEOTF(eotf); err != nil {
			return viewing{}, fmt.Errorf("--eotf %q is none of auto, bt1886, srgb, pq and hlg", eotf)
		}
	}
	return v, nil
}

// A camera pixel is as high as this many of the set's lines: from a close-up
// of single pixels of the panel to a small screen far away.
const leastLinesPerPx, mostLinesPerPx = 0.02, 20

// parseLinesPerPx reads how many of the set's lines a camera pixel is high; 0
// from an empty text.
func parseLinesPerPx(text string) (float64, error) {
	return parseWithin("--lines-per-px", text, leastLinesPerPx, mostLinesPerPx, "lines")
}

// parseWithin reads a number within bounds, or 0 from an empty text.
func parseWithin(flag, text string, least, most float64, unit string) (float64, error) {
	if text == "" {
		return 0, nil
	}
	n, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(n) {
		return 0, fmt.Errorf("%s: %q is not a number", flag, text)
	}
	if n < least || n > most {
		return 0, fmt.Errorf("%s %g is outside %g to %g %s", flag, n, least, most, unit)
	}
	// A zero with a sign is a zero.
	return max(n, 0), nil
}

// conditions are those of a take with the given transfer. A camera's codes
// follow the light of the set, whatever the signal was: where the file names no
// HDR transfer, they are taken for sRGB's, as decode/screen does.
func (v viewing) conditions(transfer string, filmed bool) vision.Conditions {
	e := v.eotf
	if e == "" {
		if e = vision.EOTFOf(transfer); filmed {
			e = vision.FilmedEOTF(transfer)
		}
	}
	c := vision.Reference(e)
	c.Camera = filmed
	if v.peak > 0 {
		c.PeakNits = v.peak
	}
	if v.blackStated {
		c.BlackNits = v.black
	}
	if v.distance > 0 {
		c.DistanceHeights = v.distance
	}
	return c
}
