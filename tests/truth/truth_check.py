#!/usr/bin/python3
"""Holds the result of `coldframe run` on a simulated session against its truth.

usage: truth_check.py SESSION OUT [--without OUT2] [--json FILE] [--no-limits]

OUT2 is the result of the same session drawn without trails (same seed): what trails leave is judged against it.

Prints every figure with its limit and exits 1 when one is missed. The limits
are those the project promises (README, 'Accuracy'); the truth comes from the
simulator, which shares no profile, resampling or noise code with the program.
"""
import argparse
import json
import sys
from pathlib import Path

import numpy as np
from astropy.io import fits
from photutils.aperture import CircularAnnulus, CircularAperture, aperture_photometry


def matrix_of(sub):
    return np.array(sub["transform"]["matrix"], float)


def apply(m, x, y):
    w = m[2, 0] * x + m[2, 1] * y + m[2, 2]
    return (m[0, 0] * x + m[0, 1] * y + m[0, 2]) / w, (m[1, 0] * x + m[1, 1] * y + m[1, 2]) / w


class Session:
    def __init__(self, session, out):
        self.truth = json.loads((Path(session) / "truth.json").read_text())
        self.record = json.loads((Path(out) / "session.json").read_text())
        self.result = self.record["results"][0]
        hdus = fits.open(Path(out) / self.result["path"])
        self.data = np.atleast_3d(np.moveaxis(hdus[0].data, 0, -1)) if hdus[0].data.ndim == 3 \
            else hdus[0].data[..., None]
        unc = hdus["UNCERT"]
        self.uncert = np.moveaxis(unc.data, 0, -1) if unc.data.ndim == 3 else unc.data[..., None]
        self.noise_correlation = unc.header["NOISCORR"]
        self.plane_correlation = [unc.header.get(f"NOISCOR{p + 1}", self.noise_correlation)
                                  for p in range(self.data.shape[2])]
        self.flat = fits.getdata(Path(session) / ".truth" / "truth.fits", 0)
        self.true_subs = {s["path"]: s for s in self.truth["subs"]}
        self.subs = [s for s in self.record["subs"] if s["result"] == 0]
        self.kept = [s for s in self.subs if s["kept"]]
        reference = self.result["reference"]
        self.reference = self.true_subs[reference]
        self.sky_to_ref = np.array(self.reference["matrix"], float)
        stars = np.array(self.truth["stars"], float)
        self.stars = stars
        self.star_x, self.star_y = apply(self.sky_to_ref, stars[:, 0], stars[:, 1])
        self.mosaic = self.truth["sensor"]["cfa"] not in ("none", "", None)

    def signal(self, sub):
        """Electrons per e/s of a star: exposure times transparency."""
        return sub["exposure_s"] * sub["transparency"]


def to_reference(sub, x, y):
    """The record's transform: its polynomial where it has one, else its matrix."""
    p = sub["transform"]["polynomial"]
    if not p:
        return apply(matrix_of(sub), x, y)
    u = (np.asarray(x) - p["centre"][0]) / p["scale"]
    v = (np.asarray(y) - p["centre"][1]) / p["scale"]
    powers = [(d - k, k) for d in range(p["order"] + 1) for k in range(d + 1)]
    terms = [u**i * v**k for i, k in powers]
    return (sum(c * t for c, t in zip(p["x"], terms)), sum(c * t for c, t in zip(p["y"], terms)))


def registration(s):
    h, w = s.data.shape[:2]
    gx, gy = np.meshgrid(np.linspace(0.05 * w, 0.95 * w, 15), np.linspace(0.05 * h, 0.95 * h, 11))
    medians, worst = [], 0.0
    for sub in s.kept:
        true = np.array(s.true_subs[sub["path"]]["matrix"], float)
        sx, sy = apply(true, gx, gy)
        rx, ry = apply(s.sky_to_ref, gx, gy)
        ex, ey = to_reference(sub, sx, sy)
        error = np.hypot(ex - rx, ey - ry)
        medians.append(np.median(error))
        worst = max(worst, float(error.max()))
    return float(np.median(medians)), worst


