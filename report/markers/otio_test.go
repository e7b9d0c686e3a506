package markers

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
)

// shapes are the objects that a time line may have, each with the type of every
// field that it must have, as OpenTimelineIO's own sample
// (tests/sample_data/enabled.otio, and its schema map of core 0.18 for Clip.2 and
// Marker.2) has them. A type that begins with a capital is an object; a question
// mark allows null, and brackets are a list.
var shapes = map[string]map[string]string{
	"Timeline.1": {"name": "string", "metadata": "any", "global_start_time": "?RationalTime.1", "tracks": "Stack.1"},
	"Stack.1": {"name": "string", "metadata": "any", "source_range": "?TimeRange.1", "effects": "[]any", "markers": "[]Marker.2", "enabled": "bool",
		"children": "[]Track.1"},
	"Track.1": {"name": "string", "metadata": "any", "source_range": "?TimeRange.1", "effects": "[]any", "markers": "[]Marker.2", "enabled": "bool",
		"children": "[]Clip.2", "kind": "string"},
	"Clip.2": {"name": "string", "metadata": "any", "source_range": "?TimeRange.1", "effects": "[]any", "markers": "[]Marker.2", "enabled": "bool",
		"media_references": "any", "active_media_reference_key": "string"},
	"Marker.2":            {"name": "string", "metadata": "any", "color": "string", "comment": "string", "marked_range": "TimeRange.1"},
	"ExternalReference.1": {"name": "string", "metadata": "any", "target_url": "string", "available_range": "?TimeRange.1"},
	"TimeRange.1":         {"start_time": "RationalTime.1", "duration": "RationalTime.1"},
	"RationalTime.1":      {"rate": "number", "value": "number"},
}

// markerColours are those that OpenTimelineIO names.
var markerColours = []string{"PINK", "RED", "ORANGE", "YELLOW", "GREEN", "CYAN", "BLUE", "PURPLE", "MAGENTA", "BLACK", "WHITE"}

// fit reports what of v is not of a type.
func fit(at string, v any, kind string) error {
	if rest, ok := strings.CutPrefix(kind, "?"); ok {
		if v == nil {
			return nil
		}
		kind = rest
	}
	if rest, ok := strings.CutPrefix(kind, "[]"); ok {
		all, ok := v.([]any)
		if !ok {
			return fmt.Errorf("%s is no list", at)
		}
		for i, e := range all {
			if err := fit(fmt.Sprintf("%s[%d]", at, i), e, rest); err != nil {
				return err
			}
		}
		return nil
	}
	ok := true
	switch kind {
	case "any":
	case "string":
		_, ok = v.(string)
	case "bool":
		_, ok = v.(bool)
	case "number":
		_, ok = v.(float64)
	default:
		var o map[string]any
		if o, ok = v.(map[string]any); ok {
			return fitObject(at, o, kind)
		}
	}
	if !ok {
		return fmt.Errorf("%s is no %s but %v", at, kind, v)
	}
	return nil
}

func fitObject(at string, o map[string]any, kind string) error {
	shape, ok := shapes[kind]
	if !ok || o["OTIO_SCHEMA"] != kind {
		return fmt.Errorf("%s is a %v, want a %s", at, o["OTIO_SCHEMA"], kind)
	}
	for field := range o {
		if _, ok := shape[field]; !ok && field != "OTIO_SCHEMA" {
			return fmt.Errorf("%s has a field %q", at, field)
		}
	}
	for field, kind := range shape {
		v, ok := o[field]
		if !ok {
			return fmt.Errorf("%s has no field %q", at, field)
		}
		if err := fit(at+"."+field, v, kind); err != nil {
			return err
		}
	}
	return nil
}

func timelineOf(t *testing.T, l *List) map[string]any {
	t.Helper()
	text := written(t, l.WriteOTIO)
	var o map[string]any
	if err := json.Unmarshal([]byte(text), &o); err != nil {
		t.Fatal(err)
	}
	if err := fit("timeline", o, "Timeline.1"); err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	return o
}

// dig follows names and numbers into JSON.
func dig(v any, way ...any) any {
	for _, w := range way {
		switch w := w.(type) {
		case string:
			v = v.(map[string]any)[w]
		case int:
			v = v.([]any)[w]
		}
	}
	return v
}

// span reads a range of time in labels.
func span(t *testing.T, v any, rate float64) (from, to int) {
	t.Helper()
	for _, name := range []string{"start_time", "duration"} {
		if got := dig(v, name, "rate"); got != rate {
			t.Fatalf("the rate is %v, want %g", got, rate)
		}
	}
	from = int(dig(v, "start_time", "value").(float64))
	return from, from + int(dig(v, "duration", "value").(float64))
}

func TestOTIO(t *testing.T) {
	check := func(l *List) {
		o := timelineOf(t, l)
		rate := l.Count.Rate()
		clip := dig(o, "tracks", "children", 0, "children", 0)
		if dig(o, "global_start_time", "value") != float64(l.Start) || dig(o, "tracks", "children", 0, "kind") != "Video" {
			t.Error("the start or the kind of the track is another")
		}
		media := dig(clip, "media_references", dig(clip, "active_media_reference_key").(string))
		if err := fit("media", media, "ExternalReference.1"); err != nil {
			t.Fatal(err)
		}
		if got := dig(media, "target_url"); got != "../takes/match%20%231.mp4" {
			t.Errorf("the take is at %v", got)
		}
		first, last := span(t, dig(clip, "source_range"), rate)
		if a, b := span(t, dig(media, "available_range"), rate); a != first || b != last || first != l.Start {
			t.Errorf("the clip has %d to %d, the take %d to %d", first, last, a, b)
		}
		all := dig(clip, "markers").([]any)
		if len(all) != len(l.Markers) {
			t.Fatalf("%d markers of %d", len(all), len(l.Markers))
		}
		for i, m := range l.Markers {
			from, to := span(t, dig(all[i], "marked_range"), rate)
			if from != l.Start+m.In || to != l.Start+m.Out || from < first || to > last {
				t.Errorf("%s is at %d to %d of %d to %d", m.ID, from, to, first, last)
			}
			if !slices.Contains(markerColours, dig(all[i], "color").(string)) {
				t.Errorf("%v is no colour of a marker", dig(all[i], "color"))
			}
			if dig(all[i], "comment") != m.Sentence || dig(all[i], "metadata", "setwitness", "id") != m.ID || dig(all[i], "metadata", "setwitness", "sentence") != m.Sentence {
				t.Errorf("%s: %v", m.ID, all[i])
			}
		}
	}
	check(list(t, example(), "01:00:00;00"))
	for seed := range uint64(50) {
		check(list(t, random(seed), "00:00:00:00"))
	}
}

// The reader finds fault with what is at fault.
func TestFit(t *testing.T) {
	for name, spoil := range map[string]func(map[string]any){
		"version": func(o map[string]any) { o["OTIO_SCHEMA"] = "Timeline.2" },
		"missing": func(o map[string]any) { delete(o["tracks"].(map[string]any), "enabled") },
		"more":    func(o map[string]any) { o["color"] = "RED" },
		"type":    func(o map[string]any) { o["global_start_time"].(map[string]any)["value"] = "0" },
		"list":    func(o map[string]any) { o["tracks"].(map[string]any)["children"] = nil },
		"nesting": func(o map[string]any) { o["tracks"].(map[string]any)["children"].([]any)[0] = o["tracks"] },
	} {
		o := timelineOf(t, list(t, example(), "00:00:00:00"))
		spoil(o)
		if err := fit("timeline", o, "Timeline.1"); err == nil {
			t.Errorf("%s: taken", name)
		}
	}
}
