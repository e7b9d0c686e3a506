// Sums of rows of samples: see sums_twin.go for what is computed.
#ifndef SETWITNESS_SIGNING_SUMS_H
#define SETWITNESS_SIGNING_SUMS_H

#include <stddef.h>
#include <stdint.h>

void sw_add_rows(uint32_t *columns, const uint16_t *pix, size_t w, int rows);

#endif
