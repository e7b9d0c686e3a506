// Kernels of the search for block grids: see grid.go for what each computes.
#ifndef SETWITNESS_CELLS_GRID_H
#define SETWITNESS_CELLS_GRID_H

#include <stddef.h>
#include <stdint.h>

// Sums of 8 rows of w samples, of depth bits or scaled down to 10 where they
// have more.
void sw_grid_columns_8(const uint8_t *src, size_t stride, int w, int16_t *out);
void sw_grid_columns_16(const uint16_t *src, size_t stride, int depth, int w, int16_t *out);

// Sums of 8 columns of each row, for n such segments and h rows, the rows of a
// segment one after another.
void sw_grid_rows_8(const uint8_t *src, size_t stride, int n, int h, int16_t *out);
void sw_grid_rows_16(const uint16_t *src, size_t stride, int depth, int n, int h, int16_t *out);

// Adds the steps along one strip of n sums to three profiles of n numbers.
void sw_grid_strip(const int16_t *sums, int n, int unit, int16_t *edge, int16_t *size, int16_t *sign);

#endif
