// Package codec writes captures as a phone does and reads them back.
//
// In: a capture, a folder for the file. Out: a file with H.264 at a phone's
// bit rate, the capture's own stamps, its rotation and what a phone notes of
// its rate of capture.
package codec

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"

	"setwitness/decode/encode"
	"setwitness/decode/picture"
	"setwitness/testdata/filming"
)

// BitsPerPixel is what a phone spends: 24 Mbit/s for 1280x720 at 240 frames a
// second and twice that for 1920x1080 (common practice, no source).
const BitsPerPixel = 0.11

// Options says how to write.
type Options struct {
	BitsPerPixel float64 // 0 means that of a phone
	// CaptureRate notes the rate of capture in the file, under the key of
	// phones with Android (com.android.capture.fps), by the ffmpeg program.
	CaptureRate bool
}

// Write writes a capture as dir/name.mp4 and returns that path.
func Write(c *filming.Capture, dir, name string, o Options) (string, error) {
	path := filepath.Join(dir, name+".mp4")
	cam := &c.Camera
	w, h := cam.W, cam.H
	if cam.Rotation%180 != 0 {
		w, h = h, w
	}
	bits := o.BitsPerPixel
	if bits == 0 {
		bits = BitsPerPixel
	}
	// Rate control goes by the nominal rate, whatever the stamps say: a phone
	// stretches them when the frames are coded already.
	e, err := encode.Create(encode.Options{
		Path: path, W: w, H: h, RateNum: c.Format.RateNum, RateDen: c.Format.RateDen,
		VariableRate: true, Colour: c.Format.Colour, Rotation: cam.Rotation,
		BitRate: int(bits * float64(w*h) * c.Format.Rate()),
		// A phone's encoder is quick and writes a key frame a second.
		GOP:     int(c.Format.Rate() + 0.5),
		Private: map[string]string{"preset": "superfast", "bf": "0", "x264-params": "force-cfr=1"},
	})
	if err != nil {
		return "", err
	}
	for i := range c.Frames {
		if err := e.Write(Stored(c.Picture(i), cam.Rotation)); err != nil {
			e.Abort()
			return "", err
		}
	}
	if err := e.Close(); err != nil {
		return "", err
	}
	if o.CaptureRate {
		return path, note(path, cam.Rate())
	}
	return path, nil
}

// note adds the rate of capture to a file.
func note(path string, rate float64) error {
	temp := path + ".noted.mp4"
	out, err := exec.Command("ffmpeg", "-v", "error", "-y", "-i", path, "-c", "copy",
		"-metadata", "com.android.capture.fps="+strconv.FormatFloat(rate, 'f', 6, 64),
		"-movflags", "use_metadata_tags+faststart", temp).CombinedOutput()
	if err != nil {
		return errors.Join(fmt.Errorf("note the rate of capture: %w: %s", err, out), os.Remove(temp))
	}
	return os.Rename(temp, path)
}

// Stored returns an upright frame as the sensor has it, so that a player has
// to turn it clockwise by rotation degrees to show it upright.
func Stored(p *picture.Picture, rotation int) *picture.Picture {
	if rotation == 0 {
		return p
	}
	return &picture.Picture{
		Index: p.Index, Frame: p.Frame, Time: p.Time,
		Y: turned(&p.Y, rotation), Cb: turned(&p.Cb, rotation), Cr: turned(&p.Cr, rotation),
	}
}

// turned turns a plane of 8 bits back by degrees clockwise.
func turned(p *picture.Plane, degrees int) picture.Plane {
	w, h := p.W, p.H
	if degrees != 180 {
		w, h = h, w
	}
	out := picture.New(w, h, 8)
	for y := range h {
		row := out.Pix[y*w : (y+1)*w]
		for x := range row {
			switch degrees {
			case 90:
				row[x] = p.Pix[x*p.Stride+p.W-1-y]
			case 180:
				row[x] = p.Pix[(p.H-1-y)*p.Stride+p.W-1-x]
			case 270:
				row[x] = p.Pix[(p.H-1-x)*p.Stride+y]
			}
		}
	}
	return out
}
