package cadence_test

import (
	"context"
	"testing"

	"setwitness/decode/picture"
	"setwitness/detect"
	"setwitness/detect/cadence"
	"setwitness/detect/cells"
	"setwitness/detect/motion"
	"setwitness/testdata/faults"
	"setwitness/testdata/scene"
)

// Once its memory of the last pictures is full the stage takes no more of it,
// in frames as in fields.
func TestStepTakesNoMemory(t *testing.T) {
	const warm, n = 530, 570 // the follower weighs up to 512 pictures
	for _, fields := range []bool{false, true} {
		r := raster(320, 240)
		world := scene.Pan(r, scene.Back{Surface: scene.Street}, scene.Move{X: 4})
		var there []*picture.Picture
		for i := range 30 {
			parity := picture.Frame
			if fields {
				parity = picture.Top + picture.Parity(i%2)
			}
			there = append(there, world.Picture(float64(i)/50, parity))
		}
		f := r.Format()
		if fields {
			f.H, f.Fields = f.H/2, true
		}
		// To and fro, each way an even number of pictures.
		s := faults.Sequence{Format: f, Len: n, At: func(i int) *picture.Picture {
			const period = 56
			if i %= period; i > period/2 {
				i = period - i
			}
			return there[i]
		}}
		stage, taken := cadence.Counted(warm)
		if _, err := detect.Run(context.Background(), &reel{Sequence: s, at: steady}, []*detect.Stage{cells.Stage, motion.Stage, stage}, nil, nil); err != nil {
			t.Fatal(err)
		}
		if got := taken(); got != 0 {
			t.Errorf("fields %v: %d allocations in %d pictures", fields, got, n-warm-1)
		}
	}
}
