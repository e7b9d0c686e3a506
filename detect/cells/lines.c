//go:build !purego

#include <string.h>

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

// The first jump from x on that is no smaller than lowest, or up to 15 before it; end where
// there is none.
static inline int next_jump(const int32_t *jumps, int x, int end, int32_t lowest) {
	enum { SPAN = 16 };
	for (; x + SPAN <= end; x += SPAN) {
		int any = 0;
		for (int i = 0; i < SPAN; i++)
			any |= absolute(jumps[x + i]) >= lowest;
		if (any)
			return x;
	}
	while (x < end && absolute(jumps[x]) < lowest)
		x++;
	return x;
}

CLONES int sw_peaks(const int32_t *v, int n, int half, const int32_t *least, int32_t lowest, int longest, int32_t *sums,
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
		if (start < 0)
			x = next_jump(jumps, x, n + 1 - half, lowest);
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

// So many displacements at a time, whose sums stay in registers.
enum { DISPLACEMENTS = 32 };

static inline int32_t distance(int32_t a, int32_t b) { return a < b ? b - a : a - b; }

typedef int16_t eight __attribute__((vector_size(16)));
typedef int32_t wide_eight __attribute__((vector_size(32)));
enum { EIGHTS = DISPLACEMENTS / 8 };

/* adds the distances of a sample to as many from others on as there are displacements */
static inline __attribute__((always_inline)) void add_distances(wide_eight *sum, int16_t sample, const int16_t *others) {
	for (int i = 0; i < EIGHTS; i++) {
		eight v;
		memcpy(&v, others + 8 * i, sizeof v);
		wide_eight d = __builtin_convertvector(v, wide_eight) - sample, sign = d >> 31;
		sum[i] += (d ^ sign) - sign;
	}
}

static inline __attribute__((always_inline)) void costs_of(const int16_t *even, const int16_t *odd, const int32_t *at,
                                                           int n, ptrdiff_t first, int32_t *restrict costs) {
	wide_eight forth[EIGHTS] = {{0}}, back[EIGHTS] = {{0}};
	for (int i = 0; i < n; i += 2)
		add_distances(forth, even[at[i]], odd + at[i] + first);
	for (int i = 1; i < n; i += 2) /* the last displacement first */
		add_distances(back, odd[at[i]], even + at[i] - first - (DISPLACEMENTS - 1));
	for (int k = 0; k < DISPLACEMENTS; k++) {
		int r = DISPLACEMENTS - 1 - k;
		int32_t f = forth[k / 8][k % 8], b = back[r / 8][r % 8];
		costs[k] = f > b ? f : b;
	}
}

static inline __attribute__((always_inline)) void costs_within(const int16_t *even, const int16_t *odd, const int32_t *at, const int32_t *reach,
                                int n, ptrdiff_t base, int from, int count, int32_t *restrict costs) {
	int32_t forth[DISPLACEMENTS] = {0}, back[DISPLACEMENTS] = {0}, outside[DISPLACEMENTS] = {0};
	for (int i = 0; i < n; i++) {
		const int16_t *own = i & 1 ? odd : even, *other = i & 1 ? even : odd;
		int32_t here = own[at[i]], still = distance(here, other[at[i]]), *restrict sum = i & 1 ? back : forth;
		ptrdiff_t to = at[i] + (i & 1 ? -base : base);
		/* displacements are from + k; those of back are turned round */
		int lo = reach ? -reach[i] - from : 0, hi = reach ? reach[i] - from + 1 : count;
		if (i & 1) {
			int swap = count - hi;
			hi = count - lo, lo = swap;
			to -= from + count - 1;
		} else {
			to += from;
		}
		lo = lo < 0 ? 0 : lo > count ? count : lo;
		hi = hi < lo ? lo : hi > count ? count : hi;
		const int16_t *there = other + to;
		for (int k = 0; k < lo; k++)
			sum[k] += still;
		for (int k = lo; k < hi; k++)
			sum[k] += distance(here, there[k]);
		for (int k = hi; k < count; k++)
			sum[k] += still;
		int turned = i & 1 ? count - hi : lo, end = i & 1 ? count - lo : hi;
		for (int k = 0; k < turned; k++)
			outside[k]++;
		for (int k = end; k < count; k++)
			outside[k]++;
	}
	for (int k = 0; k < count; k++) {
		int32_t b = back[count - 1 - k];
		costs[k] = 2 * outside[k] > n ? INT32_MAX : forth[k] > b ? forth[k] : b;
	}
}

CLONES void sw_costs(const int16_t *even, const int16_t *odd, const int32_t *at, const int32_t *reach, int n,
                     ptrdiff_t base, int from, int count, int32_t *restrict costs) {
	if (!reach && count >= DISPLACEMENTS) {
		for (int k = 0; k < count; k += DISPLACEMENTS) {
			/* the last of them begin among those before */
			int first = k + DISPLACEMENTS <= count ? k : count - DISPLACEMENTS;
			costs_of(even, odd, at, n, base + from + first, costs + first);
		}
		return;
	}
	for (int k = 0; k < count; k += DISPLACEMENTS) {
		int piece = count - k < DISPLACEMENTS ? count - k : DISPLACEMENTS;
		costs_within(even, odd, at, reach, n, base, from + k, piece, costs + k);
	}
}

typedef int16_t four __attribute__((vector_size(8)));
typedef int32_t wide_four __attribute__((vector_size(16)));
typedef double quad __attribute__((vector_size(32))); /* has whole numbers of 53 bits */
enum { QUADS = 4 };

static inline __attribute__((always_inline)) void products_of(const int16_t *even, const int16_t *odd,
                                                              const int32_t *at, int n, ptrdiff_t first, int quads,
                                                              double *products, double *means, double *differences) {
	quad across[QUADS] = {{0}}, level[QUADS] = {{0}}, apart[QUADS] = {{0}};
	for (int i = 0; i < n; i++) {
		int32_t e = even[at[i]], o = odd[at[i]];
		const int16_t *p = even + at[i] + first, *q = odd + at[i] + first;
		for (int k = 0; k < quads; k++) {
			four u, v;
			memcpy(&u, p + 4 * k, sizeof u);
			memcpy(&v, q + 4 * k, sizeof v);
			wide_four s = __builtin_convertvector(u, wide_four), t = __builtin_convertvector(v, wide_four);
			quad b = __builtin_convertvector(s + t - (e + o), quad), d = __builtin_convertvector(s - t + (e - o), quad);
			across[k] += b * d;
			level[k] += b * b;
			apart[k] += d * d;
		}
	}
	memcpy(products, across, quads * sizeof(quad));
	memcpy(means, level, quads * sizeof(quad));
	memcpy(differences, apart, quads * sizeof(quad));
}

CLONES void sw_products(const int16_t *even, const int16_t *odd, const int32_t *at, int n, ptrdiff_t first, int count,
                        double *restrict products, double *restrict means, double *restrict differences) {
	int k = 0;
	for (; k + 4 * QUADS <= count; k += 4 * QUADS)
		products_of(even, odd, at, n, first + k, QUADS, products + k, means + k, differences + k);
	for (; k + 4 <= count; k += 4)
		products_of(even, odd, at, n, first + k, 1, products + k, means + k, differences + k);
	for (; k < count; k++) {
		double across = 0, level = 0, apart = 0;
		for (int i = 0; i < n; i++) {
			int32_t e = even[at[i]], o = odd[at[i]], s = even[at[i] + first + k], t = odd[at[i] + first + k];
			double b = s + t - (e + o), d = s - t + (e - o);
			across += b * d;
			level += b * b;
			apart += d * d;
		}
		products[k] = across, means[k] = level, differences[k] = apart;
	}
}
