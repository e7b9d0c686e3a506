#include "kernel.h"

#include <math.h>
#if defined(__x86_64__)
#include <immintrin.h>
#endif

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

// Sixty-fourths of size samples that begin fx of them after the first.
static inline uint32_t row_sum(const uint8_t *p, int size, uint32_t fx) {
	uint32_t sum = 0;
#if defined(__x86_64__)
	if (size == 8) // which the processor adds up at once
		sum = (uint32_t)_mm_cvtsi128_si32(_mm_sad_epu8(_mm_loadl_epi64((const __m128i *)p), _mm_setzero_si128()));
	else
#endif
		for (int k = 0; k < size; k++) sum += p[k];
	return 64 * sum + fx * p[size] - fx * p[0];
}

void sw_screen_means(const uint8_t *src, size_t stride, const int32_t *index, const uint8_t *part,
                     int n, int size, float *dst) {
	float share = 1.0f / (float)(size * size * 64 * 64);
	for (int i = 0; i < n; i++) {
		const uint8_t *p = src + index[i];
		uint32_t fx = part[2 * i], fy = part[2 * i + 1], s = 0;
		for (int r = 1; r < size; r++) s += row_sum(p + r * stride, size, fx);
		s = 64 * s + (64 - fy) * row_sum(p, size, fx) + fy * row_sum(p + size * stride, size, fx);
		dst[i] = (float)s * share;
	}
}

static inline int clamp(int v, int last) { return v < 0 ? 0 : v > last ? last : v; }

static inline uint8_t byte_of(int v) { return v < 0 ? 0 : v > 255 ? 255 : (uint8_t)v; }

// Sixteen samples from p, weighted along rows by tx and then down by ty.
static inline int inner(const uint8_t *p, size_t stride, const int16_t *tx, const int16_t *ty) {
	int s = 0;
	for (int r = 0; r < 4; r++, p += stride) {
		int row = (p[0] * tx[0] + p[1] * tx[1] + p[2] * tx[2] + p[3] * tx[3] + 128) >> 8;
		s += row * ty[r];
	}
	return (s + (1 << 19)) >> 20;
}

#if defined(__x86_64__)
// Weights of eight places along an axis, in pairs: of the first two taps of each
// place, and of the last two.
struct weights { __m256i first, last; };

// The table's weights for eight places along both axes, worked out: a polynomial
// of p 64ths takes fewer steps than to fetch them. Twice its factor of p/64 goes with it.
__attribute__((target("avx2"))) static inline void weigh(__m256i qx, __m256i qy, struct weights *x, struct weights *y) {
	__m256i whole = _mm256_set1_epi32(63);
	__m256i p = _mm256_packs_epi32(_mm256_and_si256(qx, whole), _mm256_and_si256(qy, whole));
	__m256i scale = _mm256_slli_epi16(p, 9);
	__m256i before = _mm256_sub_epi16(p, _mm256_set1_epi16(64)), twice = _mm256_add_epi16(before, before);
	__m256i w0 = _mm256_mulhrs_epi16(_mm256_mullo_epi16(twice, before), _mm256_sub_epi16(_mm256_setzero_si256(), scale));
	__m256i w3 = _mm256_mulhrs_epi16(_mm256_mullo_epi16(twice, p), scale);
	__m256i inner = _mm256_sub_epi16(_mm256_set1_epi16(512), _mm256_mullo_epi16(p, _mm256_set1_epi16(6)));
	__m256i w2 = _mm256_mulhrs_epi16(_mm256_add_epi16(_mm256_mullo_epi16(inner, p), _mm256_set1_epi16(8192)), scale);
	__m256i w1 = _mm256_sub_epi16(_mm256_sub_epi16(_mm256_set1_epi16(1 << 14), w0), _mm256_add_epi16(w2, w3));
	x->first = _mm256_unpacklo_epi16(w0, w1), x->last = _mm256_unpacklo_epi16(w2, w3);
	y->first = _mm256_unpackhi_epi16(w0, w1), y->last = _mm256_unpackhi_epi16(w2, w3);
}

// Sums of the four taps of eight places, as codes of 6 bits more.
__attribute__((target("avx2"))) static inline __m256i along(__m256i first, __m256i last, struct weights x) {
	__m256i s = _mm256_add_epi32(_mm256_madd_epi16(first, x.first), _mm256_madd_epi16(last, x.last));
	return _mm256_srai_epi32(_mm256_add_epi32(s, _mm256_set1_epi32(128)), 8);
}

