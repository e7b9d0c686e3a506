// Kernels on reduced planes: see search.go for what each computes.
#ifndef SETWITNESS_CELLS_SEARCH_H
#define SETWITNESS_CELLS_SEARCH_H

#include <stddef.h>
#include <stdint.h>

void sw_median6(const uint16_t *a, const uint16_t *b, const uint16_t *c, const uint16_t *d,
                const uint16_t *e, const uint16_t *f, int n, uint16_t *dst);
void sw_stand_out(const uint16_t *a, const uint16_t *b, int n, uint16_t threshold, uint16_t *mask);
void sw_halve(const uint16_t *src, int w, int h, uint16_t *dst);

// Both planes and the mask have w columns. Returns the sum of |cur-prev| along
// the displacement over the masked samples of every step-th row of the
// rectangle that stay inside, and how many they are. It may stop early, with
// the count so far, once the sum is above limit.
uint64_t sw_match(const uint16_t *cur, const uint16_t *prev, const uint16_t *mask, int w, int h,
                  int x0, int y0, int x1, int y1, int step, int dx, int dy, uint64_t limit,
                  uint32_t *count);

typedef struct {
	int32_t dx, dy;
	float residual; // mean |difference| at dx, dy
	float still;    // the same at 0, 0
} sw_found;

void sw_search(const uint16_t *cur, const uint16_t *prev, const uint16_t *mask, int w, int h,
               int x0, int y0, int x1, int y1, int step, int cx, int cy, int rx, int ry, int stride,
               sw_found *found);

// For each of n lags, the sum over a w x h plane of g(x,y)*g(x+dx,y+dy).
// |g| is at most 1023 and w at most 1024.
void sw_lags(const int16_t *g, int w, int h, const int32_t *dx, const int32_t *dy, int n, float *out);

#endif
