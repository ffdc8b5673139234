#!/usr/bin/python3
"""The same work with numpy, OpenCV, scipy and astropy, as a capable person would tune it.

Usage: tuned.py STAGE JOB.json        (started by bench/run)

Two processes over the frames, float32 throughout, in-place arithmetic, no copies that can be
avoided, OpenCV where it is fastest. The last line printed is JSON: what was found, and the CPU
time of the start (imports), which bench/run takes off.
"""
import json
import os
import resource
import sys
import warnings

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ[name] = "1"
import multiprocessing

import cv2
import numpy as np
from astropy.io import fits
from scipy.optimize import leastsq
from scipy.spatial import cKDTree

cv2.setNumThreads(1)
warnings.filterwarnings("ignore")

CELL = 64
FITS = 200
HALF = 10  # cut-outs of 21 x 21


def cpu():
    return sum(sum(resource.getrusage(who)[:2])
               for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))


def read(path):
    """Pixels as float32; the scaling of 16-bit codes done by hand, faster than astropy's."""
    with fits.open(path, memmap=False, do_not_scale_image_data=True) as hdus:
        header = hdus[0].header
        data = hdus[0].data.astype(np.float32)
        zero = header.get("BZERO", 0)
        if zero:
            data += np.float32(zero)
    return data


def sky_mesh(image):
    """Clipped mean and deviation of cells of 64 px, bicubic between them."""
    height, width = image.shape
    rows, columns = height // CELL, width // CELL
    cells = image[:rows * CELL, :columns * CELL].reshape(rows, CELL, columns, CELL)
    cells = cells.transpose(0, 2, 1, 3).reshape(rows, columns, CELL * CELL)
    sample = cells[:, :, ::8]
    level = np.median(sample, axis=2)
    noise = 1.4826 * np.median(np.abs(sample - level[:, :, None]), axis=2)
    for _ in range(2):
        good = np.abs(cells - level[:, :, None]) < 3 * noise[:, :, None]
        count = np.maximum(np.count_nonzero(good, axis=2), 1)
        kept = np.where(good, cells, np.float32(0))
        level = kept.sum(axis=2) / count
        kept -= level[:, :, None]
        kept *= good
        noise = 1.015 * np.sqrt(np.einsum("ijk,ijk->ij", kept, kept) / count)
    level = cv2.medianBlur(level.astype(np.float32), 3)
    noise = cv2.medianBlur(noise.astype(np.float32), 3)
    return (cv2.resize(level, (width, height), interpolation=cv2.INTER_CUBIC),
            cv2.resize(noise, (width, height), interpolation=cv2.INTER_CUBIC),
            float(np.median(noise)))


def detect(image, sky, noise, fwhm=3.0, threshold=5.0):
    signal = image - sky
    signal /= noise
    filtered = cv2.GaussianBlur(signal, (11, 11), fwhm / 2.3548)
    # Noise of the filtered image, from the kernel.
    taps = cv2.getGaussianKernel(11, fwhm / 2.3548)
    limit = threshold * float((taps ** 2).sum())
    top = cv2.dilate(filtered, np.ones((3, 3), np.uint8))
    y, x = np.nonzero((filtered == top) & (filtered > limit))
    order = np.argsort(-filtered[y, x])
    return x[order], y[order]


GRID_Y, GRID_X = [a.ravel().astype(float) for a in np.mgrid[-HALF:HALF + 1, -HALF:HALF + 1]]


def moffat(p):
    """Elliptical Moffat at pixel centres: x, y, height, sky, sxx, sxy, syy, beta."""
    dx, dy = GRID_X - p[0], GRID_Y - p[1]
    v = 1 + p[4] * dx * dx + 2 * p[5] * dx * dy + p[6] * dy * dy
    return dx, dy, v, p[2] * np.abs(v) ** -p[7]


def residual(p, data, weight):
    return (moffat(p)[3] + p[3] - data) * weight


def jacobian(p, data, weight):
    dx, dy, v, light = moffat(p)
    slope = -p[7] * light / v
    rows = (-2 * slope * (p[4] * dx + p[5] * dy), -2 * slope * (p[5] * dx + p[6] * dy),
            light / p[2], np.ones_like(v), slope * dx * dx, 2 * slope * dx * dy, slope * dy * dy,
            -light * np.log(np.abs(v)))
    return np.array(rows) * weight