// Four rows as of along, weighted downwards, to eight samples.
__attribute__((target("avx2"))) static inline void down(const __m256i *rows, struct weights y, uint8_t *dst) {
	__m256i first = _mm256_blend_epi16(rows[0], _mm256_slli_epi32(rows[1], 16), 0xaa);
	__m256i last = _mm256_blend_epi16(rows[2], _mm256_slli_epi32(rows[3], 16), 0xaa);
	__m256i v = _mm256_add_epi32(_mm256_madd_epi16(first, y.first), _mm256_madd_epi16(last, y.last));
	v = _mm256_srai_epi32(_mm256_add_epi32(v, _mm256_set1_epi32(1 << 19)), 20);
	v = _mm256_packs_epi32(v, v);
	v = _mm256_packus_epi16(v, v);
	_mm_storel_epi64((__m128i *)dst, _mm_unpacklo_epi32(_mm256_castsi256_si128(v), _mm256_extracti128_si256(v, 1)));
}

// A load takes so many samples.
enum { LOAD = 16 };

// A row of eight places whose taps are these bytes of a load.
__attribute__((target("avx2"))) static inline __m256i row_of(const uint8_t *p, __m256i first, __m256i last, struct weights x) {
	__m256i g = _mm256_broadcastsi128_si256(_mm_loadu_si128((const __m128i *)p));
	return along(_mm256_shuffle_epi8(g, first), _mm256_shuffle_epi8(g, last), x);
}

// Eight samples at places that are dx, dy apart, each like inner; false where they
// do not all lie inside.
__attribute__((target("avx2"), always_inline)) static inline int eight(const uint8_t *src, size_t stride, int sw, int sh, int32_t px,
                                                        int32_t py, int32_t dx, int32_t dy, uint8_t *dst) {
	// All of the places lie between the first and the last.
	int x0 = ((px + 512) >> 16) - 1, x1 = ((px + 7 * dx + 512) >> 16) - 1;
	int y0 = ((py + 512) >> 16) - 1, y1 = ((py + 7 * dy + 512) >> 16) - 1;
	int left = x0 < x1 ? x0 : x1, right = x0 < x1 ? x1 : x0;
	int top = y0 < y1 ? y0 : y1, bottom = y0 < y1 ? y1 : y0;
	if (left < 0 || top < 0 || right + 3 >= sw || bottom + 3 >= sh) return 0;
	// Places to the nearest 64th, and the columns and rows that they lie in, one after
	// the first taps'.
	__m256i k = _mm256_setr_epi32(0, 1, 2, 3, 4, 5, 6, 7);
	__m256i qx = _mm256_add_epi32(_mm256_set1_epi32(px + 512), _mm256_mullo_epi32(k, _mm256_set1_epi32(dx)));
	__m256i qy = _mm256_add_epi32(_mm256_set1_epi32(py + 512), _mm256_mullo_epi32(k, _mm256_set1_epi32(dy)));
	qx = _mm256_srai_epi32(qx, 10), qy = _mm256_srai_epi32(qy, 10);
	__m256i ix = _mm256_srai_epi32(qx, 6), iy = _mm256_srai_epi32(qy, 6);
	struct weights x, y;
	weigh(qx, qy, &x, &y);
	__m256i rows[5];
	if (right + 3 < left + LOAD && left + LOAD <= sw && bottom - top <= 1) {
		// The taps lie within one load of five rows, as where a screen is about
		// upright. The bytes of the load that are taps of each place, as words:
		__m256i first = _mm256_sub_epi32(ix, _mm256_set1_epi32(left + 1));
		first = _mm256_or_si256(first, _mm256_slli_epi32(first, 16));
		__m256i last = _mm256_add_epi32(first, _mm256_set1_epi32((int)0x80038002));
		first = _mm256_add_epi32(first, _mm256_set1_epi32((int)0x80018000));
		const uint8_t *p = src + (size_t)top * stride + left;
		// The processor does not see rows coming.
		_mm_prefetch((const char *)(p + 8 * stride), _MM_HINT_T0);
		for (int r = 0; r < 4; r++) rows[r] = row_of(p + r * stride, first, last, x);
		if (bottom > top) {
			rows[4] = row_of(p + 4 * stride, first, last, x);
			__m256i lower = _mm256_cmpgt_epi32(iy, _mm256_set1_epi32(top + 1));
			for (int r = 0; r < 4; r++) rows[r] = _mm256_blendv_epi8(rows[r], rows[r + 1], lower);
		}
	} else {
		__m256i at = _mm256_add_epi32(_mm256_mullo_epi32(iy, _mm256_set1_epi32((int)stride)), ix);
		// Each gathers its four bytes, which are its taps.
		__m256i first = _mm256_set_epi32(0x800d800c, 0x80098008, 0x80058004, 0x80018000, 0x800d800c, 0x80098008, 0x80058004, 0x80018000);
		__m256i last = _mm256_add_epi32(first, _mm256_set1_epi32(0x00020002));
		for (int r = 0; r < 4; r++) {
			__m256i g = _mm256_i32gather_epi32((const int *)(src - stride - 1 + r * stride), at, 1);
			rows[r] = along(_mm256_shuffle_epi8(g, first), _mm256_shuffle_epi8(g, last), x);
		}
	}
	down(rows, y, dst);
	return 1;
}
#endif

