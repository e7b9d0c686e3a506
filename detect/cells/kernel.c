//go:build !purego

#include <string.h>
#if defined(__x86_64__)
#include <immintrin.h>
#endif

#include "kernel.h"

// The compiler makes one body for each instruction set and the loader picks by
// what the processor supports (an arch= name would ask for its exact model).
#if defined(__x86_64__)
#define CLONES __attribute__((target_clones("avx2", "default")))
#else
#define CLONES
#endif

enum { CELL = 16, BLOCK = 8 * CELL, AHEAD = 256 };

static inline int absolute(int v) { return v < 0 ? -v : v; }

// Column sums over the 16 rows of a strip from column first on, for a block of
// columns that stays in the first-level cache. For 8-bit samples every sum but the squares fits
// 16 bits: 16 rows of at most 2*255.
#define CELLS(NAME, PIX, ACC, DIFF)                                                              \
	static inline void NAME(const PIX *cur, size_t stride, const PIX *prev, size_t prev_stride,  \
	                        int first, int w, int h, int from, int to, sw_cell *out) {           \
		int cols = (w + CELL - 1) / CELL;                                                        \
		for (int y0 = from; y0 < to; y0 += CELL) {                                               \
			int rows = h - y0 < CELL ? h - y0 : CELL;                                            \
			for (int x0 = first; x0 < w; x0 += BLOCK) {                                            \
				int n = w - x0 < BLOCK ? w - x0 : BLOCK;                                         \
				int nh = w - 1 - x0 < n ? w - 1 - x0 : n;                                        \
				ACC sum[BLOCK] = {0}, hor[BLOCK] = {0}, zig[BLOCK] = {0}, sec[BLOCK] = {0};      \
				ACC ver[BLOCK] = {0}, diff[2][BLOCK] = {{0}};                                    \
				uint32_t sq[BLOCK] = {0};                                                        \
				uint64_t sq_hi[BLOCK / CELL] = {0};                                              \
				for (int y = y0; y < y0 + rows; y++) {                                           \
					const PIX *restrict b = cur + (size_t)y * stride + x0;                       \
					for (int x = 0; x < n; x++) {                                                \
						sum[x] += b[x];                                                          \
						sq[x] += (uint32_t)b[x] * b[x];                                          \
					}                                                                            \
					if (sizeof(PIX) == 2) /* 16 squares of 16 bits overflow 32 */                \
						for (int x = 0; x < n; x++) {                                            \
							sq_hi[x / CELL] += sq[x];                                            \
							sq[x] = 0;                                                           \
						}                                                                        \
					for (int x = 0; x < nh; x++)                                                 \
						hor[x] += absolute((DIFF)((DIFF)b[x + 1] - (DIFF)b[x]));                 \
					if (prev) {                                                                  \
						const PIX *restrict p = prev + (size_t)y * prev_stride + x0;             \
						ACC *restrict d = diff[y & 1];                                           \
						for (int x = 0; x < n; x++)                                              \
							d[x] += absolute((DIFF)((DIFF)b[x] - (DIFF)p[x]));                   \
					}                                                                            \
					if (y == 0 || y == h - 1)                                                    \
						continue;                                                                \
					const PIX *restrict a = b - stride, *restrict c = b + stride;                \
					for (int x = 0; x < n; x++) {                                                \
						DIFF u = (DIFF)((DIFF)a[x] - (DIFF)b[x]);                                \
						DIFF v = (DIFF)((DIFF)c[x] - (DIFF)b[x]);                                \
						DIFF lo = u < v ? u : v, hi = u < v ? v : u;                             \
						/* both above or both below: the smaller step; else nothing */           \
						DIFF up = lo > 0 ? lo : 0, down = hi < 0 ? (DIFF)-hi : 0;                \
						zig[x] += (ACC)(up + down);                                              \
						sec[x] += absolute((DIFF)(u + v));                                       \
						ver[x] += absolute((DIFF)(v - u));                                       \
					}                                                                            \
				}                                                                                \
				sw_cell *o = out + (size_t)(y0 / CELL) * cols + x0 / CELL;                       \
				for (int c = 0; c * CELL < n; c++, o++) {                                        \
					int k = n - c * CELL < CELL ? n - c * CELL : CELL;                           \
					sw_cell s = {.pixels = (uint32_t)(k * rows), .sum_sq = sq_hi[c]};            \
					for (int x = c * CELL; x < c * CELL + k; x++) {                              \
						s.sum += sum[x];                                                         \
						s.sum_sq += sq[x];                                                       \
						s.zigzag += zig[x];                                                      \
						s.second += sec[x];                                                      \
						s.vertical += ver[x];                                                    \
						s.horizontal += hor[x];                                                  \
						s.diff[0] += diff[0][x];                                                 \
						s.diff[1] += diff[1][x];                                                 \
					}                                                                            \
					*o = s;                                                                      \
				}                                                                                \
			}                                                                                    \
		}                                                                                        \
	}

