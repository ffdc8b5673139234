#!/usr/bin/python3
"""A night drawn by numpy alone, with other profiles, headers and habits than the project's simulator, run whole.

Nothing here shares code or conventions with coldframe's own simulation: stars are oversampled Moffat profiles of
exponent 2.9, headers spell things differently, there is no gain in them, the mount flips, one sub is smeared and one
out of focus, hot pixels are many, a satellite crosses."""
import json
import os
import subprocess
import tempfile
import unittest
from pathlib import Path

import numpy as np
from astropy.io import fits
from scipy.ndimage import uniform_filter

PROGRAM = os.environ["COLDFRAME_PROGRAM"]
W, H, SUBS, GAIN, READ, OFFSET, EXPOSURE, SKY, BETA = 640, 500, 9, 0.8, 4.0, 290.0, 150.0, 2.0, 2.9
SMEARED, UNFOCUSED, CROSSED = 3, 6, 4


def moffat(dx, dy, fwhm, stretch, angle, ring, half):
    over = 5
    s = (np.arange((2 * half + 1) * over) + 0.5) / over - half - 0.5
    x, y = np.meshgrid(s - dx, s - dy)
    c, n = np.cos(angle), np.sin(angle)
    r = np.hypot((x * c + y * n) * np.sqrt(1 - stretch), (-x * n + y * c) / np.sqrt(1 - stretch))
    core = fwhm / 2 / np.sqrt(2 ** (1 / BETA) - 1)
    p = (1 + (np.abs(r - ring) / core) ** 2) ** -BETA
    p = p.reshape(2 * half + 1, over, 2 * half + 1, over).sum((1, 3))
    # A ring-shaped star has no closed sum; what it loses beyond the stamp does not matter, it is dropped.
    whole = np.pi * core ** 2 / (BETA - 1) * over ** 2 if ring == 0 else p.sum()
    return p / whole


