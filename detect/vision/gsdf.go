package vision

import "math"

// The range of the DICOM grayscale standard display function, cd/m2 (PS3.14
// Table B-1: index 1 to 1023).
const LeastGSDF, MostGSDF = 0.05, 3993.404

// mostIndex is the last JND index of the function.
const mostIndex = 1023

// GSDFLight returns the luminance, cd/m2, of a JND index from 1 to 1023 of the
// DICOM grayscale standard display function (PS3.14 section 7.1, first
// equation). One index is one JND of the standard target: a grating of 4 cycles
// a degree on 2 by 2 degrees.
func GSDFLight(index float64) float64 {
	const (
		a = -1.3011877
		b = -2.5840191e-2
		c = 8.0242636e-2
		d = -1.0320229e-1
		e = 1.3646699e-1
		f = 2.8745620e-2
		g = -2.5468404e-2
		h = -3.1978977e-3
		k = 1.2992634e-4
		m = 1.3635334e-3
	)
	x := math.Log(clamp(index, 1, mostIndex))
	return math.Pow(10, (a+x*(c+x*(e+x*(g+x*m))))/(1+x*(b+x*(d+x*(f+x*(h+x*k))))))
}

// GSDFIndex returns the JND index of a luminance (PS3.14 section 7.1, second
// equation, a fit of its own to the inverse). Luminances outside of the
// function's range count as its ends.
func GSDFIndex(nits float64) float64 {
	const (
		a = 71.498068
		b = 94.593053
		c = 41.912053
		d = 9.8247004
		e = 0.28175407
		f = -1.1878455
		g = -0.18014349
		h = 0.14710899
		i = -0.017046845
	)
	x := math.Log10(clamp(nits, LeastGSDF, MostGSDF))
	return a + x*(b+x*(c+x*(d+x*(e+x*(f+x*(g+x*(h+x*i)))))))
}
