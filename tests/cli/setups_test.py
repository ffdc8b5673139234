#!/usr/bin/python3
"""Mosaics of panels, and two telescopes in one result: drawn by numpy alone, combined by `integrate`.

Stars are Gaussians integrated over pixels exactly (products of error functions), so that fluxes and positions are
truth; frames are electrons. Every figure is compared with what was drawn."""
import json
import os
import subprocess
import tempfile
import unittest
from pathlib import Path

import numpy as np
from astropy.io import fits
from scipy.special import erf

PROGRAM = os.environ["COLDFRAME_PROGRAM"]
EXPOSURE = 100.0


class SetUp:
    """A telescope with its camera: frame, plane pixels per pixel, light per pixel of the plane, blur, noise."""

    def __init__(self, name, width, height, scale, light, fwhm, sky, read, mirrored=False):
        self.name, self.w, self.h, self.scale, self.light = name, width, height, scale, light
        self.fwhm, self.sky, self.read, self.mirrored = fwhm, sky, read, mirrored


class Sub:
    """Where a frame lies on the plane: its middle, its turn."""

    def __init__(self, set_up, middle, angle, transparency=1.0, sky=1.0, slope=(0.0, 0.0)):
        self.set_up, self.middle, self.angle = set_up, middle, angle
        self.transparency, self.sky, self.slope = transparency, sky, slope

    def matrix(self):
        c, s = self.set_up.scale * np.cos(self.angle), self.set_up.scale * np.sin(self.angle)
        flip = -1.0 if self.set_up.mirrored else 1.0
        return np.array([[c, -flip * s], [s, flip * c]])

    def to_plane(self, x, y):
        o = np.array([[(self.set_up.w - 1) / 2], [(self.set_up.h - 1) / 2]])
        return self.matrix() @ (np.vstack([np.ravel(x), np.ravel(y)]) - o) + np.array(self.middle)[:, None]

    def from_plane(self, x, y):
        o = np.array([[(self.set_up.w - 1) / 2], [(self.set_up.h - 1) / 2]])
        return np.linalg.solve(self.matrix(), np.vstack([np.ravel(x), np.ravel(y)]) - np.array(self.middle)[:, None]) + o

    def sky_level(self):
        u = self.set_up
        return u.sky * self.sky * EXPOSURE

    def draw(self, stars, rng):
        u = self.set_up
        y, x = np.mgrid[0:u.h, 0:u.w].astype(float)
        light = self.sky_level() * (1 + self.slope[0] * (x / u.w - 0.5) + self.slope[1] * (y / u.h - 0.5))
        sigma = u.fwhm / 2.35482
        px, py = self.from_plane(stars[:, 0], stars[:, 1])
        for a, b, flux in zip(px, py, stars[:, 2]):
            half = int(6 * sigma) + 2
            x0, x1 = max(int(a) - half, 0), min(int(a) + half + 1, u.w)
            y0, y1 = max(int(b) - half, 0), min(int(b) + half + 1, u.h)
            if x1 <= x0 or y1 <= y0:
                continue
            edge = lambda lo, hi, c: 0.5 * np.diff(erf((np.arange(lo, hi + 1) - 0.5 - c) / (sigma * np.sqrt(2))))
            light[y0:y1, x0:x1] += flux * u.light * self.transparency * EXPOSURE * np.outer(edge(y0, y1, b), edge(x0, x1, a))
        return rng.poisson(light) + u.read * rng.standard_normal(light.shape)


def save(path, data, sub, minute):
    h = fits.Header()
    h["IMAGETYP"], h["EXPTIME"], h["OBJECT"], h["FILTER"] = "light", EXPOSURE, "Curlew Reach", "L"
    h["INSTRUME"], h["TELESCOP"], h["EGAIN"] = sub.set_up.name + " camera", sub.set_up.name, 1.0
    h["FOCALLEN"], h["XPIXSZ"], h["YPIXSZ"] = 800.0 / sub.set_up.scale, 4.0, 4.0
    h["DATE-OBS"] = f"2033-02-11T{20 + minute // 60:02d}:{minute % 60:02d}:00"
    fits.PrimaryHDU(data.astype(np.float32), h).writeto(path)


def field(rng, count, x, y, faintest=30.0):
    """Stars over a piece of the plane: position and light per second."""
    flux = faintest * 10 ** rng.exponential(0.35, count)
    return np.column_stack([rng.uniform(*x, count), rng.uniform(*y, count), np.minimum(flux, 100 * faintest)])


