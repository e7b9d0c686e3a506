// Kernels on reduced planes: see search.go for what each computes.
#ifndef SETWITNESS_CELLS_SEARCH_H
#define SETWITNESS_CELLS_SEARCH_H

#include <stddef.h>
#include <stdint.h>

// Rectangles of n columns and rows rows in planes of w columns, which the
// pointers begin at.
void sw_median6(const uint16_t *a, const uint16_t *b, const uint16_t *c, const uint16_t *d, const uint16_t *e,
                const uint16_t *f, int w, int n, int rows, uint16_t *dst);
void sw_stand_out(const uint16_t *a, const uint16_t *b, int w, int n, int rows, uint16_t threshold,
                  uint16_t *mask);
// Rectangles of n columns of planes of w; see search_native.go.
void sw_steady(const uint16_t *a, const uint16_t *b, const uint16_t *c, const uint16_t *d, const uint16_t *e,
               const uint16_t *f, const uint16_t *pix, const uint16_t *behind, int w, int n, int rows,
               uint16_t threshold, uint16_t times, uint16_t most, uint16_t *mask);
// Planes of w columns and h rows; the threshold is below 2^14.
void sw_stand_out_moved(const uint16_t *a, const uint16_t *b, int w, int h, uint16_t threshold, uint16_t *mask);
// How many squares of 2x2 samples of a mask of w columns and h rows are set
// whole, for each tile columns in which their first sample lies.
void sw_count(const uint16_t *mask, int w, int h, int tile, uint32_t *count);
// Rows from to to-1 of the halved plane.
void sw_halve(const uint16_t *src, int w, int from, int to, uint16_t *dst);
void sw_halve_mask(const uint16_t *src, int w, int from, int to, uint16_t *dst);
// Squares of 2x2 samples, n across and rows down; dst has w/2 columns.
void sw_squares(const uint16_t *mask, const uint16_t *a, const uint16_t *b, int w, int n, int rows, int most,
                int threshold, uint8_t *dst);

// Both planes and the mask have w columns. Returns the sum of |cur-prev| along
// the displacement over the masked samples of every step-th row of the
// rectangle that stay inside, and how many they are. It may stop early, with
// the count so far, once the sum is above limit.
uint64_t sw_match(const uint16_t *cur, const uint16_t *prev, const uint16_t *mask, int w, int h,
                  int x0, int y0, int x1, int y1, int step, int dx, int dy, uint64_t limit,
                  uint32_t *count);

// sw_match at a displacement and a sample to the left, right, above and below
// of it, in this order, without a limit. The rectangle has no more than 2^20
// samples, so that a sum fits 32 bits.
void sw_around(const uint16_t *cur, const uint16_t *prev, const uint16_t *mask, int w, int h, int x0, int y0,
               int x1, int y1, int step, int dx, int dy, uint64_t *sum, uint32_t *count);

// Lists, as offsets, the runs of 16 samples of a rectangle of a mask of w
// columns in which any is set, and counts those set. The rectangle has a
// multiple of 16 columns and fewer than 2^15 runs; list has room for all of
// them. Returns how many are listed.
uint32_t sw_blocks(const uint16_t *mask, int w, int x0, int y0, int x1, int y1, uint32_t *list, uint32_t *count);
// The sums of sw_match and sw_around over such a list, with the previous plane
// read shift samples on; all that is read must lie inside.
uint64_t sw_match_blocks(const uint16_t *cur, const uint16_t *prev, const uint16_t *mask, const uint32_t *list,
                         uint32_t blocks, ptrdiff_t shift);
void sw_around_blocks(const uint16_t *cur, const uint16_t *prev, const uint16_t *mask, int w, const uint32_t *list,
                      uint32_t blocks, ptrdiff_t shift, uint64_t *sum);

typedef struct {
	int32_t dx, dy;
	float residual; // mean |difference| at dx, dy
	float still;    // the same at 0, 0
} sw_found;

void sw_search(const uint16_t *cur, const uint16_t *prev, const uint16_t *mask, int w, int h,
               int x0, int y0, int x1, int y1, int step, int cx, int cy, int rx, int ry, int stride,
               sw_found *found);

// For each of n places, the sum of a(u,v)*b(x+u,y+v) over a plane a of w x h
// samples that lies wholly inside b, whose rows have bw samples. |a| and |b|
// are at most 1023. packed and at are scratch for 16 and for one of
// (w+15)/16*h.
void sw_cross(const int16_t *a, int w, int h, const int16_t *b, int bw, const int32_t *x, const int32_t *y, int n,
              int16_t *packed, uint32_t *at, int64_t *out);
// The same as on a processor without AVX2.
void sw_cross_portable(const int16_t *a, int w, int h, const int16_t *b, int bw, const int32_t *x, const int32_t *y,
                       int n, int16_t *packed, uint32_t *at, int64_t *out);

// How many samples of a mask of w columns are set in a rectangle.
uint32_t sw_set(const uint16_t *mask, int w, int x0, int y0, int x1, int y1);

// Gradient of a window of ww x wh samples that begins at pix, back and mask,
// planes of w columns; along rows (downwards) or along columns. Without back
// the gradient is that of pix itself. above and out hold ww*wh samples; sum and
// fourth are those of the squares and fourth powers of out.
void sw_gradient(const uint16_t *pix, const uint16_t *back, const uint16_t *mask, int w, int ww, int wh,
                 int rows, int16_t *above, int16_t *out, uint64_t *sum, uint64_t *fourth);

// Gradient of the part x0, y0 to x1, y1 of a window of ww x wh samples that
// begins at pix, back and mask, planes of w columns, of what stands out there
// averaged over squares of n samples, n odd. above and smooth have room for the
// window, columns for ww+n samples, out for the part.
void sw_outline(const uint16_t *pix, const uint16_t *back, const uint16_t *mask, int w, int ww, int wh, int n,
                int rows, int x0, int y0, int x1, int y1, int16_t *above, int16_t *smooth, int32_t *columns,
                int16_t *out, uint64_t *sum, uint64_t *fourth);

// The sum of a*b over rectangles of w x h samples that begin at a and b, of
// planes of aw and bw columns; |a| and |b| are at most 1023 and w at most 2048.
int64_t sw_dot(const int16_t *a, int aw, const int16_t *b, int bw, int w, int h);

typedef struct {
	int32_t beside, from, to;
} sw_run;

// The sum of (a-b)^2 over n columns and some rows that both begin at, of planes of w
// columns. Samples are 2^12 at most.
uint64_t sw_apart(const uint16_t *a, const uint16_t *b, int w, int n, int rows);

typedef struct {
	int64_t before, after, both, detail;
	int64_t changed, brighter, half, third, quarter;
} sw_between;

// Adds to out what the n runs of samples of rows y0, y0+step ... below y1 tell of how
// plane b lies between planes a and c, all of w columns; see Between. Samples are
// 2^12 at most.
void sw_lies_between(const uint16_t *a, const uint16_t *b, const uint16_t *c, int w, int y0, int y1, int step,
                     const sw_run *runs, int n, int32_t far, sw_between *out);
void sw_lies_between_portable(const uint16_t *a, const uint16_t *b, const uint16_t *c, int w, int y0, int y1, int step,
                              const sw_run *runs, int n, int32_t far, sw_between *out);

#endif
