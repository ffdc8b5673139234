#!/usr/bin/env python3
"""Master frames against numpy and astropy: same frames, same rejection.

The unit test of `sensor` writes its raw frames and two masters as sensor_*.f32 into
$COLDFRAME_SAMPLES (set that variable and run test_sensor). Here the plain mean is numpy's, and the
kappa-sigma mean is astropy's sigma_clip about the median, at most 5 passes at 4 sigma, with the
scale 1.4826 MAD times n/(n - 0.8) (Croux & Rousseeuw 1992, valid for n > 10). The Winsorised
mean is written out from its source (Algorithm A of ISO 13528: Analytical Methods Committee 1989,
Analyst 114, 1693): start from median and MAD, move samples beyond 1.5 scales to that limit, 1.134
times the standard deviation of what results is the next scale; samples within 4 scales are kept. The
noise-model mean keeps what lies within 4 sd of the median of the kept, sd^2 the frames' known
variance plus that of the median.

The demosaicing methods against scipy: the same test writes a mosaic and what each method made of it
in every phase as sensor_cfa_*.f32. Bilinear and own-lattice values are convolutions of one colour's
samples, half size is a reshape; the gradient-corrected (Hamilton & Adams 1997) and LMMSE (Zhang & Wu
2005, with known sample noise) methods are written anew from their definitions, with the step that holds
them to the own lattice's light.

Usage: sensor_crosscheck.py [FOLDER]   (default: $COLDFRAME_SAMPLES). Exit 1 on disagreement.
"""
import os
import sys
import warnings

import numpy as np
from astropy.stats import sigma_clip
from scipy.ndimage import convolve, convolve1d, uniform_filter1d

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


def winsorised(values):
    """Mean of the samples within 4 scales of Algorithm A's centre, and how many these are."""
    centre = np.median(values)
    scale = 1.482602218505602 * np.median(np.abs(values - centre))
    if not scale > 0.0:
        scale = np.sqrt(np.pi / 2.0) * np.mean(np.abs(values - centre))
    for _ in range(50):
        if not scale > 0.0:
            break
        moved = np.clip(values, centre - 1.5 * scale, centre + 1.5 * scale)
        before, centre, scale = scale, moved.mean(), 1.134 * moved.std(ddof=1)
        if abs(scale - before) <= 1e-5 * before:
            break
    kept = values[np.abs(values - centre) <= 4.0 * scale]
    return (kept.mean(), kept.size) if kept.size else (values.mean(), values.size)


def median_variance(n):
    """Of the median of n Gaussian samples over theirs; fits the exact integrals to 0.5%."""
    if n <= 2:
        return 0.5 if n == 2 else 1.0
    return np.pi / 2.0 / (n + (0.48 if n % 2 else 1.38 - 0.46 / n))


def by_noise(values, variance):
    """Mean of the samples that agree with the kept ones' median, judged anew in each of 5 passes."""
    kept = np.ones(values.size, bool)
    for _ in range(5):
        some = np.sort(values[kept])
        n = some.size
        centre = np.median(some)
        if n % 2 == 0:
            low, high = some[n // 2 - 1], some[n // 2]
            # What spoils a sample adds light: of two that contradict each other the lower.
            centre = low if (high - low) ** 2 > 16.0 * 2.0 * variance else 0.5 * (low + high)
        good = (values - centre) ** 2 <= 16.0 * variance * (1.0 + median_variance(n))
        if not good.any() or np.array_equal(good, kept):
            break
        kept = good
    return values[kept].mean(), int(kept.sum())


def per_pixel(rule, frames):
    flat = frames.reshape(frames.shape[0], -1)
    means, counts = zip(*(rule(flat[:, i]) for i in range(flat.shape[1])))
    return np.reshape(means, frames.shape[1:]), int(frames.size - np.sum(counts))


def compare(name, ours, theirs):
    worst = np.max(np.abs(ours.astype(float) / theirs - 1.0))
    good = bool(worst < TOLERANCE)
    print(f"sensor: master '{name}': {ours.size} pixels, worst relative difference {worst:.2e}"
          + ("" if good else "  FAILED"))
    return good


CFA_SHAPE = (41, 49)
EDGE = "mirror"  # about the edge pixel, which keeps the colour


def sinc_weights():
    x = np.arange(6) - 2.5
    w = np.sinc(x) * np.sinc(x / 3)
    return w / w.sum()


def bilinear(m, colour):
    cross = np.array([[0, 1, 0], [1, 4, 1], [0, 1, 0]]) / 4
    square = np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]]) / 4
    return [convolve(np.where(colour == c, m, 0.0), cross if c == 1 else square, mode=EDGE) for c in range(3)]