CELLS(cells_8, uint8_t, uint16_t, int16_t)
CELLS(cells_16, uint16_t, uint32_t, int32_t)

CLONES static void portable_8(const uint8_t *cur, size_t stride, const uint8_t *prev, size_t prev_stride,
                              int first, int w, int h, int from, int to, sw_cell *out) {
	cells_8(cur, stride, prev, prev_stride, first, w, h, from, to, out);
}

CLONES static void portable_16(const uint16_t *cur, size_t stride, const uint16_t *prev, size_t prev_stride,
                               int first, int w, int h, int from, int to, sw_cell *out) {
	cells_16(cur, stride, prev, prev_stride, first, w, h, from, to, out);
}

#if defined(__x86_64__)
#define AVX2 __attribute__((target("avx2")))

// The sum of one accumulator of _mm256_sad_epu8 over cell 0 or 1 of a pair.
AVX2 static inline uint32_t of_cell(__m256i v, int cell) {
	uint64_t s[4];
	memcpy(s, &v, sizeof s);
	return (uint32_t)(s[2 * cell] + s[2 * cell + 1]);
}

AVX2 static inline __m256i distance(__m256i a, __m256i b) {
	return _mm256_or_si256(_mm256_subs_epu8(a, b), _mm256_subs_epu8(b, a));
}

