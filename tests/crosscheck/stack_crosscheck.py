#!/usr/bin/env python3
"""Survivors of kappa-sigma clipping against astropy.stats.sigma_clip.

The unit test of `stack` writes pixels with their survivors to stack_kappa_sigma.f32 in
$COLDFRAME_SAMPLES (set it and run test_stack): per pixel the count, the first and the end of
the survivors in ascending order, then the sorted samples. Both sides use the median and 1.4826
times the median absolute deviation with a factor for small samples (Park, Kim & Wang 2022,
arXiv 1908.00462, up to 10 samples; n / (n - 0.8) above, Croux & Rousseeuw 1992).

Particles of a single frame (stack_cosmic_rays.f32: the image, then 1 where the search called a
pixel) against the published definition written with scipy's filters.

Efficiency of the rules on clean samples (stack_efficiency.f32: per case the count, the planes of the
samples, then the means by none, noise model, kappa-sigma, Winsorised and ESD at 3 sigma): variance of
the plain mean over that of the rule, against the same for the rules' definitions in numpy.

Usage: stack_crosscheck.py [FOLDER]   (default: $COLDFRAME_SAMPLES). Exit 1 on disagreement.
"""
import os
import sys

import numpy as np
from scipy.ndimage import binary_dilation, convolve, median_filter
from astropy.stats import mad_std, sigma_clip
from scipy.stats import t as student

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