class Combined:
    def __init__(self, subs, stars, seed, *options):
        rng = np.random.default_rng(seed)
        self.scratch = tempfile.TemporaryDirectory(prefix="coldframe-setups-")
        folder = Path(self.scratch.name)
        self.subs, self.stars, files = subs, stars, []
        for i, sub in enumerate(subs):
            files.append(folder / f"f{i:02d}.fits")
            save(files[-1], sub.draw(stars, rng), sub, 2 * i)
        out = folder / "all.fits"
        done = subprocess.run([PROGRAM, "integrate", *map(str, files), "-o", str(out), "--json", *options], text=True,
                              capture_output=True, timeout=600)
        assert done.returncode == 0, done.stderr
        self.record = json.loads(done.stdout)
        self.rows = {Path(r["path"]).name: r for r in self.record["subs"]}
        self.row = [self.rows[f.name] for f in files]
        self.reference = files.index(Path(self.record["results"][0]["reference"]))
        with fits.open(out) as hdus:
            self.image = hdus[0].data.astype(float)
            self.error = hdus["UNCERT"].data.astype(float)
            self.weight = hdus["WEIGHT"].data.astype(float)
            self.factor = {n: hdus["UNCERT"].header[f"NOISC{n:03d}"] for n in (4, 8, 16)}
            self.table = np.array(hdus["STARS"].data)
        # Canvas pixels: whole reference pixels from the corner of all frames.
        self.corner = np.zeros((2, 1))
        if "all" in options:
            places = [self.on_reference(s, *np.meshgrid([0, s.set_up.w - 1], [0, s.set_up.h - 1])) for s in subs]
            self.corner = np.floor(np.hstack(places).min(1) + 1e-3)[:, None]

    def on_reference(self, sub, x, y):
        return self.subs[self.reference].from_plane(*sub.to_plane(x, y))

    def on_canvas(self, x, y):
        """Of places on the plane."""
        return self.subs[self.reference].from_plane(x, y) - self.corner

    def mapping_errors(self, i):
        """px of the reference, over the frame"""
        sub, row = self.subs[i], self.row[i]
        gx, gy = (a.ravel() for a in np.meshgrid(np.linspace(0, sub.set_up.w - 1, 6), np.linspace(0, sub.set_up.h - 1, 6)))
        t = row["transform"]
        m = np.array(t["matrix"])
        p = m @ np.array([gx, gy, np.ones_like(gx)])
        assert t["polynomial"] is None
        return np.hypot(*(p[:2] / p[2] - self.on_reference(sub, gx, gy)))

    def blank(self, reach):
        y, x = np.mgrid[0:self.image.shape[0], 0:self.image.shape[1]].astype(float)
        clear = np.isfinite(self.image)
        for px, py, flux in zip(*self.on_canvas(self.stars[:, 0], self.stars[:, 1]), self.stars[:, 2]):
            clear &= np.hypot(x - px, y - py) > reach * (1 + 0.25 * np.log10(flux))
        return clear

    def fluxes(self):
        """Plane position, measured over drawn light, and the error of that, of lonely stars."""
        x, y = self.table["X"] - 1, self.table["Y"] - 1
        px, py = self.on_canvas(self.stars[:, 0], self.stars[:, 1])
        light = self.subs[self.reference].set_up.light * EXPOSURE
        rows = []
        for k, (a, b) in enumerate(zip(px, py)):
            if np.sum(np.hypot(px - a, py - b) < 16) > 1:
                continue
            n = np.argmin(np.hypot(x - a, y - b))
            if np.hypot(x[n] - a, y[n] - b) < 1.0:
                drawn = self.stars[k, 2] * light
                rows.append((self.stars[k, 0], self.stars[k, 1], self.table["FLUX"][n] / drawn, self.table["FLUX_ERR"][n] / drawn))
        return np.array(rows)