def decisions(s):
    """Spoiled subs kept, sound ones dropped, and spoiled ones dropped for another reason."""
    words = {"smeared": "smeared", "clouded": "cloud", "jump": "blurred"}
    wrong = []
    for sub in s.subs:
        spoiled = s.true_subs[sub["path"]].get("spoiled") or ""
        if spoiled and sub["kept"]:
            wrong.append(f"{sub['path']} kept though {spoiled}")
        elif not spoiled and not sub["kept"]:
            wrong.append(f"{sub['path']} dropped: {sub['reason']}")
        elif spoiled and words.get(spoiled, "") not in sub["reason"] and spoiled != "jump":
            wrong.append(f"{sub['path']} ({spoiled}) dropped for: {sub['reason']}")
    return wrong


def fwhm(s):
    ratios = [sub["fwhm_px"] / s.true_subs[sub["path"]]["fwhm_px"] for sub in s.kept]
    return float(np.median(np.abs(np.array(ratios) - 1))), float(np.median(ratios) - 1)


def plane_of(s):
    return 1 if s.data.shape[2] == 3 else 0


def isolated(s, margin, least_peak):
    """Indices of stars without a brighter-than-1% neighbour within `margin` px, inside the frame and away from objects."""
    h, w = s.data.shape[:2]
    flux = s.stars[:, 2]
    good = []
    for i in np.flatnonzero(flux > least_peak):
        x, y = s.star_x[i], s.star_y[i]
        if not (40 < x < w - 40 and 40 < y < h - 40) or near_object(s, x, y, 1.0):
            continue
        d2 = (s.star_x - x) ** 2 + (s.star_y - y) ** 2
        d2[i] = 1e9
        # Light of a neighbour inside the aperture counts fully, further out only its wings.
        near = d2 < margin ** 2
        if np.any(near & (flux > 0.003 * flux[i])) or np.any((d2 < (2 * margin) ** 2) & (flux > 0.3 * flux[i])):
            continue
        good.append(i)
    return np.array(good, int)


def near_object(s, x, y, factor):
    near = False
    g = s.truth["galaxy"]
    if g["flux_e_per_s"] > 0 or g["halo_flux_e_per_s"] > 0:
        gx, gy = apply(s.sky_to_ref, g["x"], g["y"])
        near = near | (np.hypot(x - gx, y - gy) < factor * (4 * max(g["radius_px"], g["halo_radius_px"] / 1.5)))
    c = s.truth["cluster"]
    if c["stars"] > 0:
        cx, cy = apply(s.sky_to_ref, c["x"], c["y"])
        near = near | (np.hypot(x - cx, y - cy) < factor * c["tidal_px"])
    return near


def ideal_noise(s, flat):
    """Sd of the ideal inverse-variance combination at a sensor response `flat`, reference scale."""
    dark = s.truth["sensor"]["dark_e_per_s"]
    read = s.truth["sensor"]["read_noise_e"]
    response = (s.truth["sensor"].get("channel_response") or [1, 1, 1])[plane_of(s)] if s.mosaic else 1.0
    total = 0.0
    for sub in s.kept:
        t = s.true_subs[sub["path"]]
        scale = s.signal(s.reference) / s.signal(t)
        variance = t["sky_e"] * response / flat + (read ** 2 + dark * t["exposure_s"]) / flat ** 2
        total = total + 1.0 / (scale ** 2 * variance)
    return np.sqrt(1.0 / total)


