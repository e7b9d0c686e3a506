// The pixel kernel of package cells: see Cell and Reduced in cells.go for what
// each number is, and twin.go for the same in plain Go.
#ifndef SETWITNESS_CELLS_KERNEL_H
#define SETWITNESS_CELLS_KERNEL_H

#include <stddef.h>
#include <stdint.h>

// Laid out as the Go type Cell.
typedef struct {
	uint32_t pixels, sum;
	uint64_t sum_sq;
	uint32_t zigzag, second, vertical, horizontal;
	uint32_t diff[2];
} sw_cell;

// Strides are in samples. prev may be NULL. out holds one cell for each
// 16x16 samples of the plane, row by row; those of rows from to to-1 are
// filled, from being a multiple of 16 and to too or h.
void sw_cells_8(const uint8_t *cur, size_t stride, const uint8_t *prev, size_t prev_stride,
                int w, int h, int from, int to, sw_cell *out);
// The same as on a processor without AVX2.
void sw_cells_8_portable(const uint8_t *cur, size_t stride, const uint8_t *prev, size_t prev_stride,
                         int w, int h, int from, int to, sw_cell *out);
// Samples have depth bits.
void sw_cells_16(const uint16_t *cur, size_t stride, const uint16_t *prev, size_t prev_stride, int depth,
                 int w, int h, int from, int to, sw_cell *out);
void sw_cells_16_portable(const uint16_t *cur, size_t stride, const uint16_t *prev, size_t prev_stride,
                          int w, int h, int from, int to, sw_cell *out);

// Rows of the reduced plane, each from n rows of samples, the first of them step_y
// below that of the one before: the sum over step_x columns of weight[0]*row 0 + ...
// + weight[n-1]*row n-1, times scale/65536, rounded. The product must stay below
// 2^32.
void sw_reduce_8(const uint8_t *src, size_t stride, const uint32_t *weight, int n, int step_x, int step_y,
                 int w, int rows, uint32_t scale, uint16_t *dst);
void sw_reduce_16(const uint16_t *src, size_t stride, const uint32_t *weight, int n, int step_x, int step_y,
                  int w, int rows, uint32_t scale, uint16_t *dst);

// For each cell of cell_w x cell_h samples, row by row, the mean |a-b| of two
// planes of w x h samples without padding; 0 for a cell beyond the planes.
void sw_difference(const uint16_t *a, const uint16_t *b, int w, int h, int cell_w, int cell_h,
                   int cols, int rows, float *out);

// The same of squares, of every other row of each cell from its first, in so many cells of
// larger planes and of a larger list: strides are from row to row of theirs.
void sw_squared_difference(const uint16_t *a, const uint16_t *b, size_t stride, int w, int h, int cell_w, int cell_h,
                           int cols, int rows, float *out, size_t out_stride);

#endif