// Pairs of cells without leaving 8 bits, up to column end. With u = |a-b| and
// v = |c-b|: where a-b and c-b have the same sign, zigzag is min(u,v), |c-a| is
// |u-v| and |a-2b+c| is u+v; elsewhere zigzag is 0, |c-a| is u+v and |a-2b+c|
// is |u-v|. So |c-a| = u+v - 2 zigzag and |a-2b+c| = u+v - 2 (min(u,v) - zigzag)
// everywhere, and the sums of |c-a|, zigzag and min(u,v) give the fourth.
AVX2 static void pairs_8(const uint8_t *cur, size_t stride, const uint8_t *prev, size_t prev_stride, int end,
                         int w, int h, int from, int to, sw_cell *out) {
	int cols = (w + CELL - 1) / CELL;
	const __m256i last = _mm256_setr_epi64x(0, 0, 0, (long long)0xff00000000000000);
	const __m256i zero = _mm256_setzero_si256();
	for (int y0 = from; y0 < to; y0 += CELL) {
		int rows = h - y0 < CELL ? h - y0 : CELL;
		sw_cell *o = out + (size_t)(y0 / CELL) * cols;
		for (int x0 = 0; x0 < end; x0 += 2 * CELL, o += 2) {
			__m256i sum = zero, hor = zero, zig = zero, least = zero, ver = zero, d0 = zero, d1 = zero;
			__m256i sq_lo = zero, sq_hi = zero;
			for (int y = y0; y < y0 + rows; y++) {
				const uint8_t *at = cur + (size_t)y * stride + x0;
				__m256i b = _mm256_loadu_si256((const __m256i *)at);
				__m256i r;
				if (x0 + 2 * CELL < w) {
					r = _mm256_loadu_si256((const __m256i *)(at + 1));
				} else { /* the last pixel of a row has none to its right: itself */
					r = _mm256_permute2x128_si256(b, b, 0x81);
					r = _mm256_blendv_epi8(_mm256_alignr_epi8(r, b, 1), b, last);
				}
				/* more rows at a time than the hardware follows */
				_mm_prefetch((const char *)(at + AHEAD), _MM_HINT_T0);
				sum = _mm256_add_epi64(sum, _mm256_sad_epu8(b, zero));
				hor = _mm256_add_epi64(hor, _mm256_sad_epu8(b, r));
				/* the low halves of both lanes, then the high ones */
				__m256i lo = _mm256_unpacklo_epi8(b, zero), hi = _mm256_unpackhi_epi8(b, zero);
				sq_lo = _mm256_add_epi32(sq_lo, _mm256_madd_epi16(lo, lo));
				sq_hi = _mm256_add_epi32(sq_hi, _mm256_madd_epi16(hi, hi));
				if (prev) {
					__m256i p = _mm256_loadu_si256((const __m256i *)(prev + (size_t)y * prev_stride + x0));
					_mm_prefetch((const char *)(prev + (size_t)y * prev_stride + x0 + AHEAD), _MM_HINT_T0);
					p = _mm256_sad_epu8(b, p);
					if (y & 1)
						d1 = _mm256_add_epi64(d1, p);
					else
						d0 = _mm256_add_epi64(d0, p);
				}
				if (y == 0 || y == h - 1)
					continue;
				__m256i a = _mm256_loadu_si256((const __m256i *)(at - stride));
				__m256i c = _mm256_loadu_si256((const __m256i *)(at + stride));
				__m256i z = _mm256_or_si256(_mm256_subs_epu8(_mm256_min_epu8(a, c), b),
				                            _mm256_subs_epu8(b, _mm256_max_epu8(a, c)));
				__m256i m = _mm256_min_epu8(distance(a, b), distance(c, b));
				zig = _mm256_add_epi64(zig, _mm256_sad_epu8(z, zero));
				least = _mm256_add_epi64(least, _mm256_sad_epu8(m, zero));
				ver = _mm256_add_epi64(ver, _mm256_sad_epu8(a, c));
			}
			/* 32 squares of 8 bits for each of eight sums */
			uint32_t sq[8];
			sq_lo = _mm256_add_epi32(sq_lo, sq_hi);
			memcpy(sq, &sq_lo, sizeof sq);
			for (int i = 0; i < 2; i++) {
				sw_cell s = {.pixels = (uint32_t)(CELL * rows)};
				s.sum = of_cell(sum, i);
				s.sum_sq = (uint64_t)sq[4 * i] + sq[4 * i + 1] + sq[4 * i + 2] + sq[4 * i + 3];
				s.horizontal = of_cell(hor, i);
				s.zigzag = of_cell(zig, i);
				s.vertical = of_cell(ver, i);
				s.second = s.vertical + 4 * s.zigzag - 2 * of_cell(least, i);
				s.diff[0] = of_cell(d0, i);
				s.diff[1] = of_cell(d1, i);
				o[i] = s;
			}
		}
	}
}

// The sum of sixteen 16-bit lanes.
AVX2 static inline uint32_t of_lanes(__m256i v) {
	const __m256i low = _mm256_set1_epi32(0xffff);
	uint32_t s[8], sum = 0;
	v = _mm256_add_epi32(_mm256_and_si256(v, low), _mm256_srli_epi32(v, 16));
	memcpy(s, &v, sizeof s);
	for (int i = 0; i < 8; i++)
		sum += s[i];
	return sum;
}

AVX2 static inline __m256i distance_16(__m256i a, __m256i b) {
	return _mm256_sub_epi16(_mm256_max_epu16(a, b), _mm256_min_epu16(a, b));
}

