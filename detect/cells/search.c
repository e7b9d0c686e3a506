//go:build !purego

#include <string.h>
#if defined(__x86_64__)
#include <immintrin.h>
#endif

#include "search.h"

#if defined(__x86_64__)
#define CLONES __attribute__((target_clones("avx2", "default")))
#else
#define CLONES
#endif

#define ORDER(p, q)                       \
	do {                                  \
		uint16_t lo = p < q ? p : q;      \
		q = p < q ? q : p;                \
		p = lo;                           \
	} while (0)

CLONES void sw_median6(const uint16_t *a, const uint16_t *b, const uint16_t *c, const uint16_t *d,
                       const uint16_t *e, const uint16_t *f, int w, int n, int rows, uint16_t *restrict dst) {
	for (int y = 0; y < rows; y++, a += w, b += w, c += w, d += w, e += w, f += w, dst += w)
		for (int i = 0; i < n; i++) {
			uint16_t p = a[i], q = b[i], r = c[i], s = d[i], t = e[i], u = f[i];
			/* the sorting network of Knuth, TAOCP 3, 5.3.4, for six inputs */
			ORDER(p, u); ORDER(q, s); ORDER(r, t);
			ORDER(q, r); ORDER(s, t);
			ORDER(p, s); ORDER(r, u);
			ORDER(p, q); ORDER(r, s); ORDER(t, u);
			ORDER(q, r); ORDER(s, t);
			dst[i] = (uint16_t)((r + s + 1) >> 1);
		}
}

CLONES void sw_steady(const uint16_t *a, const uint16_t *b, const uint16_t *c, const uint16_t *d,
                      const uint16_t *e, const uint16_t *f, const uint16_t *pix, const uint16_t *behind, int w, int n,
                      int rows, uint16_t threshold, uint16_t times, uint16_t most, uint16_t *restrict mask) {
	for (int y = 0; y < rows; y++, a += w, b += w, c += w, d += w, e += w, f += w, pix += w, behind += w, mask += w)
		for (int i = 0; i < n; i++) {
			uint16_t p = a[i], q = b[i], r = c[i], s = d[i], t = e[i], u = f[i];
			ORDER(p, u); ORDER(q, s); ORDER(r, t);
			ORDER(q, r); ORDER(s, t);
			ORDER(p, s); ORDER(r, u);
			ORDER(p, q); ORDER(t, u);
			ORDER(q, r); ORDER(s, t);
			uint16_t m = behind[i], v = pix[i];
			uint16_t above = t > m ? t - m : 0, below = m > q ? m - q : 0;
			uint16_t spread = above < below ? above : below;
			uint16_t off = v > m ? v - m : m - v;
			uint16_t limit = (uint16_t)(threshold + times * spread);
			/* 0 where both hold, so that the mask is cleared */
			uint16_t wide = spread > most ? 0xffff : 0, far = off > limit ? 0xffff : 0;
			mask[i] &= wide | far;
		}
}

CLONES void sw_stand_out(const uint16_t *a, const uint16_t *b, int w, int n, int rows, uint16_t threshold,
                         uint16_t *restrict mask) {
	for (int y = 0; y < rows; y++, a += w, b += w, mask += w)
		for (int i = 0; i < n; i++) {
			uint16_t d = a[i] > b[i] ? a[i] - b[i] : b[i] - a[i];
			mask[i] = d > threshold ? 0xffff : 0;
		}
}

CLONES void sw_count(const uint16_t *mask, int w, int h, int tile, uint32_t *restrict count) {
	for (int x0 = 0, i = 0; x0 < w; x0 += tile, i++) {
		int n = w - 1 - x0 < tile ? w - 1 - x0 : tile;
		uint32_t s = 0;
		for (int y = 0; y < h - 1; y++) {
			const uint16_t *m = mask + (size_t)y * w + x0, *q = m + w;
			uint16_t k = 0;
			for (int x = 0; x < n; x++)
				k += m[x] & m[x + 1] & q[x] & q[x + 1] & 1;
			s += k;
		}
		count[i] = s;
	}
}

CLONES void sw_stand_out_moved(const uint16_t *a, const uint16_t *b, int w, int h, uint16_t threshold,
                               uint16_t *restrict mask) {
	for (int y = 0; y < h; y++) {
		const uint16_t *up = b + (size_t)(y > 0 ? y - 1 : y) * w, *down = b + (size_t)(y + 1 < h ? y + 1 : y) * w;
		const uint16_t *p = a + (size_t)y * w, *q = b + (size_t)y * w;
		uint16_t *restrict m = mask + (size_t)y * w;
		if (w > 0)
			m[0] = m[w - 1] = 0;
		for (int x = 1; x < w - 1; x++) {
			int16_t d = (int16_t)(p[x] - q[x]), u = (int16_t)(q[x + 1] - q[x - 1]);
			int16_t v = (int16_t)(down[x] - up[x]);
			d = d < 0 ? -d : d;
			u = u < 0 ? -u : u;
			v = v < 0 ? -v : v;
			u = u > v ? u : v;
			m[x] = d > (int16_t)((u >> 1) + (int16_t)threshold) ? 0xffff : 0;
		}
	}
}

