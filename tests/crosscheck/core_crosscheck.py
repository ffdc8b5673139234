#!/usr/bin/python3
"""Statistics of `core` against numpy and astropy.stats on the same samples.

test_core writes core_statistics.txt to $COLDFRAME_SAMPLES: a line per sample with our figures first.
Tolerance: 1e-10 relative, the rounding of double sums of a few hundred values.
"""
import os
import unittest
from pathlib import Path

import numpy as np
from astropy import stats

FIGURES = 13


class Statistics(unittest.TestCase):
    def test_samples(self):
        lines = (Path(os.environ["COLDFRAME_SAMPLES"]) / "core_statistics.txt").read_text().splitlines()
        self.assertEqual(len(lines), 40)
        for line in lines:
            numbers = np.array(line.split(), float)
            ours, x = numbers[:FIGURES], numbers[FIGURES:]
            loose = stats.sigma_clip(x, sigma=3, maxiters=20, cenfunc="median", stdfunc="std", masked=False)
            robust = stats.sigma_clip(x, sigma_lower=2.5, sigma_upper=3.5, maxiters=20, cenfunc="median",
                                      stdfunc="mad_std", masked=False)
            theirs = [x.mean(), x.std(ddof=1), np.median(x), stats.median_absolute_deviation(x),
                      stats.biweight_location(x, c=6.0), stats.biweight_scale(x, c=9.0), np.quantile(x, 0.31),
                      len(loose), loose.mean(), loose.std(), len(robust), robust.mean(), np.median(robust)]
            np.testing.assert_allclose(ours, theirs, rtol=1e-10, err_msg=f"{x.size} values")


if __name__ == "__main__":
    unittest.main()