def own_lattice(m, colour):
    w = sinc_weights()
    line = np.zeros(11)
    line[::2] = w
    line[5] = 1.0
    diagonal = np.zeros((11, 11))
    for a in range(6):
        for b in range(6):
            diagonal[5 + a - b, a + b] += w[a] * w[b]
    planes = []
    for c in range(3):
        own = np.where(colour == c, m, 0.0)
        if c == 1:
            planes.append(np.where(colour == 1, m, convolve(own, diagonal, mode=EDGE)))
        else:
            planes.append(convolve1d(convolve1d(own, line, axis=0, mode=EDGE), line, axis=1, mode=EDGE))
    return planes


def shifted(a, dy, dx):
    wide = np.pad(a, 2, mode="reflect")
    return wide[2 + dy:2 + dy + a.shape[0], 2 + dx:2 + dx + a.shape[1]]


def by_differences(m, colour, green):
    square = np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]]) / 4
    planes = [green + convolve(np.where(colour == c, m - green, 0.0), square, mode=EDGE) for c in range(3)]
    planes[1] = green
    return held_to_own_light(planes, m, colour)


def held_to_own_light(planes, m, colour):
    k = np.array([1, 4, 6, 4, 1]) / 16
    smooth = lambda a: convolve1d(convolve1d(a, k, axis=0, mode=EDGE), k, axis=1, mode=EDGE)
    result = []
    for c, (plane, base) in enumerate(zip(planes, own_lattice(m, colour))):
        filled = (colour != c).astype(float)
        excess = (plane - base) * filled
        result.append(base + filled * (excess - smooth(excess) / smooth(filled)))
    return result


def gradient_corrected(m, colour):
    s = lambda dy, dx: shifted(m, dy, dx)
    bend = [2 * m - s(0, -2) - s(0, 2), 2 * m - s(-2, 0) - s(2, 0)]
    change = [abs(s(0, -1) - s(0, 1)) + abs(bend[0]), abs(s(-1, 0) - s(1, 0)) + abs(bend[1])]
    along = [(s(0, -1) + s(0, 1)) / 2 + bend[0] / 4, (s(-1, 0) + s(1, 0)) / 2 + bend[1] / 4]
    green = np.where(change[0] < change[1], along[0], np.where(change[1] < change[0], along[1], sum(along) / 2))
    return by_differences(m, colour, np.where(colour == 1, m, green))


def lmmse(m, colour):
    base = np.array([9000.0, 14400.0, 12000.0])[colour]
    noise = base + np.array([2.0, 3.0, 4.0])[colour] * np.maximum(m - 1000.0, 0.0)
    g = np.array([4, 9, 15, 23, 26, 23, 15, 9, 4]) / 128
    parts = []
    for axis in (1, 0):
        s = lambda a, d: shifted(a, d, 0) if axis == 0 else shifted(a, 0, d)
        across = (s(m, -1) + s(m, 1)) / 2 + (2 * m - s(m, -2) - s(m, 2)) / 4
        y = np.where(colour == 1, m - across, across - m)
        floor = (s(noise, -1) + s(noise, 1) + noise) / 4 + (s(noise, -2) + s(noise, 2)) / 16
        smooth = convolve1d(y, g, axis=axis, mode=EDGE)
        mean = uniform_filter1d(smooth, 9, axis=axis, mode=EDGE)
        window = lambda a: uniform_filter1d(a, 9, axis=axis, mode=EDGE)
        signal = np.maximum(window(smooth ** 2) - mean ** 2 - 0.197 * floor, 0.0)
        error = np.maximum(window((y - smooth) ** 2), floor)
        gain = signal / (signal + error)
        parts.append((mean + gain * (y - mean), gain * error, (1 - gain) * (y - mean), 1 - gain, (1 - gain) * error))
    (xh, eh, rh, sh, vh), (xv, ev, rv, sv, vv) = parts
    with np.errstate(invalid="ignore"):
        a = np.where(eh + ev > 0, ev / (eh + ev), 0.5)
    b = 1 - a
    rest, share = a * rh + b * rv, a * sh + b * sv
    own = 0.5 * noise * share / (a ** 2 * vh + b ** 2 * vv + 0.5 * noise * a * b * sh * sv)
    return by_differences(m, colour, np.where(colour == 1, m, m + a * xh + b * xv + own * rest))