CLONES void sw_halve(const uint16_t *src, int w, int from, int to, uint16_t *restrict dst) {
	int hw = w / 2;
	for (int y = from; y < to; y++) {
		const uint16_t *p = src + (size_t)2 * y * w, *q = p + w;
		for (int x = 0; x < hw; x++)
			dst[(size_t)y * hw + x] =
			    (uint16_t)((p[2 * x] + p[2 * x + 1] + q[2 * x] + q[2 * x + 1] + 2) >> 2);
	}
}

CLONES void sw_halve_mask(const uint16_t *src, int w, int from, int to, uint16_t *restrict dst) {
	int hw = w / 2;
	for (int y = from; y < to; y++) {
		const uint16_t *p = src + (size_t)2 * y * w, *q = p + w;
		for (int x = 0; x < hw; x++)
			dst[(size_t)y * hw + x] = p[2 * x] | p[2 * x + 1] | q[2 * x] | q[2 * x + 1];
	}
}

CLONES void sw_squares(const uint16_t *mask, const uint16_t *a, const uint16_t *b, int w, int n, int rows, int most,
                       int threshold, uint8_t *restrict dst) {
	for (int y = 0; y < rows; y++, mask += 2 * w, a += 2 * w, b += 2 * w, dst += w / 2)
		for (int x = 0; x < n; x++) {
			int l = 2 * x, r = l + 1;
			int set = (mask[l] & 1) + (mask[r] & 1) + (mask[w + l] & 1) + (mask[w + r] & 1);
			int d = a[l] - b[l] + a[r] - b[r] + a[w + l] - b[w + l] + a[w + r] - b[w + r];
			dst[x] = (set >= most) & ((d < 0 ? -d : d) >= threshold);
		}
}

// Samples are below 4096, so that sixteen differences fit a lane.
typedef int16_t words __attribute__((vector_size(32)));
typedef uint32_t doubles __attribute__((vector_size(32)));
enum { LANES = sizeof(words) / sizeof(int16_t), DEEP = 16 };

/* vectors are passed by their address: by value would need AVX of the caller */
static inline void add_distance(words *sum, const words *a, const uint16_t *b, const words *mask) {
	words v;
	memcpy(&v, b, sizeof v);
	words d = *a - v, off;
	for (int i = 0; i < LANES; i++) /* one instruction where there is one */
		off[i] = d[i] < 0 ? -d[i] : d[i];
	*sum += off & *mask;
}

/* at a place and at those that a displacement to the left, right, above and below takes it to */
static inline void add_five(words *sum, const words *a, const uint16_t *b, int w, const words *mask) {
	add_distance(&sum[0], a, b, mask);
	add_distance(&sum[1], a, b + 1, mask);
	add_distance(&sum[2], a, b - 1, mask);
	add_distance(&sum[3], a, b + w, mask);
	add_distance(&sum[4], a, b - w, mask);
}

/* two lanes share 32 bits */
static inline void widen(doubles *sum, const words *v) {
	doubles p = (doubles)*v;
	*sum += (p & 0xffff) + (p >> 16);
}

static inline uint32_t total(const doubles *v) {
	doubles p = *v;
	return p[0] + p[1] + p[2] + p[3] + p[4] + p[5] + p[6] + p[7];
}

static inline uint64_t match(const uint16_t *cur, const uint16_t *prev, const uint16_t *mask, int w,
                             int h, int x0, int y0, int x1, int y1, int step, int dx, int dy,
                             uint64_t limit, uint32_t *count) {
	if (x0 - dx < 0) x0 = dx;
	while (y0 - dy < 0) y0 += step;
	if (x1 - dx > w) x1 = w + dx;
	if (y1 - dy > h) y1 = h + dy;
	uint64_t sum = 0;
	uint32_t n = 0;
	for (; y0 < y1 && x0 < x1 && sum <= limit; y0 += DEEP * step) {
		int end = y1 - y0 < DEEP * step ? y1 : y0 + DEEP * step;
		int x = x0;
		doubles wide = {0}, set = {0};
		words out = {0};
		for (; x + LANES <= x1; x += LANES) {
			words acc = {0}, a, m;
			for (int y = y0; y < end; y += step) {
				size_t at = (size_t)y * w + x;
				memcpy(&a, cur + at, sizeof a);
				memcpy(&m, mask + at, sizeof m);
				add_distance(&acc, &a, prev + (ptrdiff_t)(y - dy) * w + x - dx, &m);
				out -= m;
			}
			widen(&wide, &acc);
		}
		widen(&set, &out);
		sum += total(&wide);
		n += total(&set);
		for (int y = y0; y < end && x < x1; y += step)
			for (int i = x; i < x1; i++) {
				size_t at = (size_t)y * w + i;
				int d = (int)cur[at] - (int)prev[(ptrdiff_t)(y - dy) * w + i - dx];
				sum += (uint32_t)(d < 0 ? -d : d) & mask[at];
				n += mask[at] & 1;
			}
	}
	*count = n;
	return sum;
}