// One cell after the other in 16 bits, up to column end: the sums of 16 rows of
// samples of at most 12 bits fit. The identities are those of pairs_8.
AVX2 static void cells_12(const uint16_t *cur, size_t stride, const uint16_t *prev, size_t prev_stride, int end,
                          int w, int h, int from, int to, sw_cell *out) {
	int cols = (w + CELL - 1) / CELL;
	const __m256i zero = _mm256_setzero_si256();
	for (int y0 = from; y0 < to; y0 += CELL) {
		int rows = h - y0 < CELL ? h - y0 : CELL;
		sw_cell *o = out + (size_t)(y0 / CELL) * cols;
		for (int x0 = 0; x0 < end; x0 += CELL, o++) {
			__m256i sum = zero, hor = zero, zig = zero, least = zero, ver = zero, d0 = zero, d1 = zero, sq = zero;
			for (int y = y0; y < y0 + rows; y++) {
				const uint16_t *at = cur + (size_t)y * stride + x0;
				__m256i b = _mm256_loadu_si256((const __m256i *)at);
				__m256i r;
				if (x0 + CELL < w) {
					r = _mm256_loadu_si256((const __m256i *)(at + 1));
				} else { /* the last pixel of a row has none to its right: itself */
					r = _mm256_permute2x128_si256(b, b, 0x81);
					r = _mm256_alignr_epi8(r, b, 2);
					r = _mm256_insert_epi16(r, at[CELL - 1], CELL - 1);
				}
				_mm_prefetch((const char *)at + AHEAD, _MM_HINT_T0);
				sum = _mm256_add_epi16(sum, b);
				hor = _mm256_add_epi16(hor, distance_16(b, r));
				sq = _mm256_add_epi32(sq, _mm256_madd_epi16(b, b));
				if (prev) {
					const uint16_t *before = prev + (size_t)y * prev_stride + x0;
					__m256i p = distance_16(b, _mm256_loadu_si256((const __m256i *)before));
					_mm_prefetch((const char *)before + AHEAD, _MM_HINT_T0);
					if (y & 1)
						d1 = _mm256_add_epi16(d1, p);
					else
						d0 = _mm256_add_epi16(d0, p);
				}
				if (y == 0 || y == h - 1)
					continue;
				__m256i a = _mm256_loadu_si256((const __m256i *)(at - stride));
				__m256i c = _mm256_loadu_si256((const __m256i *)(at + stride));
				__m256i lo = _mm256_min_epu16(a, c), hi = _mm256_max_epu16(a, c);
				__m256i z = _mm256_or_si256(_mm256_subs_epu16(lo, b), _mm256_subs_epu16(b, hi));
				__m256i m = _mm256_min_epu16(distance_16(a, b), distance_16(c, b));
				zig = _mm256_add_epi16(zig, z);
				least = _mm256_add_epi16(least, m);
				ver = _mm256_add_epi16(ver, _mm256_sub_epi16(hi, lo));
			}
			uint32_t squares[8];
			memcpy(squares, &sq, sizeof squares);
			sw_cell s = {.pixels = (uint32_t)(CELL * rows)};
			for (int i = 0; i < 8; i++)
				s.sum_sq += squares[i];
			s.sum = of_lanes(sum);
			s.horizontal = of_lanes(hor);
			s.zigzag = of_lanes(zig);
			s.vertical = of_lanes(ver);
			s.second = s.vertical + 4 * s.zigzag - 2 * of_lanes(least);
			s.diff[0] = of_lanes(d0);
			s.diff[1] = of_lanes(d1);
			*o = s;
		}
	}
}
#endif

void sw_cells_8(const uint8_t *cur, size_t stride, const uint8_t *prev, size_t prev_stride, int w, int h,
                int from, int to, sw_cell *out) {
	int end = 0;
#if defined(__x86_64__)
	if (__builtin_cpu_supports("avx2")) {
		end = w / (2 * CELL) * (2 * CELL);
		pairs_8(cur, stride, prev, prev_stride, end, w, h, from, to, out);
	}
#endif
	if (end < w)
		portable_8(cur, stride, prev, prev_stride, end, w, h, from, to, out);
}

void sw_cells_8_portable(const uint8_t *cur, size_t stride, const uint8_t *prev, size_t prev_stride, int w,
                         int h, int from, int to, sw_cell *out) {
	portable_8(cur, stride, prev, prev_stride, 0, w, h, from, to, out);
}

