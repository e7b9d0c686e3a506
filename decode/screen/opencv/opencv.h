// What package opencv calls; see there. Each returns 0, or -1 where OpenCV threw.
#ifndef SETWITNESS_OPENCV_H
#define SETWITNESS_OPENCV_H

#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

int sw_opencv_blur_8(const uint8_t *src, int w, int h, int side, uint8_t *dst);
int sw_opencv_blur_float(float *pix, int w, int h, int side);
int sw_opencv_morphology(const uint8_t *src, int w, int h, int operation, int side, uint8_t *dst);
int sw_opencv_warp(const uint8_t *src, int w, int h, const double *matrix, uint8_t *dst);
int sw_opencv_dft(const float *src, int w, int h, float *dst);

// points is memory of malloc: x and y of all outlines one after the other; ends, of
// malloc as well, where each one ends, in points.
int sw_opencv_outlines(const uint8_t *mask, int w, int h, double least, int32_t **points, int32_t **ends, int *n);

#ifdef __cplusplus
}
#endif
#endif
