#!/usr/bin/env python3
"""Sky, detections, positions, fluxes and widths against photutils and astropy on one image.

The unit test of `stars` writes stars_image.f32, stars_list.csv and stars_facts.json into
$COLDFRAME_SAMPLES (set that variable and run test_stars). Compared here:
- sky level and noise with photutils' Background2D (sigma-clipped medians on the same mesh);
- the list of sources with DAOStarFinder (Stetson 1987) at a high threshold;
- positions with two-dimensional Gaussian centroids, widths, elongation and direction with
  astropy's Moffat fits of the pixel values, fluxes with exact circular apertures.
Tolerances: what each reference method itself loses on this image, named beside the check.

On real fields (by hand, not in the gate: the files are not ours to ship) DAOStarFinder at 10 sigma and
the full list, all classes, were compared within 1 px. A 256 x 256 px decimated raw image, stars of FWHM
1.0 px: of 257 sources 12 had no partner; 11 lie 1.0 to 1.4 px from one (pairs of bright pixels, where
the marginal fits of that finder go astray), one is a hit of two pixels in one column beside a brighter
source, darker across than any star. A cluster field of FWHM 8 px: of 139 two, one of them 0.2 FWHM from
a star of a blend, one 1.7 sigma high. No star was missed.

Usage: stars_crosscheck.py [FOLDER]   (default: $COLDFRAME_SAMPLES). Exit 1 on disagreement.
"""
import csv
import json
import os
import sys
import warnings

import numpy as np
from astropy.modeling import custom_model, fitting
from astropy.stats import SigmaClip
from photutils.aperture import CircularAnnulus, CircularAperture, ApertureStats, aperture_photometry
from photutils.background import Background2D, MedianBackground
from photutils.centroids import centroid_2dg
from photutils.detection import DAOStarFinder

FAILED = []


def check(name, value, limit):
    good = bool(np.isfinite(value) and abs(value) <= limit)
    print(f"stars: {name}: {value:+.4g} (limit {limit:.3g})" + ("" if good else "  FAILED"))
    if not good:
        FAILED.append(name)


@custom_model
def moffat(x, y, peak=1.0, x0=0.0, y0=0.0, major=3.0, minor=3.0, angle=0.0, beta=3.0, sky=0.0):
    """Elliptical Moffat of the pixel values, parameters as full widths at half maximum."""
    c, s = np.cos(angle), np.sin(angle)
    u, v = (x - x0) * c + (y - y0) * s, -(x - x0) * s + (y - y0) * c
    k = 4.0 * (2.0 ** (1.0 / beta) - 1.0)
    return sky + peak * (1.0 + k * ((u / major) ** 2 + (v / minor) ** 2)) ** -beta


