#!/usr/bin/python3
"""What a flat leaves in calibrated lights (issue 3): an even sky drawn by numpy through known vignetting, dust and pixel
response is reduced with `coldframe master` and `coldframe calibrate`, and numpy looks for what is not photon noise.

The remainder is the covariance of the means of two halves of the lights: photon and read noise of the halves are
independent, what the flat left is in both. Needs COLDFRAME_PROGRAM."""
import json
import os
import subprocess
import tempfile
import unittest
from pathlib import Path

import numpy as np
from astropy.io import fits

PROGRAM = os.environ["COLDFRAME_PROGRAM"]
W, H, GAIN, READ, OFFSET, SKY, FLAT_E = 900, 700, 1.1, 3.5, 350.0, 6000.0, 40000.0
LIGHTS, FLATS, BIAS = 16, 50, 40


class Flats(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.scratch = tempfile.TemporaryDirectory(prefix="coldframe-flats-")
        cls.addClassCleanup(cls.scratch.cleanup)
        cls.folder = Path(cls.scratch.name)
        cls.rng = rng = np.random.default_rng(91)
        y, x = np.mgrid[0:H, 0:W].astype(float)
        cls.u, cls.v = (x + 0.5) / W * 2 - 1, (y + 0.5) / H * 2 - 1
        cls.vignetting = np.cos(np.arctan(0.62 * np.hypot(x - (W - 1) / 2, y - (H - 1) / 2) / np.hypot(W / 2, H / 2))) ** 4
        cls.dust = np.ones((H, W))
        for _ in range(14):
            distance = np.hypot(x - rng.uniform(0, W), y - rng.uniform(0, H))
            radius = rng.uniform(8, 25)
            cls.dust -= rng.uniform(0.02, 0.08) * ((distance < radius) & (distance > 0.4 * radius))
        cls.response = rng.normal(1, 0.008, (H, W))
        cls.flat = cls.vignetting * cls.dust * cls.response
        cls.bias = [cls.save(f"bias{i}", "bias", 0.0) for i in range(BIAS)]
        cls.lights = [cls.save(f"light{i}", "light", SKY * cls.flat) for i in range(LIGHTS)]
        cls.coldframe("master", "bias", *cls.bias, "-o", cls.folder / "bias.fits")

    @classmethod
    def save(cls, name, kind, light):
        adu = cls.rng.poisson(light, (H, W)) / GAIN + OFFSET + cls.rng.normal(0, READ / GAIN, (H, W))
        header = fits.Header()
        header["IMAGETYP"], header["EXPTIME"], header["EGAIN"] = kind, 0.0 if kind == "bias" else 60.0, GAIN
        path = cls.folder / f"{name}.fits"
        fits.writeto(path, np.clip(np.rint(adu), 0, 65535).astype(np.uint16), header)
        return path

    @staticmethod
    def coldframe(*arguments):
        done = subprocess.run([PROGRAM, *map(str, arguments), "--quiet"], capture_output=True, text=True, timeout=300)
        assert done.returncode == 0, done.stderr
        return done.stdout

    def reduce(self, name, gradient, *options):
        """Means of the even and the odd calibrated lights, over their common mean."""
        flats = []
        for i in range(FLATS):
            level = FLAT_E * (1 - 0.006 * i)
            angle = 1.0 + 0.2 * np.sin(i)
            tilt = 1 + gradient * (np.cos(angle) * self.u + np.sin(angle) * self.v)
            flats.append(self.save(f"{name}_flat{i}", "flat", level * self.flat * tilt))
        master = self.folder / f"{name}.fits"
        self.coldframe("master", "flat", *flats, "--subtract", self.folder / "bias.fits", "-o", master, *options)
        out = self.folder / name
        self.coldframe("calibrate", *self.lights, "--bias", self.folder / "bias.fits", "--flat", master, "-o", out)
        frames = [fits.getdata(path) for path in sorted(out.glob("light*.fits"))]
        self.assertEqual(len(frames), LIGHTS)
        halves = [np.mean(frames[k::2], axis=0, dtype=float) for k in (0, 1)]
        level = 0.5 * (halves[0].mean() + halves[1].mean())
        return halves[0] / level - 1, halves[1] / level - 1, master

    def look(self, first, second):
        one, two = first - first.mean(), second - second.mean()
        residual = np.sqrt(max(np.mean(one * two), 0.0))
        mean = 0.5 * (one + two)
        found = {"rms": residual}
        for name, pattern in (("vignetting", self.vignetting), ("dust", self.dust)):
            p = pattern - pattern.mean()
            found[name + " slope"] = np.sum(mean * p) / np.sum(p * p)
            found[name + " correlation"] = np.mean(mean * p) / mean.std() / p.std()
        print("flats:", {k: round(float(v), 5) for k, v in found.items()})
        return found

    def test_residual(self):
        first, second, _ = self.reduce("even", 0.0)
        found = self.look(first, second)
        # Issue 3: at most 0.1% rms beyond photon noise; the 50 flats' own photons alone are 0.07%. The
        # covariance of 630,000 pixels of noise 0.45% each is known to 2.6e-8: 0.0001 at most on the rms.
        self.assertLess(found["rms"], 0.001)
        for pattern in ("vignetting", "dust"):
            # Errors of the slopes, noise 0.33% a pixel: 3e-5 and 4e-4; of the correlation 0.0013.
            self.assertLess(abs(found[pattern + " slope"]), 0.005)
            self.assertLess(abs(found[pattern + " correlation"]), 0.005)

    def test_sky_gradient_in_the_flats(self):
        # The plane of a twilight sky, 5% to both sides, varying from flat to flat.
        first, second, master = self.reduce("tilted", 0.05, "--flat-gradient", "remove")
        found = self.look(first, second)
        self.assertLess(found["rms"], 0.001)
        self.assertLess(abs(found["vignetting slope"]), 0.005)
        mean = 0.5 * (first + second)
        for plane in (self.u, self.v):
            self.assertLess(abs(np.sum(mean * plane) / np.sum(plane * plane)), 0.0005)  # of 5%
        self.assertTrue(any("plane of brightness was taken out" in str(card) for card in fits.getheader(master)["HISTORY"]))
        kept, also, _ = self.reduce("kept", 0.05)
        self.assertGreater(self.look(kept, also)["rms"], 0.01)


if __name__ == "__main__":
    unittest.main()
