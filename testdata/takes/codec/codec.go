// Package codec sends takes of the catalogue through H.264 and back, so that
// stages can be tried on what a codec leaves of them.
//
// In: a take, a folder for the file, a quality. Out: what was written, to
// be read with decode.Open.
package codec

import (
	"fmt"
	"path/filepath"
	"strconv"

	"setwitness/decode/encode"
	"setwitness/testdata/takes"
)

// Write writes the take as H.264 of a constant quality (crf: 18 can hardly be
// told from the original, 28 shows) to dir and returns the file's path.
func Write(t takes.Take, dir string, crf int) (string, error) {
	path := filepath.Join(dir, t.Name+".mp4")
	format := "yuv420p"
	if t.Format.Depth == 10 {
		format = "yuv420p10le"
	}
	w, err := encode.Create(encode.Options{
		Path: path, W: t.Format.W, H: t.Format.H,
		RateNum: t.Format.RateNum, RateDen: t.Format.RateDen,
		PixelFormat: format, Colour: t.Format.Colour,
		Private: map[string]string{"crf": strconv.Itoa(crf), "preset": "veryfast"},
	})
	if err != nil {
		return "", err
	}
	for i := range t.Frames {
		if err := w.Write(t.Picture(i)); err != nil {
			w.Abort()
			return "", fmt.Errorf("%s: picture %d: %w", t.Name, i, err)
		}
	}
	return path, w.Close()
}
