package report

import (
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"time"

	"setwitness/report/document"
)

// DisplayedName is the name of the document of displayed pictures, beside that of
// the findings of a film of a screen.
const DisplayedName = "displayed.json"

const displayedSchema = "setwitness.displayed/1"

//go:embed displayed.schema.json
var displayedSchemaJSON []byte

var displayedKind = document.New(displayedSchema, "document of displayed pictures", displayedSchemaJSON)

// Displayed says of which rows of which camera frames each picture is made that a
// filmed set displayed, so that it can be made again without following the screen
// anew.
type Displayed struct {
	Schema string `json:"schema"`
	SHA256 string `json:"sha256"` // of the take
	Raster Raster `json:"raster"`
	Rate   string `json:"rate"` // displayed pictures a second of life, numerator/denominator; 0/1 if not known
	// CaptureFPS is the camera's frames a second of life.
	CaptureFPS float64       `json:"capture_fps"`
	Lenses     []CameraLens  `json:"lenses"`
	Pictures   []MadePicture `json:"pictures"` // in the order of time
}

// CameraLens is what of a view seldom changes.
type CameraLens struct {
	Width  int     `json:"width"` // of a camera frame
	Height int     `json:"height"`
	K1     float64 `json:"k1"` // radial distortion, by half of the frame's diagonal
}

// MadePicture is one displayed picture. Times are from the first frame on.
type MadePicture struct {
	Number int           `json:"number"` // of the set's refreshes
	Time   time.Duration `json:"time_ns"`
	Life   time.Duration `json:"life_ns"` // in life; Time is the file's
	Parts  []MadePart    `json:"parts"`   // the one to prefer first
}

// MadePart is rows of one camera frame.
type MadePart struct {
	Frame   int           `json:"frame"`
	Shown   time.Duration `json:"shown_ns"` // presentation time of the frame
	From    int           `json:"from"`     // rows of the raster
	To      int           `json:"to"`       // exclusive
	Lens    int           `json:"lens"`     // index
	Corners [8]float64    `json:"corners"`  // of the screen, x and y in turn, from the top left one clockwise
}

// WriteDisplayed writes the document to path. It has a line for each picture.
func WriteDisplayed(path string, d *Displayed) error {
	d.Schema = displayedSchema
	if err := d.check(); err != nil {
		return err
	}
	return WriteFile(path, func(w io.Writer) error {
		head := *d
		head.Pictures = nil
		b, err := json.Marshal(head)
		if err != nil {
			return err
		}
		// All of the head up to its last field, whose value is null.
		const end = "null}"
		if _, err := fmt.Fprintf(w, "%s[", b[:len(b)-len(end)]); err != nil {
			return err
		}
		for i, p := range d.Pictures {
			b, err := json.Marshal(p)
			if err != nil {
				return err
			}
			comma := ","
			if i == 0 {
				comma = ""
			}
			if _, err := fmt.Fprintf(w, "%s\n%s", comma, b); err != nil {
				return err
			}
		}
		_, err = io.WriteString(w, "\n]}\n")
		return err
	})
}

// ReadDisplayed reads the document and holds it against its schema.
func ReadDisplayed(path string) (*Displayed, error) {
	return document.ReadFile(path, DecodeDisplayed)
}

// DecodeDisplayed is ReadDisplayed for any reader.
func DecodeDisplayed(r io.Reader) (*Displayed, error) {
	d := &Displayed{}
	if err := displayedKind.Decode(r, d); err != nil {
		return nil, err
	}
	if err := d.check(); err != nil {
		return nil, err
	}
	return d, nil
}

// check reports what no schema can say.
func (d *Displayed) check() error {
	for i, p := range d.Pictures {
		if i > 0 && p.Time < d.Pictures[i-1].Time {
			return fmt.Errorf("picture %d comes before the one that precedes it", i)
		}
		for _, q := range p.Parts {
			switch {
			case q.Lens < 0 || q.Lens >= len(d.Lenses):
				return fmt.Errorf("picture %d names lens %d of %d", i, q.Lens, len(d.Lenses))
			case q.From < 0 || q.From >= q.To || q.To > d.Raster.Height:
				return fmt.Errorf("picture %d has rows %d to %d of %d", i, q.From, q.To, d.Raster.Height)
			}
			for _, c := range q.Corners {
				if math.IsNaN(c) || math.IsInf(c, 0) {
					return errors.New("a corner is no number")
				}
			}
		}
	}
	return nil
}
