// Kernels of package screen: see reduce.go and rectify.go for what each
// computes and for the same in plain Go.
#ifndef SETWITNESS_SCREEN_KERNEL_H
#define SETWITNESS_SCREEN_KERNEL_H

#include <stddef.h>
#include <stdint.h>

// The mean of each factor x factor samples, rounded down; w and h are of dst.
// factor is at most 32.
void sw_screen_reduce(const uint8_t *src, size_t stride, int factor, int w, int h, uint8_t *dst);

// For each of n places, the mean of size x size samples whose first is at
// index[i] of src and part[2i], part[2i+1] 64ths of a sample to the right and
// below. A column more and a row more are read. size is at most 16.
void sw_screen_means(const uint8_t *src, size_t stride, const int32_t *index, const uint8_t *part,
                     int n, int size, float *dst);

enum { SW_SCREEN_STEP = 8 };

// One row of w samples. above and below hold x, y of every SW_SCREEN_STEP-th sample, and
// of one more, on two other rows, in pixels of a plane of sw x sh; the row lies
// at t between them, 0 to 1, and what lies between is spaced evenly. taps holds
// 4 weights of 16384 a whole for each 64th of a pixel. Places beyond the plane
// read its edge.
void sw_screen_cubic(const uint8_t *src, size_t stride, int sw, int sh, const double *above,
                     const double *below, double t, int w, const int16_t *taps,
                     uint8_t *dst);

#endif
