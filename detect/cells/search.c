//go:build !purego

#include <string.h>

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
                       const uint16_t *e, const uint16_t *f, int n, uint16_t *restrict dst) {
	for (int i = 0; i < n; i++) {
		uint16_t u = a[i], v = b[i], w = c[i], x = d[i], y = e[i], z = f[i];
		/* the sorting network of Knuth, TAOCP 3, 5.3.4, for six inputs */
		ORDER(u, z); ORDER(v, x); ORDER(w, y);
		ORDER(v, w); ORDER(x, y);
		ORDER(u, x); ORDER(w, z);
		ORDER(u, v); ORDER(w, x); ORDER(y, z);
		ORDER(v, w); ORDER(x, y);
		dst[i] = (uint16_t)((w + x + 1) >> 1);
	}
}

CLONES void sw_stand_out(const uint16_t *a, const uint16_t *b, int n, uint16_t threshold,
                         uint16_t *restrict mask) {
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

// Samples are below 4096, so that sixteen differences fit a lane.
typedef int16_t words __attribute__((vector_size(32)));
enum { LANES = sizeof(words) / sizeof(int16_t), DEEP = 16 };

static inline uint32_t total(const words *v) {
	typedef uint32_t doubles __attribute__((vector_size(32)));
	/* two lanes share 32 bits */
	doubles p = (doubles)*v;
	p = (p & 0xffff) + (p >> 16);
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
		for (; x + LANES <= x1; x += LANES) {
			words acc = {0}, out = {0};
			for (int y = y0; y < end; y += step) {
				words a, b, m;
				memcpy(&a, cur + (size_t)y * w + x, sizeof a);
				memcpy(&b, prev + (ptrdiff_t)(y - dy) * w + x - dx, sizeof b);
				memcpy(&m, mask + (size_t)y * w + x, sizeof m);
				words d = a - b, sign = d >> 15;
				acc += ((d ^ sign) - sign) & m;
				out -= m;
			}
			sum += total(&acc);
			n += total(&out);
		}
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

CLONES void sw_search(const uint16_t *cur, const uint16_t *prev, const uint16_t *mask, int w, int h,
                      int x0, int y0, int x1, int y1, int step, int cx, int cy, int rx, int ry,
                      int stride, sw_found *found) {
	uint32_t all, n;
	uint64_t zero = match(cur, prev, mask, w, h, x0, y0, x1, y1, step, 0, 0, UINT64_MAX, &all);
	found->dx = found->dy = 0;
	found->still = found->residual = all ? (float)zero / (float)all : 0;
	float best = -1;
	for (int dy = cy - ry; dy <= cy + ry; dy += stride)
		for (int dx = cx - rx; dx <= cx + rx; dx += stride) {
			/* all samples at the best mean so far: more cannot win */
			uint64_t limit = best < 0 ? UINT64_MAX : (uint64_t)(best * (float)all) + 1;
			uint64_t s = match(cur, prev, mask, w, h, x0, y0, x1, y1, step, dx, dy, limit, &n);
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

CLONES void sw_lags(const int16_t *g, int w, int h, const int32_t *dx, const int32_t *dy, int n,
                    float *out) {
	for (int i = 0; i < n; i++) {
		int x0 = dx[i] < 0 ? -dx[i] : 0, x1 = dx[i] > 0 ? w - dx[i] : w;
		int y0 = dy[i] < 0 ? -dy[i] : 0, y1 = dy[i] > 0 ? h - dy[i] : h;
		int64_t sum = 0;
		for (int y = y0; y < y1; y++) {
			const int16_t *p = g + (ptrdiff_t)y * w, *q = p + (ptrdiff_t)dy[i] * w + dx[i];
			int32_t s = 0;
			for (int x = x0; x < x1; x++)
				s += (int32_t)p[x] * q[x];
			sum += s;
		}
		out[i] = (float)sum;
	}
}

CLONES void sw_cross(const int16_t *a, int w, int h, const int16_t *b, int bw, const int32_t *x,
                     const int32_t *y, int n, float *out) {
	for (int i = 0; i < n; i++) {
		int64_t sum = 0;
		for (int v = 0; v < h; v++) {
			const int16_t *p = a + (ptrdiff_t)v * w, *q = b + (ptrdiff_t)(v + y[i]) * bw + x[i];
			int32_t s = 0;
			for (int u = 0; u < w; u++)
				s += (int32_t)p[u] * q[u];
			sum += s;
		}
		out[i] = (float)sum;
	}
}