// n samples at places that are dx, dy apart.
static void singly(const uint8_t *src, size_t stride, int sw, int sh, int32_t px, int32_t py, int32_t dx, int32_t dy,
                   int n, const int16_t *taps, uint8_t *dst) {
	for (int i = 0; i < n; i++, px += dx, py += dy) {
		// To the nearest 64th of a pixel.
		int32_t qx = (px + 512) >> 10, qy = (py + 512) >> 10;
		int ix = (qx >> 6) - 1, iy = (qy >> 6) - 1;
		const int16_t *tx = taps + (qx & 63) * 4, *ty = taps + (qy & 63) * 4;
		if (ix >= 0 && iy >= 0 && ix + 3 < sw && iy + 3 < sh) {
			dst[i] = byte_of(inner(src + (size_t)iy * stride + ix, stride, tx, ty));
			continue;
		}
		uint8_t near[16];
		for (int r = 0; r < 4; r++)
			for (int c = 0; c < 4; c++)
				near[r * 4 + c] = src[(size_t)clamp(iy + r, sh - 1) * stride + clamp(ix + c, sw - 1)];
		dst[i] = byte_of(inner(near, 4, tx, ty));
	}
}

static inline int32_t fixed(const double *above, const double *below, double t) {
	double v = (*above + (*below - *above) * t) * 65536;
#if defined(__x86_64__)
	return _mm_cvtsd_si32(_mm_set_sd(v));
#else
	return (int32_t)lrint(v);
#endif
}

// ROW goes along a row from exact place to exact place; STRETCH takes the n samples
// from one on.
#define ROW(STRETCH)                                                                  \
	enum { step = SW_SCREEN_STEP };                                                   \
	int32_t nx = fixed(above, below, t), ny = fixed(above + 1, below + 1, t);         \
	for (int i = 0; i < w; i += step) {                                               \
		int n = w - i < step ? w - i : step;                                          \
		int32_t px = nx, py = ny;                                                     \
		above += 2, below += 2;                                                       \
		nx = fixed(above, below, t), ny = fixed(above + 1, below + 1, t);             \
		int32_t dx = (nx - px) / step, dy = (ny - py) / step;                         \
		STRETCH                                                                       \
	}

#if defined(__x86_64__)
__attribute__((target("avx2"))) static void cubic_avx2(const uint8_t *src, size_t stride, int sw, int sh,
                                                       const double *above, const double *below, double t,
                                                       int w, const int16_t *taps, uint8_t *dst) {
	ROW({
		if (n != step || !eight(src, stride, sw, sh, px, py, dx, dy, dst + i))
			singly(src, stride, sw, sh, px, py, dx, dy, n, taps, dst + i);
	})
}
#endif

void sw_screen_cubic(const uint8_t *src, size_t stride, int sw, int sh, const double *above,
                     const double *below, double t, int w, const int16_t *taps,
                     uint8_t *dst) {
#if defined(__x86_64__)
	if (__builtin_cpu_supports("avx2") && (size_t)sh * stride < INT32_MAX) {
		cubic_avx2(src, stride, sw, sh, above, below, t, w, taps, dst);
		return;
	}
#endif
	ROW({ singly(src, stride, sw, sh, px, py, dx, dy, n, taps, dst + i); })
}