CLONES uint64_t sw_match(const uint16_t *cur, const uint16_t *prev, const uint16_t *mask, int w, int h,
                         int x0, int y0, int x1, int y1, int step, int dx, int dy, uint64_t limit,
                         uint32_t *count) {
	return match(cur, prev, mask, w, h, x0, y0, x1, y1, step, dx, dy, limit, count);
}

CLONES void sw_around(const uint16_t *cur, const uint16_t *prev, const uint16_t *mask, int w, int h,
                      int x0, int y0, int x1, int y1, int step, int dx, int dy, uint64_t *sum, uint32_t *count) {
	static const int8_t sides[5][2] = {{0, 0}, {-1, 0}, {1, 0}, {0, -1}, {0, 1}};
	if (x0 - dx < 1 || y0 - dy < 1 || x1 - dx > w - 1 || y1 - dy > h - 1 || (x1 - x0) % LANES != 0) {
		for (int i = 0; i < 5; i++)
			sum[i] = match(cur, prev, mask, w, h, x0, y0, x1, y1, step, dx + sides[i][0], dy + sides[i][1],
			               UINT64_MAX, &count[i]);
		return;
	}
	/* one pass for all five */
	doubles wide[5] = {{0}};
	uint32_t n = 0;
	for (; y0 < y1; y0 += DEEP * step) {
		int end = y1 - y0 < DEEP * step ? y1 : y0 + DEEP * step;
		words out = {0};
		for (int x = x0; x < x1; x += LANES) {
			words acc[5] = {{0}}, a, m;
			for (int y = y0; y < end; y += step) {
				size_t at = (size_t)y * w + x;
				const uint16_t *p = prev + (ptrdiff_t)(y - dy) * w + x - dx;
				memcpy(&a, cur + at, sizeof a);
				memcpy(&m, mask + at, sizeof m);
				add_five(acc, &a, p, w, &m);
				out -= m;
			}
			for (int i = 0; i < 5; i++)
				widen(&wide[i], &acc[i]);
		}
		doubles set = {0};
		widen(&set, &out);
		n += total(&set);
	}
	for (int i = 0; i < 5; i++) {
		sum[i] = total(&wide[i]);
		count[i] = n;
	}
}

// Lists, as offsets, the runs of LANES samples of every step-th row of a
// rectangle in which any is set.
static inline uint32_t list_runs(const uint16_t *mask, int w, int x0, int y0, int x1, int y1, int step,
                                 uint32_t *list) {
	uint32_t n = 0;
	for (int y = y0; y < y1; y += step)
		for (int x = x0; x < x1; x += LANES) {
			size_t at = (size_t)y * w + x;
			uint64_t v[LANES / 4];
			memcpy(v, mask + at, sizeof v);
			list[n] = (uint32_t)at;
			n += (v[0] | v[1] | v[2] | v[3]) != 0;
		}
	return n;
}

// The sum of match over listed runs, with the previous plane read shift samples
// on; it may stop once it is above limit.
static inline uint64_t match_runs(const uint16_t *cur, const uint16_t *prev, const uint16_t *mask,
                                  const uint32_t *list, uint32_t n, ptrdiff_t shift, uint64_t limit) {
	uint64_t sum = 0;
	for (uint32_t i = 0; i < n && sum <= limit;) {
		words acc = {0}, a, m;
		doubles wide = {0};
		for (uint32_t end = n - i < DEEP ? n : i + DEEP; i < end; i++) {
			memcpy(&a, cur + list[i], sizeof a);
			memcpy(&m, mask + list[i], sizeof m);
			add_distance(&acc, &a, prev + (ptrdiff_t)list[i] + shift, &m);
		}
		widen(&wide, &acc);
		sum += total(&wide);
	}
	return sum;
}

CLONES uint32_t sw_blocks(const uint16_t *mask, int w, int x0, int y0, int x1, int y1, uint32_t *list,
                          uint32_t *count) {
	uint32_t blocks = list_runs(mask, w, x0, y0, x1, y1, 1, list);
	words out = {0}, m; /* a lane counts the runs at most, which are fewer than 2^15 */
	doubles set = {0};
	for (uint32_t i = 0; i < blocks; i++) {
		memcpy(&m, mask + list[i], sizeof m);
		out -= m;
	}
	widen(&set, &out);
	*count = total(&set);
	return blocks;
}

