#!/usr/bin/env python3
"""Master frames against numpy and astropy: same frames, same rejection.

The unit test of `sensor` writes its raw frames and two masters as sensor_*.f32 into
$COLDFRAME_SAMPLES (set that variable and run test_sensor). Here the plain mean is numpy's, and the
kappa-sigma mean is astropy's sigma_clip about the median, at most 5 passes at 4 sigma, with the
scale 1.4826 MAD times n/(n - 0.8) (Croux & Rousseeuw 1992, valid for n > 10).

Usage: sensor_crosscheck.py [FOLDER]   (default: $COLDFRAME_SAMPLES). Exit 1 on disagreement.
"""
import os
import sys
import warnings

import numpy as np
from astropy.stats import sigma_clip

SHAPE = (64, 96)
FRAMES = 15
TOLERANCE = 2e-7  # relative: float32 rounding of the result


def scale(values, axis=None):
    """Robust scale of what is left; NaN marks what was cut."""
    count = np.sum(np.isfinite(values), axis=axis)
    centre = np.nanmedian(values, axis=axis, keepdims=True)
    deviation = np.abs(values - centre)
    mad = np.nanmedian(deviation, axis=axis)
    sigma = 1.482602218505602 * mad * count / (count - 0.8)
    # More than half of the samples equal: the mean absolute deviation.
    spare = np.sqrt(np.pi / 2.0) * np.nanmean(deviation, axis=axis)
    return np.where(mad > 0.0, sigma, spare)


def compare(name, ours, theirs):
    worst = np.max(np.abs(ours.astype(float) / theirs - 1.0))
    good = bool(worst < TOLERANCE)
    print(f"sensor: master '{name}': {ours.size} pixels, worst relative difference {worst:.2e}"
          + ("" if good else "  FAILED"))
    return good


def main():
    folder = sys.argv[1] if len(sys.argv) > 1 else os.environ.get("COLDFRAME_SAMPLES", "")

    def read(name):
        return np.fromfile(os.path.join(folder, f"sensor_{name}.f32"), dtype="<f4").reshape(SHAPE)

    try:
        cube = np.stack([read(f"frame{i}") for i in range(FRAMES)]).astype(float)
        none, clipped = read("none"), read("kappa_sigma")
    except FileNotFoundError as error:
        print(f"sensor: {error}; run test_sensor with COLDFRAME_SAMPLES set", file=sys.stderr)
        return 1
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        kept = sigma_clip(cube, sigma=4.0, maxiters=5, cenfunc="median", stdfunc=scale, axis=0)
    survivors = np.sum(~kept.mask, axis=0)
    print(f"sensor: {int(np.sum(kept.mask))} samples cut, at least {survivors.min()} kept per pixel")
    valid = survivors > 10  # where the small-sample factor above holds in every pass
    results = [compare("none", none, cube.mean(axis=0)),
               compare("kappa_sigma", clipped[valid], np.asarray(kept.mean(axis=0))[valid])]
    if np.mean(valid) < 0.98 or np.sum(kept.mask) < 150:
        print("sensor: FAILED: the sample does not test the rejection", file=sys.stderr)
        return 1
    return 0 if all(results) else 1


if __name__ == "__main__":
    sys.exit(main())
