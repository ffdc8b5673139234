#!/usr/bin/python3
"""Colour mosaics drawn by numpy, in every phase of the pattern: neutral skies stay neutral, stars keep their colours.

Limits: a neutral scene to 0.2 %, colours of stars of signal-to-noise above 50 to 2 %."""
import json
import os
import subprocess
import tempfile
import unittest
from pathlib import Path

import numpy as np
from astropy.io import fits

PROGRAM = os.environ["COLDFRAME_PROGRAM"]
W, H, SUBS, EXPOSURE, SKY, OFFSET, READ = 400, 300, 8, 100.0, 16.0, 200.0, 3.0
RESPONSE = {"R": 0.6, "G": 1.0, "B": 0.75}


def pattern_map(pattern):
    return np.array(list(pattern)).reshape(2, 2)[(np.arange(H) % 2)[:, None], (np.arange(W) % 2)[None, :]]


class MosaicNight:
    """`pattern` is what the sensor has; `cards` say so in one spelling or another."""

    def __init__(self, folder, pattern, cards, seed):
        self.folder, self.cards = Path(folder), cards
        self.rng = rng = np.random.default_rng(seed)
        self.colours = pattern_map(pattern)
        y, x = np.mgrid[0:H, 0:W].astype(float)
        self.x, self.y = x, y
        # Each colour has its own vignetting: the flat must take out each by itself.
        self.flat = {c: 1 - d * ((x - W / 2) ** 2 + (y - H / 2) ** 2) / (W * W / 4 + H * H / 4)
                     for c, d in (("R", 0.30), ("G", 0.22), ("B", 0.15))}
        self.stars = [(rng.uniform(20, W - 20), rng.uniform(20, H - 20), 10 ** rng.uniform(2.0, 3.2),
                       {"R": rng.uniform(0.5, 1.6), "G": 1.0, "B": rng.uniform(0.5, 1.6)}) for _ in range(28)]

    def sensor(self, planes):
        """What each pixel's colour sees, vignetted, in electrons per second."""
        return sum(np.where(self.colours == c, RESPONSE[c] * self.flat[c] * planes[c], 0.0) for c in "RGB")

    def save(self, name, electrons, kind, exposure):
        adu = self.rng.poisson(electrons) + OFFSET + READ * self.rng.standard_normal((H, W))
        header = fits.Header()
        header["IMAGETYP"], header["EXPTIME"], header["EGAIN"], header["INSTRUME"] = kind, exposure, 1.0, "Wagtail 400C"
        header["OBJECT"], header["CCD-TEMP"] = "Sedge Field", -5.0
        for key, value in self.cards.items():
            header[key] = value
        self.folder.mkdir(parents=True, exist_ok=True)
        fits.PrimaryHDU(np.clip(np.round(adu), 0, 65535).astype(np.uint16), header).writeto(self.folder / name)

    def make(self):
        for i in range(SUBS):
            dx, dy = self.rng.uniform(-7, 7, 2)
            planes = {c: np.full((H, W), SKY) for c in "RGB"}
            for x, y, flux, colour in self.stars:
                # Gaussian of FWHM 3.2 px, sampled at pixel centres: its pixel sums are exact to 1e-4.
                star = flux * np.exp(-0.5 * ((self.x - x - dx) ** 2 + (self.y - y - dy) ** 2) / 1.36 ** 2)
                for c in "RGB":
                    planes[c] = planes[c] + colour[c] * star / (2 * np.pi * 1.36 ** 2)
            self.save(f"light{i}.fits", self.sensor(planes) * EXPOSURE, "Light Frame", EXPOSURE)
            self.save(f"dark{i}.fits", np.zeros((H, W)), "Dark Frame", EXPOSURE)
            self.save(f"bias{i}.fits", np.zeros((H, W)), "Bias Frame", 0.0)
            white = {c: np.full((H, W), 40000.0) for c in "RGB"}
            for k in range(3):
                self.save(f"flat{i}{k}.fits", self.sensor(white), "Flat Field", 1.0)