def check_mosaics(folder):
    def read(name, shape=CFA_SHAPE):
        return np.fromfile(os.path.join(folder, f"sensor_cfa_{name}.f32"), dtype="<f4").reshape(shape).astype(float)

    m = read("mosaic")
    good = True
    rows, columns = np.mgrid[0:CFA_SHAPE[0], 0:CFA_SHAPE[1]]
    # Roundings of float32: some ten for values up to 2300, absolute weights up to 2.4; more where
    # windows are summed and differences divided.
    limits = {"bilinear": 1e-3, "own_lattice": 5e-3, "gradient_corrected": 5e-3, "lmmse": 5e-3}
    for method, limit in limits.items():
        worst = 0.0
        for pattern in ("RGGB", "BGGR", "GRBG", "GBRG"):
            colour = np.array(["RGB".index(p) for p in pattern]).reshape(2, 2)[rows % 2, columns % 2]
            planes = globals()[method](m, colour)
            # Where several rounds of mirroring meet, definitions of the edge may differ: beyond 13 px.
            inner = np.s_[13:-13, 13:-13] if method in ("gradient_corrected", "lmmse") else np.s_[:, :]
            worst = max(worst, max(np.abs(read(f"{method}_{pattern}{c}") - planes[c])[inner].max() for c in range(3)))
        fine = worst < limit
        good &= fine
        print(f"sensor: mosaic '{method}': worst difference {worst:.2e} of values up to {m.max():.0f}"
              + ("" if fine else "  FAILED"))
    for pattern in ("RGGB", "BGGR", "GRBG", "GBRG"):
        cells = m[:40, :48].reshape(20, 2, 24, 2)
        order = [(i // 2, i % 2, p) for i, p in enumerate(pattern)]
        for c, name in enumerate("RGB"):
            mine = np.mean([cells[:, y, :, x] for y, x, p in order if p == name], axis=0)
            same = np.array_equal(mine.astype(np.float32), read(f"half_{pattern}{c}", (20, 24)).astype(np.float32))
            good &= same
            if not same:
                print(f"sensor: mosaic 'half' {pattern} {name} differs  FAILED")
    return good


def main():
    folder = sys.argv[1] if len(sys.argv) > 1 else os.environ.get("COLDFRAME_SAMPLES", "")

    def read(name):
        return np.fromfile(os.path.join(folder, f"sensor_{name}.f32"), dtype="<f4").reshape(SHAPE)

    try:
        cube = np.stack([read(f"frame{i}") for i in range(FRAMES)]).astype(float)
        even = np.stack([read(f"even{i}") for i in range(FRAMES)]).astype(float)
        none, clipped, huber = read("none"), read("kappa_sigma"), read("winsorised")
        modelled, few = read("noise_model"), read("few")
        sd, sd_few = (float(np.fromfile(os.path.join(folder, f"sensor_{name}_sd.f32"), dtype="<f4")[0])
                      for name in ("noise_model", "few"))
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
    mean, cut = per_pixel(winsorised, cube)
    results.append(compare(f"winsorised' ({cut} samples cut) '", huber, mean) and cut > 150)
    mean, cut = per_pixel(lambda v: by_noise(v, sd * sd), even)
    results.append(compare(f"noise_model' ({cut} samples cut) '", modelled, mean) and cut > 150)
    mean, cut = per_pixel(lambda v: by_noise(v, sd_few * sd_few), even[:5])
    results.append(compare(f"of five frames' ({cut} samples cut) '", few, mean) and cut > 50)
    if np.mean(valid) < 0.98 or np.sum(kept.mask) < 150:
        print("sensor: FAILED: the sample does not test the rejection", file=sys.stderr)
        return 1
    results.append(check_mosaics(folder))
    return 0 if all(results) else 1


if __name__ == "__main__":
    sys.exit(main())
