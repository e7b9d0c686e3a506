// Package leastsquares solves the normal equations of small fits.
//
// In: a symmetric matrix and a right side. Out: the unknowns.
package leastsquares

import "gonum.org/v1/gonum/mat"

// Solve returns the x for which a x = b: a is symmetric, and given for k >= i. ok is
// false where it is not positive definite, so that the values do not tell all unknowns.
func Solve(a func(i, k int) float64, b []float64) (x []float64, ok bool) {
	m := mat.NewSymDense(len(b), nil)
	for i := range b {
		for k := i; k < len(b); k++ {
			m.SetSym(i, k, a(i, k))
		}
	}
	var c mat.Cholesky
	if !c.Factorize(m) {
		return nil, false
	}
	x = make([]float64, len(b))
	// Its error says that a is badly conditioned, as sums of seconds and hertz are.
	_ = c.SolveVecTo(mat.NewVecDense(len(x), x), mat.NewVecDense(len(b), b))
	return x, true
}