void sw_cells_16(const uint16_t *cur, size_t stride, const uint16_t *prev, size_t prev_stride, int depth, int w,
                 int h, int from, int to, sw_cell *out) {
	int end = 0;
#if defined(__x86_64__)
	if (depth <= 12 && __builtin_cpu_supports("avx2")) {
		end = w / CELL * CELL;
		cells_12(cur, stride, prev, prev_stride, end, w, h, from, to, out);
	}
#endif
	if (end < w)
		portable_16(cur, stride, prev, prev_stride, end, w, h, from, to, out);
}

void sw_cells_16_portable(const uint16_t *cur, size_t stride, const uint16_t *prev, size_t prev_stride, int w,
                          int h, int from, int to, sw_cell *out) {
	portable_16(cur, stride, prev, prev_stride, 0, w, h, from, to, out);
}

#define REDUCE(NAME, PIX)                                                                        \
	static inline void NAME(const PIX *src, size_t stride, const uint32_t *weight, int n,        \
	                        int step_x, int w, uint32_t scale, uint16_t *dst) {                  \
		if (step_x == 1 && n == 1) {                                                             \
			for (int x = 0; x < w; x++)                                                          \
				dst[x] = (uint16_t)((src[x] * weight[0] * scale + 0x8000) >> 16);                \
			return;                                                                              \
		}                                                                                        \
		enum { SPAN = 256 };                                                                     \
		for (int x0 = 0; x0 < w; x0 += SPAN) {                                                   \
			int m = w - x0 < SPAN ? w - x0 : SPAN;                                               \
			uint32_t sum[SPAN] = {0};                                                            \
			for (int i = 0; i < n; i++) {                                                        \
				const PIX *restrict r = src + (size_t)i * stride + (size_t)x0 * step_x;          \
				uint32_t k = weight[i];                                                          \
				switch (step_x) {                                                                \
				case 1:                                                                          \
					for (int x = 0; x < m; x++)                                                  \
						sum[x] += k * r[x];                                                      \
					break;                                                                       \
				case 2:                                                                          \
					for (int x = 0; x < m; x++)                                                  \
						sum[x] += k * ((uint32_t)r[2 * x] + r[2 * x + 1]);                       \
					break;                                                                       \
				case 4:                                                                          \
					for (int x = 0; x < m; x++)                                                  \
						sum[x] += k * ((uint32_t)r[4 * x] + r[4 * x + 1] + r[4 * x + 2] +        \
						               r[4 * x + 3]);                                            \
					break;                                                                       \
				default:                                                                         \
					for (int x = 0; x < m; x++)                                                  \
						for (int j = 0; j < step_x; j++)                                         \
							sum[x] += k * r[x * step_x + j];                                     \
				}                                                                                \
			}                                                                                    \
			for (int x = 0; x < m; x++)                                                          \
				dst[x0 + x] = (uint16_t)((sum[x] * scale + 0x8000) >> 16);                       \
		}                                                                                        \
	}

REDUCE(reduce_8, uint8_t)
REDUCE(reduce_16, uint16_t)

static inline __attribute__((always_inline)) void reduce_row_8(const uint8_t *src, size_t stride,
                                                               const uint32_t *weight, int n, int step_x, int w,
                                                               uint32_t scale, uint16_t *dst) {
	typedef uint16_t words __attribute__((vector_size(32)));
	enum { LANES = sizeof(words) / sizeof(uint16_t) };
	int x = 0;
	/* the common cases, frames of 1080, 720 and 2160 lines, in 16 bits */
	if (step_x == 1 && n == 1 && weight[0] == 1 && scale == 16 << 16) {
		for (; x < w; x++)
			dst[x] = (uint16_t)(src[x] << 4);
		return;
	}
	int plain = step_x * n <= 32; /* so many samples of 8 bits are less than 2^13 */
	for (int i = 0; i < n; i++)
		plain = plain && weight[i] == 1;
	if (plain && step_x == 2 && scale % 65536 == 0)
		for (; x + LANES <= w; x += LANES) {
			words sum = {0}, v;
			for (int i = 0; i < n; i++) {
				memcpy(&v, src + (size_t)i * stride + 2 * x, sizeof v);
				/* two neighbours share a lane */
				sum += (v & 0xff) + (v >> 8);
			}
			sum *= (uint16_t)(scale / 65536);
			memcpy(dst + x, &sum, sizeof sum);
		}
	if (plain && step_x == 4)
		for (; x + LANES / 2 <= w; x += LANES / 2) {
			words sum = {0}, v;
			for (int i = 0; i < n; i++) {
				memcpy(&v, src + (size_t)i * stride + 4 * x, sizeof v);
				sum += (v & 0xff) + (v >> 8);
			}
			for (int i = 0; i < LANES / 2; i++)
				dst[x + i] = (uint16_t)(((uint32_t)(sum[2 * i] + sum[2 * i + 1]) * scale + 0x8000) >> 16);
		}
	reduce_8(src + (size_t)x * step_x, stride, weight, n, step_x, w - x, scale, dst + x);
}

