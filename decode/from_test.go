package decode_test

import (
	"context"
	"testing"
	"time"

	"setwitness/decode"
)

// A take goes on at the key frame before a time, with the pictures that a reading
// from the start gives there.
func TestFrom(t *testing.T) {
	path := clip(t, "keys.mp4", "testsrc2=s=160x90:r=25:d=4", "-c:v", "libx264", "-g", "20", "-pix_fmt", "yuv420p")
	whole := read(t, path, decode.Options{})
	for _, c := range []struct{ at, want time.Duration }{
		{0, 0}, {500 * time.Millisecond, 0}, {1700 * time.Millisecond, 1600 * time.Millisecond}, {9 * time.Second, 3200 * time.Millisecond},
	} {
		take := open(t, path, decode.Options{})
		if err := take.From(context.Background(), whole.summary.Keys, c.at); err != nil {
			t.Fatal(err)
		}
		p, err := take.Next(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		if p.Time != c.want {
			t.Errorf("from %v: the first picture is at %v, not %v", c.at, p.Time, c.want)
		}
		for _, q := range whole.pictures {
			if q.time == p.Time {
				sameSamples(t, samplesOf(p), q.samples)
			}
		}
		p.Release()
	}
}
