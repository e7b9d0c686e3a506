#include "kernel.h"

#include <math.h>
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

CLONES void sw_screen_means(const uint8_t *src, size_t stride, const int32_t *index,
                            const uint8_t *part, int n, int size, float *dst) {
	float share = 1.0f / (float)(size * size * 64 * 64);
	for (int i = 0; i < n; i++) {
		const uint8_t *restrict p = src + index[i];
		uint32_t fx = part[2 * i], fy = part[2 * i + 1], s = 0, row = 0;
		for (int r = 0; r <= size; r++, p += stride) {
			uint32_t sum = 0;
			if (size == 8)
				for (int k = 0; k < 8; k++) sum += p[k];
			else
				for (int k = 0; k < size; k++) sum += p[k];
			row = 64 * sum + fx * p[size] - fx * p[0];
			s += (r == 0 ? 64 - fy : r == size ? fy : 64) * row;
		}
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
#include <immintrin.h>

// The weights of four places from the table, for pairs of places: 0 1 and 2 3.
__attribute__((target("avx2"))) static inline __m256i weights(const int16_t *taps, __m128i phase) {
	return _mm256_i32gather_epi64((const long long *)taps, phase, 8);
}

// The weights of eight places along an axis: pairs of places 0 1 2 3 and 4 5 6 7.
struct eight_weights { __m256i low, high; };

__attribute__((target("avx2"))) static inline struct eight_weights weights_of(const int16_t *taps, __m256i q) {
	__m256i phase = _mm256_and_si256(q, _mm256_set1_epi32(63));
	struct eight_weights w = {weights(taps, _mm256_castsi256_si128(phase)), weights(taps, _mm256_extracti128_si256(phase, 1))};
	return w;
}

// Sums of four taps of two times four places, as codes of 6 bits more: places
// 0 1 4 5 and 2 3 6 7 in the halves.
__attribute__((target("avx2"))) static inline __m256i along(__m256i a, __m256i b, struct eight_weights x) {
	__m256i s = _mm256_hadd_epi32(_mm256_madd_epi16(a, x.low), _mm256_madd_epi16(b, x.high));
	return _mm256_srai_epi32(_mm256_add_epi32(s, _mm256_set1_epi32(128)), 8);
}

// Four rows as of along, weighted downwards, to eight samples.
__attribute__((target("avx2"))) static inline void down(const __m256i *rows, struct eight_weights y, uint8_t *dst) {
	// Pairs of rows side by side against pairs of weights: the table's first
	// two are the low half of its eight bytes.
	__m256i low = _mm256_set1_epi32(0xffff);
	__m256i r01 = _mm256_or_si256(_mm256_and_si256(rows[0], low), _mm256_slli_epi32(rows[1], 16));
	__m256i r23 = _mm256_or_si256(_mm256_and_si256(rows[2], low), _mm256_slli_epi32(rows[3], 16));
	__m256 f0 = _mm256_castsi256_ps(y.low), f1 = _mm256_castsi256_ps(y.high);
	__m256i w01 = _mm256_castps_si256(_mm256_shuffle_ps(f0, f1, 0x88));
	__m256i w23 = _mm256_castps_si256(_mm256_shuffle_ps(f0, f1, 0xdd));
	__m256i v = _mm256_add_epi32(_mm256_madd_epi16(r01, w01), _mm256_madd_epi16(r23, w23));
	v = _mm256_srai_epi32(_mm256_add_epi32(v, _mm256_set1_epi32(1 << 19)), 20);
	__m256i words = _mm256_packs_epi32(v, v);
	__m256i bytes = _mm256_packus_epi16(words, words);
	// The halves hold places 0 1 4 5 and 2 3 6 7.
	uint32_t h0 = (uint32_t)_mm256_extract_epi32(bytes, 0);
	uint32_t h1 = (uint32_t)_mm256_extract_epi32(bytes, 4);
	uint16_t out[4] = {(uint16_t)h0, (uint16_t)h1, (uint16_t)(h0 >> 16), (uint16_t)(h1 >> 16)};
	memcpy(dst, out, 8);
}

// Eight samples at once: like inner for each, for places that all lie inside.
__attribute__((target("avx2"))) static void eight(const uint8_t *src, size_t stride, __m256i qx,
                                                  __m256i qy, const int16_t *taps, uint8_t *dst) {
	__m256i one = _mm256_set1_epi32(1);
	__m256i ix = _mm256_sub_epi32(_mm256_srai_epi32(qx, 6), one);
	__m256i iy = _mm256_sub_epi32(_mm256_srai_epi32(qy, 6), one);
	__m256i at = _mm256_add_epi32(_mm256_mullo_epi32(iy, _mm256_set1_epi32((int)stride)), ix);
	struct eight_weights x = weights_of(taps, qx);
	__m256i rows[4];
	for (int r = 0; r < 4; r++) {
		__m256i g = _mm256_i32gather_epi32((const int *)(src + r * stride), at, 1);
		rows[r] = along(_mm256_cvtepu8_epi16(_mm256_castsi256_si128(g)), _mm256_cvtepu8_epi16(_mm256_extracti128_si256(g, 1)), x);
	}
	down(rows, weights_of(taps, qy), dst);
}

// A load takes so many samples.
enum { LOAD = 16 };

// The same where the taps of all places lie within LOAD columns from ix and five
// rows from iy, which is so where a screen is about upright: loads in place of
// gathers.
__attribute__((target("avx2"))) static void eight_near(const uint8_t *src, size_t stride, int ix, int iy, __m256i qx,
                                                       __m256i qy, const int16_t *taps, uint8_t *dst) {
	// The bytes of a load that are the taps of each place, as words.
	__m256i first = _mm256_sub_epi32(_mm256_srai_epi32(qx, 6), _mm256_set1_epi32(ix + 1));
	first = _mm256_or_si256(first, _mm256_slli_epi32(first, 16));
	__m256i taps_of = _mm256_set1_epi64x((long long)0x8003800280018000ull);
	__m256i a = _mm256_add_epi32(_mm256_permutevar8x32_epi32(first, _mm256_setr_epi32(0, 0, 1, 1, 2, 2, 3, 3)), taps_of);
	__m256i b = _mm256_add_epi32(_mm256_permutevar8x32_epi32(first, _mm256_setr_epi32(4, 4, 5, 5, 6, 6, 7, 7)), taps_of);
	// Places whose taps begin in the second row, in the order of rows.
	__m256i lower = _mm256_cmpgt_epi32(_mm256_srai_epi32(qy, 6), _mm256_set1_epi32(iy + 1));
	lower = _mm256_permutevar8x32_epi32(lower, _mm256_setr_epi32(0, 1, 4, 5, 2, 3, 6, 7));
	struct eight_weights x = weights_of(taps, qx);
	const uint8_t *p = src + (size_t)iy * stride + ix;
	int two = !_mm256_testz_si256(lower, lower);
	__m256i rows[5];
	for (int r = 0; r < 4 + two; r++) {
		__m256i g = _mm256_broadcastsi128_si256(_mm_loadu_si128((const __m128i *)(p + r * stride)));
		rows[r] = along(_mm256_shuffle_epi8(g, a), _mm256_shuffle_epi8(g, b), x);
	}
	if (two)
		for (int r = 0; r < 4; r++)
			rows[r] = _mm256_blendv_epi8(rows[r], rows[r + 1], lower);
	down(rows, weights_of(taps, qy), dst);
}

__attribute__((target("avx2"))) static int eights(const uint8_t *src, size_t stride, int sw, int sh,
                                                  int32_t px, int32_t py, int32_t dx, int32_t dy,
                                                  int n, const int16_t *taps, uint8_t *dst) {
	// All of the places lie between the first and the last.
	int32_t lx = px + (n - 1) * dx, ly = py + (n - 1) * dy;
	int32_t x0 = px < lx ? px : lx, x1 = px < lx ? lx : px;
	int32_t y0 = py < ly ? py : ly, y1 = py < ly ? ly : py;
	// A gather reads four bytes, which are the four taps.
	if (((x0 + 512) >> 16) - 1 < 0 || ((y0 + 512) >> 16) - 1 < 0 || ((x1 + 512) >> 16) + 2 >= sw ||
	    ((y1 + 512) >> 16) + 2 >= sh)
		return 0;
	__m256i k = _mm256_setr_epi32(0, 1, 2, 3, 4, 5, 6, 7), half = _mm256_set1_epi32(512);
	int done = 0;
	for (; done + 8 <= n; done += 8, px += 8 * dx, py += 8 * dy) {
		__m256i x = _mm256_add_epi32(_mm256_set1_epi32(px), _mm256_mullo_epi32(k, _mm256_set1_epi32(dx)));
		__m256i y = _mm256_add_epi32(_mm256_set1_epi32(py), _mm256_mullo_epi32(k, _mm256_set1_epi32(dy)));
		__m256i qx = _mm256_srai_epi32(_mm256_add_epi32(x, half), 10), qy = _mm256_srai_epi32(_mm256_add_epi32(y, half), 10);
		/* the first taps of the first place and of the last */
		int fx = ((px + 512) >> 16) - 1, lx = ((px + 7 * dx + 512) >> 16) - 1;
		int fy = ((py + 512) >> 16) - 1, ly = ((py + 7 * dy + 512) >> 16) - 1;
		int ty = fy < ly ? fy : ly, by = fy < ly ? ly : fy;
		if (lx >= fx && lx + 4 <= fx + LOAD && fx + LOAD <= sw && by - ty <= 1)
			eight_near(src, stride, fx, ty, qx, qy, taps, dst + done);
		else
			eight(src, stride, qx, qy, taps, dst + done);
	}
	return done;
}
#endif

static inline int32_t fixed(const double *above, const double *below, double t) {
	double v = (*above + (*below - *above) * t) * 65536;
#if defined(__x86_64__)
	return _mm_cvtsd_si32(_mm_set_sd(v));
#else
	return (int32_t)lrint(v);
#endif
}

void sw_screen_cubic(const uint8_t *src, size_t stride, int sw, int sh, const double *above,
                     const double *below, double t, int step, int w, const int16_t *taps,
                     uint8_t *dst) {
#if defined(__x86_64__)
	int fast = __builtin_cpu_supports("avx2") && (size_t)sh * stride < INT32_MAX;
#endif
	int32_t nx = fixed(above, below, t), ny = fixed(above + 1, below + 1, t);
	for (int i0 = 0; i0 < w; i0 += step) {
		int n = w - i0 < step ? w - i0 : step;
		int32_t px = nx, py = ny;
		above += 2, below += 2;
		nx = fixed(above, below, t), ny = fixed(above + 1, below + 1, t);
		int32_t dx = (nx - px) / step, dy = (ny - py) / step;
		int i = 0;
#if defined(__x86_64__)
		if (fast) {
			i = eights(src, stride, sw, sh, px, py, dx, dy, n, taps, dst + i0);
			px += i * dx, py += i * dy;
		}
#endif
		for (; i < n; i++, px += dx, py += dy) {
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
