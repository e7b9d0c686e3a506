// Kernels on lines through a plane: see lines.go for what each computes.
#ifndef SETWITNESS_CELLS_LINES_H
#define SETWITNESS_CELLS_LINES_H

#include <stddef.h>
#include <stdint.h>

void sw_rows_8(int32_t *dst, const uint8_t *pix, size_t stride, int w, int thick, int32_t scale);
void sw_rows_16(int32_t *dst, const uint16_t *pix, size_t stride, int w, int thick, int32_t scale);
void sw_columns_8(int32_t *dst, const uint8_t *pix, size_t stride, int h, int lines, int spacing, int thick,
                  int32_t scale);
void sw_columns_16(int32_t *dst, const uint16_t *pix, size_t stride, int h, int lines, int spacing, int thick,
                   int32_t scale);

// Laid out as the Go type Peak.
typedef struct {
	int32_t at, jump;
} sw_peak;

// sums has n+1 entries, jumps n, out has room for n.
int sw_peaks(const int32_t *v, int n, int half, const int32_t *least, int32_t lowest, int longest, int32_t *sums,
             int32_t *jumps, sw_peak *out);

// sums has 2*w entries, rows, mean and swing n.
void sw_apart_8(int16_t *even, int16_t *odd, const uint8_t *pix, int w, const int32_t *rows, const float *mean,
                const float *swing, int n, float *sums);
void sw_apart_16(int16_t *even, int16_t *odd, const uint16_t *pix, int w, const int32_t *rows, const float *mean,
                 const float *swing, int n, float *sums);

// For each of count displacements, by base and from from on, the larger of two sums: of
// |even - odd a displacement on| at every other of n places from the first, and of |odd -
// even a displacement back| at those between. Where reach is not NULL it says from how far
// to how far a place may be displaced beside base; further it counts without a
// displacement, and INT32_MAX stands for the sums where most places do.
void sw_costs(const int16_t *even, const int16_t *odd, const int32_t *at, const int32_t *reach, int n,
              ptrdiff_t base, int from, int count, int32_t *costs);

// For each of count displacements from first on, the sums over n places of b*v, b*b and v*v,
// where b is what even + odd is larger a displacement on and v is even - odd here and there
// together.
void sw_products(const int16_t *even, const int16_t *odd, const int32_t *at, int n, ptrdiff_t first, int count,
                 double *products, double *means, double *differences);

void sw_add_rows(uint32_t *columns, const uint16_t *pix, size_t w, int rows);

#endif
