#include "opencv.h"

#include <cstdlib>
#include <cstring>
#include <opencv2/core.hpp>
#include <opencv2/imgproc.hpp>
#include <vector>

namespace {

// OpenCV takes no constant memory, and writes to none that is read here.
template <class T> cv::Mat plane(const T *pix, int w, int h) {
	return cv::Mat(h, w, cv::DataType<T>::type, const_cast<T *>(pix));
}

// Runs f; what it throws must not reach C.
template <class F> int guarded(F f) {
	try {
		f();
		return 0;
	} catch (...) {
		return -1;
	}
}

int32_t *copied(const std::vector<int32_t> &v) {
	auto *p = static_cast<int32_t *>(std::malloc(v.size() * sizeof(int32_t) + 1));
	if (p && !v.empty()) std::memcpy(p, v.data(), v.size() * sizeof(int32_t));
	return p;
}

} // namespace

int sw_opencv_blur_8(const uint8_t *src, int w, int h, int side, uint8_t *dst) {
	return guarded([&] {
		cv::Mat to = plane(dst, w, h);
		cv::blur(plane(src, w, h), to, cv::Size(side, side));
	});
}

int sw_opencv_blur_float(float *pix, int w, int h, int side) {
	return guarded([&] {
		cv::Mat m = plane(pix, w, h);
		cv::blur(m, m, cv::Size(side, side));
	});
}

int sw_opencv_morphology(const uint8_t *src, int w, int h, int operation, int side, uint8_t *dst) {
	return guarded([&] {
		cv::Mat to = plane(dst, w, h);
		cv::morphologyEx(plane(src, w, h), to, operation, cv::getStructuringElement(cv::MORPH_RECT, cv::Size(side, side)));
	});
}

int sw_opencv_warp(const uint8_t *src, int w, int h, const double *matrix, uint8_t *dst) {
	return guarded([&] {
		cv::Mat to = plane(dst, w, h);
		cv::warpAffine(plane(src, w, h), to, plane(matrix, 3, 2), to.size(), cv::INTER_LINEAR, cv::BORDER_REPLICATE);
	});
}

int sw_opencv_dft(const float *src, int w, int h, float *dst) {
	return guarded([&] {
		cv::Mat to(h, w, CV_32FC2, dst);
		cv::dft(plane(src, w, h), to, cv::DFT_COMPLEX_OUTPUT);
	});
}

int sw_opencv_outlines(const uint8_t *mask, int w, int h, double least, int32_t **points, int32_t **ends, int *n) {
	*points = *ends = nullptr;
	*n = 0;
	return guarded([&] {
		std::vector<std::vector<cv::Point>> contours;
		cv::findContours(plane(mask, w, h), contours, cv::RETR_LIST, cv::CHAIN_APPROX_SIMPLE);
		std::vector<int32_t> at, to;
		for (const auto &c : contours) {
			if (cv::contourArea(c) < least) continue;
			std::vector<cv::Point> hull;
			cv::convexHull(c, hull, true);
			for (const auto &p : hull) {
				at.push_back(p.x);
				at.push_back(p.y);
			}
			to.push_back(static_cast<int32_t>(at.size() / 2));
		}
		*points = copied(at);
		*ends = copied(to);
		if (*points && *ends) *n = static_cast<int>(to.size());
	});
}