def photometry(s):
    """Scatter of isolated stars about truth over what photon and read noise allow."""
    p = plane_of(s)
    image = s.data[..., p]
    median_fwhm = np.median([sub["fwhm_px"] for sub in s.kept])
    radius = 2.0 * median_fwhm
    full_well = s.truth["sensor"]["saturation_adu"] * s.truth["sensor"]["gain_e_per_adu"]
    signal = s.signal(s.reference)
    idx = isolated(s, 2.6 * radius, 4.0)
    colour = s.stars[idx, 3 + p] if s.mosaic else np.ones(len(idx))
    true = s.stars[idx, 2] * colour * signal
    peak = true / (1.4 * median_fwhm ** 2)
    use = (peak < 0.5 * full_well) & (true > 800)
    idx, true = idx[use], true[use]
    if len(idx) < 8:
        return float("nan"), len(idx)
    positions = np.transpose([s.star_x[idx], s.star_y[idx]])
    aperture = CircularAperture(positions, r=radius)
    annulus = CircularAnnulus(positions, r_in=2.0 * radius, r_out=3.0 * radius)
    bad = ~np.isfinite(image)
    sums = np.array(aperture_photometry(np.where(bad, 0, image), aperture, mask=bad)["aperture_sum"])
    sky = np.array([np.median(m.get_values(image)) for m in annulus.to_mask(method='center')])
    measured = sums - sky * aperture.area
    h, w = s.flat.shape
    fx = np.clip(np.rint(positions[:, 0]).astype(int), 0, w - 1)
    fy = np.clip(np.rint(positions[:, 1]).astype(int), 0, h - 1)
    sky_sd = ideal_noise(s, s.flat[fy, fx] / np.median(s.flat))
    n_annulus = annulus.area
    photon = true / sum(s.signal(s.true_subs[k["path"]]) / signal for k in s.kept)
    samples = 0.25 if s.mosaic and p != 1 else 0.5 if s.mosaic else 1.0
    expected = np.sqrt(sky_sd ** 2 / samples * (aperture.area + 1.57 * aperture.area ** 2 / n_annulus)
                       + photon / samples) / true
    ratio = measured / true
    # Aperture loss and the flat's mean level are common to all stars: the weighted mean takes them out.
    centre = np.sum(ratio / expected ** 2) / np.sum(1.0 / expected ** 2)
    centre = np.median(ratio[true >= np.median(true)]) if not np.isfinite(centre) else centre
    pull = (ratio / centre - 1) / expected
    # Robust: one blended star more or less must not decide.
    scatter = 1.4826 * np.median(np.abs(pull))
    return float(scatter), len(idx)