CLONES void sw_reduce_8(const uint8_t *src, size_t stride, const uint32_t *weight, int n, int step_x, int step_y,
                        int w, int rows, uint32_t scale, uint16_t *dst) {
	for (int y = 0; y < rows; y++, src += step_y * stride, dst += w)
		reduce_row_8(src, stride, weight, n, step_x, w, scale, dst);
}

CLONES void sw_reduce_16(const uint16_t *src, size_t stride, const uint32_t *weight, int n, int step_x, int step_y,
                         int w, int rows, uint32_t scale, uint16_t *dst) {
	for (int y = 0; y < rows; y++, src += step_y * stride, dst += w)
		reduce_16(src, stride, weight, n, step_x, w, scale, dst);
}

// For each cell from column first on the mean over every so many rows, from its first, of the
// differences of two planes, or of their squares.
static inline __attribute__((always_inline)) void differences(const uint16_t *a, const uint16_t *b, size_t stride,
                                                              int w, int h, int cell_w, int cell_h, int first,
                                                              int cols, int rows, int every, int squared, float *out,
                                                              size_t out_stride) {
	enum { SPAN = 1024 };
	for (int cy = 0; cy < rows; cy++) {
		int y0 = cy * cell_h, n = h - y0 < cell_h ? h - y0 : cell_h;
		int taken = (n + every - 1) / every;
		int span = SPAN / cell_w * cell_w;
		for (int x0 = first * cell_w; x0 < cols * cell_w; x0 += span) {
			int m = w - x0 < span ? w - x0 : span;
			uint32_t sum[SPAN] = {0};
			for (int y = y0; y < y0 + n; y += every) {
				const uint16_t *restrict p = a + (size_t)y * stride + x0, *restrict q = b + (size_t)y * stride + x0;
				for (int x = 0; x < m; x++) {
					int32_t d = (int32_t)p[x] - (int32_t)q[x];
					sum[x] += (uint32_t)(squared ? d * d : absolute(d));
				}
			}
			for (int cx = x0 / cell_w, x = 0; cx < cols && x < span; cx++, x += cell_w) {
				int k = m - x < cell_w ? m - x : cell_w;
				uint32_t s = 0;
				for (int i = x; i < x + k; i++)
					s += sum[i];
				out[(size_t)cy * out_stride + cx] = k > 0 && n > 0 ? (float)s / (float)(k * taken) : 0;
			}
		}
	}
}

