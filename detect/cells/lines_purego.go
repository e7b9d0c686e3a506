//go:build purego

package cells

// lineKernel is the plain Go form where the program is built without C.
type lineKernel = lineTwin
