package decode_test

import (
	"context"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"setwitness/decode"
	"setwitness/decode/picture"
)

// What stretches hold is what reading the whole file gives for those times:
// with an index and without, of progressive and interlaced files, with and
// without reordered frames, in containers that can be searched and in one that
// cannot.
func TestStretches(t *testing.T) {
	dir := t.TempDir()
	for _, c := range []struct {
		name    string
		args    []string
		fields  decode.Fields
		indexed bool
	}{
		{"a.mp4", []string{"-c:v", "libx264", "-preset", "ultrafast", "-bf", "3", "-g", "20"}, decode.FieldsAuto, true},
		{"a.mkv", []string{"-c:v", "libx264", "-preset", "ultrafast", "-g", "250"}, decode.FieldsAuto, true},
		{"a.ts", []string{"-c:v", "mpeg2video", "-bf", "2", "-g", "12"}, decode.FieldsAuto, true},
		{"i.ts", []string{"-c:v", "mpeg2video", "-g", "12", "-flags", "+ildct+ilme", "-top", "1"}, decode.FieldsSplit, true},
		{"a.h264", []string{"-c:v", "libx264", "-preset", "ultrafast", "-g", "20"}, decode.FieldsAuto, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := filepath.Join(dir, c.name)
			ffmpeg(t, append(append([]string{"-f", "lavfi", "-i", "testsrc2=s=160x120:r=25:d=6"}, c.args...), path)...)
			ctx := context.Background()
			x, err := decode.ReadIndex(ctx, path)
			if err != nil {
				t.Fatal(err)
			}
			if (len(x.Times) > 0) != c.indexed || c.indexed && len(x.Times) != 150 {
				t.Fatalf("%d frames in the index, %d keys", len(x.Times), len(x.Keys))
			}
			o := decode.Options{Fields: c.fields, Threads: 2}
			all := map[time.Duration]string{}
			take, err := decode.Open(path, o)
			if err != nil {
				t.Fatal(err)
			}
			for {
				p, err := take.Next(ctx)
				if err != nil {
					break
				}
				all[p.Time] = print(p)
				p.Release()
			}
			take.Close()
			list := []decode.Stretch{
				{From: 0, To: 100 * time.Millisecond},
				{From: 120 * time.Millisecond, To: 200 * time.Millisecond}, // the next picture
				{From: 2100 * time.Millisecond, To: 2300 * time.Millisecond},
				{From: 5 * time.Second, To: time.Minute},
			}
			want := 0
			for at := range all {
				for _, s := range list {
					if at >= s.From && at <= s.To {
						want++
					}
				}
			}
			got := 0
			err = decode.Stretches(ctx, path, o, x, list, func(p *picture.Picture) error {
				got++
				if all[p.Time] != print(p) {
					return fmt.Errorf("the picture at %v is another than in the whole file", p.Time)
				}
				return nil
			})
			if err != nil || got != want || got < 30 {
				t.Errorf("%d pictures, want %d: %v", got, want, err)
			}
		})
	}
}

// print tells a picture from others.
func print(p *picture.Picture) string {
	sum := uint32(0)
	for y := range p.Y.H {
		for x := range p.Y.W {
			sum = sum*31 + uint32(p.Y.At(x, y))
		}
	}
	return fmt.Sprint(p.Index, " ", p.Frame, " ", p.Parity, " ", sum)
}

func TestStretchesRefuses(t *testing.T) {
	for _, list := range [][]decode.Stretch{
		{{From: 2, To: 1}},
		{{From: 0, To: 5}, {From: 5, To: 6}},
	} {
		if err := decode.Stretches(context.Background(), "none.mp4", decode.Options{}, decode.Index{}, list, nil); err == nil {
			t.Errorf("%v was taken", list)
		}
	}
}
