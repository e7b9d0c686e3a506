#include "kernel.h"

#include <string.h>

// The compiler makes one body for each instruction set and the loader picks by
// what the processor supports.
#if defined(__x86_64__)
#define CLONES __attribute__((target_clones("avx2", "default")))
#else
#define CLONES
#endif

enum { BLOCK = 2048 };

CLONES void sw_screen_reduce(const uint8_t *src, size_t stride, int factor, int w, int h,
                             uint8_t *dst) {
	uint16_t column[BLOCK];
	int per = BLOCK / factor;
	// Sums are below 2^18, so that rounding the share up does no harm.
	uint64_t scale = ((1ull << 32) + factor * factor - 1) / (factor * factor);
	for (int y = 0; y < h; y++)
		for (int x0 = 0; x0 < w; x0 += per) {
			int n = w - x0 < per ? w - x0 : per;
			const uint8_t *restrict p = src + (size_t)y * factor * stride + (size_t)x0 * factor;
			for (int i = 0; i < n * factor; i++) column[i] = p[i];
			for (int r = 1; r < factor; r++) {
				const uint8_t *restrict q = p + r * stride;
				for (int i = 0; i < n * factor; i++) column[i] += q[i];
			}
			for (int i = 0; i < n; i++) {
				uint32_t s = 0;
				for (int k = 0; k < factor; k++) s += column[i * factor + k];
				dst[(size_t)y * w + x0 + i] = (uint8_t)((s * scale) >> 32);
			}
		}
}

CLONES void sw_screen_means(const uint8_t *src, size_t stride, const int32_t *index, int n,
                            int size, float *dst) {
	float share = 1.0f / (float)(size * size);
	for (int i = 0; i < n; i++) {
		const uint8_t *restrict p = src + index[i];
		uint32_t s = 0;
		if (size == 8) {
			for (int r = 0; r < 8; r++, p += stride)
				for (int k = 0; k < 8; k++) s += p[k];
		} else {
			for (int r = 0; r < size; r++, p += stride)
				for (int k = 0; k < size; k++) s += p[k];
		}
		dst[i] = (float)s * share;
	}
}

static inline int clamp(int v, int last) { return v < 0 ? 0 : v > last ? last : v; }

static inline uint8_t byte_of(int v) { return v < 0 ? 0 : v > 255 ? 255 : (uint8_t)v; }

#if defined(__SSE4_1__) || defined(__x86_64__)
#include <emmintrin.h>

static inline __m128i four(const uint8_t *a, const uint8_t *b) {
	int32_t x, y;
	memcpy(&x, a, 4);
	memcpy(&y, b, 4);
	return _mm_unpacklo_epi8(_mm_unpacklo_epi32(_mm_cvtsi32_si128(x), _mm_cvtsi32_si128(y)),
	                         _mm_setzero_si128());
}

// Sixteen samples from p, weighted along rows by tx and then down by ty.
static inline int inner(const uint8_t *p, size_t stride, const int16_t *tx, const int16_t *ty) {
	__m128i w = _mm_loadl_epi64((const __m128i *)tx);
	w = _mm_unpacklo_epi64(w, w);
	__m128i a = _mm_madd_epi16(four(p, p + stride), w);
	__m128i b = _mm_madd_epi16(four(p + 2 * stride, p + 3 * stride), w);
	// Pairs of sums of two taps: rows 0 0 1 1 and 2 2 3 3.
	__m128 fa = _mm_castsi128_ps(a), fb = _mm_castsi128_ps(b);
	__m128i even = _mm_castps_si128(_mm_shuffle_ps(fa, fb, 0x88));
	__m128i odd = _mm_castps_si128(_mm_shuffle_ps(fa, fb, 0xdd));
	__m128i rows = _mm_srai_epi32(_mm_add_epi32(_mm_add_epi32(even, odd), _mm_set1_epi32(128)), 8);
	rows = _mm_packs_epi32(rows, rows);
	__m128i v = _mm_madd_epi16(rows, _mm_loadl_epi64((const __m128i *)ty));
	v = _mm_add_epi32(v, _mm_shuffle_epi32(v, 1));
	return (_mm_cvtsi128_si32(v) + (1 << 19)) >> 20;
}
#else
static inline int inner(const uint8_t *p, size_t stride, const int16_t *tx, const int16_t *ty) {
	int s = 0;
	for (int r = 0; r < 4; r++, p += stride) {
		int row = (p[0] * tx[0] + p[1] * tx[1] + p[2] * tx[2] + p[3] * tx[3] + 128) >> 8;
		s += row * ty[r];
	}
	return (s + (1 << 19)) >> 20;
}
#endif

void sw_screen_cubic(const uint8_t *src, size_t stride, int sw, int sh, const int32_t *x,
                     const int32_t *y, const int32_t *dx, const int32_t *dy, int step, int w,
                     const int16_t *taps, uint8_t *dst) {
	for (int i0 = 0, k = 0; i0 < w; i0 += step, k++) {
		int n = w - i0 < step ? w - i0 : step;
		int32_t px = x[k], py = y[k];
		for (int i = 0; i < n; i++, px += dx[k], py += dy[k]) {
			// To the nearest 64th of a pixel.
			int32_t qx = (px + 512) >> 10, qy = (py + 512) >> 10;
			int ix = (qx >> 6) - 1, iy = (qy >> 6) - 1;
			const int16_t *tx = taps + (qx & 63) * 4, *ty = taps + (qy & 63) * 4;
			if (ix >= 0 && iy >= 0 && ix + 3 < sw && iy + 3 < sh) {
				dst[i0 + i] = byte_of(inner(src + (size_t)iy * stride + ix, stride, tx, ty));
				continue;
			}
			uint8_t near[16];
			for (int r = 0; r < 4; r++)
				for (int c = 0; c < 4; c++)
					near[r * 4 + c] =
					    src[(size_t)clamp(iy + r, sh - 1) * stride + clamp(ix + c, sw - 1)];
			dst[i0 + i] = byte_of(inner(near, 4, tx, ty));
		}
	}
}
