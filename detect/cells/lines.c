//go:build !purego

#include "lines.h"

#if defined(__x86_64__)
#define CLONES __attribute__((target_clones("avx2", "default")))
#else
#define CLONES
#endif

enum { SHIFT = 12, UNIT = 6, LEVELS = 256 };

#define ROWS(NAME, PIX)                                                                            \
	CLONES void NAME(int32_t *restrict dst, const PIX *restrict pix, size_t stride, int w,         \
	                 int thick, int32_t scale) {                                                   \
		for (int x = 0; x < w; x++)                                                                \
			dst[x] = pix[x];                                                                       \
		for (int k = 1; k < thick; k++) {                                                          \
			const PIX *restrict row = pix + (size_t)k * stride;                                    \
			for (int x = 0; x < w; x++)                                                            \
				dst[x] += row[x];                                                                  \
		}                                                                                          \
		for (int x = 0; x < w; x++)                                                                \
			dst[x] = dst[x] * scale >> SHIFT;                                                      \
	}

ROWS(sw_rows_8, uint8_t)
ROWS(sw_rows_16, uint16_t)

// Eight rows at a time, so that what is written lies together.
#define COLUMNS(NAME, PIX)                                                                         \
	void NAME(int32_t *restrict dst, const PIX *restrict pix, size_t stride, int h, int lines,     \
	          int spacing, int thick, int32_t scale) {                                             \
		enum { ROWS = 8 };                                                                         \
		for (int y0 = 0; y0 < h; y0 += ROWS) {                                                     \
			int rows = h - y0 < ROWS ? h - y0 : ROWS;                                              \
			for (int i = 0; i < lines; i++) {                                                      \
				const PIX *at = pix + (size_t)y0 * stride + (size_t)i * spacing;                   \
				int32_t *to = dst + (size_t)i * h + y0;                                            \
				for (int y = 0; y < rows; y++, at += stride) {                                     \
					int32_t sum = 0;                                                               \
					for (int k = 0; k < thick; k++)                                                \
						sum += at[k];                                                              \
					to[y] = sum * scale >> SHIFT;                                                  \
				}                                                                                  \
			}                                                                                      \
		}                                                                                          \
	}

COLUMNS(sw_columns_8, uint8_t)
COLUMNS(sw_columns_16, uint16_t)

static inline int32_t absolute(int32_t v) { return v < 0 ? -v : v; }

CLONES static void jumps_of(const int32_t *restrict sums, int n, int half, int32_t *restrict jumps) {
	for (int x = half; x + half <= n; x++)
		jumps[x] = sums[x + half] - 2 * sums[x] + sums[x - half];
}

int sw_peaks(const int32_t *v, int n, int half, const int32_t *least, int32_t lowest, int longest, int32_t *sums,
             int32_t *jumps, sw_peak *out) {
	int32_t sum = 0;
	for (int x = 0; x < n; x++) {
		sums[x] = sum;
		sum += v[x];
	}
	sums[n] = sum;
	jumps_of(sums, n, half, jumps);
	int count = 0, start = -1;
	sw_peak best = {0, 0};
	for (int x = half; x + half <= n + 1; x++) {
		int over = 0;
		int32_t jump = 0;
		if (x + half <= n) {
			jump = jumps[x];
			if (absolute(jump) >= lowest) {
				int level = v[x < n ? x : n - 1] >> UNIT;
				level = level < 0 ? 0 : level >= LEVELS ? LEVELS - 1 : level;
				over = absolute(jump) >= least[level];
			}
		}
		if (start >= 0 && (!over || (jump > 0) != (best.jump > 0))) {
			if (x - start > longest)
				best = (sw_peak){(start + x) / 2, 0};
			out[count++] = best;
			start = -1;
		}
		if (!over)
			continue;
		if (start < 0) {
			start = x;
			best = (sw_peak){x, jump};
		} else if (absolute(jump) > absolute(best.jump)) {
			best = (sw_peak){x, jump};
		}
	}
	return count;
}

CLONES void sw_add_rows(uint32_t *restrict columns, const uint16_t *restrict pix, size_t w, int rows) {
	for (int y = 0; y < rows; y++, pix += w)
		for (size_t x = 0; x < w; x++)
			columns[x] += pix[x];
}

#define APART(NAME, PIX)                                                                           \
	CLONES void NAME(int16_t *restrict even, int16_t *restrict odd, const PIX *pix, int w,         \
	                 const int32_t *rows, const float *mean, const float *swing, int n,            \
	                 float *restrict sums) {                                                       \
		float *restrict base = sums, *restrict envelope = sums + w;                                \
		for (int x = 0; x < w; x++)                                                                \
			base[x] = envelope[x] = 0;                                                             \
		for (int k = 0; k < n; k++) {                                                              \
			const PIX *restrict row = pix + rows[k];                                               \
			float a = mean[k], b = swing[k];                                                       \
			for (int x = 0; x < w; x++) {                                                          \
				float s = row[x];                                                                  \
				base[x] += a * s;                                                                  \
				envelope[x] += b * s;                                                              \
			}                                                                                      \
		}                                                                                          \
		for (int x = 0; x < w; x++) {                                                              \
			even[x] = (int16_t)(int32_t)(base[x] + envelope[x]);                                   \
			odd[x] = (int16_t)(int32_t)(base[x] - envelope[x]);                                    \
		}                                                                                          \
	}

APART(sw_apart_8, uint8_t)
APART(sw_apart_16, uint16_t)
