//go:build !purego

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

CLONES void sw_halve(const uint16_t *src, int w, int h, uint16_t *restrict dst) {
	int hw = w / 2;
	for (int y = 0; y < h / 2; y++) {
		const uint16_t *p = src + (size_t)2 * y * w, *q = p + w;
		for (int x = 0; x < hw; x++)
			dst[(size_t)y * hw + x] =
			    (uint16_t)((p[2 * x] + p[2 * x + 1] + q[2 * x] + q[2 * x + 1] + 2) >> 2);
	}
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
	for (int y = y0; y < y1 && sum <= limit; y += step) {
		const uint16_t *a = cur + (size_t)y * w, *m = mask + (size_t)y * w;
		const uint16_t *b = prev + (ptrdiff_t)(y - dy) * w - dx;
		uint32_t s = 0, k = 0;
		for (int x = x0; x < x1; x++) {
			uint16_t d = a[x] > b[x] ? a[x] - b[x] : b[x] - a[x];
			s += d & m[x];
			k += m[x] & 1;
		}
		sum += s;
		n += k;
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
