package decode_test

import (
	"strings"
	"testing"
	"time"

	"setwitness/decode"
	"setwitness/decode/picture"
	"setwitness/testdata/footage"
)

// Real recordings, whose description comes from their makers' files: every
// time is held against ffprobe, the samples of the first frames against
// ffmpeg.
func TestFootage(t *testing.T) {
	for _, c := range []struct {
		file, format string
		rotation     int
		colour       picture.Colour
		variable     bool
	}{
		{"clips/sample_edit_list.mp4", "yuv420p10le", 90, picture.Colour{Transfer: "arib-std-b67", Primaries: "bt2020", Matrix: "bt2020nc"}, false},
		{"clips/pixel7_videoOnly_cleaned.mp4", "yuvj420p", 180, picture.Colour{Transfer: "bt709", Primaries: "bt709", Matrix: "bt709", FullRange: true}, false},
		{"clips/portrait_4k60.mp4", "yuvj420p", 90, picture.Colour{Transfer: "smpte170m", Primaries: "bt470bg", Matrix: "bt470bg", FullRange: true}, false},
		{"clips/sample_android_slow_motion.mp4", "yuvj420p", 0, picture.Colour{Transfer: "bt2020-12", Primaries: "bt470bg", Matrix: "smpte170m", FullRange: true}, false},
		{"clips/sample_sef_slow_motion.mp4", "yuv420p", 0, picture.Colour{}, false},
		{"clips/roadtrip-vp92-10bit.webm", "yuv420p10le", 0, picture.Colour{Matrix: "bt2020nc"}, false},
		{"clips/sd-hls0000000000.ts", "yuv420p", 0, picture.Colour{}, false},
		{"hdr/hdr10-video-with-sdr-container.mp4", "yuv420p10le", 0, picture.Colour{Transfer: "smpte2084", Primaries: "bt2020", Matrix: "bt2020nc"}, true},
		{"hdr/cosmos1650_yuv444_10bpc_p3pq.y4m", "yuv444p10le", 0, picture.Colour{FullRange: true}, false},
		{"ball/ball3.mp4", "yuv420p", 0, picture.Colour{Transfer: "bt709", Primaries: "bt709", Matrix: "bt709"}, true},
		{"tape/skyline.dv", "yuv411p", 0, picture.Colour{}, false},
	} {
		t.Run(c.file, func(t *testing.T) {
			path := footage.Path(t, c.file)
			t.Parallel()
			const keep = 2
			r := readSome(t, path, decode.Options{Fields: decode.FieldsWeave}, keep)
			if strings.HasSuffix(path, ".webm") { // has packets of frames that are never shown
				sameTimes(t, r.times(), ffprobe(t, path).times(t))
			} else {
				sameTimes(t, r.times(), packetTimes(t, path))
			}
			sameSamples(t, r.samples(), rawSome(t, path, c.format, keep))
			if r.info.PixelFormat != c.format || r.info.Rotation != c.rotation || r.info.Colour != c.colour || r.format.Colour != c.colour {
				t.Errorf("info %+v", r.info)
			}
			if s := r.summary; s.VariableRate != c.variable || s.Damaged != 0 || s.CutShort || len(s.Warnings) != 0 {
				t.Errorf("summary %+v", s)
			}
		})
	}
}

// The flags of real tape and broadcast patterns decide what is split.
func TestFootageFields(t *testing.T) {
	for _, c := range []struct {
		file     string
		fields   decode.Fields
		scan     decode.Scan
		split    bool
		pictures int
		num, den int
		first    picture.Parity
	}{
		{"pattern/bt601-525_480_interlaced_tff.mkv", decode.FieldsAuto, decode.InterlacedTopFirst, true, 600, 60000, 1001, picture.Top},
		{"pattern/bt601-525_480_telecined_hard.ts", decode.FieldsAuto, decode.InterlacedTopFirst, true, 600, 60000, 1001, picture.Top},
		{"pattern/bt601-525_480_progressive.ts", decode.FieldsAuto, decode.Progressive, false, 240, 24000, 1001, picture.Frame},
		{"pattern/bt601-525_480_telecined_soft.ts", decode.FieldsAuto, decode.Progressive, false, 240, 24000, 1001, picture.Frame},
		// 240 frames, every other one with a third field.
		{"pattern/bt601-525_480_telecined_soft.ts", decode.FieldsSplit, decode.Progressive, true, 600, 60000, 1001, picture.Top},
		{"tape/dim_room.dv", decode.FieldsAuto, decode.InterlacedBottomFirst, true, 2, 60000, 1001, picture.Bottom},
		{"tape/combed_night_street.dv", decode.FieldsAuto, decode.Progressive, false, 1, 30000, 1001, picture.Frame},
		{"tape/combed_night_street.dv", decode.FieldsSplit, decode.Progressive, true, 2, 60000, 1001, picture.Bottom},
	} {
		t.Run(c.file+" "+c.fields.String(), func(t *testing.T) {
			r := readSome(t, footage.Path(t, c.file), decode.Options{Fields: c.fields}, 0)
			f := r.format
			if r.info.Scan != c.scan || f.Fields != c.split || f.RateNum != c.num || f.RateDen != c.den {
				t.Errorf("%s, format %+v", r.info.Scan, f)
			}
			if len(r.pictures) != c.pictures {
				t.Errorf("%d pictures, want %d", len(r.pictures), c.pictures)
			}
			if r.pictures[0].parity != c.first {
				t.Errorf("the first field is the %s one", r.pictures[0].parity)
			}
			if r.summary.VariableRate {
				t.Error("the rate is called variable")
			}
			if !c.split {
				return
			}
			field := time.Second * 1001 / 60000
			for i, p := range r.pictures[1:] {
				// In the file with pulldown the last frame has no time of
				// its own and libav places it a field early.
				if c.pictures == 600 && i+1 > 595 && c.fields == decode.FieldsSplit {
					break
				}
				if p.parity == r.pictures[i].parity {
					t.Errorf("fields %d and %d are both %s", i, i+1, p.parity)
				}
				if d := p.time - r.pictures[i].time - field; d.Abs() > time.Millisecond {
					t.Errorf("field %d comes %v after the one before", i+1, p.time-r.pictures[i].time)
				}
			}
		})
	}
}