def fit_stars(image, x, y, noise, gain=1.0):
    height, width = image.shape
    stars = []
    for cx, cy in zip(x, y):
        if len(stars) == FITS:
            break
        if not (HALF <= cx < width - HALF and HALF <= cy < height - HALF):
            continue
        data = image[cy - HALF:cy + HALF + 1, cx - HALF:cx + HALF + 1].ravel().astype(float)
        sky = np.median(data)
        height0 = data[GRID_X.size // 2] - sky
        if data.max() > 60000 or height0 <= 0:
            continue
        weight = 1 / np.sqrt(noise ** 2 + np.maximum(data - sky, 0) / gain)
        start = np.array([0, 0, height0, sky, 0.15, 0, 0.15, 3.5])
        p, status = leastsq(residual, start, args=(data, weight), Dfun=jacobian, col_deriv=1,
                            ftol=1e-4, xtol=1e-4, maxfev=60)
        if 1 <= status <= 4 and p[2] > 0:
            k = 2 ** (1 / abs(p[7])) - 1
            det = p[4] * p[6] - p[5] ** 2
            fwhm = 2 * np.sqrt(k / np.sqrt(det)) if det > 0 else np.nan
            stars.append((cx + p[0], cy + p[1], p[2] * np.pi / np.sqrt(max(det, 1e-9)), fwhm))
    return np.array(stars)


def measure(path):
    image = read(path)
    sky, noise_map, noise = sky_mesh(image)
    x, y = detect(image, sky, noise_map)
    stars = fit_stars(image, x, y, noise)
    return {"found": len(x), "fits": len(stars), "fwhm_px": float(np.nanmedian(stars[:, 3]))}


def stage_stars(job, pool):
    return pool.map(measure, job["files"], chunksize=1)


def write(path, image):
    fits.PrimaryHDU(image).writeto(path, overwrite=True)


def target(job, path, suffix=".fits"):
    return os.path.join(job["out"], os.path.splitext(os.path.basename(path))[0] + suffix)


def calibrated(path, dark, flat):
    image = read(path)
    image -= dark
    image /= flat
    return image


def calibrate_one(task):
    job, path = task
    write(target(job, path), calibrated(path, read(job["dark"]), read(job["flat"])))


def stage_calibrate(job, pool):
    pool.map(calibrate_one, [(job, path) for path in job["files"]], chunksize=1)


def triangles(x, y):
    """Side ratios of all triangles of the brightest stars, and their corners in order of the
    opposite sides."""
    points = np.stack([x, y], axis=1)[:25]
    corners, ratios = [], []
    for i in range(len(points)):
        for j in range(i + 1, len(points)):
            for k in range(j + 1, len(points)):
                three = np.array([i, j, k])
                p = points[three]
                sides = np.hypot(*(p[[1, 2, 0]] - p[[2, 0, 1]]).T)
                order = np.argsort(sides)
                sides = sides[order]
                if sides[2] < 20 or sides[0] < 0.1 * sides[2]:
                    continue
                corners.append(three[order])
                ratios.append(sides[:2] / sides[2])
    return points, np.array(corners), np.array(ratios)


def match(ours, reference):
    """Similarity from our pixels to the reference's, by votes of like triangles."""
    points, corners, ratios = ours
    other, other_corners, other_ratios = reference
    near = cKDTree(other_ratios).query_ball_point(ratios, 0.002)
    votes = np.zeros((len(points), len(other)), int)
    for mine, theirs in zip(corners, near):
        for t in theirs:
            votes[mine, other_corners[t]] += 1
    best = votes.argmax(axis=1)
    good = votes.max(axis=1) >= max(3, 0.3 * votes.max())
    matrix, _ = cv2.estimateAffinePartial2D(points[good].astype(np.float32),
                                            other[best[good]].astype(np.float32),
                                            ransacReprojThreshold=1.0)
    return matrix


def centroids(image, x, y, sky):
    """Centres of the brightest stars from 7 x 7 pixels."""
    height, width = image.shape
    grid_y, grid_x = np.mgrid[-3:4, -3:4]
    found = []
    for cx, cy in zip(x, y):
        if len(found) == 25:
            break
        if not (4 <= cx < width - 4 and 4 <= cy < height - 4):
            continue
        cut = image[cy - 3:cy + 4, cx - 3:cx + 4] - sky[cy, cx]
        if any(np.hypot(cx - a, cy - b) < 12 for a, b in found):
            continue
        found.append((cx + (cut * grid_x).sum() / cut.sum(), cy + (cut * grid_y).sum() / cut.sum()))
    return np.array(found).T


def star_places(image):
    sky, noise_map, noise = sky_mesh(image)
    x, y = detect(image, sky, noise_map)
    return x, y, noise, sky


def aligned(image, x, y, sky, reference):
    matrix = match(triangles(*centroids(image, x, y, sky)), reference)
    size = (image.shape[1], image.shape[0])
    return cv2.warpAffine(image, matrix, size, flags=cv2.INTER_LANCZOS4), matrix


def reference_of(image):
    x, y, _, sky = star_places(image)
    return triangles(*centroids(image, x, y, sky))


def register_one(task):
    job, path, reference = task
    image = read(path)
    x, y, _, sky = star_places(image)
    moved, matrix = aligned(image, x, y, sky, reference)
    write(target(job, path), moved)
    return matrix.tolist()


def stage_register(job, pool):
    reference = reference_of(read(job["files"][0]))
    return pool.map(register_one, [(job, path, reference) for path in job["files"]], chunksize=1)


def combine(stack, kappa=4.0):
    """Clipped mean along the first axis: median and MAD first, then two rounds of mean and
    deviation."""
    centre = np.median(stack, axis=0)
    sigma = np.float32(1.4826) * np.median(np.abs(stack - centre), axis=0)
    for _ in range(2):
        keep = np.abs(stack - centre) <= kappa * sigma
        count = np.maximum(keep.sum(axis=0), 1)
        kept = np.where(keep, stack, np.float32(0))
        centre = kept.sum(axis=0) / count
        kept -= centre
        kept *= keep
        sigma = np.sqrt(np.einsum("ijk,ijk->jk", kept, kept) / np.maximum(count - 1, 1))
    return centre


def rows_of(path, y0, y1):
    if path.endswith(".npy"):
        return np.load(path, mmap_mode="r")[y0:y1]
    with fits.open(path, memmap=False) as hdus:
        return hdus[0].section[y0:y1]  # reads these rows only


def combine_strip(task):
    files, y0, y1 = task
    stack = np.empty((len(files), *rows_of(files[0], y0, y1).shape), np.float32)
    for i, path in enumerate(files):
        stack[i] = rows_of(path, y0, y1)
    return combine(stack)


def combine_files(files, height, pool, strip=64):
    tasks = [(files, y, min(y + strip, height)) for y in range(0, height, strip)]
    return np.concatenate(pool.map(combine_strip, tasks, chunksize=1))


def stage_integrate(job, pool):
    result = combine_files(job["files"], job["height"], pool)
    write(os.path.join(job["out"], "result.fits"), result)
    return {"mean": float(result.mean())}


def stage_master(job, pool):
    return stage_integrate(job, pool)


def run_one(task):
    job, path, dark, flat, reference = task
    image = calibrated(path, np.load(dark, mmap_mode="r"), np.load(flat, mmap_mode="r"))
    x, y, noise, sky = star_places(image)
    stars = fit_stars(image, x, y, noise)
    moved, _ = aligned(image - sky + np.float32(np.median(sky)), x, y, sky, reference)
    out = target(job, path, ".npy")
    np.save(out, moved)
    return out, float(np.nanmedian(stars[:, 3]))


def stage_run(job, pool):
    height = job["height"]
    dark = combine_files(job["darks"], height, pool)
    flat = combine_files(job["flats"], height, pool) - combine_files(job["flat_darks"], height, pool)
    flat /= flat.mean()
    masters = [os.path.join(job["out"], name) for name in ("dark.npy", "flat.npy")]
    for path, master in zip(masters, (dark, flat)):
        np.save(path, master.astype(np.float32))
    reference = reference_of(calibrated(job["files"][0], dark, flat))
    done = pool.map(run_one, [(job, path, *masters, reference) for path in job["files"]],
                    chunksize=1)
    write(os.path.join(job["out"], "result.fits"),
          combine_files([path for path, _ in done], height, pool))
    return {"fwhm_px": [width for _, width in done][:3]}


STAGES = {name[6:]: function for name, function in globals().items() if name.startswith("stage_")}


def main():
    started = cpu()
    with open(sys.argv[2], encoding="utf-8") as handle:
        job = json.load(handle)
    pool = multiprocessing.Pool(job["processes"])
    outcome = STAGES[sys.argv[1]](job, pool)
    pool.close()
    pool.join()
    print(json.dumps({"start_cpu_s": started, "outcome": outcome}))


if __name__ == "__main__":
    main()
