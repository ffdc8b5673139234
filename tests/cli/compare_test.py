#!/usr/bin/python3
"""`coldframe compare` on simulated set-ups with known ratios: light, star width, sky and, for frames
summed 2 x 2 with numpy, scale. Needs COLDFRAME_PROGRAM."""
import copy
import json
import os
import subprocess
import tempfile
import unittest
from pathlib import Path

import numpy as np
from astropy.io import fits

PROGRAM = os.environ["COLDFRAME_PROGRAM"]
LIGHT, SKY, SEEING = 1.5, 0.7, 1.2
SCENE = {
    "name": "one", "object": "Compared Field", "filter": "L", "seed": 41,
    "sensor": {"width": 720, "height": 520, "read_noise_e": 2.0, "gain_e_per_adu": 1.0,
               "hot_pixel_share": 0, "cold_pixel_share": 0},
    "optics": {"vignetting": 0.1, "dust_count": 0, "psf_beta": 3.5},
    "sky": {"sky_e_per_s": 3.0, "gradient": 0.05, "stars": 260, "brightest_e_per_s": 4000,
            "magnitude_range": 6},
    "lights": {"count": 8, "exposure_s": 60, "seeing_fwhm_px": 3.2, "seeing_sd": 0.05,
               "dither_px": 8, "transparency_sd": 0.0, "cosmic_rays": 0},
    "darks": 12, "dark_exposure_s": 60, "flats": 10, "flat_exposure_s": 2, "flat_darks": 8,
}


def call(*args):
    done = subprocess.run([PROGRAM, *map(str, args)], capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stderr
    return done.stdout


def session(root, name, scene):
    (root / f"{name}.json").write_text(json.dumps(scene))
    call("simulate", root / f"{name}.json", "-o", root / name, "--quiet")
    return root / name


def summed(source, target):
    """The same night through half the focal length: means of 2 x 2 pixels, four electrons a count."""
    for path in source.rglob("*.fits"):
        with fits.open(path) as units:
            data, header = units[0].data.astype(float), units[0].header.copy()
        if "EGAIN" not in header:
            continue  # the truth, no frame
        binned = data.reshape(data.shape[0] // 2, 2, data.shape[1] // 2, 2).mean(axis=(1, 3))
        header["EGAIN"] = 4 * header["EGAIN"]
        if "FOCALLEN" in header:
            header["FOCALLEN"] = header["FOCALLEN"] / 2
        for key in ("BZERO", "BSCALE"):
            header.remove(key, ignore_missing=True)
        out = target / path.relative_to(source)
        out.parent.mkdir(parents=True, exist_ok=True)
        fits.writeto(out, binned.astype(np.float32), header)


class Compare(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder = tempfile.TemporaryDirectory(prefix="coldframe-compare-")
        cls.root = Path(cls.folder.name)
        other = copy.deepcopy(SCENE)
        other["name"] = "two"
        other["sky"]["brightest_e_per_s"] *= LIGHT
        other["sky"]["sky_e_per_s"] *= LIGHT * SKY
        other["lights"]["seeing_fwhm_px"] *= SEEING
        other["lights"]["count"] = 12
        # Other noise, same field: the stars come from the scene's seed.
        one = session(cls.root, "one", SCENE)
        two = session(cls.root, "two", other)
        summed(one, cls.root / "half")
        for name in ("one", "two", "half"):
            call("run", cls.root / name, "-o", cls.root / f"out_{name}", "--quiet")

    @classmethod
    def tearDownClass(cls):
        cls.folder.cleanup()

    def compare(self, a, b, *more):
        record = json.loads(call("compare", self.root / f"out_{a}", self.root / f"out_{b}", "--json", *more))
        return {f["code"]: f for f in record["figures"]}, record

    def near(self, figure, truth, tolerance=0.03):
        self.assertLess(abs(figure["ratio"] / truth - 1), tolerance, figure)

    def test_aperture_seeing_and_sky(self):
        page = self.root / "compared.html"
        figures, record = self.compare("one", "two", "-o", page)
        self.near(figures["light"], LIGHT)
        self.near(figures["sky"], SKY)
        # Recorded width: seeing and pixel by variance (the pixel's FWHM equivalent is 0.68 px).
        wide = np.hypot(3.2 * SEEING, 0.68) / np.hypot(3.2, 0.68)
        self.near(figures["width"], wide)
        self.near(figures["scale"], 1.0, 0.002)
        # Surfaces: light^2 by noise per pixel, sky and read noise alone (truth of the scene).
        noise = (3 * LIGHT * SKY * 60 + 4) / (3 * 60 + 4)
        self.near(figures["surface-speed"], LIGHT**2 / noise, 0.06)
        for code in ("light", "sky", "width", "star-speed", "surface-speed"):
            self.assertTrue(figures[code]["difference_shown"], figures[code])
        text = page.read_text()
        self.assertEqual(text.count("data:image/png"), 2)
        self.assertNotIn("<script", text)
        self.assertGreater(record["common_stars"], 60)

    def test_half_the_focal_length(self):
        figures, _ = self.compare("one", "half")
        self.near(figures["scale"], 2.0, 0.002)
        self.near(figures["light"], 1.0)
        self.near(figures["sky"], 1.0)
        self.near(figures["surface-speed"], 1.0, 0.06)  # the same photons

    def test_a_result_with_itself_shows_nothing(self):
        figures, _ = self.compare("one", "one")
        self.assertFalse([f for f in figures.values() if f["difference_shown"]])

    def test_what_cannot_be_compared_is_said(self):
        done = subprocess.run([PROGRAM, "compare", str(self.root / "out_one"), str(self.root / "nothing")],
                              capture_output=True, text=True)
        self.assertEqual(done.returncode, 3)
        self.assertEqual(len(done.stderr.strip().splitlines()), 1)


if __name__ == "__main__":
    unittest.main()
