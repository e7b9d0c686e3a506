// Package trend fits groups of values that grow or shrink together, each about a mean of
// its own.
//
// In: groups of values and their times. Out: the mean of each, and how far all of them
// stray from the one slope that they have in common.
package trend

import "math"

// Fit is a least-squares fit of groups that share one slope. The zero value has none yet.
type Fit struct {
	along, changes, squares float64 // sums over times, their products with the values, and the values, off their means
	free                    int     // values less groups
}

// Add takes in a group, of as many times as values, one or more, and returns the mean of
// its values.
func (f *Fit) Add(values, times []float64) float64 {
	mean, middle := 0.0, 0.0
	for i, v := range values {
		mean, middle = mean+v/float64(len(values)), middle+times[i]/float64(len(values))
	}
	for i, v := range values {
		t, off := times[i]-middle, v-mean
		f.along, f.changes, f.squares = f.along+t*t, f.changes+t*off, f.squares+off*off
	}
	f.free += len(values) - 1
	return mean
}

// Strays is the standard deviation of the values from the slope, in their unit; the groups
// must have three values more than there are groups, at more than one time.
func (f *Fit) Strays() float64 {
	return math.Sqrt(max(0, f.squares-f.changes*f.changes/f.along) / float64(f.free-1))
}

// Spread is their standard deviation from the means alone, in the same unit.
func (f *Fit) Spread() float64 { return math.Sqrt(f.squares / float64(f.free)) }