class Colours(unittest.TestCase):
    def judge(self, pattern, cards, seed):
        with tempfile.TemporaryDirectory(prefix="coldframe-colour-") as scratch:
            session, out = Path(scratch) / "night", Path(scratch) / "out"
            night = MosaicNight(session, pattern, cards, seed)
            night.make()
            subprocess.run([PROGRAM, "run", str(session), "-o", str(out), "--quiet", "--no-background"], check=True,
                           timeout=600)
            result = json.loads((out / "session.json").read_text())["results"][0]
            self.assertEqual(result["subs_kept"], SUBS)
            with fits.open(out / result["path"]) as hdus:
                image = hdus[0].data.astype(float)
                stars = np.array(hdus["STARS"].data)
        self.look(night, image, stars)

    def look(self, night, image, stars):
        # Which drawn star is which measured one: the reference sub's shift by the brightest pairs.
        x, y = stars["X"] - 1, stars["Y"] - 1
        drawn = np.array([(a, b) for a, b, _, _ in night.stars])
        shifts = (np.stack([x, y], 1)[:, None] - drawn[None]).reshape(-1, 2)
        votes = [(np.hypot(*(shifts - s).T) < 0.5).sum() for s in shifts]
        shift = shifts[int(np.argmax(votes))]
        clear = np.ones((H, W), bool)
        for a, b in drawn + shift:
            clear &= np.hypot(night.x - a, night.y - b) > 13
        clear[:12] = clear[-12:] = False
        clear[:, :12] = clear[:, -12:] = False
        level = [image[p][clear].mean() for p in range(3)]
        # A colour's flat is normalised to mean 1, so its sky is the sky times the mean response.
        for p, c in enumerate("RGB"):
            expected = SKY * EXPOSURE * RESPONSE[c] * night.flat[c][night.colours == c].mean()
            # 8 subs, some 60,000 clear pixels: the mean is known to 0.02 %; the flats to 0.01 %.
            self.assertAlmostEqual(level[p] / expected, 1.0, delta=0.002, msg=c)
        for half in (np.s_[:, :W // 3], np.s_[:, -W // 3:], np.s_[:H // 3], np.s_[-H // 3:]):
            part = [image[p][half][clear[half]].mean() / level[p] for p in range(3)]
            self.assertAlmostEqual(part[0] / part[1], 1.0, delta=0.002)
            self.assertAlmostEqual(part[2] / part[1], 1.0, delta=0.002)
        self.look_at_stars(night, image, level, drawn + shift)

    def look_at_stars(self, night, image, level, places):
        wrong = []
        used = 0
        for k, (a, b) in enumerate(places):
            near = np.hypot(*(places - (a, b)).T)
            if np.sort(near)[1] < 20 or not (16 < a < W - 16 and 16 < b < H - 16):
                continue
            disc = np.hypot(night.x - a, night.y - b) < 9
            light = np.array([(image[p][disc] - level[p]).sum() for p in range(3)])
            # A quarter of the pixels are red, a quarter blue, half are green: that much less light is counted.
            noise = np.sqrt([n * (image[p][disc].sum() + READ ** 2 * disc.sum()) / SUBS
                             for p, n in enumerate((4, 2, 4))])
            if (light / noise).min() < 50:
                continue
            _, _, _, colour = night.stars[k]
            for p, c in ((0, "R"), (2, "B")):
                want = colour[c] * RESPONSE[c] * night.flat[c][night.colours == c].mean() / (
                    RESPONSE["G"] * night.flat["G"][night.colours == "G"].mean())
                error = light[p] / light[1] / want - 1.0
                spread = np.hypot(noise[p] / light[p], noise[1] / light[1])
                used += 1
                if abs(error) > 0.02 + 3 * spread:
                    wrong.append((k, c, round(error, 4), round(spread, 4), light.round(), (round(a, 1), round(b, 1))))
        self.assertGreater(used, 8)
        self.assertEqual(wrong, [])

    def test_every_phase(self):
        for seed, pattern in enumerate(("RGGB", "BGGR", "GRBG", "GBRG")):
            with self.subTest(pattern):
                self.judge(pattern, {"BAYERPAT": pattern}, 100 + seed)

    def test_offsets_of_the_pattern(self):
        for seed, (dx, dy, seen) in enumerate(((1, 0, "GRBG"), (0, 1, "GBRG"), (1, 1, "BGGR"))):
            with self.subTest((dx, dy)):
                self.judge(seen, {"BAYERPAT": "RGGB", "XBAYROFF": dx, "YBAYROFF": dy}, 200 + seed)


if __name__ == "__main__":
    unittest.main()
