#!/usr/bin/python3
"""Darks that must be scaled, in nights drawn by numpy: a ladder of temperatures tells by how much, one line says so,
and where amplifier glow shows nothing is scaled. Needs COLDFRAME_PROGRAM."""
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
W, H, GAIN, READ, OFFSET, DOUBLING = 520, 400, 0.9, 3.0, 420.0, 6.3


class Night:
    """Dark current doubles every 6.3 C; the amplifier glows in one corner with the root of the exposure."""

    def __init__(self, folder, seed, glow=0.0):
        self.folder, self.rng = Path(folder), np.random.default_rng(seed)
        rng = self.rng
        y, x = np.mgrid[0:H, 0:W].astype(float)
        self.x, self.y = x, y
        self.rate = 0.02 * rng.gamma(10, 0.1, (H, W))  # e/s at -10 C
        hot = rng.random((H, W)) < 0.006
        self.rate[hot] += 0.2 + rng.exponential(1.5, hot.sum())
        self.glow = glow * np.exp(-np.hypot(x - W, y) / 70.0)  # e in 300 s
        self.flat = 1 - 0.25 * ((x - W / 2) ** 2 + (y - H / 2) ** 2) / (W * W / 4 + H * H / 4)
        self.bias = rng.normal(0, 1.0, W)[None, :] + np.zeros((H, 1))
        self.stars = [(rng.uniform(10, W - 10), rng.uniform(10, H - 10), 300 * 10 ** rng.exponential(0.5))
                      for _ in range(70)]
        (self.folder / "n").mkdir(parents=True)

    def frame(self, name, kind, exposure, temperature, light=0.0, **cards):
        dark = self.rate * 2 ** ((temperature + 10) / DOUBLING) * exposure
        electrons = self.rng.poisson(light + dark + self.glow * np.sqrt(exposure / 300))
        adu = electrons / GAIN + OFFSET + self.bias + self.rng.normal(0, READ / GAIN, (H, W))
        header = fits.Header()
        header["IMAGETYP"], header["EXPTIME"], header["CCD-TEMP"] = kind, exposure, temperature
        header["INSTRUME"], header["EGAIN"] = "Dunlin 520", GAIN
        for key, value in cards.items():
            header[key.replace("_", "-")] = value
        fits.writeto(self.folder / "n" / f"{name}.fits", np.clip(np.rint(adu), 0, 65535).astype(np.uint16), header)

    def frames(self, kind, count, exposure, temperature):
        for i in range(count):
            self.frame(f"{kind}_{exposure:g}_{temperature:g}_{i}", kind, exposure, temperature)

    def lights(self, count, exposure, temperature):
        for i in range(count):
            dx, dy = self.rng.uniform(-6, 6, 2)
            light = np.full((H, W), 2.0 * exposure)
            for x, y, flux in self.stars:
                light += flux * 15 / (2 * np.pi * 1.4 ** 2) * np.exp(
                    -0.5 * ((self.x - x - dx) ** 2 + (self.y - y - dy) ** 2) / 1.4 ** 2)
            self.frame(f"light_{i}", "light", exposure, temperature, light * self.flat, FILTER="L", OBJECT="Dunlin Field",
                       DATE_OBS=f"2032-11-02T22:{3 * i:02d}:00")
        for i in range(8):
            self.frame(f"flat_{i}", "flat", 1.0, temperature, 25000 * self.flat, FILTER="L")

    def run(self):
        done = subprocess.run([PROGRAM, "run", self.folder / "n", "-o", self.folder / "out", "--no-background", "--quiet"],
                              capture_output=True, text=True, timeout=300)
        assert done.returncode == 0, done.stderr
        self.record = json.loads((self.folder / "out" / "session.json").read_text())
        return {w["code"]: w["message"] for w in self.record["warnings"]}

    def masters_of_lights(self):
        return sorted({self.record["masters"][m]["path"] for m in self.record["subs"][0]["masters"]})


class Darks(unittest.TestCase):
    def setUp(self):
        self.scratch = tempfile.TemporaryDirectory(prefix="coldframe-darks-")
        self.addCleanup(self.scratch.cleanup)

    def night(self, **how):
        return Night(Path(self.scratch.name) / str(len(how)), 20321102, **how)

    def test_ladder(self):
        night = self.night()
        night.frames("bias", 12, 0.0, -10.0)
        for temperature in (-10.0, -5.0, 0.0):
            night.frames("dark", 7, 300.0, temperature)
        night.lights(7, 120.0, 4.5)
        told = night.run()
        self.assertIn("dark-scaled", told)
        self.assertEqual(set(told) & {"dark-mismatch", "dark-scaling-refused", "glow-mismatch", "dark-temperature"}, set())
        factor = float(re.search(r"scaled by ([0-9.]+)", told["dark-scaled"]).group(1))
        truth = 120 / 300 * 2 ** (4.5 / DOUBLING)  # from the nearest, at 0 C
        # Some 1,200 hot pixels with 10 sigma and more: the ratio is known to half a percent; the thermometers'
        # 0.2 C that the program allows for do not err here.
        self.assertAlmostEqual(factor / truth, 1.0, delta=0.02)
        self.assertIn("masters/dark_300s_0C.fits", night.masters_of_lights())
        self.assertTrue(any("scaled" in why for m in night.record["masters"] for why in m.get("chosen_why", [])))

    def test_glow_seen_in_other_darks(self):
        night = self.night(glow=120.0)
        night.frames("bias", 12, 0.0, -10.0)
        night.frames("dark", 7, 300.0, -10.0)
        night.frames("dark", 7, 60.0, -10.0)
        night.lights(7, 120.0, -10.0)
        told = night.run()
        self.assertIn("dark-scaling-refused", told)
        self.assertNotIn("dark-scaled", told)
        self.assertFalse([m for m in night.masters_of_lights() if "dark" in m])
        self.assertTrue([m for m in night.masters_of_lights() if "bias" in m])

    def test_glow_seen_in_the_lights(self):
        night = self.night(glow=120.0)
        night.frames("bias", 12, 0.0, -10.0)
        night.frames("dark", 7, 300.0, -10.0)
        night.lights(7, 120.0, -10.0)
        told = night.run()
        self.assertIn("dark-scaling-refused", told)
        self.assertNotIn("dark-scaled", told)

    def test_no_glow(self):
        night = self.night()
        night.frames("bias", 12, 0.0, -10.0)
        night.frames("dark", 7, 300.0, -10.0)
        night.lights(7, 120.0, -10.0)
        told = night.run()
        self.assertIn("scaled by 0.4", told["dark-scaled"])
        self.assertEqual(set(told) & {"dark-mismatch", "dark-scaling-refused", "glow-mismatch"}, set())


if __name__ == "__main__":
    unittest.main()
