// Package annotate draws the pictures of clips and stills that show findings to
// viewers.
//
// In: pictures of a take, a finding, and how long each picture is to be shown.
// Out: pictures with an outline round the place, a caption, a lens and a counter,
// drawn into the planes of luma and chroma, so that what is not drawn on stays
// as the take has it, sample by sample; and the plan by which they are repeated.
// A picture is only ever repeated or enlarged by a whole factor, never blended
// with another.
package annotate
