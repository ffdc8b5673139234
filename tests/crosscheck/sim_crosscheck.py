#!/usr/bin/env python3
"""Pins the simulator's star images against scipy.

The unit test of `sim` writes moffat_pixels.csv into $COLDFRAME_SAMPLES (set that
variable and run test_sim). Here the same elliptical Moffat profiles (Moffat 1969,
A&A 3, 455) are integrated over the same pixels by adaptive quadrature.

Usage: sim_crosscheck.py [FOLDER]   (default: $COLDFRAME_SAMPLES). Exit 1 on disagreement.
"""
import csv
import math
import os
import sys

from scipy.integrate import dblquad

TOLERANCE = 1e-4  # of the profile's brightest pixel, the accuracy the simulator promises


def moffat(x, y, fwhm, beta, scale, ellipticity, ux, uy):
    """Unit-flux elliptical Moffat; the geometric mean of its widths is fwhm * scale."""
    alpha = fwhm * scale / (2.0 * math.sqrt(2.0 ** (1.0 / beta) - 1.0))
    major = alpha / math.sqrt(1.0 - ellipticity)
    minor = alpha * math.sqrt(1.0 - ellipticity)
    u = (x * ux + y * uy) / major
    v = (-x * uy + y * ux) / minor
    return (beta - 1.0) / (math.pi * alpha * alpha) * (1.0 + u * u + v * v) ** -beta


def pixel(dx, dy, shape):
    value, _ = dblquad(lambda y, x: moffat(x, y, *shape), dx - 0.5, dx + 0.5,
                       dy - 0.5, dy + 0.5, epsabs=1e-12, epsrel=1e-10)
    return value


def main():
    folder = sys.argv[1] if len(sys.argv) > 1 else os.environ.get("COLDFRAME_SAMPLES", "")
    path = os.path.join(folder, "moffat_pixels.csv")
    if not os.path.exists(path):
        print(f"sim: {path} is missing; run test_sim with COLDFRAME_SAMPLES set", file=sys.stderr)
        return 1
    worst = 0.0
    rows = 0
    peaks = {}
    with open(path, newline="", encoding="ascii") as handle:
        for row in csv.DictReader(handle):
            number = {key: float(value) for key, value in row.items()}
            shape = tuple(number[k] for k in ("fwhm", "beta", "scale", "ellipticity", "ux", "uy"))
            if shape not in peaks:
                peaks[shape] = pixel(0.0, 0.0, shape)
            truth = pixel(number["dx"], number["dy"], shape)
            worst = max(worst, abs(number["share"] - truth) / peaks[shape])
            rows += 1
    print(f"sim: {rows} Moffat pixels against scipy, worst difference {worst:.2e} of the peak")
    if rows < 50 or not worst < TOLERANCE:
        print(f"sim: FAILED (tolerance {TOLERANCE:g})", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
