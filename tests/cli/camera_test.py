#!/usr/bin/python3
"""`coldframe camera` on frames made here with numpy, checked against their truth and numpy's own
photon transfer. Needs COLDFRAME_PROGRAM and COLDFRAME_TESTDATA."""
import json
import os
import subprocess
import tempfile
import unittest
import xml.dom.minidom
from pathlib import Path

import numpy as np
from astropy.io import fits

PROGRAM = os.environ["COLDFRAME_PROGRAM"]
SIDE = 512


def call(*args):
    return subprocess.run([PROGRAM, *map(str, args)], capture_output=True, text=True, timeout=120)


class Sensor:
    """Gain, read noise, bias level and full well known; 12 bits shifted left by 4 if asked."""

    def __init__(self, gain=1.5, noise=6.0, offset=300.0, full=65535, step=1, seed=1):
        self.gain, self.noise, self.offset, self.full, self.step = gain, noise, offset, full, step
        self.rng = np.random.default_rng(seed)
        self.prnu = 1 + 0.01 * self.rng.standard_normal((SIDE, SIDE))
        y, x = np.mgrid[0:SIDE, 0:SIDE] / SIDE - 0.5
        self.vignette = 1 - 0.6 * (x * x + y * y)

    def frame(self, electrons=0.0, dark=0.0):
        light = self.rng.poisson(electrons * self.vignette * self.prnu + dark)
        adu = (light + self.noise * self.rng.standard_normal(light.shape)) / self.gain + self.offset
        return (np.clip(np.round(adu / self.step), 0, self.full // self.step) * self.step).astype(np.uint16)


class Camera(unittest.TestCase):
    def setUp(self):
        self.folder = tempfile.TemporaryDirectory(prefix="coldframe-camera-")
        self.root = Path(self.folder.name)
        self.addCleanup(self.folder.cleanup)

    def write(self, name, pixels, kind, exposure, **cards):
        header = fits.Header()
        header["IMAGETYP"], header["EXPTIME"], header["INSTRUME"] = kind, exposure, "Sample Camera"
        for key, value in cards.items():
            header[key.replace("_", "-")] = value
        path = self.root / name
        fits.writeto(path, pixels, header, overwrite=True)
        return path

    def measure(self, *args, status=0):
        done = call("camera", *args, "--json")
        self.assertEqual(done.returncode, status, done.stderr)
        return json.loads(done.stdout), done.stderr

    def least(self, sensor, electrons=30000, **cards):
        bias = [self.write(f"b{i}.fits", sensor.frame(), "Bias Frame", 0.0, **cards) for i in (1, 2)]
        flat = [self.write(f"f{i}.fits", sensor.frame(electrons), "Flat Field", 1.0, **cards) for i in (1, 2)]
        return bias, flat

    def test_two_and_two_agree_with_truth_and_numpy(self):
        sensor = Sensor()
        bias, flat = self.least(sensor, GAIN=120, EGAIN=2.0)
        svg = self.root / "plots" / "p.svg"
        record, _ = self.measure("--bias", *bias, "--flat", *flat, "--plot", svg)
        camera = record["cameras"][0]
        # 512^2 pixels: sqrt(2/n) = 0.28% of the variance; four of it.
        self.assertAlmostEqual(camera["gain_e_per_adu"] / 1.5, 1.0, delta=0.011)
        self.assertAlmostEqual(camera["read_noise_e"] / 6.0, 1.0, delta=0.02)
        f1, f2, b1, b2 = (fits.getdata(p).astype(float) for p in (*flat, *bias))
        by_numpy = ((f1 + f2).mean() - (b1 + b2).mean()) / (np.var(f1 - f2) - np.var(b1 - b2))
        self.assertAlmostEqual(camera["gain_e_per_adu"] / by_numpy, 1.0, delta=0.005)
        self.assertTrue(any("EGAIN" in note for note in camera["notes"]))
        self.assertGreaterEqual(len(camera["more_frames_would_add"]), 3)
        xml.dom.minidom.parseString(svg.read_text())
        again, _ = self.measure(self.root, "--threads", 3)
        self.assertEqual(again["cameras"][0]["gain_e_per_adu"], camera["gain_e_per_adu"])

    def test_shifted_codes_ladder_darks_and_troubled_flats(self):
        sensor = Sensor(gain=0.5, noise=8.0, offset=512, full=65520, step=16, seed=3)
        for i in range(2):
            self.write(f"b{i}.fits", sensor.frame(), "bias", 0.0)
            for level in (3000, 8000, 13000, 18000, 23000, 28000):
                self.write(f"f{level}_{i}.fits", sensor.frame(level), "flat", level / 1000)
            self.write(f"over{i}.fits", sensor.frame(90000), "flat", 90.0)
            self.write(f"dim{i}.fits", sensor.frame(0.2), "flat", 0.0002)
            for t in (0, 12):
                for s in (60, 300):
                    self.write(f"d{t}_{s}_{i}.fits", sensor.frame(dark=0.2 * 2 ** (t / 6) * s), "dark", s,
                               CCD_TEMP=float(t))
        self.write("alone.fits", sensor.frame(9000), "flat", 7.0)
        record, complaints = self.measure(self.root)
        camera = record["cameras"][0]
        self.assertEqual((camera["code_step_adu"], camera["saturation_adu"], camera["saturation_source"]),
                         (16, 65520, "codes"))
        self.assertAlmostEqual(camera["gain_e_per_adu"], 0.5, delta=0.005)
        self.assertAlmostEqual(camera["read_noise_e"], 8.0, delta=0.25)
        self.assertAlmostEqual(camera["full_well_e"], (65520 - 512) * 0.5, delta=350)
        self.assertAlmostEqual(camera["prnu"], 0.01, delta=0.0006)
        self.assertEqual(camera["linearity"]["status"], "measured")
        self.assertLess(abs(camera["linearity"]["largest_deviation"]), 0.003)
        rates = {round(d["temperature_c"]): d["dark_current_e_per_s"] for d in camera["dark_currents"]}
        self.assertAlmostEqual(rates[0], 0.2, delta=0.01)
        self.assertAlmostEqual(camera["dark_doubling_c"], 6.0, delta=0.2)
        for name in ("over0.fits", "over1.fits", "dim0.fits", "alone.fits"):
            self.assertIn(name, complaints)

    def test_run_learns_gain_and_saturation_of_shifted_codes(self):
        session = self.root / "session"
        done = call("simulate", Path(os.environ["COLDFRAME_TESTDATA"]) / "scenes" / "tiny.json", "-o", session,
                    "--quiet")
        self.assertEqual(done.returncode, 0, done.stderr)
        for path in session.rglob("*.fits"):
            if path.name == "truth.fits":
                continue
            with fits.open(path, mode="update", memmap=False) as hdus:
                gain = hdus[0].header.pop("EGAIN", None)
                for key in ("SATURATE", "RDNOISE"):
                    hdus[0].header.pop(key, None)
                # 12 bits shifted left by 2: steps of 4, and star cores pile up at 16380, far below 65535.
                light = hdus[0].data.astype(float)
                if "lights" in str(path):
                    y, x = np.mgrid[0:light.shape[0], 0:light.shape[1]]
                    for k in range(1, 6):
                        light += 200000 / k * np.exp(-((x - 30.0 * k) ** 2 + (y - 20.0 * k) ** 2) / 5.0)
                codes = np.floor(light / 8.0)
                hdus[0].data = (np.clip(codes, 0, 4095) * 4).astype(np.uint16)
        self.assertIsNotNone(gain)
        out = self.root / "out"
        done = call("run", session, "-o", out, "--quiet")
        self.assertEqual(done.returncode, 0, done.stderr)
        camera = json.loads((out / "session.json").read_text())["cameras"][0]
        self.assertEqual(camera["source"], "photon-transfer")
        self.assertAlmostEqual(camera["gain_e_per_adu"] / (gain * 2.0), 1.0, delta=0.04)
        self.assertEqual(camera["saturation_adu"], 16380)

    def test_trouble_is_named_with_the_right_status(self):
        bias, flat = self.least(Sensor())
        self.assertEqual(call("camera").returncode, 2)
        self.assertEqual(call("camera", "--bias", self.root / "none.fits").returncode, 3)
        _, complaints = self.measure("--bias", *bias, "--flat", flat[0], status=4)
        self.assertIn("no partner", complaints)
        broken = self.root / "broken.fits"
        broken.write_bytes(flat[0].read_bytes()[:20000])
        _, complaints = self.measure("--bias", *bias, "--flat", *flat, broken)
        self.assertIn("broken.fits", complaints)
        quiet = call("camera", self.root, "--quiet")
        self.assertEqual((quiet.returncode, quiet.stdout), (0, ""))
        self.assertIn("Example", call("camera", "--help").stdout)


if __name__ == "__main__":
    unittest.main()