CLONES uint64_t sw_match_blocks(const uint16_t *cur, const uint16_t *prev, const uint16_t *mask,
                                const uint32_t *list, uint32_t blocks, ptrdiff_t shift) {
	return match_runs(cur, prev, mask, list, blocks, shift, UINT64_MAX);
}

CLONES void sw_around_blocks(const uint16_t *cur, const uint16_t *prev, const uint16_t *mask, int w,
                             const uint32_t *list, uint32_t blocks, ptrdiff_t shift, uint64_t *sum) {
	doubles wide[5] = {{0}};
	for (uint32_t i = 0; i < blocks;) {
		words acc[5] = {{0}}, a, m;
		for (uint32_t end = blocks - i < DEEP ? blocks : i + DEEP; i < end; i++) {
			memcpy(&a, cur + list[i], sizeof a);
			memcpy(&m, mask + list[i], sizeof m);
			add_five(acc, &a, prev + (ptrdiff_t)list[i] + shift, w, &m);
		}
		for (int k = 0; k < 5; k++)
			widen(&wide[k], &acc[k]);
	}
	for (int k = 0; k < 5; k++)
		sum[k] = total(&wide[k]);
}

// Up to so many runs are listed for a search: those of an area of 128x128.
enum { LISTED = 1024 };

CLONES void sw_search(const uint16_t *cur, const uint16_t *prev, const uint16_t *mask, int w, int h,
                      int x0, int y0, int x1, int y1, int step, int cx, int cy, int rx, int ry,
                      int stride, sw_found *found) {
	uint32_t all, n, list[LISTED], runs = 0;
	uint64_t zero = match(cur, prev, mask, w, h, x0, y0, x1, y1, step, 0, 0, UINT64_MAX, &all);
	found->dx = found->dy = 0;
	found->still = found->residual = all ? (float)zero / (float)all : 0;
	/* where no displacement leaves the plane, only what the mask has is read */
	if (x0 - cx - rx >= 0 && y0 - cy - ry >= 0 && x1 - cx + rx <= w && y1 - cy + ry <= h &&
	    (x1 - x0) % LANES == 0 && (x1 - x0) / LANES * ((y1 - y0 + step - 1) / step) <= LISTED)
		runs = list_runs(mask, w, x0, y0, x1, y1, step, list);
	float best = -1;
	for (int dy = cy - ry; dy <= cy + ry; dy += stride)
		for (int dx = cx - rx; dx <= cx + rx; dx += stride) {
			/* all samples at the best mean so far: more cannot win */
			uint64_t limit = best < 0 ? UINT64_MAX : (uint64_t)(best * (float)all) + 1, s;
			if (runs) {
				n = all;
				s = match_runs(cur, prev, mask, list, runs, -(ptrdiff_t)dy * w - dx, limit);
			} else {
				s = match(cur, prev, mask, w, h, x0, y0, x1, y1, step, dx, dy, limit, &n);
			}
			/* a displacement that leaves the picture explains nothing */
			if (s > limit || n * 4 < all * 3 || n == 0)
				continue;
			float r = (float)s / (float)n;
			if (best < 0 || r < best) {
				best = r;
				found->dx = dx;
				found->dy = dy;
				found->residual = r;
			}
		}
}

// Packs the runs of LANES samples of a in which any is not zero, and where each
// lies in a plane of bw columns; w is at least LANES. The last of a row begins
// within the one before, whose samples are nothing there.
static uint32_t pack(const int16_t *a, int w, int h, int bw, int16_t *packed, uint32_t *at) {
	uint32_t n = 0;
	for (int y = 0; y < h; y++)
		for (int x = 0; x < w; x += LANES) {
			int begin = x + LANES <= w ? x : w - LANES;
			int16_t *p = packed + (size_t)n * LANES;
			memcpy(p, a + (size_t)y * w + begin, LANES * sizeof *p);
			for (int i = 0; i < x - begin; i++)
				p[i] = 0;
			uint64_t v[LANES / 4];
			memcpy(v, p, sizeof v);
			at[n] = (uint32_t)(y * bw + begin);
			n += (v[0] | v[1] | v[2] | v[3]) != 0;
		}
	return n;
}

// So many runs at a time, with what they are multiplied with, stay in the
// first-level cache for all places. Products of neighbours, added, are below
// 2^21: a thousand runs would fit 32 bits.
enum { CHUNK = 128 };

static inline int64_t lanes_total(const int32_t *s) {
	return (int64_t)s[0] + s[1] + s[2] + s[3] + s[4] + s[5] + s[6] + s[7];
}

