#!/usr/bin/env python3
"""Survivors of kappa-sigma clipping against astropy.stats.sigma_clip.

The unit test of `stack` writes pixels with their survivors to stack_kappa_sigma.f32 in
$COLDFRAME_SAMPLES (set it and run test_stack): per pixel the count, the first and the end of
the survivors in ascending order, then the sorted samples. Both sides use the median and 1.4826
times the median absolute deviation with a factor for small samples (Park, Kim & Wang 2022,
arXiv 1908.00462, up to 10 samples; n / (n - 0.8) above, Croux & Rousseeuw 1992).

Usage: stack_crosscheck.py [FOLDER]   (default: $COLDFRAME_SAMPLES). Exit 1 on disagreement.
"""
import os
import sys

import numpy as np
from astropy.stats import mad_std, sigma_clip

# 1.4826 b_n of the paper's table for n = 2 .. 10, as printed.
TABLE = [1.7744, 2.2053, 2.0164, 1.8056, 1.7628, 1.6876, 1.6717, 1.6326, 1.6254]
LOW, HIGH, PASSES = 3.0, 3.5, 5


def factor(n):
    if n < 2:
        return 1.0
    return TABLE[n - 2] / 1.482602218505602 if n <= 10 else n / (n - 0.8)


def scale(values, axis=None):
    values = np.asarray(values)
    n = int(np.count_nonzero(np.isfinite(values)))
    return mad_std(values, ignore_nan=True) * factor(n)


def main():
    folder = sys.argv[1] if len(sys.argv) > 1 else os.environ.get("COLDFRAME_SAMPLES", "")
    try:
        data = np.fromfile(os.path.join(folder, "stack_kappa_sigma.f32"), dtype="<f4")
    except FileNotFoundError as error:
        print(f"stack: {error}; run test_stack with COLDFRAME_SAMPLES set", file=sys.stderr)
        return 1
    at = pixels = cut = differ = 0
    while at < data.size:
        n, first, last = (int(v) for v in data[at:at + 3])
        values = data[at + 3:at + 3 + n].astype(float)
        at += 3 + n
        pixels += 1
        # Not the masked form: its mask is made anew from the last pass's limits alone, which
        # may be wider than those of an earlier pass.
        kept = sigma_clip(values, sigma_lower=LOW, sigma_upper=HIGH, maxiters=PASSES,
                          cenfunc="median", stdfunc=scale, masked=False)
        cut += n - (last - first)
        differ += int(not np.array_equal(kept, values[first:last]))
    print(f"stack: {pixels} pixels, {cut} samples cut, survivors differ in {differ}")
    return 0 if pixels == 2000 and cut > 500 and differ == 0 else 1


if __name__ == "__main__":
    sys.exit(main())