def blocks(image, size=8):
    h, w = (image.shape[0] // size) * size, (image.shape[1] // size) * size
    return image[:h, :w].reshape(h // size, size, w // size, size).mean(axis=(1, 3))


def star_map(s, limit_sigma):
    """Pixels within reach of any star that shows above `limit_sigma` of the result's noise."""
    h, w = s.data.shape[:2]
    p = plane_of(s)
    sd = np.nanmedian(s.uncert[..., p])
    near = np.zeros((h, w), bool)
    f = np.median([sub["fwhm_px"] for sub in s.kept])
    yy, xx = np.mgrid[0:h, 0:w]
    signal = s.signal(s.reference)
    peak = s.stars[:, 2] * signal / (1.4 * f ** 2)
    for i in np.flatnonzero(peak > limit_sigma * sd):
        # A Moffat of beta 3.5 falls as r^-7: the radius at which it sinks below the limit.
        r = 0.94 * f / 2 * max((peak[i] / (limit_sigma * sd)) ** (1 / 7.0) * 2.0, 2.5) + 2
        x, y = s.star_x[i], s.star_y[i]
        x0, x1, y0, y1 = int(max(x - r, 0)), int(min(x + r + 2, w)), int(max(y - r, 0)), int(min(y + r + 2, h))
        if x0 >= x1 or y0 >= y1:
            continue
        near[y0:y1, x0:x1] |= (xx[y0:y1, x0:x1] - x) ** 2 + (yy[y0:y1, x0:x1] - y) ** 2 < r * r
    gy, gx = np.mgrid[0:h, 0:w]
    return near | near_object(s, gx, gy, 1.0)


def block_noise(s):
    """Noise of 8 x 8 blocks of star-free sky over that of the ideal combination; UNCERT x NOISCORR honesty."""
    p = plane_of(s)
    image = s.data[..., p]
    h, w = image.shape
    free = ~star_map(s, 0.15) & np.isfinite(image)
    edge = 60  # all subs cover what lies further in
    free[:edge], free[-edge:], free[:, :edge], free[:, -edge:] = False, False, False, False
    b = blocks(np.where(np.isfinite(image), image, 0))
    ok = blocks(free.astype(float)) > 0.999
    flat = blocks(s.flat[:h, :w] / np.median(s.flat))
    sd = ideal_noise(s, flat) / 8.0
    if s.mosaic:
        sd = sd * (2.0 if p != 1 else np.sqrt(2.0))
    claimed = blocks(s.uncert[..., p]) * s.plane_correlation[p] / 8.0
    out = {}
    for name, norm in (("ideal", sd), ("claimed", claimed)):
        # Second differences with a gap: blind to the sky's gradient, and neighbours share no resampled noise.
        d = (2 * b[:, 2:-2] - b[:, :-4] - b[:, 4:]) / np.sqrt(6) / norm[:, 2:-2]
        use = ok[:, 2:-2] & ok[:, :-4] & ok[:, 4:]
        v = d[use]
        out[name] = float(1.4826 * np.median(np.abs(v - np.median(v)))) if len(v) > 30 else float("nan")
        out["blocks"] = int(use.sum())
    return out


def star_width(s):
    weights = np.array([sub["weight"] for sub in s.kept])
    widths = np.array([sub["fwhm_px"] for sub in s.kept])
    return s.result["fwhm_px"] / float(np.sum(weights * widths) / np.sum(weights))


def reach_of(trail, noise_e):
    """Half the width of a true trail, wings included: to where its light falls under a tenth of the sub's noise."""
    sigma = trail["fwhm_px"] / 2.354820045
    d = np.arange(0.0, 20 * sigma, 0.25)
    light = trail["peak_e"] * (np.exp(-(d / sigma) ** 2 / 2) + trail["wing_share"] * np.exp(-(d / sigma) ** 2 / 32))
    bright = np.flatnonzero(light > 0.1 * noise_e)
    return max(d[bright[-1]] if len(bright) else 0.0, 2 * sigma)


def trails(s, without):
    """Largest mean residual along any true trail of a kept sub over its full width, in sigma of the result.

    `without`: the result of the same session without trails, where there is one: galaxies, gradients and most of the
    noise are the same in both. Else the result itself is compared with its surroundings, slopes and all."""
    if without and without.result["reference"] != s.result["reference"]:
        sys.exit("the two results lie on different subs' grids: nothing to compare")
    p = plane_of(s)
    image = s.data[..., p] - (without.data[..., p] if without else 0.0)
    h, w = image.shape
    stars = star_map(s, 1.0)
    worst, found, total = 0.0, 0, 0
    for sub in s.kept:
        true = s.true_subs[sub["path"]]
        sub_to_ref = s.sky_to_ref @ np.linalg.inv(np.array(true["matrix"], float))
        for t in true["trails"]:
            total += 1
            found += len(sub["trails"]) > 0
            x1, y1 = apply(sub_to_ref, t["x1"], t["y1"])
            x2, y2 = apply(sub_to_ref, t["x2"], t["y2"])
            n = int(np.hypot(x2 - x1, y2 - y1))
            u = np.linspace(0, 1, n)
            nx, ny = -(y2 - y1) / n, (x2 - x1) / n
            def along(offset):
                x = np.rint(x1 + u * (x2 - x1) + offset * nx).astype(int)
                y = np.rint(y1 + u * (y2 - y1) + offset * ny).astype(int)
                ok = (x >= 0) & (x < w) & (y >= 0) & (y < h)
                x, y = x[ok], y[ok]
                # Where all is the same in both results, stars need not be left out.
                ok = np.isfinite(image[y, x]) & (True if without else ~stars[y, x])
                return image[y[ok], x[ok]], s.uncert[y[ok], x[ok], p]
            reach = int(np.ceil(reach_of(t, true["noise_e"]))) if without else 1
            on = [along(o) for o in range(-reach, reach + 1)]
            off = [along(side * (reach + o)) for o in (19, 24, 29) for side in (-1, 1)]
            v = np.concatenate([a for a, _ in on])
            sd = np.median(np.concatenate([b for _, b in on]))
            ref = np.concatenate([a for a, _ in off])
            if len(v) < 100:
                continue
            residual = abs(np.mean(v) - np.mean(ref)) / sd
            worst = max(worst, float(residual))
    return worst, found, total


def hot_pixels(s):
    """Single bright or dark pixels left in star-free sky, in excess of 8 sigma over their neighbours."""
    p = plane_of(s)
    image = s.data[..., p]
    free = ~star_map(s, 0.5)
    sd = s.uncert[..., p]
    ring = np.stack([np.roll(image, (dy, dx), (0, 1)) for dy in (-2, 0, 2) for dx in (-2, 0, 2) if dx or dy])
    z = (image - np.median(ring, axis=0)) / sd
    z[:4], z[-4:], z[:, :4], z[:, -4:] = 0, 0, 0, 0
    return int(np.sum((np.abs(z) > 8) & free & np.isfinite(z)))


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("session")
    parser.add_argument("out")
    parser.add_argument("--without")
    parser.add_argument("--json")
    parser.add_argument("--no-limits", action="store_true")
    args = parser.parse_args()
    s = Session(args.session, args.out)
    rows = []

    def row(name, value, limit, good):
        rows.append((name, value, limit, bool(good)))

    median, worst = registration(s)
    row("registration error, median of subs (px)", median, "<= 0.05", median <= 0.05)
    row("registration error, worst over the frame (px)", worst, "", True)
    wrong = decisions(s)
    row("wrong decisions on subs", len(wrong), "0", not wrong)
    scatter, bias = fwhm(s)
    row("FWHM per sub, median |error|", scatter, "<= 0.03", scatter <= 0.03)
    row("FWHM per sub, median error", bias, "", True)
    pull, count = photometry(s)
    row(f"photometric scatter over the possible ({count} stars)", pull, "<= 1.2", pull <= 1.2)
    noise = block_noise(s)
    row(f"noise of 8x8 blocks over the ideal ({noise['blocks']} triples)", noise["ideal"], "<= 1.10",
        noise["ideal"] <= 1.10)
    row("noise of 8x8 blocks over UNCERT x NOISCORR", noise["claimed"], "0.9..1.1", 0.9 <= noise["claimed"] <= 1.1)
    width = star_width(s)
    # A mosaic's greens are interpolated on their own quincunx lattice: its mean response widens the
    # half-maximum contour of a Moffat star of FWHM 3 px by 4.2 % (kernel's Fourier transform; the
    # second moment is kept), which no linear interpolation can avoid.
    widest = 1.03 if s.data.shape[-1] == 1 else 1.045
    row("star width over weighted mean of the subs'", width, f"<= {widest}", width <= widest)
    residual, found, total = trails(s, Session(args.session, args.without) if args.without else None)
    # The goal of the project where it can be measured; a galaxy's slope makes up to 0.4 of the other figure.
    largest = 0.15 if args.without else 0.5
    row("largest mean residual along a trail (sigma)", residual, f"<= {largest}", residual <= largest)
    row(f"true trails whose sub lists one (of {total})", found, "", True)
    hot = hot_pixels(s)
    row("single pixels beyond 8 sigma", hot, "0", hot == 0)
    for name, value, limit, good in rows:
        mark = "ok  " if good else "MISS"
        print(f"{mark} {name:<56} {value:10.4f}  {limit}")
    for line in wrong:
        print("     " + line)
    if args.json:
        Path(args.json).write_text(json.dumps({n: v for n, v, _, _ in rows}, indent=2))
    return 0 if args.no_limits or all(r[3] for r in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
