package markers

import (
	"encoding/json"
	"io"
	"net/url"

	"setwitness/report"
)

// The objects of OpenTimelineIO that a list needs, in the versions of its schema
// map as of core 0.18.
type (
	otioTime struct {
		Schema string  `json:"OTIO_SCHEMA"`
		Rate   float64 `json:"rate"`
		Value  float64 `json:"value"`
	}
	otioRange struct {
		Schema   string   `json:"OTIO_SCHEMA"`
		Start    otioTime `json:"start_time"`
		Duration otioTime `json:"duration"`
	}
	otioObject struct {
		Schema   string         `json:"OTIO_SCHEMA"`
		Name     string         `json:"name"`
		Metadata map[string]any `json:"metadata"`
	}
	otioItem struct {
		otioObject
		Enabled     bool         `json:"enabled"`
		SourceRange *otioRange   `json:"source_range"`
		Effects     []any        `json:"effects"`
		Markers     []otioMarker `json:"markers"`
	}
	otioMarker struct {
		otioObject
		Colour  string    `json:"color"`
		Comment string    `json:"comment"`
		Range   otioRange `json:"marked_range"`
	}
	otioMedia struct {
		otioObject
		URL       string    `json:"target_url"`
		Available otioRange `json:"available_range"`
	}
	otioClip struct {
		otioItem
		Active string               `json:"active_media_reference_key"`
		Media  map[string]otioMedia `json:"media_references"`
	}
	otioTrack struct {
		otioItem
		Kind     string     `json:"kind"`
		Children []otioClip `json:"children"`
	}
	otioStack struct {
		otioItem
		Children []otioTrack `json:"children"`
	}
	otioTimeline struct {
		otioObject
		Start  otioTime  `json:"global_start_time"`
		Tracks otioStack `json:"tracks"`
	}
)

// WriteOTIO writes the findings as an OpenTimelineIO time line: one clip that is
// the whole take, with a marker for each finding. Times are in labels of the time
// line, those of the clip and its markers counted as the take's own time code.
func (l *List) WriteOTIO(w io.Writer) error {
	rate := l.Count.Rate()
	at := func(n int) otioTime { return otioTime{"RationalTime.1", rate, float64(n)} }
	span := func(from, to int) otioRange { return otioRange{"TimeRange.1", at(l.Start + from), at(to - from)} }
	object := func(schema, name string) otioObject {
		return otioObject{schema, oneLine(name), map[string]any{}}
	}
	item := func(schema, name string) otioItem {
		return otioItem{otioObject: object(schema, name), Enabled: true, Effects: []any{}, Markers: []otioMarker{}}
	}
	whole := span(0, l.Length)
	clip := otioClip{otioItem: item("Clip.2", l.Name), Active: "DEFAULT_MEDIA"}
	clip.SourceRange = &whole
	clip.Media = map[string]otioMedia{clip.Active: {object("ExternalReference.1", l.Name), (&url.URL{Path: l.Media}).String(), whole}}
	for _, m := range l.Markers {
		o := otioMarker{object("Marker.2", m.title()), locators[m.Kind], m.Sentence, span(m.In, m.Out)}
		o.Metadata["setwitness"] = struct {
			*report.Finding
			Sentence string `json:"sentence"`
		}{m.Finding, m.Sentence}
		clip.Markers = append(clip.Markers, o)
	}
	track := otioTrack{item("Track.1", "V1"), "Video", []otioClip{clip}}
	timeline := otioTimeline{object("Timeline.1", "Findings of "+l.Name), at(l.Start), otioStack{item("Stack.1", "tracks"), []otioTrack{track}}}
	timeline.Metadata["setwitness"] = map[string]any{"notes": l.Notes, "time_code": l.Count.String()}
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(timeline)
}