#if defined(__x86_64__)
__attribute__((target("avx2"))) static int64_t products_avx2(const int16_t *packed, const uint32_t *at, uint32_t n,
                                                             const int16_t *b) {
	__m256i acc = _mm256_setzero_si256();
	for (uint32_t i = 0; i < n; i++) {
		__m256i u = _mm256_loadu_si256((const __m256i *)(packed + (size_t)i * LANES));
		__m256i v = _mm256_loadu_si256((const __m256i *)(b + at[i]));
		acc = _mm256_add_epi32(acc, _mm256_madd_epi16(u, v));
	}
	int32_t s[8];
	memcpy(s, &acc, sizeof s);
	return lanes_total(s);
}
#endif

static int64_t products_portable(const int16_t *packed, const uint32_t *at, uint32_t n, const int16_t *b) {
	int32_t acc[LANES / 2] = {0};
	for (uint32_t i = 0; i < n; i++) {
		const int16_t *u = packed + (size_t)i * LANES, *v = b + at[i];
		for (int k = 0; k < LANES / 2; k++)
			acc[k] += u[2 * k] * v[2 * k] + u[2 * k + 1] * v[2 * k + 1];
	}
	return lanes_total(acc);
}

typedef int64_t products_of(const int16_t *, const uint32_t *, uint32_t, const int16_t *);

static void cross(products_of *products, const int16_t *a, int w, int h, const int16_t *b, int bw, const int32_t *x,
                  const int32_t *y, int n, int16_t *packed, uint32_t *at, int64_t *out) {
	if (w < LANES) {
		for (int i = 0; i < n; i++) {
			int64_t sum = 0;
			for (int v = 0; v < h; v++)
				for (int u = 0; u < w; u++)
					sum += a[(size_t)v * w + u] * b[(size_t)(v + y[i]) * bw + u + x[i]];
			out[i] = sum;
		}
		return;
	}
	uint32_t runs = pack(a, w, h, bw, packed, at);
	memset(out, 0, n * sizeof *out);
	for (uint32_t from = 0; from < runs; from += CHUNK) {
		uint32_t m = runs - from < CHUNK ? runs - from : CHUNK;
		for (int i = 0; i < n; i++)
			out[i] += products(packed + (size_t)from * LANES, at + from, m, b + (ptrdiff_t)y[i] * bw + x[i]);
	}
}

void sw_cross(const int16_t *a, int w, int h, const int16_t *b, int bw, const int32_t *x, const int32_t *y, int n,
              int16_t *packed, uint32_t *at, int64_t *out) {
	products_of *products = products_portable;
#if defined(__x86_64__)
	if (__builtin_cpu_supports("avx2"))
		products = products_avx2;
#endif
	cross(products, a, w, h, b, bw, x, y, n, packed, at, out);
}

void sw_cross_portable(const int16_t *a, int w, int h, const int16_t *b, int bw, const int32_t *x, const int32_t *y,
                       int n, int16_t *packed, uint32_t *at, int64_t *out) {
	cross(products_portable, a, w, h, b, bw, x, y, n, packed, at, out);
}

CLONES uint32_t sw_set(const uint16_t *mask, int w, int x0, int y0, int x1, int y1) {
	uint32_t n = 0;
	for (int y = y0; y < y1; y++)
		for (int x = x0; x < x1; x++)
			n += mask[(size_t)y * w + x] & 1;
	return n;
}

// Prewitt's difference along one axis over three lines across it.
static inline int16_t prewitt(const int16_t *v, ptrdiff_t step, ptrdiff_t across) {
	const int16_t *a = v + step, *b = v - step;
	return (int16_t)(a[0] + a[-across] + a[across] - b[0] - b[-across] - b[across]);
}

// An eighth of a gradient, clipped to what the sums of products have room for.
static inline int16_t eighth(int16_t d) {
	d = d / 8;
	d = d > 1023 ? 1023 : d;
	return d < -1023 ? -1023 : d;
}

// Adds the squares and the fourth powers of a row, of 1024 columns at most.
static inline void powers(const int16_t *o, int from, int to, uint64_t *sum, uint64_t *fourth) {
	uint32_t line = 0;
	uint64_t fourths = 0;
	for (int x = from; x < to; x++) {
		uint32_t e = (uint32_t)(o[x] * o[x]);
		line += e;
		fourths += (uint64_t)e * e;
	}
	*sum += line;
	*fourth += fourths;
}

