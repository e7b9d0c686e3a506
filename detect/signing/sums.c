//go:build !purego

#include "sums.h"

#if defined(__x86_64__)
#define CLONES __attribute__((target_clones("avx2", "default")))
#else
#define CLONES
#endif

CLONES void sw_add_rows(uint32_t *restrict columns, const uint16_t *restrict pix, size_t w, int rows) {
	for (int y = 0; y < rows; y++, pix += w)
		for (size_t x = 0; x < w; x++)
			columns[x] += pix[x];
}
