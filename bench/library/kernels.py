"""Kernels of OpenCV, one thread, on frames of 6 megapixels: what our own are compared with.

warpAffine with INTER_LANCZOS4 takes 8 x 8 taps at positions rounded to 1/32 px. Usage: kernels.py"""
import time

import cv2
import numpy as np

WIDTH, HEIGHT, REPEATS = 3000, 2000, 7


def turned(degrees):
    matrix = cv2.getRotationMatrix2D(((WIDTH - 1) / 2, (HEIGHT - 1) / 2), degrees, 1.0)
    matrix[:, 2] += (0.37, 0.21)
    return matrix


def rate(image, degrees):
    """Destination pixels per CPU second, in millions: the median."""
    times = []
    for _ in range(REPEATS):
        begin = time.process_time()
        cv2.warpAffine(image, turned(degrees), (WIDTH, HEIGHT), flags=cv2.INTER_LANCZOS4)
        times.append(time.process_time() - begin)
    return image.size / 1e6 / np.median(times)


def main():
    cv2.setNumThreads(1)
    image = np.random.default_rng(1).normal(1000, 30, (HEIGHT, WIDTH)).astype(np.float32)
    for degrees in (0.0, 0.05, 0.3, 1.0, 5.0, 33.0, 75.0, 180.0):
        print(f"warpAffine Lanczos4, {degrees:6.2f} degrees: {rate(image, degrees):6.1f} Mpx/s")


if __name__ == "__main__":
    main()