class Mosaic(unittest.TestCase):
    """Panels in a row of four and one above the third; each has its own clouds, sky and gradient."""

    @classmethod
    def setUpClass(cls):
        rng = np.random.default_rng(41)
        u = SetUp("Sedge 80", 384, 320, 1.0, 1.0, 3.0, 6.0, 4.0)
        cls.panels = [(0, 0), (288, 8), (576, -6), (864, 4), (572, 238)]
        subs = []
        for x, y in cls.panels:
            sky, slope = rng.uniform(0.75, 1.35), rng.uniform(-0.08, 0.08, 2)
            for _ in range(3):
                subs.append(Sub(u, (x + rng.uniform(-6, 6), y + rng.uniform(-6, 6)), rng.normal(0, 0.004),
                                rng.uniform(0.75, 1.0), sky * rng.uniform(0.97, 1.03), slope + rng.uniform(-0.01, 0.01, 2)))
        stars = field(rng, 1100, (-220, 1090), (-200, 430), 60.0)
        cls.night = Combined(subs, stars, 42, "--canvas", "all")

    @classmethod
    def tearDownClass(cls):
        cls.night.scratch.cleanup()

    def test_all_panels_are_joined(self):
        for r in self.night.row:
            self.assertTrue(r["kept"], (r["path"], r["reason"]))

    def test_the_reference_lies_in_the_middle(self):
        # The third panel touches three others, the outer ones touch one.
        self.assertIn(self.night.reference // 3, (1, 2))

    def test_mappings_are_true_over_every_panel(self):
        errors = [self.night.mapping_errors(i) for i in range(len(self.night.subs))]
        print("mosaic: mapping error median %.4f worst %.4f px" % (np.median(errors), np.max(errors)))
        self.assertLess(np.median(errors), 0.02)
        self.assertLess(np.max(errors), 0.06)

    def test_no_step_at_the_seams(self):
        night = self.night
        clear = night.blank(9.0)
        y, x = np.mgrid[0:night.image.shape[0], 0:night.image.shape[1]].astype(float)
        plane = night.subs[night.reference].to_plane(x + night.corner[0], y + night.corner[1])
        X, Y = (a.reshape(x.shape) for a in plane)
        steps = []
        for k, (cx, cy) in enumerate(self.panels):
            for axis, sign in ((0, 1), (0, -1), (1, 1), (1, -1)):
                # Distance beyond the panel's side; along it 90 % of its length.
                along, across = (Y - cy, X - cx) if axis == 0 else (X - cx, Y - cy)
                half, length = (192, 160) if axis == 0 else (160, 192)
                d = sign * across - half
                near = clear & (np.abs(along) < 0.9 * length) & (np.abs(d) < 60) & (np.abs(d) > 9)
                # Only where the sky goes on behind the side.
                if np.sum(near & (d > 0)) < 3000:
                    continue
                # Level, slope along and across, and the step; noise as written.
                sigma = np.median(night.error[near])
                z = night.image[near] / sigma
                a = np.column_stack([np.ones(z.size), d[near], along[near], np.where(d[near] > 0, 0.5, -0.5)])
                solution = np.linalg.lstsq(a, z, rcond=None)[0]
                error = np.sqrt(np.linalg.inv(a.T @ a)[3, 3]) * night.factor[16]
                steps.append((solution[3], error))
        steps = np.array(steps)
        print("mosaic: steps at %d seams, rms %.3f sigma, largest %.3f; noise of one %.3f"
              % (len(steps), np.sqrt(np.mean(steps[:, 0] ** 2)), np.abs(steps[:, 0]).max(), np.median(steps[:, 1])))
        # Over 43 seams of five such mosaics the steps were 0.054 sigma rms and the noise of measuring one 0.051, so
        # that 0.018 is left for the steps themselves; the largest, 0.122, is what that noise makes of 43.
        self.assertGreaterEqual(len(steps), 7)
        self.assertLess(np.sqrt(max(np.mean(steps[:, 0] ** 2 - steps[:, 1] ** 2), 0)), 0.1)
        self.assertTrue((np.abs(steps[:, 0]) < 0.1 + 3 * steps[:, 1]).all(), steps)

    def test_fluxes_have_one_scale(self):
        rows = self.night.fluxes()
        centre = []
        for cx, cy in self.panels:
            own = (np.abs(rows[:, 0] - cx) < 180) & (np.abs(rows[:, 1] - cy) < 150) & (rows[:, 3] < 0.05)
            w = 1 / (rows[own, 3] ** 2 + 0.005 ** 2)
            centre.append((np.sum(w * rows[own, 2]) / np.sum(w), 1 / np.sqrt(np.sum(w)), own.sum()))
        c = np.array(centre)
        print("mosaic: flux by panel", np.round(c[:, 0] / c[self.night.reference // 3, 0], 4), "+-", np.round(c[:, 1], 4))
        self.assertTrue((c[:, 2] > 15).all())
        home = c[self.night.reference // 3]
        for value, error, _ in c:
            self.assertLess(abs(value / home[0] - 1), 0.003 + 4 * np.hypot(error, home[1]))

    def test_values_are_on_the_scale_of_the_reference(self):
        """The sub that gives the grid gives the scale, also where it was chosen for its place."""
        rows = self.night.fluxes()
        w = 1 / (rows[:, 3] ** 2 + 0.005 ** 2)
        value = np.sum(w * rows[:, 2]) / np.sum(w) / self.night.subs[self.night.reference].transparency
        print("mosaic: flux on the reference's scale %.4f +- %.4f" % (value, 1 / np.sqrt(w.sum())))
        # The reference's own fluxes are good to some 0.8 % (the exponent of its profile).
        self.assertAlmostEqual(value, 1.0, delta=0.01 + 3 / np.sqrt(w.sum()))


class TwoSetUps(unittest.TestCase):
    """A second telescope with a shorter focus, another camera, turned by 40 degrees and mirrored."""

    @classmethod
    def setUpClass(cls):
        rng = np.random.default_rng(51)
        long = SetUp("Sedge 80", 640, 480, 1.0, 1.0, 3.2, 3.0, 3.0)
        short = SetUp("Reed 50", 560, 520, 1.7, 0.45, 2.3, 4.5, 5.0, True)
        subs = [Sub(long, rng.uniform(-8, 8, 2), rng.normal(0, 0.003), rng.uniform(0.9, 1)) for _ in range(6)]
        subs += [Sub(short, rng.uniform(-10, 10, 2), 0.7 + rng.normal(0, 0.003), rng.uniform(0.9, 1), 1.0, rng.uniform(-0.05, 0.05, 2))
                 for _ in range(9)]
        stars = field(rng, 420, (-600, 600), (-600, 600))
        cls.night = Combined(subs, stars, 52)

    @classmethod
    def tearDownClass(cls):
        cls.night.scratch.cleanup()

    def test_all_subs_of_both_take_part(self):
        for r in self.night.row:
            self.assertTrue(r["kept"], (r["path"], r["reason"]))
        self.assertLess(self.night.reference, 6, "the sharper set-up gives the grid")

    def test_mappings_are_true(self):
        worst = [self.night.mapping_errors(i) for i in range(15)]
        print("two set-ups: mapping error median %.4f worst %.4f px" % (np.median(worst), max(w.max() for w in worst)))
        for i, w in enumerate(worst):
            # Pixels of the short telescope are 1.7 of the reference's.
            self.assertLess(np.median(w), 0.02 * self.night.subs[i].set_up.scale)
            inside = 1.0 if i < 6 else 1.7
            self.assertLess(w.max(), 0.06 * inside)

    def test_noise_is_that_of_the_best_combination(self):
        night = self.night
        reference = night.subs[night.reference]
        weights = []
        for sub in night.subs:
            scale = reference.set_up.light * reference.transparency / (sub.set_up.light * sub.transparency)
            # Variance per reference pixel on large scales, in the reference's light.
            weights.append(1 / (scale ** 2 * (sub.sky_level() + sub.set_up.read ** 2) / sub.set_up.scale ** 2))
        ideal = 1 / np.sqrt(np.sum(weights))
        alone = 1 / np.sqrt(np.sum(weights[:6]))
        clear = night.blank(12.0)
        clear[:12] = clear[-12:] = False
        clear[:, :12] = clear[:, -12:] = False
        y, x = np.mgrid[0:night.image.shape[0], 0:night.image.shape[1]].astype(float)
        smooth = np.column_stack([np.ones(clear.sum()), x[clear], y[clear], x[clear] ** 2, x[clear] * y[clear], y[clear] ** 2])
        residual = np.full(night.image.shape, np.nan)
        residual[clear] = night.image[clear] - smooth @ np.linalg.lstsq(smooth, night.image[clear], rcond=None)[0]
        for side in (8, 16):
            h, w = (n // side for n in night.image.shape)
            cut = lambda a: a[:h * side, :w * side].reshape(h, side, w, side).transpose(0, 2, 1, 3).reshape(h * w, -1)
            blocks, errors = cut(residual), cut(night.error)
            full = np.isfinite(blocks).sum(1) > 0.6 * side * side
            n = np.isfinite(blocks[full]).sum(1)
            mean = np.nanmean(blocks[full], 1)
            spread = np.sqrt(np.mean(mean ** 2 * n))  # per pixel on this scale
            told = np.sqrt(np.mean(errors[full] ** 2)) * night.factor[side]
            error = 1 / np.sqrt(2 * full.sum())
            print("two set-ups: %d px blocks (%d): noise over ideal %.3f, over UNCERT %.3f; first telescope alone %.3f"
                  % (side, full.sum(), spread / ideal, spread / told, alone / ideal))
            # A block of carried-over noise shows a little less than its large-scale share.
            self.assertLess(spread / ideal, 1.04 + 3 * error)
            self.assertAlmostEqual(spread / told, 1.0, delta=0.05 + 3 * error)

    def test_fluxes_are_those_of_the_reference(self):
        night = self.night
        rows = night.fluxes()
        w = 1 / (rows[:, 3] ** 2 + 0.005 ** 2)
        value = np.sum(w * rows[:, 2]) / np.sum(w) / night.subs[night.reference].transparency
        print("two set-ups: flux %.4f +- %.4f of %d stars" % (value, 1 / np.sqrt(w.sum()), len(rows)))
        self.assertGreater(len(rows), 40)
        self.assertAlmostEqual(value, 1.0, delta=0.01 + 3 / np.sqrt(w.sum()))


if __name__ == "__main__":
    unittest.main()