static inline void gradient_rows(const int16_t *pix, int w, const int16_t *above, int ww, int wh, int rows,
                                 int whole, int16_t *restrict out, uint64_t *sum, uint64_t *fourth) {
	ptrdiff_t step = rows ? ww : 1, across = rows ? 1 : ww, pix_step = rows ? w : 1, pix_across = rows ? 1 : w;
	*sum = *fourth = 0;
	for (int y = 1; y < wh - 1; y++) {
		const int16_t *v = above + (size_t)y * ww, *p = pix + (size_t)y * w;
		int16_t *restrict o = out + (size_t)y * ww;
		for (int x = 1; x < ww - 1; x++) {
			int16_t d = prewitt(v + x, step, across);
			if (!whole) {
				/* only what both have, of one sign */
				int16_t f = prewitt(p + x, pix_step, pix_across);
				int16_t lo = d < f ? d : f, hi = d < f ? f : d;
				d = (int16_t)((lo > 0 ? lo : 0) + (hi < 0 ? hi : 0));
			}
			o[x] = eighth(d);
		}
		powers(o, 1, ww - 1, sum, fourth);
	}
}

CLONES void sw_gradient(const uint16_t *pix, const uint16_t *back, const uint16_t *mask, int w, int ww, int wh,
                        int rows, int16_t *restrict above, int16_t *restrict out, uint64_t *sum,
                        uint64_t *fourth) {
	memset(out, 0, (size_t)ww * wh * sizeof *out);
	for (int y = 0; y < wh; y++) {
		size_t from = (size_t)y * w;
		int16_t *restrict v = above + (size_t)y * ww;
		if (!back) {
			memcpy(v, pix + from, ww * sizeof *v);
			continue;
		}
		for (int x = 0; x < ww; x++)
			v[x] = (int16_t)((pix[from + x] - back[from + x]) & mask[from + x]);
	}
	if (back)
		gradient_rows((const int16_t *)pix, w, above, ww, wh, rows, 0, out, sum, fourth);
	else
		gradient_rows((const int16_t *)pix, w, above, ww, wh, rows, 1, out, sum, fourth);
}

// Runs of columns of a row of sums over 2*half+1 columns, of a row with half
// zeros on either side, divided by all that were summed.
static inline void box_row(const int32_t *restrict columns, int w, int half, float share, int16_t *restrict out) {
	enum { SPAN = 256 };
	for (int x0 = 0; x0 < w; x0 += SPAN) {
		int m = w - x0 < SPAN ? w - x0 : SPAN;
		int32_t sum[SPAN] = {0};
		for (int k = 0; k <= 2 * half; k++)
			for (int x = 0; x < m; x++)
				sum[x] += columns[x0 + x + k];
		/* a quotient is no nearer to a whole number than a float tells */
		for (int x = 0; x < m; x++)
			out[x0 + x] = (int16_t)((float)sum[x] / share);
	}
}

CLONES void sw_outline(const uint16_t *pix, const uint16_t *back, const uint16_t *mask, int w, int ww, int wh, int n,
                       int rows, int x0, int y0, int x1, int y1, int16_t *restrict above, int16_t *restrict smooth,
                       int32_t *restrict columns, int16_t *restrict out, uint64_t *sum, uint64_t *fourth) {
	int half = n / 2, pw = x1 - x0;
	for (int y = 0; y < wh; y++)
		for (int x = 0; x < ww; x++) {
			size_t i = (size_t)y * w + x;
			above[(size_t)y * ww + x] = (int16_t)((pix[i] - back[i]) & mask[i]);
		}
	memset(columns, 0, (size_t)(ww + 2 * half) * sizeof *columns);
	int32_t *restrict c = columns + half;
	for (int y = -half; y < wh; y++) {
		const int16_t *in = above + (ptrdiff_t)(y + half) * ww, *gone = above + (ptrdiff_t)(y - half - 1) * ww;
		if (y + half < wh)
			for (int x = 0; x < ww; x++)
				c[x] += in[x];
		if (y - half - 1 >= 0)
			for (int x = 0; x < ww; x++)
				c[x] -= gone[x];
		if (y >= 0)
			box_row(columns, ww, half, (float)(n * n), smooth + (size_t)y * ww);
	}
	memset(out, 0, (size_t)pw * (y1 - y0) * sizeof *out);
	ptrdiff_t step = rows ? ww : 1, across = rows ? 1 : ww;
	*sum = *fourth = 0;
	int from = x0 > 1 ? x0 : 1, to = x1 < ww - 1 ? x1 : ww - 1;
	for (int y = y0 > 1 ? y0 : 1; y < y1 && y < wh - 1; y++) {
		int16_t *restrict o = out + (ptrdiff_t)(y - y0) * pw - x0;
		const int16_t *v = smooth + (size_t)y * ww;
		for (int x = from; x < to; x++) {
			o[x] = eighth(prewitt(v + x, step, across));
		}
		powers(o, from, to, sum, fourth);
	}
}

