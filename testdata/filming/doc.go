// Package filming films a set with a camera, both in software, for tests.
//
// In: a sequence of pictures (of packages scene, faults or takes), a Set that
// shows it, a Camera that films the set, and the Room that both stand in. Out:
// a Capture: camera frames, and the truth about each of them: where the screen
// is, and which displayed picture every point of it was exposed to.
//
// Light is computed in nits and integrated over the exposure of every camera
// row: the set holds each picture from its update to the next one, the update
// rolls down the screen, and the camera's rows begin their exposures one after
// the other. The share of a picture in an exposure is then the overlap of two
// stretches of time, in closed form (Frame.At).
//
// Coordinates are continuous. On the raster, the pictures' own grid of
// samples, the sample in column u covers u to u+1, so its centre is at u+0.5
// and the lit raster has the corners (0,0), (W,0), (W,H), (0,H). In a camera
// frame, likewise, the centre of the pixel in column x is at x+0.5. (A
// convention that puts the centre of the first pixel at 0, as OpenCV's, gives
// values that are less by 0.5.)
//
// Times are in seconds from the start of the first camera frame's exposure in
// the row that is read first.
//
// What is left out: the mosaic of colour filters on the sensor and what a
// phone does about it, sharpening, noise reduction beyond what a codec does,
// and the change of the picture's place within one readout when the hand
// moves fast.
package filming