def fit_star(image, star, half=9):
    x0, y0 = int(round(star["x"])), int(round(star["y"]))
    if min(x0, y0) < half or x0 + half >= image.shape[1] or y0 + half >= image.shape[0]:
        return None
    y, x = np.mgrid[y0 - half:y0 + half + 1, x0 - half:x0 + half + 1]
    cut = image[y0 - half:y0 + half + 1, x0 - half:x0 + half + 1].astype(float)
    start = moffat(peak=cut.max() - star["sky"], x0=x0, y0=y0, major=3.2, minor=2.8, angle=0.7, sky=star["sky"])
    start.beta.bounds = (1.5, 20.0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = fitting.LevMarLSQFitter()(start, x, y, cut, weights=1.0 / np.sqrt(np.maximum(cut, 1.0) + 16.0))
    major, minor, angle = abs(fit.major.value), abs(fit.minor.value), np.degrees(fit.angle.value)
    if major < minor:
        major, minor, angle = minor, major, angle + 90.0
    cx, cy = centroid_2dg(cut - star["sky"])
    return dict(fwhm=np.sqrt(major * minor), ellipticity=1.0 - minor / major, angle=angle % 180.0,
                dx=cx + x0 - half - star["x"], dy=cy + y0 - half - star["y"])


def compare_sky(image, facts):
    back = Background2D(image, facts["cell"], filter_size=3, sigma_clip=SigmaClip(3.0),
                        bkg_estimator=MedianBackground())
    check("sky level minus Background2D, in sigmas", (facts["sky"] - back.background_median) / facts["noise"], 0.1)
    # The reference does not correct for truncation at 3 sigma (1.4%) and counts starlight.
    check("noise over Background2D - 1", facts["noise"] / back.background_rms_median - 1.0, 0.05)
    return back.background


def compare_lists(image, back, facts, stars):
    found = DAOStarFinder(threshold=10.0 * facts["noise"], fwhm=facts["fwhm"])(image - back)
    theirs = np.column_stack([found["xcentroid"], found["ycentroid"]])
    ours = np.array([[s["x"], s["y"]] for s in stars])
    border = 8

    def missing(a, b):
        inside = [p for p in a if border < p[0] < image.shape[1] - border and border < p[1] < image.shape[0] - border]
        return sum(np.min(np.hypot(*(b - p).T)) > 1.0 for p in inside), len(inside)

    lost, count = missing(theirs, ours)
    check(f"of {count} DAOStarFinder sources, not in our list", lost, 0)
    bright = np.array([[s["x"], s["y"]] for s in stars if s["flux"] > 200.0 * facts["noise"]])
    lost, count = missing(bright, theirs)
    check(f"of our {count} bright stars, not in theirs", lost, 0)


def compare_shapes(image, facts, stars):
    rows = [(s, fit_star(image, s)) for s in stars if s["fitted"] and s["snr"] > 60.0]
    rows = [(s, f) for s, f in rows if f is not None]
    print(f"stars: {len(rows)} bright stars compared one by one")
    width = np.array([f["fwhm"] / s["fwhm"] - 1.0 for s, f in rows])
    check("median width ratio - 1", np.median(width), 0.01)
    check("worst width ratio - 1", np.max(np.abs(width)), 0.08)
    check("mean elongation difference", np.mean([f["ellipticity"] - s["ellipticity"] for s, f in rows]), 0.01)
    bright = [(s, f) for s, f in rows if s["snr"] > 120.0]
    turn = [(f["angle"] - s["angle_deg"] + 90.0) % 180.0 - 90.0 for s, f in bright]
    check("median direction difference, degrees", np.median(turn), 3.0)
    # A Gaussian centroid of a Moffat star is itself noisier than the bound by some 10-30%.
    check("rms position difference in our errors", np.sqrt(np.mean(
        [(f["dx"] / s["x_error"]) ** 2 + (f["dy"] / s["y_error"]) ** 2 for s, f in rows]) / 2.0), 1.0)
    check("mean position difference, px", np.mean([f["dx"] + f["dy"] for s, f in rows]), 0.01)


def compare_fluxes(image, facts, stars):
    chosen = [s for s in stars if s["fitted"] and s["snr"] > 60.0 and 20 < s["x"] < image.shape[1] - 20
              and 20 < s["y"] < image.shape[0] - 20]
    places = [(s["x"], s["y"]) for s in chosen]
    radius = 8.0
    sky = ApertureStats(image, CircularAnnulus(places, 13.0, 19.0), sigma_clip=SigmaClip(3.0)).median
    aperture = CircularAperture(places, radius)
    sums = aperture_photometry(image, aperture)["aperture_sum"] - sky * aperture.area
    beta = np.median([s["beta"] for s in chosen])
    alpha2 = (0.5 * facts["fwhm"]) ** 2 / (2.0 ** (1.0 / beta) - 1.0)
    # Light of a Moffat inside a circle: 1 - (1 + r^2/alpha^2)^(1 - beta) (Moffat 1969).
    inside = 1.0 - (1.0 + radius ** 2 / alpha2) ** (1.0 - beta)
    ratio = np.array(sums) / inside / np.array([s["flux"] for s in chosen]) - 1.0
    check(f"median of aperture flux over ours - 1 ({len(chosen)} stars)", np.median(ratio), 0.01)
    noise = facts["noise"] * np.sqrt(aperture.area * (1.0 + aperture.area / 600.0))
    pulls = ratio * np.array([s["flux"] for s in chosen]) / noise
    check("robust scatter of the difference in aperture errors", 1.4826 * np.median(np.abs(pulls)), 1.4)


def main():
    folder = sys.argv[1] if len(sys.argv) > 1 else os.environ.get("COLDFRAME_SAMPLES", "")
    try:
        with open(os.path.join(folder, "stars_facts.json")) as file:
            facts = json.load(file)
        image = np.fromfile(os.path.join(folder, "stars_image.f32"), dtype="<f4")
        with open(os.path.join(folder, "stars_list.csv")) as file:
            stars = [{k: float(v) for k, v in row.items()} for row in csv.DictReader(file)]
    except FileNotFoundError as error:
        print(f"stars: {error}; run test_stars with COLDFRAME_SAMPLES set", file=sys.stderr)
        return 1
    image = image.reshape(facts["height"], facts["width"])
    back = compare_sky(image, facts)
    compare_lists(image, back, facts, stars)
    compare_shapes(image, facts, stars)
    compare_fluxes(image, facts, stars)
    return 1 if FAILED else 0


if __name__ == "__main__":
    sys.exit(main())