CLONES int64_t sw_dot(const int16_t *a, int aw, const int16_t *b, int bw, int w, int h) {
	int64_t sum = 0;
	for (int y = 0; y < h; y++, a += aw, b += bw) {
		int32_t s = 0;
		for (int x = 0; x < w; x++)
			s += (int32_t)a[x] * b[x];
		sum += s;
	}
	return sum;
}

// Squares of 24 bits over a piece of a run fit sums of 32.
enum { PIECE = 64 };

CLONES uint64_t sw_apart(const uint16_t *a, const uint16_t *b, int w, int n, int rows) {
	uint64_t sum = 0;
	for (int y = 0; y < rows; y++, a += w, b += w)
		for (int x = 0; x < n; x += PIECE) {
			int m = n - x < PIECE ? n - x : PIECE;
			int32_t part = 0;
			for (int i = x; i < x + m; i++) {
				int32_t d = a[i] - b[i];
				part += d * d;
			}
			sum += (uint32_t)part;
		}
	return sum;
}

static inline int32_t size_of(int32_t v) { return v < 0 ? -v : v; }

static inline void piece_between(const uint16_t *a, const uint16_t *b, const uint16_t *c, int n, int32_t far,
                                 sw_between *out) {
	int32_t before = 0, after = 0, both = 0, changed = 0, brighter = 0, half = 0, third = 0, quarter = 0;
	for (int i = 0; i < n; i++) {
		int32_t d = b[i] - a[i], e = c[i] - b[i];
		before += d * d;
		after += e * e;
		both += d * e;
		int32_t way = size_of(d + e), off = 10 * size_of(d - e);
		int32_t moved = way > far, near_half = moved & (off < 2 * way), near_third = moved & (off < 5 * way);
		changed += moved;
		brighter += moved & (d + e > 0);
		half += near_half;
		third += near_third;
		quarter += moved & (off < 8 * way);
	}
	out->before += before, out->after += after, out->both += both;
	out->changed += changed, out->brighter += brighter;
	out->half += half, out->third += third - half, out->quarter += quarter - third;
}

static inline int32_t piece_detail(const uint16_t *b, int n) {
	int32_t sum = 0;
	for (int i = 0; i < n; i++) {
		int32_t rise = b[i] - b[i - 1];
		sum += rise * rise;
	}
	return sum;
}

static inline __attribute__((always_inline)) void scalar_between(const uint16_t *a, const uint16_t *b,
                                                                 const uint16_t *c, int n, int first, int32_t far,
                                                                 sw_between *out) {
	for (int x = 0; x < n; x += PIECE) {
		int m = n - x < PIECE ? n - x : PIECE;
		piece_between(a + x, b + x, c + x, m, far, out);
		int own = first && x == 0; /* has none of the run before it */
		out->detail += piece_detail(b + x + own, m - own);
	}
}

CLONES void sw_lies_between_portable(const uint16_t *a, const uint16_t *b, const uint16_t *c, int w, int y0, int y1,
                                     int step, const sw_run *runs, int n, int32_t far, sw_between *out) {
	for (int y = y0; y < y1; y += step) {
		const uint16_t *p = a + (size_t)y * w, *q = b + (size_t)y * w, *r = c + (size_t)y * w;
		for (int k = 0; k < n; k++) {
			int from = runs[k].from, to = runs[k].to;
			if (from >= to)
				continue;
			int32_t rise = q[from] - q[runs[k].beside];
			out->detail += rise * rise;
			scalar_between(p + from, q + from, r + from, to - from, 1, far, out);
		}
	}
}

#if defined(__x86_64__)
#define AVX2 __attribute__((target("avx2")))

typedef struct {
	__m256i before, after, both, detail;              /* of 32 bits */
	__m256i changed, brighter, half, third, quarter; /* counts of 16 bits, negative */
} between_lanes;

/* Two squares of up to 2^24 go to a lane at a time. */
enum { UNGATHERED = 32 };

AVX2 static inline int64_t of_doubles(__m256i v) {
	int32_t s[8];
	memcpy(s, &v, sizeof s);
	return lanes_total(s);
}

AVX2 static inline int64_t of_counts(__m256i v) { return -of_doubles(_mm256_madd_epi16(v, _mm256_set1_epi16(1))); }

AVX2 static void gather(between_lanes *s, sw_between *out) {
	out->before += of_doubles(s->before);
	out->after += of_doubles(s->after);
	out->both += of_doubles(s->both);
	out->detail += of_doubles(s->detail);
	int64_t half = of_counts(s->half), third = of_counts(s->third);
	out->changed += of_counts(s->changed);
	out->brighter += of_counts(s->brighter);
	out->half += half, out->third += third - half, out->quarter += of_counts(s->quarter) - third;
	memset(s, 0, sizeof *s);
}

/* Sixteen samples of three planes, and those of b one sample before. Nothing comes of zeros.
   Both sides of a comparison are halved, and of 5*off only what may be the less is kept, so
   that they fit 16 bits. */