#if defined(__x86_64__)
// The same of whole cells of 4, 8 or 16 columns and 16 rows at most, up to column end of the
// planes, a multiple of 16. Samples are below 4096: sixteen differences fit a lane of 16 bits,
// and the squares of a cell 32.
AVX2 static inline __attribute__((always_inline)) void whole_cells(const uint16_t *a, const uint16_t *b, size_t stride,
                                                                   int h, int cell_w, int cell_h, int end, int rows,
                                                                   int every, int squared, float *out,
                                                                   size_t out_stride) {
	const __m256i low = _mm256_set1_epi32(0xffff);
	for (int cy = 0; cy < rows; cy++, out += out_stride) {
		int y0 = cy * cell_h, n = h - y0 < cell_h ? h - y0 : cell_h;
		float pixels = (float)(cell_w * ((n + every - 1) / every));
		for (int x = 0; x < end; x += 16) {
			__m256i sum = _mm256_setzero_si256();
			for (int y = y0; y < y0 + n; y += every) {
				size_t at = (size_t)y * stride + x;
				__m256i d = _mm256_sub_epi16(_mm256_loadu_si256((const __m256i *)(a + at)),
				                             _mm256_loadu_si256((const __m256i *)(b + at)));
				/* planes of other pictures have left the near caches */
				_mm_prefetch((const char *)(a + at) + AHEAD, _MM_HINT_T0);
				_mm_prefetch((const char *)(b + at) + AHEAD, _MM_HINT_T0);
				sum = squared ? _mm256_add_epi32(sum, _mm256_madd_epi16(d, d))
				              : _mm256_add_epi16(sum, _mm256_abs_epi16(d));
			}
			if (!squared) /* two lanes share 32 bits */
				sum = _mm256_add_epi32(_mm256_and_si256(sum, low), _mm256_srli_epi32(sum, 16));
			uint32_t two[8]; /* columns each */
			memcpy(two, &sum, sizeof two);
			for (int i = 0, cx = x / cell_w; i < 8; i += cell_w / 2, cx++) {
				uint32_t s = 0;
				for (int k = 0; k < cell_w / 2; k++)
					s += two[i + k];
				out[cx] = n > 0 ? (float)s / pixels : 0;
			}
		}
	}
}

#define WHOLE_CELLS(NAME, EVERY, SQUARED)                                                                    \
	AVX2 static int NAME(const uint16_t *a, const uint16_t *b, size_t stride, int w, int h, int cell_w,     \
	                     int cell_h, int cols, int rows, float *out, size_t out_stride) {                   \
		int end = (w < cols * cell_w ? w : cols * cell_w) / 16 * 16;                                        \
		if (cell_h > 16)                                                                                    \
			return 0;                                                                                       \
		if (cell_w == 4)                                                                                    \
			whole_cells(a, b, stride, h, 4, cell_h, end, rows, EVERY, SQUARED, out, out_stride);            \
		else if (cell_w == 8)                                                                               \
			whole_cells(a, b, stride, h, 8, cell_h, end, rows, EVERY, SQUARED, out, out_stride);            \
		else if (cell_w == 16)                                                                              \
			whole_cells(a, b, stride, h, 16, cell_h, end, rows, EVERY, SQUARED, out, out_stride);           \
		else                                                                                                \
			return 0;                                                                                       \
		return end / cell_w;                                                                                \
	}

WHOLE_CELLS(whole_differences, 1, 0)
WHOLE_CELLS(whole_squares, 2, 1)
#endif

CLONES static void plain_differences(const uint16_t *a, const uint16_t *b, int w, int h, int cell_w, int cell_h,
                                     int first, int cols, int rows, float *out) {
	differences(a, b, w, w, h, cell_w, cell_h, first, cols, rows, 1, 0, out, cols);
}

CLONES static void plain_squares(const uint16_t *a, const uint16_t *b, size_t stride, int w, int h, int cell_w,
                                 int cell_h, int first, int cols, int rows, float *out, size_t out_stride) {
	differences(a, b, stride, w, h, cell_w, cell_h, first, cols, rows, 2, 1, out, out_stride);
}

void sw_difference(const uint16_t *a, const uint16_t *b, int w, int h, int cell_w, int cell_h, int cols, int rows,
                   float *out) {
	int first = 0;
#if defined(__x86_64__)
	if (__builtin_cpu_supports("avx2"))
		first = whole_differences(a, b, w, w, h, cell_w, cell_h, cols, rows, out, cols);
#endif
	plain_differences(a, b, w, h, cell_w, cell_h, first, cols, rows, out);
}

void sw_squared_difference(const uint16_t *a, const uint16_t *b, size_t stride, int w, int h, int cell_w, int cell_h,
                           int cols, int rows, float *out, size_t out_stride) {
	int first = 0;
#if defined(__x86_64__)
	if (__builtin_cpu_supports("avx2"))
		first = whole_squares(a, b, stride, w, h, cell_w, cell_h, cols, rows, out, out_stride);
#endif
	plain_squares(a, b, stride, w, h, cell_w, cell_h, first, cols, rows, out, out_stride);
}
