package picture

import "testing"

// The matrix is what the file says, else that of the number of lines, which two
// fields share.
func TestMatrix(t *testing.T) {
	for _, c := range []struct {
		f    Format
		want string
	}{
		{Format{H: 1080, Colour: Colour{Matrix: "bt2020nc"}}, "bt2020nc"},
		{Format{H: 480, Colour: Colour{Matrix: "bt709"}}, "bt709"},
		{Format{H: 480}, "smpte170m"},
		{Format{H: 480, Colour: Colour{Matrix: "gbr"}}, "smpte170m"},
		{Format{H: 1080, Colour: Colour{Matrix: "gbr"}}, "bt709"},
		{Format{H: 576}, "smpte170m"},
		{Format{H: 288, Fields: true}, "smpte170m"},
		{Format{H: 540, Fields: true}, "bt709"},
		{Format{H: 720}, "bt709"},
	} {
		if got := c.f.Matrix(); got != c.want {
			t.Errorf("%+v: %s, want %s", c.f, got, c.want)
		}
	}
}
