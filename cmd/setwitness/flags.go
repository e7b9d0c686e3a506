package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"setwitness/detect"
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