class Night:
    def __init__(self, folder, seed):
        self.rng = rng = np.random.default_rng(seed)
        self.folder = Path(folder)
        y, x = np.mgrid[0:H, 0:W].astype(float)
        self.x, self.y = x, y
        flat = 1 - 0.25 * ((x - W * 0.55) ** 2 + (y - H / 2) ** 2) / (W * W / 4 + H * H / 4)
        flat *= 1 + 0.008 * rng.standard_normal((H, W))
        flat *= 1 - 0.08 * (np.hypot(x - 410, y - 120) < 14)
        self.flat = flat / flat.mean()
        self.dark = 0.03 * rng.gamma(8, 1 / 8, (H, W))
        hot = rng.random((H, W)) < 0.004
        self.dark[hot] += 0.3 + rng.exponential(2.5, hot.sum())
        self.fixed = 1.0 * rng.standard_normal((H, W))
        self.stars = [(rng.uniform(-30, W + 30), rng.uniform(-30, H + 30), min(300 * 10 ** rng.exponential(0.45), 2e4) / 40)
                      for _ in range(150)]
        self.subs = []

    def read_out(self, light, exposure):
        electrons = self.rng.poisson(np.clip(light, 0, None) + self.dark * exposure)
        adu = electrons / GAIN + OFFSET + self.fixed + READ / GAIN * self.rng.standard_normal((H, W))
        return np.clip(np.round(adu), 0, 65535).astype(np.uint16)

    def save(self, name, data, kind, exposure, **cards):
        header = fits.Header()
        header["IMAGETYP"], header["EXPOSURE"], header["CCD-TEMP"] = kind, exposure, -12.0
        header["INSTRUME"], header["GAIN"], header["OFFSET"] = "Plover 640", 80, 25
        header["XBINNING"] = header["YBINNING"] = 1
        for key, value in cards.items():
            header[key.replace("_", "-")] = value
        (self.folder / name).parent.mkdir(parents=True, exist_ok=True)
        fits.PrimaryHDU(data, header).writeto(self.folder / name)

    def place(self, sub, x, y):
        c, s = np.cos(sub["angle"]), np.sin(sub["angle"])
        dx, dy = np.asarray(x) - W / 2, np.asarray(y) - H / 2
        return c * dx - s * dy + W / 2 + sub["dx"], s * dx + c * dy + H / 2 + sub["dy"]

    def light_frame(self, i):
        rng = self.rng
        sub = {"name": f"sky/exp{i}.fit", "angle": np.deg2rad(rng.normal(0, 0.3)) + (np.pi if i >= 5 else 0),
               "dx": rng.uniform(-9, 9), "dy": rng.uniform(-9, 9), "fwhm": 3.1 + 0.25 * rng.random()}
        stretch, ring = 0.04, 0.0
        if i == SMEARED:
            stretch = 0.6
        if i == UNFOCUSED:
            ring = 4.5
        light = SKY * (1 + 0.03 * i) * (1 + 0.2 * (self.x / W - 0.5) * np.cos(i) + 0.2 * (self.y / H - 0.5))
        angle = rng.uniform(0, np.pi)
        for x0, y0, flux in self.stars:
            x, y = self.place(sub, x0, y0)
            half = 24
            ix, iy = int(round(float(x))), int(round(float(y)))
            left, low = max(ix - half, 0), max(iy - half, 0)
            right, high = min(ix + half + 1, W), min(iy + half + 1, H)
            if right <= left or high <= low:
                continue
            stamp = flux * moffat(x - ix, y - iy, sub["fwhm"], stretch, angle, ring, half)
            light[low:high, left:right] += stamp[low - iy + half:high - iy + half, left - ix + half:right - ix + half]
        if i == CROSSED:
            distance = (self.x - W / 2) * np.sin(0.4) - (self.y - H / 2) * np.cos(0.4) + 35
            light = light + 1.2 * np.exp(-0.5 * (distance / 1.6) ** 2)
        self.save(sub["name"], self.read_out(light * self.flat * EXPOSURE, EXPOSURE), "LIGHT", EXPOSURE,
                  OBJECT="Heron Field", FILTER="Clear", DATE_OBS=f"2032-10-02T22:{4 * i:02d}:00")
        self.subs.append(sub)

    def make(self):
        for i in range(SUBS):
            self.light_frame(i)
        for i in range(9):
            self.save(f"cal/d{i}.fit", self.read_out(np.zeros((H, W)), EXPOSURE), "DARK", EXPOSURE)
            self.save(f"cal/b{i}.fit", self.read_out(np.zeros((H, W)), 0.0), "Bias", 0.0)
            level = 20000 * GAIN * (1 + 0.2 * np.sin(i))
            self.save(f"cal/f{i}.fit", self.read_out(level * self.flat, 2.0), "FLAT", 2.0, FILTER="clear")


