package vision

import (
	"bytes"
	"encoding/binary"
	"math"
	"os/exec"
	"testing"
)

// FFmpeg's zscale (zimg) turns all codes of 10 bits, full range, into light:
// an implementation by others of BT.1886, IEC 61966-2-1, ST 2084, and of HLG
// with the system gamma of a display of 1000 cd/m2. It states light in units of
// the nominal peak that it is given.
func TestLightAsZimg(t *testing.T) {
	ffmpeg, err := exec.LookPath("ffmpeg")
	if err != nil {
		t.Skip("ffmpeg is not installed")
	}
	const n, rows, planes, unit = 1024, 2, 3, 100
	var ramp []byte
	for range rows * planes {
		for code := range n {
			ramp = binary.LittleEndian.AppendUint16(ramp, uint16(code))
		}
	}
	for transfer, c := range map[string]Conditions{
		"bt709": conditions(BT1886, 100, 0), "iec61966-2-1": conditions(SRGB, 100, 0),
		"smpte2084": conditions(PQ, 10000, 0), "arib-std-b67": conditions(HLG, 1000, 0),
	} {
		if got := EOTFOf(transfer); got != c.EOTF {
			t.Errorf("%s is shown by %s, want %s", transfer, got, c.EOTF)
		}
		cmd := exec.Command(ffmpeg, "-v", "error", "-f", "rawvideo", "-pix_fmt", "gbrp10le", "-s", "1024x2", "-i", "-", "-vf",
			"setparams=colorspace=gbr:color_primaries=bt2020:color_trc="+transfer+":range=pc,zscale=t=linear:npl=100,format=gbrpf32le",
			"-f", "rawvideo", "-")
		cmd.Stdin = bytes.NewReader(ramp)
		var complaint bytes.Buffer
		cmd.Stderr = &complaint
		out, err := cmd.Output()
		if err != nil || len(out) != n*rows*planes*4 {
			t.Fatalf("%s: %d bytes, %v: %s", transfer, len(out), err, complaint.String())
		}
		d := NewDisplay(c)
		q := Coding{Depth: 10, Full: true}
		for code := range n {
			want := unit * float64(math.Float32frombits(binary.LittleEndian.Uint32(out[4*code:])))
			got := d.Light(q.Level(float64(code)))
			// zimg works in 32 bits and by approximations, coarse near black,
			// and has sRGB without the small step at its joint.
			if math.Abs(got-want) > 1e-3*want+5e-5 {
				t.Errorf("%s: code %d has %.7g cd/m2, zimg says %.7g", transfer, code, got, want)
			}
		}
	}
}
