// Kernels of package refresh: see merge.go for what they are for and for the same
// in plain Go.
#ifndef SETWITNESS_REFRESH_KERNEL_H
#define SETWITNESS_REFRESH_KERNEL_H

#include <stddef.h>
#include <stdint.h>

// Adds rows of w samples, each row times its weight, to sums, whose rows have w
// entries.
void sw_refresh_add(int32_t *sums, const uint8_t *pix, size_t stride, const int32_t *weight, int w, int rows);

// Sets rows of w samples to the sums and the row's offset, shifted down and no less than 0
// and no more than most.
void sw_refresh_round(uint16_t *dst, size_t stride, const int32_t *sums, const int32_t *offset, int shift,
                      int most, int w, int rows);

// Gains are in this many bits.
#define SW_REFRESH_GAIN_BITS 16

// Multiplies what each sample has above black by its row's gain, within 0 and most. A
// gain of 0 leaves its row alone. Samples have 12 bits at most.
void sw_refresh_scale(uint16_t *pix, size_t stride, const int32_t *gain, int black, int most, int w, int rows);

#endif
