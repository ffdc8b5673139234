#!/usr/bin/python3
"""Several nights of one target in one result: drawn by numpy alone, every night with its own exposure, gain, darks and
flats. The result is compared with the ideal weighted mean of the same frames, calibrated with the truth."""
import json
import os
import re
import subprocess
import tempfile
import unittest
from pathlib import Path

import numpy as np
from astropy.io import fits

PROGRAM = os.environ["COLDFRAME_PROGRAM"]
W, H = 360, 300


class Night:
    """Frames of one night: electrons from stars of known light, a flat and a dark pattern of its own."""

    def __init__(self, name, date, subs, exposure, gain, sky, fwhm, seed, egain=True, longitude=None):
        self.name, self.date, self.subs, self.exposure, self.gain, self.sky = name, date, subs, exposure, gain, sky
        self.fwhm, self.egain, self.longitude = fwhm, egain, longitude
        self.rng = np.random.default_rng(seed)
        y, x = np.mgrid[0:H, 0:W]
        cx, cy = self.rng.uniform(100, 260), self.rng.uniform(80, 220)
        flat = 1 - 0.22 * ((x - cx) ** 2 + (y - cy) ** 2) / 180 ** 2
        self.flat = flat / flat.mean() * (1 + 0.01 * self.rng.standard_normal((H, W)))
        self.dark = 0.05 * self.rng.exponential(1, (H, W)) + 20 * (self.rng.random((H, W)) < 5e-4)
        self.read, self.offset = 3.0, 400.0
        # Whole pixels, so that the ideal mean needs no resampling.
        self.shifts = self.rng.integers(-9, 10, (subs, 2))
        self.lights = []

    def raw(self, light, exposure):
        electrons = self.rng.poisson(light * self.flat + self.dark * exposure) + self.read * self.rng.standard_normal((H, W))
        return np.clip(np.round(electrons / self.gain + self.offset), 0, 65535).astype(np.uint16)

    def scene(self, stars, shift):
        y, x = np.mgrid[0:H, 0:W].astype(float)
        image = np.full((H, W), self.sky * self.exposure)
        alpha = self.fwhm / 2 / np.sqrt(2 ** (1 / 3.0) - 1)
        for sx, sy, flux in stars:
            px, py = sx - shift[0], sy - shift[1]
            x0, x1, y0, y1 = int(px) - 25, int(px) + 26, int(py) - 25, int(py) + 26
            if x1 <= 0 or y1 <= 0 or x0 >= W or y0 >= H:
                continue
            cut = np.s_[max(y0, 0):y1, max(x0, 0):x1]
            r2 = (x[cut] - px) ** 2 + (y[cut] - py) ** 2
            image[cut] += flux * self.exposure * 2 / (np.pi * alpha ** 2) * (1 + r2 / alpha ** 2) ** -3.0
        return image

    def write(self, root, stars):
        folder = root / self.name
        folder.mkdir()
        for i in range(self.subs):
            raw = self.raw(self.scene(stars, self.shifts[i]), self.exposure)
            self.lights.append(raw)
            self.save(folder / f"light_{i:02d}.fits", raw, "light", self.exposure, i)
        for i in range(14):
            self.save(folder / f"dark_{i:02d}.fits", self.raw(np.zeros((H, W)), self.exposure), "dark", self.exposure, 20 + i)
            self.save(folder / f"flat_{i:02d}.fits", self.raw(np.full((H, W), 12000 * self.gain), 0.5), "flat", 0.5, 40 + i)
            self.save(folder / f"bias_{i:02d}.fits", self.raw(np.zeros((H, W)), 0.0), "bias", 0.0, 60 + i)
        return folder

    def save(self, path, raw, kind, exposure, minute):
        h = fits.Header()
        h["IMAGETYP"], h["EXPTIME"], h["INSTRUME"], h["CCD-TEMP"] = kind, exposure, "Reed camera", -10.0
        h["GAIN"], h["FOCALLEN"], h["XPIXSZ"] = round(100 / self.gain), 500.0, 4.0
        h["DATE-OBS"] = f"{self.date}T{21 + minute // 60:02d}:{minute % 60:02d}:00"
        if kind in ("light", "flat"):
            h["FILTER"] = "L"
        if kind == "light":
            h["OBJECT"] = "Curlew Reach"
        if self.egain:
            h["EGAIN"] = self.gain
        if self.longitude is not None:
            h["SITELONG"] = self.longitude
        fits.PrimaryHDU(raw, h).writeto(path)

    def variance(self):
        """Per pixel of a sub at light one per second."""
        return (self.sky * self.exposure + 0.05 * self.exposure + self.read ** 2 + self.gain ** 2 / 12) / self.exposure ** 2

    def calibrated(self, i):
        """Light per second on the sky's own grid, by the truth; NaN where hot or outside."""
        light = ((self.lights[i] - self.offset) * self.gain - self.dark * self.exposure) / self.flat / self.exposure
        light[self.dark > 5] = np.nan
        whole = np.full((H + 60, W + 60), np.nan)
        dx, dy = self.shifts[i]
        whole[30 + dy:30 + dy + H, 30 + dx:30 + dx + W] = light
        return whole


