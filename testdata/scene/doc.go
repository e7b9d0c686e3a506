// Package scene renders invented scenes as functions of continuous time, for
// tests and demonstrations.
//
// In: a Raster (size, depth, rate, shutter, grain, seed) and the parameters
// of one of the scenes (BallGame, Thrown, Pan ...). Out: a picture, or a
// single field, at any instant, in seconds.
//
// Coordinates are continuous, in samples of the raster: the sample in column
// x covers x to x+1, so its centre is at x+0.5. Every sample is the mean of
// the scene over its area and over the time that the shutter is open, which
// is centred on the instant asked for; a thing that moves steadily is
// therefore found, on average, exactly where it is at that instant. Averages
// are taken of code values (BT.709 limited range), not of light: that keeps
// what tests compute in closed form exact, and the eye does not mind.
//
// Grain is a function of the seed and of the instant, so that the two fields
// of one instant carry the grain of one exposure.
package scene