AVX2 static inline __attribute__((always_inline)) void lanes_between(between_lanes *s, __m256i a, __m256i b, __m256i c,
                                                                     __m256i left, __m256i far) {
	__m256i d = _mm256_sub_epi16(b, a), e = _mm256_sub_epi16(c, b), rise = _mm256_sub_epi16(b, left);
	s->before = _mm256_add_epi32(s->before, _mm256_madd_epi16(d, d));
	s->after = _mm256_add_epi32(s->after, _mm256_madd_epi16(e, e));
	s->both = _mm256_add_epi32(s->both, _mm256_madd_epi16(d, e));
	s->detail = _mm256_add_epi32(s->detail, _mm256_madd_epi16(rise, rise));
	__m256i sum = _mm256_add_epi16(d, e), way = _mm256_abs_epi16(sum), off = _mm256_abs_epi16(_mm256_sub_epi16(d, e));
	__m256i five = _mm256_mullo_epi16(_mm256_min_epi16(off, _mm256_set1_epi16(6553)), _mm256_set1_epi16(5));
	__m256i moved = _mm256_cmpgt_epi16(way, far);
#define COUNT(of, mask) s->of = _mm256_add_epi16(s->of, _mm256_and_si256(moved, mask))
	s->changed = _mm256_add_epi16(s->changed, moved);
	COUNT(brighter, _mm256_cmpgt_epi16(sum, _mm256_setzero_si256()));
	COUNT(half, _mm256_cmpgt_epi16(way, five));
	COUNT(third, _mm256_cmpgt_epi16(way, _mm256_add_epi16(off, off)));
	COUNT(quarter, _mm256_cmpgt_epi16(_mm256_slli_epi16(way, 2), five));
#undef COUNT
}

AVX2 static void lies_between_avx2(const uint16_t *a, const uint16_t *b, const uint16_t *c, int w, int y0, int y1,
                                   int step, const sw_run *runs, int n, int32_t far, sw_between *out) {
	between_lanes s;
	memset(&s, 0, sizeof s);
	__m256i least = _mm256_set1_epi16((int16_t)(far < INT16_MAX ? far : INT16_MAX));
	int room = UNGATHERED;
	for (int y = y0; y < y1; y += step)
		for (int k = 0; k < n; k++) {
			size_t at = (size_t)y * w;
			int x = runs[k].from, to = runs[k].to, first = 1;
			if (x >= to)
				continue;
			int beside = b[at + runs[k].beside];
			for (; x + 16 <= to; x += 16, first = 0) {
				__m256i v = _mm256_loadu_si256((const __m256i *)(b + at + x)), left;
				if (first) /* v, a sample on, with the one beside */
					left = _mm256_insert_epi16(_mm256_alignr_epi8(v, _mm256_permute2x128_si256(v, v, 0x08), 14), beside, 0);
				else
					left = _mm256_loadu_si256((const __m256i *)(b + at + x - 1));
				lanes_between(&s, _mm256_loadu_si256((const __m256i *)(a + at + x)), v,
				              _mm256_loadu_si256((const __m256i *)(c + at + x)), left, least);
				if (--room == 0)
					gather(&s, out), room = UNGATHERED;
			}
			if (x + 8 <= to) {
				__m128i v = _mm_loadu_si128((const __m128i *)(b + at + x)), left;
				if (first)
					left = _mm_insert_epi16(_mm_slli_si128(v, 2), beside, 0);
				else
					left = _mm_loadu_si128((const __m128i *)(b + at + x - 1));
				lanes_between(&s, _mm256_zextsi128_si256(_mm_loadu_si128((const __m128i *)(a + at + x))),
				              _mm256_zextsi128_si256(v),
				              _mm256_zextsi128_si256(_mm_loadu_si128((const __m128i *)(c + at + x))),
				              _mm256_zextsi128_si256(left), least);
				if (--room == 0)
					gather(&s, out), room = UNGATHERED;
				x += 8, first = 0;
			}
			if (x < to) {
				int32_t rise = first ? b[at + x] - beside : 0;
				out->detail += rise * rise;
				scalar_between(a + at + x, b + at + x, c + at + x, to - x, first, far, out);
			}
		}
	gather(&s, out);
}
#endif

void sw_lies_between(const uint16_t *a, const uint16_t *b, const uint16_t *c, int w, int y0, int y1, int step,
                     const sw_run *runs, int n, int32_t far, sw_between *out) {
#if defined(__x86_64__)
	if (__builtin_cpu_supports("avx2")) {
		lies_between_avx2(a, b, c, w, y0, y1, step, runs, n, far, out);
		return;
	}
#endif
	sw_lies_between_portable(a, b, c, w, y0, y1, step, runs, n, far, out);
}
