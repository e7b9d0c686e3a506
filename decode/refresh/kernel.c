#include "kernel.h"

// The compiler makes one body for each instruction set and the loader picks by
// what the processor supports.
#if defined(__x86_64__)
#define CLONES __attribute__((target_clones("avx2", "default")))
#else
#define CLONES
#endif

CLONES void sw_refresh_add(int32_t *restrict sums, const uint8_t *restrict pix, size_t stride, const int32_t *weight,
                           int w, int rows) {
	for (int y = 0; y < rows; y++, sums += w, pix += stride) {
		int32_t k = weight[y];
		if (k == 0) continue;
		for (int x = 0; x < w; x++) sums[x] += k * pix[x];
	}
}

CLONES void sw_refresh_round(uint16_t *restrict dst, size_t stride, const int32_t *restrict sums, const int32_t *offset,
                             int shift, int most, int w, int rows) {
	for (int y = 0; y < rows; y++, dst += stride, sums += w) {
		int32_t k = offset[y];
		for (int x = 0; x < w; x++) {
			int32_t s = (sums[x] + k) >> shift;
			s = s < 0 ? 0 : s;
			dst[x] = (uint16_t)(s > most ? most : s);
		}
	}
}

CLONES void sw_refresh_scale(uint16_t *restrict pix, size_t stride, const int32_t *gain, int black, int most, int w, int rows) {
	for (int y = 0; y < rows; y++, pix += stride) {
		int32_t k = gain[y];
		if (k == 0) continue;
		for (int x = 0; x < w; x++) {
			int32_t v = black + (((int32_t)pix[x] - black) * k >> SW_REFRESH_GAIN_BITS);
			v = v < 0 ? 0 : v;
			pix[x] = (uint16_t)(v > most ? most : v);
		}
	}
}
