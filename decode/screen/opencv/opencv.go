// Package opencv calls the few functions of OpenCV that finding a screen needs: two of its
// libraries, where a binding to all of it loads fifty more each time that the program
// starts. Planes come in and go out as slices of w by h samples, row by row.
package opencv

/*
#cgo CXXFLAGS: -O2 -std=c++17
#cgo LDFLAGS: -Wl,--as-needed
#cgo pkg-config: opencv4
#include <stdlib.h>
#include "opencv.h"
*/
import "C"

import (
	"errors"
	"image"
	"unsafe"
)

// ErrFailed is all that is known of what OpenCV refuses: sizes that do not fit, no memory.
var ErrFailed = errors.New("opencv failed")

func result(code C.int) error {
	if code != 0 {
		return ErrFailed
	}
	return nil
}

func bytes(p []uint8) *C.uint8_t  { return (*C.uint8_t)(unsafe.SliceData(p)) }
func floats(p []float32) *C.float { return (*C.float)(unsafe.SliceData(p)) }

// fits reports whether all planes have w by h samples of which there are some.
func fits(w, h int, lengths ...int) error {
	for _, n := range lengths {
		if w <= 0 || h <= 0 || n != w*h {
			return ErrFailed
		}
	}
	return nil
}

// Blur fills dst with the means over squares of src.
func Blur(dst, src []uint8, w, h, side int) error {
	if err := fits(w, h, len(dst), len(src)); err != nil {
		return err
	}
	return result(C.sw_opencv_blur_8(bytes(src), C.int(w), C.int(h), C.int(side), bytes(dst)))
}

// BlurFloat replaces samples by the means over squares.
func BlurFloat(pix []float32, w, h, side int) error {
	if err := fits(w, h, len(pix)); err != nil {
		return err
	}
	return result(C.sw_opencv_blur_float(floats(pix), C.int(w), C.int(h), C.int(side)))
}

// Operation is one of mathematical morphology, by OpenCV's number.
type Operation int

// Opening takes away what is narrower than a square, Closing fills it, and BlackHat is
// what that adds.
const (
	Opening  Operation = 2
	Closing  Operation = 3
	BlackHat Operation = 6
)

// Morphology fills dst with an operation over squares of src.
func Morphology(dst, src []uint8, w, h int, o Operation, side int) error {
	if err := fits(w, h, len(dst), len(src)); err != nil {
		return err
	}
	return result(C.sw_opencv_morphology(bytes(src), C.int(w), C.int(h), C.int(o), C.int(side), bytes(dst)))
}

// Warp fills dst with src moved: what is at x, y comes to the place that the matrix of two
// rows of three takes it to, between samples by the nearest four. What lies beyond the
// edge repeats it.
func Warp(dst, src []uint8, w, h int, matrix *[6]float64) error {
	if err := fits(w, h, len(dst), len(src)); err != nil {
		return err
	}
	return result(C.sw_opencv_warp(bytes(src), C.int(w), C.int(h), (*C.double)(&matrix[0]), bytes(dst)))
}

// DFT returns the discrete Fourier transform of a plane: real and imaginary parts in turn.
func DFT(src []float32, w, h int) ([]float32, error) {
	if err := fits(w, h, len(src)); err != nil {
		return nil, err
	}
	out := make([]float32, 2*w*h)
	return out, result(C.sw_opencv_dft(floats(src), C.int(w), C.int(h), floats(out)))
}

// Outlines returns the convex hull of each connected piece of a mask, and of each hole,
// whose outline encloses at least so many samples.
func Outlines(mask []uint8, w, h int, least float64) ([][]image.Point, error) {
	if err := fits(w, h, len(mask)); err != nil {
		return nil, err
	}
	var points, ends *C.int32_t
	var n C.int
	err := result(C.sw_opencv_outlines(bytes(mask), C.int(w), C.int(h), C.double(least), &points, &ends, &n))
	defer C.free(unsafe.Pointer(points))
	defer C.free(unsafe.Pointer(ends))
	if err != nil || n == 0 {
		return nil, err
	}
	to := unsafe.Slice(ends, n)
	at := unsafe.Slice(points, 2*int(to[n-1]))
	out := make([][]image.Point, n)
	from := 0
	for i, end := range to {
		for ; from < int(end); from++ {
			out[i] = append(out[i], image.Pt(int(at[2*from]), int(at[2*from+1])))
		}
	}
	return out, nil
}
