//go:build purego

package cells

// kernel is the plain Go form where the program is built without C.
type kernel = twin

func portable() kernel { return kernel{} }
