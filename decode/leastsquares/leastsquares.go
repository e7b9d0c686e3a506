// Package leastsquares solves the normal equations of small fits.
//
// In: a symmetric matrix and a right side. Out: the unknowns.
package leastsquares

import (
	"slices"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/lapack/lapack64"
)

// Solve returns the x for which a x = b: a is symmetric, and given for k >= i. ok is
// false where it is not positive definite, so that the values do not tell all unknowns.
func Solve(a func(i, k int) float64, b []float64) (x []float64, ok bool) {
	n := len(b)
	m := blas64.Symmetric{N: n, Stride: n, Data: make([]float64, n*n), Uplo: blas.Upper}
	for i := range n {
		for k := i; k < n; k++ {
			m.Data[i*n+k] = a(i, k)
		}
	}
	// By Cholesky, without an estimate of how badly a is conditioned, as sums of seconds
	// and hertz are.
	c, ok := lapack64.Potrf(m)
	if !ok {
		return nil, false
	}
	x = slices.Clone(b)
	lapack64.Potrs(c, blas64.General{Rows: n, Cols: 1, Stride: 1, Data: x})
	return x, true
}
