package decode_test

import (
	"testing"

	"setwitness/decode"
)

// Containers by codecs by pixel formats: every sample, every time and the
// description are held against the ffmpeg and ffprobe programs.
func TestMatrix(t *testing.T) {
	const small = "testsrc2=s=128x96:r=25:d=0.48"
	const tape = "testsrc2=s=720x576:r=25:d=0.12"
	for _, c := range []struct {
		file, source, args string
		codec              string
		stored             string // pixel format in the file
		read               string // the same in planes
		scan               decode.Scan
		full               bool
	}{
		{"h264.mp4", small, "-c:v libx264 -pix_fmt yuv420p", "h264", "yuv420p", "", "", false},
		{"h264-422.mov", small, "-c:v libx264 -pix_fmt yuv422p10le", "h264", "yuv422p10le", "", "", false},
		{"h264-444.mkv", small, "-c:v libx264 -pix_fmt yuv444p", "h264", "yuv444p", "", "", false},
		{"h264-gray.mkv", small, "-c:v libx264 -pix_fmt gray", "h264", "yuvj420p", "", "", true},
		{"h264-full.mp4", small, "-c:v libx264 -pix_fmt yuvj420p", "h264", "yuvj420p", "", "", true},
		{"h264-range.mkv", small, "-vf scale=out_range=full -c:v libx264 -pix_fmt yuv420p -color_range pc", "h264", "yuvj420p", "", "", true},
		{"h264.ts", small, "-c:v libx264 -bf 2 -g 5", "h264", "yuv420p", "", "", false},
		{"h264.avi", small, "-c:v libx264 -bf 0", "h264", "yuv420p", "", "", false},
		{"h264-paff.mp4", small, "-c:v libx264 -flags +ildct+ilme -top 1", "h264", "yuv420p", "", decode.InterlacedTopFirst, false},
		{"hevc.mp4", small, "-c:v libx265 -x265-params log-level=none", "hevc", "yuv420p", "", "", false},
		{"hevc10.mkv", small, "-c:v libx265 -pix_fmt yuv420p10le -x265-params log-level=none", "hevc", "yuv420p10le", "", "", false},
		{"hevc12.ts", small, "-c:v libx265 -pix_fmt yuv422p12le -x265-params log-level=none", "hevc", "yuv422p12le", "", "", false},
		{"mpeg2.mpg", small, "-c:v mpeg2video -bf 2 -q:v 3", "mpeg2video", "yuv420p", "", "", false},
		{"mpeg2-tff.ts", small, "-c:v mpeg2video -q:v 3 -flags +ildct+ilme -top 1", "mpeg2video", "yuv420p", "", decode.InterlacedTopFirst, false},
		{"mpeg2-bff.mpg", small, "-c:v mpeg2video -q:v 3 -flags +ildct+ilme -top 0", "mpeg2video", "yuv420p", "", decode.InterlacedBottomFirst, false},
		{"mpeg2-422.mxf", "testsrc2=s=720x576:r=25:d=0.12", "-c:v mpeg2video -pix_fmt yuv422p -q:v 3 -flags +ildct+ilme -top 1", "mpeg2video", "yuv422p", "", decode.InterlacedTopFirst, false},
		{"ffv1.mkv", small, "-c:v ffv1 -pix_fmt yuv444p12le", "ffv1", "yuv444p12le", "", "", false},
		{"ffv1-gray10.mkv", small, "-c:v ffv1 -pix_fmt gray10le", "ffv1", "gray10le", "", "", true},
		{"ffv1-alpha.mkv", small, "-c:v ffv1 -pix_fmt yuva420p", "ffv1", "yuva420p", "yuv420p", "", false},
		{"prores.mov", small, "-c:v prores_ks -pix_fmt yuv422p10le", "prores", "yuv422p10le", "", "", false},
		{"prores-tff.mov", small, "-c:v prores_ks -pix_fmt yuv422p10le -flags +ildct -top 1", "prores", "yuv422p10le", "", decode.InterlacedTopFirst, false},
		{"mjpeg.avi", small, "-c:v mjpeg -pix_fmt yuvj422p", "mjpeg", "yuvj422p", "", "", true},
		{"pal.dv", tape, "-c:v dvvideo -pix_fmt yuv420p", "dvvideo", "yuv420p", "", decode.InterlacedBottomFirst, false},
		{"pal-dv.avi", tape, "-c:v dvvideo -pix_fmt yuv420p", "dvvideo", "yuv420p", "", decode.InterlacedBottomFirst, false},
		{"ntsc.dv", "testsrc2=s=720x480:r=30000/1001:d=0.12", "-c:v dvvideo -pix_fmt yuv411p", "dvvideo", "yuv411p", "", decode.InterlacedBottomFirst, false},
		{"y4m.y4m", small, "-pix_fmt yuv420p", "rawvideo", "yuv420p", "", "", false},
		{"y4m-10.y4m", small, "-strict -1 -pix_fmt yuv422p10le", "rawvideo", "yuv422p10le", "", "", false},
		{"dnxhd.mxf", "testsrc2=s=1920x1080:r=25:d=0.12", "-c:v dnxhd -b:v 120M -pix_fmt yuv422p", "dnxhd", "yuv422p", "", "", false},
		{"vp9.webm", small, "-c:v libvpx-vp9 -deadline realtime", "vp9", "yuv420p", "", "", false},
		{"nv12.mkv", small, "-c:v rawvideo -pix_fmt nv12", "rawvideo", "nv12", "yuv420p", "", false},
		{"nv21.mov", "testsrc2=s=127x95:r=25:d=0.48", "-f nut -c:v rawvideo -pix_fmt nv21", "rawvideo", "nv21", "yuv420p", "", false},
		{"packed.avi", small, "-c:v rawvideo -pix_fmt yuyv422", "rawvideo", "yuyv422", "yuv422p", "", false},
		{"packed10.mov", small, "-c:v v210", "v210", "yuv422p10le", "", "", false},
		{"bigend.nut", small, "-c:v rawvideo -pix_fmt yuv420p10be", "rawvideo", "yuv420p10be", "yuv420p10le", "", false},
		{"mono.nut", small, "-c:v rawvideo -pix_fmt monow", "rawvideo", "monow", "gray", "", true},
		{"odd.mp4", "testsrc2=s=853x479:r=25:d=0.12", "-c:v libx264 -pix_fmt yuv444p", "h264", "yuv444p", "", "", false},
		{"odd420.mkv", "testsrc2=s=853x479:r=25:d=0.12", "-c:v ffv1 -pix_fmt yuv420p", "ffv1", "yuv420p", "", "", false},
		{"one.mp4", "testsrc2=s=128x96:r=25:d=0.04", "-c:v libx264", "h264", "yuv444p", "", "", false},
	} {
		t.Run(c.file, func(t *testing.T) {
			t.Parallel()
			path := clip(t, c.file, c.source, split(c.args)...)
			if c.file == "one.mp4" {
				c.stored = ffprobe(t, path).Streams[0].PixFmt
			}
			r := read(t, path, decode.Options{Fields: decode.FieldsWeave})
			p := ffprobe(t, path)
			if p.Streams[0].Codec != c.codec || r.info.Codec != c.codec {
				t.Errorf("codec %s, ffprobe says %s, want %s", r.info.Codec, p.Streams[0].Codec, c.codec)
			}
			if p.Streams[0].PixFmt != c.stored || r.info.PixelFormat != c.stored {
				t.Errorf("pixel format %s, ffprobe says %s, want %s", r.info.PixelFormat, p.Streams[0].PixFmt, c.stored)
			}
			if c.scan == "" {
				c.scan = decode.Progressive
			}
			if r.info.Scan != c.scan {
				t.Errorf("scan %s, want %s", r.info.Scan, c.scan)
			}
			if r.format.Colour.FullRange != c.full {
				t.Errorf("full range %v, want %v", r.format.Colour.FullRange, c.full)
			}
			if c.read == "" {
				c.read = c.stored
			}
			sameTimes(t, r.times(), p.times(t))
			sameSamples(t, r.samples(), raw(t, path, c.read))
			for i, q := range r.pictures {
				if f := p.Frames[i]; q.interlaced != (f.Interlaced == 1) || q.topFirst != (f.TopFirst == 1) || q.frame != i || q.damaged {
					t.Errorf("picture %+v, ffprobe says %+v", q.index, f)
				}
			}
			if s := r.summary; s.Damaged != 0 || s.CutShort || s.VariableRate || len(s.Warnings) != 0 ||
				// AVI states of H.264 when a packet is decoded, and not when it is shown.
				(len(s.Keys) > 0) != (c.file != "h264.avi") {
				t.Errorf("a sound file gives %+v", s)
			}
			if want := len(p.Frames); want > 1 {
				rate := r.format.Rate()
				if span := r.times()[want-1].Seconds() / float64(want-1); rate*span < 0.999 || rate*span > 1.001 {
					t.Errorf("rate %g, but frames are %g s apart", rate, span)
				}
			}
		})
	}
}
