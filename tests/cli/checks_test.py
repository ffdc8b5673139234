#!/usr/bin/python3
"""Calibration checks of `coldframe run`: a small simulated session with one fault put into its
files by numpy at a time is told of that fault by its code, once, and of no other; the clean one of
none. The faults' sizes are chosen here, the limits are not read from the program. Needs
COLDFRAME_PROGRAM."""
import json
import os
import shutil
import subprocess
import tempfile
import unittest
from pathlib import Path

import numpy as np
from astropy.io import fits

PROGRAM = os.environ["COLDFRAME_PROGRAM"]
CHECKS = {"dark-mismatch", "offset-mismatch", "gain-mismatch", "flat-mismatch", "glow-mismatch",
          "pedestal-clipped", "dark-light", "dust-moved", "shared-noise", "flat-saturated",
          "flat-dim", "flat-shape", "flat-nonlinear", "dark-level"}
WIDTH, HEIGHT = 600, 420
SCENE = {
    "name": "checks", "object": "Wren Galaxy", "filter": "L", "seed": 77,
    "sensor": {"width": WIDTH, "height": HEIGHT, "hot_pixel_share": 0.002, "hot_pixel_e_per_s": 5.0,
               "pixel_response_sd": 0.006},
    "optics": {"vignetting": 0.3, "dust_count": 10, "dust_depth": 0.06},
    "sky": {"sky_e_per_s": 8.0, "gradient": 0.1, "stars": 250, "brightest_e_per_s": 4000,
            "galaxy_e_per_s": 1500, "galaxy_radius_px": 20, "galaxy_index": 1.5},
    "lights": {"count": 6, "exposure_s": 120, "seeing_fwhm_px": 2.8, "seeing_sd": 0.1,
               "dither_px": 10, "cosmic_rays": 1},
    "spacing_s": 130, "darks": 10, "dark_exposure_s": 120, "flats": 8, "flat_exposure_s": 2,
    "flat_darks": 8,
}


