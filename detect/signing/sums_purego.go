//go:build purego

package signing

// kernel is the plain Go form where the program is built without C.
type kernel = twin