def particles_by_definition(image, sky, noise, fwhm):
    """van Dokkum 2001 with the limits of coldframe/stack/cosmic_rays.hpp; sky and noise constant."""
    image = image.astype(float)
    box = np.ones((3, 3), bool)
    ratio = np.exp(-8.0 * np.log(2.0) / (0.9 * fwhm) ** 2)
    contrast = max(2.0, (1.0 - ratio) / ratio)
    hit = np.zeros(image.shape, bool)

    def median(a, size):
        return median_filter(a, size, mode="nearest")

    for _ in range(4):
        doubled = np.kron(np.pad(image, 1, mode="edge"), np.ones((2, 2)))
        edges = convolve(doubled, np.array([[0, -1, 0], [-1, 4, -1], [0, -1, 0]], float))
        edges = np.maximum(edges, 0.0)
        h, w = image.shape
        edges = edges[2:-2, 2:-2].reshape(h, 2, w, 2).mean(axis=(1, 3))
        local = np.sqrt(noise ** 2 + np.maximum(median(image, 5) - sky, 0.0))
        s = edges / (2.0 * local)
        above = s - median(s, 5)
        near = median(image, 3)
        fine = np.maximum(np.maximum(near - median(near, 7), 0.5 * (near - sky)), 0.0)
        margin = 4.0 * 0.45 * np.sqrt(noise ** 2 + fine)
        fresh = (above > 5.0) & (edges > contrast * (fine + margin)) & ~hit
        if not fresh.any():
            break
        for limit in (5.0, 1.5):
            fresh |= binary_dilation(fresh, box) & (above > limit) & (edges > contrast * fine) & ~hit
        hit |= fresh
        repaired = image.copy()
        for y, x in np.argwhere(fresh):
            part = np.s_[max(y - 2, 0):y + 3, max(x - 2, 0):x + 3]
            good = np.sort(image[part][~hit[part]])
            if good.size:
                repaired[y, x] = good[good.size // 2]
        image = repaired
    return hit


def check_particles(folder):
    data = np.fromfile(os.path.join(folder, "stack_cosmic_rays.f32"), dtype="<f4")
    image, called = data.reshape(2, 256, 320)
    expected = particles_by_definition(image, 400.0, np.sqrt(416.0), np.sqrt(1.8 ** 2 + 5.545 / 12.0))
    differ = int(np.count_nonzero(expected != (called > 0)))
    print(f"stack: {int(expected.sum())} pixels hit by particles, {differ} called otherwise")
    # Limits met within the rounding of single precision may fall either way.
    return expected.sum() > 200 and differ <= 2


def kept_mean(samples, kept):
    return np.where(kept, samples, 0.0).sum(axis=0) / kept.sum(axis=0)


def by_noise_model(samples, sigma=15.0, kappa=3.0):
    """Centre: median of the kept; limit: own variance and that of the median, all judged anew."""
    kept = np.ones(samples.shape, bool)
    for _ in range(5):
        n = kept.sum(axis=0)
        centre = np.nanmedian(np.where(kept, samples, np.nan), axis=0)
        # Variance of the median, exact values by integration for the counts that occur.
        var = np.interp(n, *MEDIAN_VARIANCE)
        # The seeing term: a quarter of what stands above the sky.
        extra = var * sigma ** 2 + (0.25 * np.maximum(centre - 200.0, 0.0)) ** 2
        kept = np.abs(samples - centre) <= kappa * np.sqrt(sigma ** 2 + extra)
    return kept_mean(samples, kept)


# n and n * variance / sigma^2 of the median (integration of the order statistic; pi / (2n + 1) beyond).
_N = np.array([2, 3, 4, 5, 6, 7, 8, 9, 10, 15, 20, 25, 50, 200])
MEDIAN_VARIANCE = (_N, np.array([0.5, 0.44867110, 0.29819962, 0.28683366, 0.21474267, 0.21044686, 0.16818086,
                                 0.16610128, 0.13832644, 0.10169465, 0.07343703, 0.06174626, 0.03058, 0.0078]))


def by_kappa_sigma(samples, kappa=3.0):
    kept = np.ones(samples.shape, bool)
    factors = np.array([factor(n) for n in range(samples.shape[0] + 1)])
    for _ in range(5):
        inside = np.where(kept, samples, np.nan)
        centre = np.nanmedian(inside, axis=0)
        scale_of = 1.482602218505602 * np.nanmedian(np.abs(inside - centre), axis=0)
        kept &= np.abs(samples - centre) <= kappa * scale_of * factors[kept.sum(axis=0)]
    return kept_mean(samples, kept)


def by_winsorising(samples, kappa=3.0):
    """ISO 13528 Algorithm A."""
    centre = np.median(samples, axis=0)
    spread = 1.482602218505602 * np.median(np.abs(samples - centre), axis=0)
    for _ in range(60):
        drawn_in = np.clip(samples, centre - 1.5 * spread, centre + 1.5 * spread)
        centre = drawn_in.mean(axis=0)
        spread = 1.134 * drawn_in.std(axis=0, ddof=1)
    return kept_mean(samples, np.abs(samples - centre) <= kappa * spread)


def by_esd(samples, alpha=0.05, share=0.3):
    """Rosner 1983, by his formulas."""
    n = samples.shape[0]
    kept = np.ones(samples.shape, bool)
    result = kept.copy()
    columns = np.arange(samples.shape[1])
    for i in range(1, min(int(share * n), n - 3) + 1):
        inside = np.where(kept, samples, np.nan)
        mean, sd = np.nanmean(inside, axis=0), np.nanstd(inside, axis=0, ddof=1)
        deviation = np.abs(inside - mean)
        worst = np.nanargmax(deviation, axis=0)
        statistic = deviation[worst, columns] / sd
        kept[worst, columns] = False
        quantile = student.ppf(1.0 - alpha / (2.0 * (n - i + 1)), n - i - 1)
        limit = (n - i) * quantile / np.sqrt((n - i - 1 + quantile ** 2) * (n - i + 1))
        result = np.where(statistic > limit, kept, result)
    return kept_mean(samples, result)


def check_efficiency(folder):
    data = np.fromfile(os.path.join(folder, "stack_efficiency.f32"), dtype="<f4")
    at, cases, good = 0, 0, True
    while at < data.size:
        n = int(data[at])
        planes = data[at + 1:at + 1 + (n + 5) * 16384].reshape(n + 5, 16384).astype(float)
        at += 1 + (n + 5) * 16384
        cases += 1
        samples, means = planes[:n], planes[n:]
        ideal = samples.mean(axis=0).var()
        rules = (by_noise_model, by_kappa_sigma, by_winsorising, by_esd)
        line = []
        for rule, mean in zip(rules, means[1:]):
            ours, theory = ideal / mean.var(), ideal / rule(samples).var()
            line.append(f"{rule.__name__[3:]} {ours:.4f} ({theory:.4f})")
            good &= abs(ours / theory - 1.0) < 0.01
        good &= abs(ideal / means[0].var() - 1.0) < 1e-4
        print(f"stack: efficiency at {n} samples, in brackets by definition: " + ", ".join(line))
    return good and cases == 3


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
    good = pixels == 2000 and cut > 500 and differ == 0
    good = check_particles(folder) and good
    return 0 if check_efficiency(folder) and good else 1


if __name__ == "__main__":
    sys.exit(main())