def run(folders, out, *options):
    done = subprocess.run([PROGRAM, "run", *map(str, folders), "--out", str(out), "--json", "--timings", *options], text=True,
                          capture_output=True, timeout=600)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout), done.stderr


def measure_cpu(record):
    return next(t["cpu_s"] for t in record["timings"] if t["stage"] == "measure")


class ManyNights(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.scratch = tempfile.TemporaryDirectory(prefix="coldframe-nights-")
        root = Path(cls.scratch.name)
        rng = np.random.default_rng(7)
        flux = np.minimum(12 * 10 ** rng.exponential(0.4, 130), 900)
        cls.stars = np.column_stack([rng.uniform(-20, W + 20, 130), rng.uniform(-20, H + 20, 130), flux])
        cls.nights = [Night("first", "2031-03-14", 5, 60.0, 1.0, 8.0, 3.2, 1), Night("second", "2031-03-17", 4, 120.0, 2.0, 12.0, 3.2, 2),
                      Night("third", "2031-04-02", 8, 30.0, 0.5, 7.0, 3.2, 3, False),
                      # The sharpest and deepest: it would be the reference if all were new.
                      Night("fourth", "2031-04-05", 5, 180.0, 1.0, 6.0, 2.6, 4)]
        cls.folders = [n.write(root, cls.stars) for n in cls.nights]
        out = cls.out = root / "out"
        cls.alone, _ = run(cls.folders[:1], out)
        cls.three, cls.three_timings = run(cls.folders[:3], out)
        with fits.open(out / cls.three["results"][0]["path"]) as f:
            cls.image = f[0].data.astype(float)
            cls.table = np.array(f["STARS"].data)
        cls.four, cls.four_timings = run(cls.folders, out)
        with fits.open(out / cls.four["results"][0]["path"]) as f:
            cls.later = np.array(f["STARS"].data)
            cls.later_size = f[0].data.shape
        cls.fresh, _ = run(cls.folders, root / "fresh")

    @classmethod
    def tearDownClass(cls):
        cls.scratch.cleanup()

    def night_of(self, path):
        return next(n for n in self.nights if path.startswith(n.name))

    def reference(self, record):
        return record["results"][0]["reference"].split("/")[-1]

    def test_every_sub_has_its_own_nights_masters(self):
        for sub in self.three["subs"]:
            self.assertTrue(sub["kept"], (sub["path"], sub["reason"]))
            exposure = self.night_of(sub["path"]).exposure
            masters = [self.three["masters"][m] for m in sub["masters"]]
            self.assertEqual({m["kind"] for m in masters}, {"dark", "flat"})
            self.assertEqual(next(m for m in masters if m["kind"] == "dark")["exposure_s"], exposure)
        used = {tuple(sub["masters"]) for sub in self.three["subs"]}
        self.assertEqual(len(used), 3)
        self.assertEqual(len(set().union(*map(set, used))), 6, "no master serves two nights")
        # What the frames of the third night say of their gain.
        gains = sorted(c["gain_e_per_adu"] for c in self.three["cameras"])
        self.assertEqual(len(gains), 3)
        self.assertAlmostEqual(gains[0], 0.5, delta=0.02)

    def test_three_nights_equal_the_ideal_combination(self):
        subs, weights = [], []
        for night in self.nights[:3]:
            for i in range(night.subs):
                subs.append(night.calibrated(i) - night.sky)
                weights.append(1 / night.variance())
        stack, w = np.array(subs), np.array(weights)[:, None, None]
        ideal = np.nansum(stack * w, 0) / np.sum(np.isfinite(stack) * w, 0)
        # Onto the reference's grid, in its light.
        first = self.nights[0]
        dx, dy = first.shifts[int(re.search(r"(\d+)\.fits", self.reference(self.three)).group(1))]
        ideal = ideal[30 + dy:30 + dy + H, 30 + dx:30 + dx + W] * first.exposure
        y, x = np.mgrid[0:H, 0:W]
        clear = np.isfinite(ideal) & np.isfinite(self.image)
        clear[:20] = clear[-20:] = False
        clear[:, :20] = clear[:, -20:] = False
        for sx, sy, flux in self.stars:
            clear &= np.hypot(x - sx + dx, y - sy + dy) > 14 + 3 * np.log10(flux)
        noise = []
        for image in (self.image, ideal):
            z = image[clear]
            a = np.column_stack([np.ones(z.size), x[clear], y[clear], x[clear] ** 2, x[clear] * y[clear], y[clear] ** 2]).astype(float)
            rest = np.full(image.shape, np.nan)
            rest[clear] = z - a @ np.linalg.lstsq(a, z, rcond=None)[0]
            blocks = rest[:H // 4 * 4, :W // 4 * 4].reshape(H // 4, 4, W // 4, 4).transpose(0, 2, 1, 3).reshape(-1, 16)
            full = np.isfinite(blocks).all(1)
            noise.append(np.std(blocks[full].mean(1)))
        # The same frames on both sides, so the chance of the noise is common to both.
        print("three nights: noise of 4 px blocks over the ideal mean's %.4f (%d blocks)" % (noise[0] / noise[1], full.sum()))
        self.assertGreater(full.sum(), 500)
        self.assertLess(abs(noise[0] / noise[1] - 1), 0.03)
        expected = first.exposure / np.sqrt(np.sum(weights)) / 4
        print("three nights: ideal mean over prediction %.3f" % (noise[1] / expected))

    def fluxes(self, table, shift):
        found = []
        for sx, sy, flux in self.stars:
            near = np.hypot(self.stars[:, 0] - sx, self.stars[:, 1] - sy) < 15
            d = np.hypot(table["X"] - 1 - (sx - shift[0]), table["Y"] - 1 - (sy - shift[1]))
            if near.sum() == 1 and flux > 25 and d.min() < 1:
                found.append((table["FLUX"][d.argmin()] / flux, table["FLUX_ERR"][d.argmin()] / flux))
        return np.array(found)

    def test_fluxes_are_the_first_nights(self):
        for record, table in ((self.three, self.table), (self.four, self.later)):
            index = int(re.search(r"(\d+)\.fits", self.reference(record)).group(1))
            f = self.fluxes(table, self.nights[0].shifts[index]) / self.nights[0].exposure
            w = 1 / (f[:, 1] ** 2 + 0.01 ** 2)
            value, error = np.sum(w * f[:, 0]) / np.sum(w), 1 / np.sqrt(np.sum(w))
            print("flux over the first night's %.4f +- %.4f (%d stars)" % (value, error, len(f)))
            self.assertGreater(len(f), 12)
            # The wings of the drawn profile beyond what the fit's profile holds.
            self.assertAlmostEqual(value, 1.0, delta=0.02 + 3 * error)

    def test_adding_nights_measures_only_the_new(self):
        self.assertEqual((self.alone["measured"], self.alone["reused"]), (5, 0))
        self.assertEqual((self.three["measured"], self.three["reused"]), (12, 5))
        self.assertEqual((self.four["measured"], self.four["reused"]), (5, 17))
        later, fresh = measure_cpu(self.four), measure_cpu(self.fresh)
        print("measuring: four nights %.2f s CPU, the fourth added %.2f s" % (fresh, later))
        self.assertLess(later, 0.6 * fresh)
        self.assertIn("measure", self.four_timings)

    def test_reference_grid_and_scale_stay(self):
        first = self.reference(self.alone)
        for record in (self.three, self.four):
            self.assertEqual(self.reference(record), first)
            self.assertTrue(record["results"][0]["reference"].startswith("first/"))
            self.assertTrue(record["results"][0]["grid_kept"])
        self.assertEqual(self.later_size, self.image.shape)
        self.assertTrue(self.fresh["results"][0]["reference"].startswith("fourth/"), "else this test shows nothing")
        self.assertFalse(self.fresh["results"][0]["grid_kept"])
        again, _ = run(self.folders, self.out)
        self.assertEqual((again["measured"], self.reference(again)), (0, first))

    def test_contributions_are_listed(self):
        nights = self.four["results"][0]["nights"]
        self.assertEqual([n["folder"] for n in nights], ["first", "second", "third", "fourth"])
        self.assertEqual([n["night"] for n in nights], [n.date for n in self.nights])
        self.assertEqual([n["subs_kept"] for n in nights], [5, 4, 8, 5])
        # Light of a star against the sky behind it: the width counts too.
        truth = np.array([n.subs / n.variance() / n.fwhm ** 2 for n in self.nights])
        share = np.array([n["snr_share"] for n in nights])
        print("shares of the nights", np.round(share, 3), "truth", np.round(truth / truth.sum(), 3))
        np.testing.assert_allclose(share, truth / truth.sum(), atol=0.03)
        page = (self.out / "report.html").read_text()
        self.assertIn("2031-04-02 (third): 8 of 8 subs", page)

    def test_nights_by_local_noon(self):
        # Nobody tells the site: UTC, said so.
        self.assertIn("night-utc", [w["code"] for w in self.three["warnings"]])
        text = subprocess.run([PROGRAM, "run", *map(str, self.folders[:2]), "--out", str(self.out.parent / "west"), "--supply",
                               "SITELONG=-150", "--no-background"], text=True, capture_output=True, check=True)
        self.assertNotIn("noon of UTC", text.stderr)
        # 21 h UTC at 150 degrees west is 11 h in the morning: still the night that began the day before.
        self.assertIn("night 2031-03-13 (first)", text.stdout)


if __name__ == "__main__":
    unittest.main()
