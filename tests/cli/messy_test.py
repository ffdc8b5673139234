#!/usr/bin/python3
"""A folder as it grows over years: several spellings, file types, cameras and gains, copies, broken files. What each
file is taken for, and what is said. Needs COLDFRAME_PROGRAM."""
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
W, H = 320, 240


class Messy(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.scratch = tempfile.TemporaryDirectory(prefix="coldframe-messy-")
        cls.addClassCleanup(cls.scratch.cleanup)
        cls.folder = Path(cls.scratch.name) / "Ordner äöü"
        rng = cls.rng = np.random.default_rng(61)
        cls.y, cls.x = np.mgrid[0:H, 0:W]
        cls.vignetting = 1 - 0.25 * ((cls.x - W / 2) ** 2 + (cls.y - H / 2) ** 2) / (W * W / 4 + H * H / 4)
        cls.dark = np.where(rng.random((H, W)) < 0.004, rng.exponential(2.0, (H, W)), 0.02)
        cls.stars = [(rng.uniform(5, W - 5), rng.uniform(5, H - 5), 500 * 10 ** rng.exponential(0.5)) for _ in range(60)]
        cls.minute = 0
        cls.kinds, cls.exposures = {}, {}
        cls.lights()
        cls.calibration()
        shutil.copy(cls.folder / "Nacht 1/LIGHT_0.FIT", cls.folder / "Nacht 1/LIGHT_0 (Kopie).FIT")
        (cls.folder / "notes.txt").write_text("clouds at two")
        (cls.folder / "broken.fits").write_bytes(b"SIMPLE  =    T" + b"x" * 500)
        (cls.folder / "empty.fits").write_bytes(b"")
        done = subprocess.run([PROGRAM, "survey", cls.folder, "--json"], capture_output=True, text=True, timeout=120)
        assert done.returncode == 0, done.stderr
        cls.survey = json.loads(done.stdout)

    @classmethod
    def save(cls, name, kind, seconds, light=0.0, dtype=np.uint16, gain=1.0, packed=False, **cards):
        cls.minute += 1
        electrons = cls.rng.poisson(light + cls.dark * seconds, (H, W))
        codes = np.clip(np.rint(electrons / gain + 300 + cls.rng.normal(0, 3 / gain, (H, W))), 0, 32000)
        header = fits.Header()
        header["INSTRUME"], header["XBINNING"], header["YBINNING"] = "Kestrel 4", 1, 1
        header["CCD-TEMP"], header["GAIN"], header["OFFSET"] = -10.0 + 0.2 * cls.rng.normal(), 100, 20
        header["DATE-OBS"] = f"2033-02-10T20:{cls.minute // 60:02d}:{cls.minute % 60:02d}"
        for key, value in cards.items():
            header[key.replace("_", "-")] = value
        path = cls.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        data = codes.astype(dtype)
        if packed:
            fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(data, header)]).writeto(path)
        else:
            fits.writeto(path, data, header)
        cls.kinds[name], cls.exposures[name] = kind, seconds

    @classmethod
    def light(cls, name, seconds=120.0, **how):
        dx, dy = cls.rng.uniform(-5, 5, 2)
        sky = np.full((H, W), 3.0 * seconds)
        for x, y, flux in cls.stars:
            sky += flux * seconds / 8 / (2 * np.pi * 1.4 ** 2) * np.exp(
                -0.5 * ((cls.x - x - dx) ** 2 + (cls.y - y - dy) ** 2) / 1.4 ** 2)
        how.setdefault("FILTER", "L")
        how.setdefault("OBJECT", "Amsel Nebel")
        cls.save(name, "light", seconds, sky * cls.vignetting, **how)

    @classmethod
    def lights(cls):
        for i in range(3):
            cls.light(f"Nacht 1/Lichtbilder/Größe {i}.fit", IMAGETYP="Light Frame", EXPTIME=120.0, FILTER="Lum")
        for i in range(2):
            cls.light(f"Nacht 1/LIGHT_{i}.FIT", IMAGETYP="LIGHT", EXPOSURE=120.0, FILTER="Luminance", OBJECT="Amsel nebel")
        cls.light("n2/lights/tiles.fits.fz", packed=True, IMAGETYP="light", EXPTIME=120.0)
        cls.light("n2/lights/float.fits", dtype=np.float32, IMAGETYP="object", EXPTIME=120.0)
        cls.light("n2/lights/long.fits", dtype=np.int32, IMAGETYP="light", EXPTIME=120.0)
        cls.light("n2/lights/signed.fits", dtype=np.int16, IMAGETYP="light", EXPTIME=120.0)
        cls.light("n2/lights/untold.fits", EXPTIME=120.0)
        cls.light("n2/lights/ms.fits", IMAGETYP="light", EXPTIME=(120000.0, "[ms] exposure"))
        for i in range(3):
            cls.light(f"n2/lights/low gain {i}.fits", IMAGETYP="light", EXPTIME=120.0, gain=4.0, GAIN=0)
        for i in range(3):
            cls.light(f"friend/{i}.fits", 90.0, gain=0.4, IMAGETYP="light", EXPTIME=90.0, INSTRUME="Merlin 9")

    @classmethod
    def calibration(cls):
        for i in range(8):
            cls.save(f"Kalibration/Darks/dark{i}.fits", "dark", 120.0, IMAGETYP="Dark Frame", EXPTIME=120.0,
                     DATE_OBS=f"2032-01-05T20:00:{i:02d}")
            cls.save(f"Kalibration/zero{i}.fits", "bias", 0.0, IMAGETYP="zero", EXPTIME=0.0,
                     DATE_OBS=f"2032-01-05T21:00:{i:02d}")
            cls.save(f"Kalibration/flat {i}.fits", "flat", 1.5, 25000 * cls.vignetting, IMAGETYP="Flat Field", EXPTIME=1.5,
                     FILTER="lum")
            cls.save(f"Kalibration/fd {i}.fits", "dark", 1.5, IMAGETYP="FlatDark", EXPTIME=1.5)
        cls.save("Kalibration/biases/untold.fits", "bias", 0.0, EXPTIME=0.0, DATE_OBS="2032-01-05T22:00:00")

    def test_what_each_file_is(self):
        seen = {f["file"]: f for f in self.survey["frames"]}
        copy = "Nacht 1/LIGHT_0 (Kopie).FIT"
        self.assertEqual(set(seen), set(self.kinds) - {copy})
        for name, kind in self.kinds.items():
            self.assertIn(kind, seen[name]["kind"].replace("flat-dark", "dark").replace("flat dark", "dark"), name)
            self.assertAlmostEqual(seen[name]["exposure_s"], self.exposures[name], places=3, msg=name)

    def test_run(self):
        out = Path(self.scratch.name) / "out"
        done = subprocess.run([PROGRAM, "run", self.folder, "-o", out, "--no-background", "--quiet"], capture_output=True,
                              text=True, timeout=300)
        self.assertEqual(done.returncode, 0, done.stderr)
        record = json.loads((out / "session.json").read_text())
        left_out = " ".join(done.stderr.splitlines())
        for text in ("broken.fits", "empty.fits", "LIGHT_0 (Kopie).FIT: left out, is the same picture as Nacht 1/LIGHT_0.FIT"):
            self.assertIn(text, left_out)
        # One object and filter whatever the spelling; nothing is dropped: another gain or camera is no cloud.
        self.assertEqual(len(record["results"]), 1, [r["object"] + r["filter"] for r in record["results"]])
        self.assertEqual([s["path"] + ": " + s["reason"] for s in record["subs"] if not s["kept"]], [])
        self.assertFalse([h for h in record["hints"] if "cloud" in h["code"]], record["hints"])
        codes = [w["code"] for w in record["warnings"]]
        self.assertEqual(codes.count("old-calibration"), 1)  # darks of thirteen months ago
        self.assertEqual(len({w["message"] for w in record["warnings"]}), len(codes), "the same line twice")
        by_sub = {s["path"]: [record["masters"][m]["kind"] for m in s["masters"]] for s in record["subs"]}
        self.assertEqual(sorted(by_sub["n2/lights/ms.fits"]), ["dark", "flat"])
        self.assertEqual(by_sub["n2/lights/low gain 0.fits"], ["flat"])
        self.assertEqual(by_sub["friend/0.fits"], [])


if __name__ == "__main__":
    unittest.main()
