#!/usr/bin/env python3
"""Resampling against scipy: the same positions, another interpolator.

The unit test of `align` writes a well sampled field and its resampled versions as align_*.f32
into $COLDFRAME_SAMPLES (set that variable and run test_align). Here the same inverse matrices go
to scipy.ndimage.map_coordinates with splines of order 5, whose error on stars of 5 px FWHM is far
below that of Lanczos-3; what is left is Lanczos-3's own.

Usage: align_crosscheck.py [FOLDER]   (default: $COLDFRAME_SAMPLES). Exit 1 on disagreement.
"""
import os
import sys

import numpy as np
from scipy.ndimage import map_coordinates

SHAPE = (140, 160)
MARGIN = 8  # px at the source's edges, where the two treat the border differently
LARGEST = 0.006  # of the peak; one half-pixel pass of Lanczos-3 costs a 5 px star 0.2% an axis
RMS = 0.001  # of the peak


def main():
    folder = sys.argv[1] if len(sys.argv) > 1 else os.environ.get("COLDFRAME_SAMPLES", "")

    def read(name):
        return np.fromfile(os.path.join(folder, f"align_{name}.f32"), dtype="<f4").reshape(SHAPE)

    try:
        source = read("source").astype(float)
        with open(os.path.join(folder, "align_transforms.txt"), encoding="ascii") as file:
            cases = [line.split() for line in file]
    except FileNotFoundError as error:
        print(f"align: {error}; run test_align with COLDFRAME_SAMPLES set", file=sys.stderr)
        return 1
    good = bool(cases)
    y, x = np.mgrid[0:SHAPE[0], 0:SHAPE[1]].astype(float)
    for name, *numbers in cases:
        m = np.array(numbers, dtype=float).reshape(3, 3)
        sx, sy = (m[i, 0] * x + m[i, 1] * y + m[i, 2] for i in (0, 1))
        area = abs(np.linalg.det(m))
        theirs = area * map_coordinates(source, [sy, sx], order=5, mode="mirror")
        inside = ((sx > MARGIN) & (sx < SHAPE[1] - 1 - MARGIN)
                  & (sy > MARGIN) & (sy < SHAPE[0] - 1 - MARGIN))
        difference = (read(name) - theirs)[inside] / (area * source.max())
        worst, rms = np.max(np.abs(difference)), np.sqrt(np.mean(difference ** 2))
        # A stretched kernel smooths on purpose: there only the light must agree.
        if area > 1.3:
            light = abs(read(name)[inside].sum() / theirs[inside].sum() - 1.0)
            agrees = light < 1e-3
            print(f"align: '{name}': light differs by {light:.1e}", end="")
        else:
            agrees = worst < LARGEST and rms < RMS
            print(f"align: '{name}': {difference.size} pixels, worst {worst:.1e}, rms {rms:.1e}"
                  " of the peak", end="")
        print("" if agrees else "  FAILED")
        good = good and bool(agrees)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