class IndependentNight(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.scratch = tempfile.TemporaryDirectory(prefix="coldframe-independent-")
        session, out = Path(cls.scratch.name) / "night", Path(cls.scratch.name) / "out"
        cls.night = Night(session, 20321002)
        cls.night.make()
        subprocess.run([PROGRAM, "run", str(session), "-o", str(out), "--quiet"], check=True, timeout=600)
        cls.record = json.loads((out / "session.json").read_text())
        cls.rows = {s["path"]: s for s in cls.record["subs"]}
        with fits.open(out / cls.record["results"][0]["path"]) as hdus:
            cls.image = hdus[0].data.astype(float)
            cls.error = hdus["UNCERT"].data.astype(float)
            cls.factor = {n: hdus["UNCERT"].header[f"NOISC{n:03d}"] for n in (4, 8)}
            cls.table = np.array(hdus["STARS"].data)
        cls.reference = next(s for s in cls.night.subs if s["name"] == cls.record["results"][0]["reference"])

    @classmethod
    def tearDownClass(cls):
        cls.scratch.cleanup()

    def test_only_the_spoiled_subs_are_left_out(self):
        dropped = {i for i, s in enumerate(self.night.subs) if not self.rows[s["name"]]["kept"]}
        self.assertEqual(dropped, {SMEARED, UNFOCUSED}, [(r["path"], r["reason"]) for r in self.rows.values()])

    def test_gain_is_learnt_from_the_frames(self):
        camera = self.record["cameras"][0]
        self.assertEqual(camera["source"], "photon-transfer")
        self.assertAlmostEqual(camera["gain_e_per_adu"], GAIN, delta=0.01 * GAIN)
        self.assertAlmostEqual(camera["read_noise_e"], READ, delta=0.03 * READ)

    def test_subs_are_registered(self):
        gx, gy = (a.ravel() for a in np.meshgrid(np.linspace(20, W - 20, 7), np.linspace(20, H - 20, 7)))
        want = self.night.place(self.reference, gx, gy)
        for sub in self.night.subs:
            row = self.rows[sub["name"]]
            if not row["kept"]:
                continue
            self.assertIsNone(row["transform"]["polynomial"])
            m = np.array(row["transform"]["matrix"])
            x, y = self.night.place(sub, gx, gy)
            p = m @ np.array([x, y, np.ones_like(x)])
            off = np.hypot(p[0] / p[2] - want[0], p[1] / p[2] - want[1])
            self.assertLess(np.median(off), 0.02, sub["name"])
            self.assertLess(off.max(), 0.06, sub["name"])

    def blank(self):
        clear = np.ones((H, W), bool)
        for x0, y0, flux in self.night.stars:
            x, y = self.night.place(self.reference, x0, y0)
            clear &= np.hypot(self.night.x - x, self.night.y - y) > 10 + 7 * np.log10(1 + flux * EXPOSURE)
        clear[:16] = clear[-16:] = False
        clear[:, :16] = clear[:, -16:] = False
        return clear

    def test_uncertainty_is_honest(self):
        clear = self.blank()
        # Slow changes of the sky go with the mean of the clear pixels around (41 px: 1/1700 of the variance).
        weight = uniform_filter(clear.astype(float), 41)
        sky = uniform_filter(np.where(clear, self.image, 0.0), 41) / np.maximum(weight, 1e-9)
        clear &= weight > 0.2
        z = ((self.image - sky) / self.error)[clear]
        # 4 standard errors of a spread from n values correlated over about 2 pixels.
        self.assertAlmostEqual(z.std(), 1.0, delta=0.02 + 4 / np.sqrt(z.size))
        self.assertLess(np.abs(z).max(), 7.0, "a hot pixel, particle or trail is left")
        for side in (4, 8):
            h, w = H // side, W // side
            cut = lambda a: a[:h * side, :w * side].reshape(h, side, w, side)
            full = cut(clear).all((1, 3))
            total = (cut(self.image - sky).sum((1, 3)) / np.sqrt((cut(self.error) ** 2).sum((1, 3))))[full]
            ratio = total.std() / self.factor[side]
            self.assertAlmostEqual(ratio, 1.0, delta=0.05 + 4 / np.sqrt(2 * total.size), msg=f"{side} px")

    def test_fluxes_are_those_of_the_sky(self):
        x, y = self.table["X"] - 1, self.table["Y"] - 1
        places = [self.night.place(self.reference, a, b) for a, b, _ in self.night.stars]
        ratio, pull = [], []
        for (px, py), (_, _, flux) in zip(places, self.night.stars):
            if sum(np.hypot(px - a, py - b) < 20 for a, b in places) > 1 or not (25 < px < W - 25 and 25 < py < H - 25):
                continue
            k = np.argmin(np.hypot(x - px, y - py))
            if np.hypot(x[k] - px, y[k] - py) > 1 or self.table["SATURATED"][k]:
                continue
            ratio.append(self.table["FLUX"][k] / (flux * EXPOSURE))
            pull.append((self.table["FLUX"][k] - flux * EXPOSURE) / self.table["FLUX_ERR"][k])
        ratio, pull = np.array(ratio), np.array(pull)
        self.assertGreater(len(ratio), 40)
        # No clouds: the scale is that of the reference sub itself, to the profile's wings.
        self.assertAlmostEqual(np.median(ratio), 1.0, delta=0.02)
        centred = pull - np.median(pull)
        self.assertLess(1.4826 * np.median(np.abs(centred)), 1.2 * (1 + 2 / np.sqrt(len(pull))))

    def test_the_satellite_is_found_and_nothing_else(self):
        for i, sub in enumerate(self.night.subs):
            self.assertEqual(bool(self.rows[sub["name"]]["trails"]), i == CROSSED, sub["name"])


if __name__ == "__main__":
    unittest.main()
