//go:build !purego

#include <string.h>
#if defined(__SSE2__)
#include <emmintrin.h>
#endif

#include "grid.h"

#if defined(__x86_64__)
#define CLONES __attribute__((target_clones("avx2", "default")))
#else
#define CLONES
#endif

// As in grid.go.
enum { STRIP = 8, SIDE = 3, REACH = SIDE + 1, WINDOW = 64, SHARE = 16, SPREAD = 3, FLOOR = 2, CAP = 32 };

CLONES void sw_grid_columns_8(const uint8_t *src, size_t stride, int w, int16_t *out) {
	for (int x = 0; x < w; x++) {
		int16_t sum = 0;
		for (int y = 0; y < STRIP; y++)
			sum = (int16_t)(sum + src[(size_t)y * stride + (size_t)x]);
		out[x] = sum;
	}
}

CLONES void sw_grid_columns_16(const uint16_t *src, size_t stride, int depth, int w, int16_t *out) {
	int shift = depth > 10 ? depth - 10 : 0;
	for (int x = 0; x < w; x++) {
		uint32_t sum = 0;
		for (int y = 0; y < STRIP; y++)
			sum += src[(size_t)y * stride + (size_t)x];
		out[x] = (int16_t)(sum >> shift);
	}
}

void sw_grid_rows_8(const uint8_t *src, size_t stride, int n, int h, int16_t *out) {
	for (int y = 0; y < h; y++) {
		const uint8_t *row = src + (size_t)y * stride;
		int16_t *to = out + y;
		for (int i = 0; i < n; i++) {
			uint64_t eight;
			memcpy(&eight, row + (size_t)i * STRIP, sizeof eight);
#if defined(__SSE2__)
			__m128i sum = _mm_sad_epu8(_mm_cvtsi64_si128((long long)eight), _mm_setzero_si128());
			to[(size_t)i * (size_t)h] = (int16_t)_mm_cvtsi128_si32(sum);
#else
			const uint64_t even = 0x00FF00FF00FF00FFu;
			uint64_t four = (eight & even) + (eight >> 8 & even);
			to[(size_t)i * (size_t)h] = (int16_t)(four * 0x0001000100010001u >> 48);
#endif
		}
	}
}

void sw_grid_rows_16(const uint16_t *src, size_t stride, int depth, int n, int h, int16_t *out) {
	int shift = depth > 10 ? depth - 10 : 0;
	for (int y = 0; y < h; y++) {
		const uint16_t *row = src + (size_t)y * stride;
		for (int i = 0; i < n; i++) {
			uint32_t sum = 0;
			for (int x = 0; x < STRIP; x++)
				sum += row[i * STRIP + x];
			out[(size_t)i * (size_t)h + (size_t)y] = (int16_t)(sum >> shift);
		}
	}
}

static inline int16_t step(const int16_t *c) { return (int16_t)(c[1] + c[2] - c[0] - c[-1]); }
static inline int16_t magnitude(int16_t v) { return (int16_t)(v < 0 ? -v : v); }

// Boundaries in hand at a time: what one loop has written, the next finds in
// the cache and not still on its way there.
enum { CHUNK = 8 * WINDOW };

CLONES void sw_grid_strip(const int16_t *sums, int n, int unit, int16_t *restrict edge, int16_t *restrict size,
                          int16_t *restrict sign) {
	int16_t cap = (int16_t)(CAP * unit);
	int16_t a[CHUNK + 2 * SIDE], e[CHUNK]; // a with SIDE more on either side
	for (int from = REACH; from < n - REACH - 1; from += CHUNK) {
		int k = n - REACH - 1 - from < CHUNK ? n - REACH - 1 - from : CHUNK;
		const int16_t *c = sums + from;
		for (int i = 0; i < k + 2 * SIDE; i++)
			a[i] = magnitude(step(c + i - SIDE));
		for (int i = 0; i < k; i++) {
			int16_t v = step(c + i);
			v = v < cap ? v : cap;
			v = v > -cap ? v : (int16_t)-cap;
			sign[from + i] = (int16_t)(sign[from + i] + v);
			size[from + i] = (int16_t)(size[from + i] + magnitude(v));
		}
		for (int i = 0; i < k; i++)
			e[i] = (int16_t)(a[i + SIDE] - ((a[i] + a[i + 2 * SIDE]) >> 1));
		for (int w = 0; w < k; w += WINDOW) {
			int m = k - w < WINDOW ? k - w : WINDOW;
			int32_t total = 0;
			for (int i = w; i < w + m; i++)
				total += magnitude(e[i]);
			int32_t limit = FLOOR * unit + SPREAD * total / m;
			limit = limit < INT16_MAX ? limit : INT16_MAX;
			int16_t most = (int16_t)limit, scale = (int16_t)((SHARE << 15) / limit);
			for (int i = w; i < w + m; i++) {
				int16_t v = e[i] < most ? e[i] : most;
				v = v > -most ? v : (int16_t)-most;
				edge[from + i] = (int16_t)(edge[from + i] + (int16_t)((v * scale + 0x4000) >> 15));
			}
		}
	}
}
