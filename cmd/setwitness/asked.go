package main

import (
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/pflag"
)

// asked is what a command line, or a line of a list, asks of a scan: all flags
// that decide what is found, as they are written.
type asked struct {
	from, source, fields, corners, lines string
	capture                              float64
	peak, black, eotf, distance          string
	settings, options                    []string
}

func nothingAsked() asked { return asked{from: "auto", fields: "auto", eotf: "auto"} }

// Flags that may be given several times.
const settingName, optionName = "setting", "option"

// bind declares the flags; what a holds is what they say when they are not
// given.
func (a *asked) bind(fl *pflag.FlagSet) {
	fl.StringVar(&a.from, "from", a.from, "where the clips come from: direct (a file or a recording of a signal), screen (a camera that filmed a set) or auto (found out)")
	fl.StringVar(&a.corners, "corners", a.corners, "where the screen is in the first frame of a camera, as \"x,y x,y x,y x,y\" from the top left corner clockwise")
	fl.StringVar(&a.lines, "lines-per-px", a.lines, "how many of the set's `LINES` a camera pixel is high, for close-ups in which neither the screen's border nor the panel's pixels tell it")
	fl.Float64Var(&a.capture, "capture-fps", a.capture, "frames a second that the camera took, where the file does not say or says it wrongly")
	fl.StringVar(&a.source, "source", a.source, "the `CLIP` that was played: findings then say whether it or the set made them")
	fl.StringVar(&a.fields, "fields", a.fields, "what to do with the fields of interlaced files: auto, weave or split")
	fl.StringVar(&a.peak, "peak-nits", a.peak, "white of the set in `CD/M2`, for visibility (default 100; for PQ and HLG 1000)")
	fl.StringVar(&a.black, "black-nits", a.black, "black of the set in `CD/M2` (default 0.05; for PQ and HLG 0.005)")
	fl.StringVar(&a.eotf, "eotf", a.eotf, "transfer function by which the set turns codes into light: bt1886, srgb, pq, hlg or auto (as the clip is tagged, else bt1886; of a film of a screen srgb, unless it is tagged pq or hlg)")
	fl.StringVar(&a.distance, "distance", a.distance, "viewing distance in picture `HEIGHTS` (default 3)")
	fl.StringArrayVar(&a.settings, settingName, a.settings, "how the set was set up, key=value; may be given several times")
	fl.StringArrayVar(&a.options, optionName, a.options, "a parameter of a stage, stage.name=value (see setwitness stages); may be given several times")
}

// stated calls fn with each flag that can be given once and is not at its
// default, in the order of their names.
func (a asked) stated(fn func(name, value string)) {
	var mine, none pflag.FlagSet
	a.bind(&mine)
	nothing := nothingAsked()
	nothing.bind(&none)
	mine.VisitAll(func(f *pflag.Flag) {
		if f.Name != settingName && f.Name != optionName && f.Value.String() != none.Lookup(f.Name).Value.String() {
			fn(f.Name, f.Value.String())
		}
	})
}

// request is what the document says was asked. Settings and source stand there
// by themselves.
func (a asked) request(options map[string]float64) map[string]string {
	out := map[string]string{}
	a.stated(func(name, value string) {
		if name != "source" {
			out[name] = value
		}
	})
	for name, v := range options {
		out["option."+name] = strconv.FormatFloat(v, 'g', -1, 64)
	}
	return out
}

// args are a command line that asks the same.
func (a asked) args() []string {
	var out []string
	a.stated(func(name, value string) { out = append(out, "--"+name+"="+value) })
	for name, values := range map[string][]string{settingName: a.settings, optionName: a.options} {
		for _, v := range values {
			out = append(out, "--"+name+"="+v)
		}
	}
	slices.Sort(out)
	return out
}

// and is what is asked of one take of a list: fields are flags, or settings
// without the word --setting. They go before what is asked of all takes. Files
// are named from dir on.
func (a asked) and(fields []string, dir string) (asked, error) {
	own := a
	own.settings, own.options, own.source = nil, nil, ""
	var flags []string
	for _, f := range fields {
		if !strings.HasPrefix(f, "--") {
			f = "--" + settingName + "=" + f
		}
		if name, _, ok := strings.Cut(f, "="); !ok || name == "--help" {
			return asked{}, fmt.Errorf("%q is not --flag=value", f)
		}
		flags = append(flags, f)
	}
	fl := pflag.NewFlagSet("", pflag.ContinueOnError)
	fl.SetOutput(io.Discard)
	own.bind(fl)
	if err := fl.Parse(flags); err != nil {
		return asked{}, flagFault(err)
	}
	if err := noneEmptyOf(fl); err != nil {
		return asked{}, err
	}
	switch {
	case own.source == "":
		own.source = a.source
	case !filepath.IsAbs(own.source):
		own.source = filepath.Join(dir, own.source)
	}
	own.settings = over(a.settings, own.settings)
	own.options = over(a.options, own.options)
	return own, nil
}

// over is pairs key=value, less those with a key that own has, and own.
func over(pairs, own []string) []string {
	key := func(pair string) string {
		k, _, _ := strings.Cut(pair, "=")
		return strings.TrimSpace(k)
	}
	keys := map[string]bool{}
	for _, p := range own {
		keys[key(p)] = true
	}
	var out []string
	for _, p := range pairs {
		if !keys[key(p)] {
			out = append(out, p)
		}
	}
	return append(out, own...)
}