def simulate(folder, **changes):
    scene = json.loads(json.dumps(SCENE))
    for key, value in changes.items():
        part, _, name = key.partition("__")
        if name:
            scene[part][name] = value
        else:
            scene[part] = value
    path = folder / "scene.json"
    path.write_text(json.dumps(scene))
    session = folder / "session"
    done = subprocess.run([PROGRAM, "simulate", path, "-o", session, "--quiet"], capture_output=True,
                          text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    return session


class Checks(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder = tempfile.TemporaryDirectory(prefix="coldframe-checks-")
        cls.root = Path(cls.folder.name)
        cls.addClassCleanup(cls.folder.cleanup)
        (cls.root / "clean").mkdir()
        cls.clean = simulate(cls.root / "clean")
        y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
        cls.away = np.hypot(x - WIDTH + 1, y)  # from a corner
        cls.vignetting = 1 - 0.3 * (((x - WIDTH / 2) ** 2 + (y - HEIGHT / 2) ** 2)
                                    / (WIDTH ** 2 + HEIGHT ** 2) * 4)

    def told(self, session, name):
        out = self.root / ("out-" + name)
        done = subprocess.run([PROGRAM, "run", session, "-o", out, "--no-background", "--quiet"],
                              capture_output=True, text=True, timeout=120)
        self.assertEqual(done.returncode, 0, done.stderr)
        record = json.loads((out / "session.json").read_text())
        shutil.rmtree(out)
        found = [w for w in record["warnings"] if w["code"] in CHECKS]
        return [w["code"] for w in found], [w["message"] for w in found]

    def fault(self, name, *edits):
        """A copy of the clean session; `edits`: kind of frame and what becomes of its pixels."""
        session = self.root / name
        shutil.copytree(self.clean, session)
        self.addCleanup(shutil.rmtree, session)
        for kind, edit in edits:
            paths = sorted((session / kind).glob("*.fits"))
            self.assertTrue(paths, kind)
            for k, path in enumerate(paths):
                pixels, header = fits.getdata(path, header=True)
                for key in ("CHECKSUM", "DATASUM", "BZERO", "BSCALE"):
                    header.remove(key, ignore_missing=True)
                rng = np.random.default_rng(1000 + k)
                changed = np.clip(np.rint(edit(pixels.astype(float), rng)), 0, 65535)
                fits.writeto(path, changed.astype(np.uint16), header, overwrite=True)
        return session

    def only(self, session, name, code):
        codes, messages = self.told(session, name)
        self.assertEqual(codes, [code], messages)
        self.assertGreater(len(messages[0]), 40)
        return messages[0]

    def test_clean(self):
        self.assertEqual(self.told(self.clean, "clean")[0], [])

    def test_dark_of_another_temperature(self):
        # 30% of the hot pixels' signal missing; the level stays.
        def colder(a, _):
            level = np.median(a)
            return np.where(a > level + 40, level + 0.7 * (a - level), a)
        message = self.only(self.fault("colder", ("darks", colder)), "colder", "dark-mismatch")
        share = float(message.split("keep ")[1].split("%")[0])
        self.assertAlmostEqual(share, 43, delta=6)  # 1/0.7 - 1

    def test_darks_of_another_gain(self):
        # Lights of a sky so dark that read noise rules: sqrt(12 + 2.4 + 9) = 4.8 e; the darks at 2.2
        # times the amplification have 2.2 sqrt(2.4 + 9) = 7.4 of the lights' units.
        (self.root / "dim").mkdir()
        session = simulate(self.root / "dim", sky__sky_e_per_s=0.1)
        self.assertEqual(self.told(session, "dim")[0], [])
        clean, self.clean = self.clean, session
        try:
            other = self.fault("gain", ("darks", lambda a, _: np.median(a) + 2.2 * (a - np.median(a))))
        finally:
            self.clean = clean
        self.assertIn("calmer", self.only(other, "gain", "gain-mismatch"))

    def some_flats(self, name, which, edit):
        count = iter(range(1000))
        return self.fault(name, ("flats", lambda a, r: edit(a, r) if next(count) in which else a))

    def test_saturated_flats(self):
        message = self.only(self.some_flats("bright", (2, 5), lambda a, _: 3 * a), "bright",
                            "flat-saturated")
        self.assertIn("frames 3, 6", message)

    def test_only_saturated_flats(self):
        # Not one is left: the job goes on without and says so.
        self.assertIn("no frame is fit", self.only(self.fault("burnt", ("flats", lambda a, _: 9 * a)),
                                                   "burnt", "flat-saturated"))

    def test_dim_flats(self):
        self.assertIn("frames 2, 4, 7", self.only(
            self.some_flats("dark-flats", (1, 3, 6), lambda a, r: 500 + r.poisson(6, a.shape) +
                            r.normal(0, 3, a.shape)), "dark-flats", "flat-dim"))

    def test_flats_of_another_shape(self):
        tilt = 1 + 0.06 * (np.arange(WIDTH) / WIDTH - 0.5)
        self.assertIn("frame 4", self.only(self.some_flats("tilt", (3,), lambda a, _: a * tilt), "tilt",
                                           "flat-shape"))

    def test_non_linear_flats(self):
        # Up to 8% of the light missing at 25,500 ADU; the eight flats fade by a fifth.
        message = self.only(self.fault("bent", ("flats", lambda a, _: a - 0.08 * np.clip(a - 500, 0, None) ** 2
                                                / 25500)), "bent", "flat-nonlinear")
        missing = float(message.split("ADU ")[1].split("%")[0])
        self.assertAlmostEqual(missing, 8, delta=2)

    def test_another_offset(self):
        self.only(self.fault("offset", ("darks", lambda a, _: a + 1500)), "offset", "offset-mismatch")

    def test_flat_under_correction(self):
        # Stray light as large as 40% of the flat.
        self.assertIn("too little", self.only(
            self.fault("haze", ("flats", lambda a, r: a + r.poisson(0.4 * np.median(a), a.shape))),
            "haze", "flat-mismatch"))

    def test_flat_over_correction(self):
        # Sky light that did not come through the optics: 60% of it unvignetted, in the lights.
        self.assertIn("over", self.only(
            self.fault("stray", ("lights", lambda a, r: a + r.poisson(600, a.shape))), "stray",
            "flat-mismatch"))

    def test_glow(self):
        glow = 120 * np.exp(-self.away ** 2 / 2 / 90.0 ** 2)
        self.only(self.fault("glow", ("darks", lambda a, r: a + r.poisson(glow))), "glow",
                  "glow-mismatch")

    def test_light_in_the_darks(self):
        self.only(self.fault("light", ("darks", lambda a, r: a + r.poisson(80 * self.vignetting))),
                  "light", "dark-light")

    def test_clipped_pedestal(self):
        # Offset so low that half of the dark pixels are at zero.
        low = float(np.median(fits.getdata(sorted((self.clean / "darks").glob("*.fits"))[0])))
        codes, messages = self.told(self.fault("clip", ("darks", lambda a, _: a - low),
                                               ("flat_darks", lambda a, _: a - low),
                                               ("flats", lambda a, _: a - low),
                                               ("lights", lambda a, _: a - low)), "clip")
        self.assertEqual(codes, ["pedestal-clipped"], messages)

    def test_moved_dust(self):
        (self.root / "dust").mkdir()
        message = self.only(simulate(self.root / "dust", optics__dust_moved_px=16.0), "dust",
                            "dust-moved")
        away = float(message.split("some ")[1].split(" px")[0])
        self.assertAlmostEqual(away, 16, delta=3)

    def test_noise_shared_by_undithered_subs(self):
        # Ten subs on the same pixels, two darks only: dark noise s^2/2 stays while the rest,
        # s^2 + sky, goes with 1/10. s = 20 e, sky 120 s of 1 e/s: 200/(200 + 520/10) = 79%.
        (self.root / "still").mkdir()
        session = simulate(self.root / "still", lights__dither_px=0, lights__count=10, darks=2,
                           sky__sky_e_per_s=1.0, sensor__read_noise_e=20.0,
                           sensor__hot_pixel_share=0.0)
        message = self.only(session, "still", "shared-noise")
        self.assertAlmostEqual(float(message.split(": ")[1].split("%")[0]), 79, delta=6)
        (self.root / "moving").mkdir()
        session = simulate(self.root / "moving", lights__count=10, darks=2, sky__sky_e_per_s=1.0,
                           sensor__read_noise_e=20.0, sensor__hot_pixel_share=0.0)
        self.assertEqual(self.told(session, "moving")[0], [])


if __name__ == "__main__":
    unittest.main()
