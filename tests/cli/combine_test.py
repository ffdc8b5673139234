#!/usr/bin/python3
"""What a run says of its combination: exposure, weights, growth of depth, shares, particles.

Needs COLDFRAME_PROGRAM and COLDFRAME_TESTDATA.
"""
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
SCENES = Path(os.environ["COLDFRAME_TESTDATA"]) / "scenes"


def call(*args):
    done = subprocess.run([PROGRAM, *map(str, args)], capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    return done


class Combining(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder = tempfile.TemporaryDirectory()
        cls.work = Path(cls.folder.name)
        call("simulate", SCENES / "tiny.json", "-o", cls.work / "tiny", "--quiet")

    @classmethod
    def tearDownClass(cls):
        cls.folder.cleanup()

    def run_tiny(self, name, *options):
        out = self.work / name
        call("run", self.work / "tiny", "-o", out, "--quiet", *options)
        record = json.loads((out / "session.json").read_text())
        result = record["results"][0]
        with fits.open(out / result["path"]) as hdus:
            return record, result, hdus[0].header, hdus["WEIGHT"].data

    def test_depth_and_shares(self):
        record, result, _, _ = self.run_tiny("plain")
        kept = [s for s in record["subs"] if s["kept"]]
        self.assertAlmostEqual(sum(s["contribution"] for s in kept), 1.0, places=6)
        self.assertGreater(result["snr_of_ideal"], 0.97)
        self.assertLessEqual(result["snr_of_ideal"], 1.001)
        # 37 blocks of 8 px in so small a frame: whether they are enough is not asserted, but what is
        # said must hang together.
        if result["depth_growth"] is not None:
            steps = result["depth_growth"]["steps"]
            self.assertEqual(steps[-1]["subs"], len(kept))
            self.assertLess(steps[-1]["noise"], steps[0]["noise"])
        self.assertIn("Signal to noise, of the ideal", (self.work / "plain/report.html").read_text())
        self.assertIsNone(record["subs"][0]["cosmic_ray_pixels"])  # six subs: told by comparison

    def test_weight_zero_counts_in_no_exposure(self):
        lights = sorted(p.relative_to(self.work / "tiny").as_posix()
                        for p in (self.work / "tiny").rglob("*.fits") if "light" in p.as_posix())
        self.assertEqual(len(lights), 6)
        table = self.work / "weights.csv"
        table.write_text("".join(f"{name},{0 if k == 2 else 1 + k}\n" for k, name in enumerate(lights)))
        record, result, header, weight = self.run_tiny("weighted", "--weights-file", table)
        self.assertEqual(header["NCOMBINE"], 5)
        self.assertEqual(header["EXPTOTAL"], 300.0)
        self.assertLessEqual(np.nanmax(weight), 300.0)
        self.assertEqual(result["exposure_s"], 300.0)
        left = [s for s in record["subs"] if s["path"] == lights[2]][0]
        self.assertFalse(left["kept"])
        self.assertIn("owner", left["reason"])

    def two_subs(self, name, hits):
        """The first two lights of the session; `hits`: x, y, ADU added to the first."""
        session = self.work / name
        shutil.copytree(self.work / "tiny", session)
        lights = sorted(p for p in session.rglob("*.fits") if "light" in p.as_posix())
        for light in lights[2:]:
            light.unlink()
        with fits.open(lights[0], mode="update") as hdus:
            data = hdus[0].data.astype(float)
            for x, y, adu in hits:
                data[y, x] = min(data[y, x] + adu, 60000)
            hdus[0].data = data.astype(np.uint16)
        out = self.work / (name + "-out")
        call("run", session, "-o", out, "--quiet", "--no-background", "--reference",
             lights[1].relative_to(session).as_posix())
        record = json.loads((out / "session.json").read_text())
        with fits.open(out / record["results"][0]["path"]) as hdus:
            return record, hdus[0].data.astype(float), hdus["UNCERT"].data.astype(float)

    def test_two_subs_hold_no_particles(self):
        rng = np.random.default_rng(3)
        hits = [(int(x), int(y), 1500.0 + 4000.0 * rng.random())
                for x, y in zip(rng.integers(15, 225, 60), rng.integers(15, 145, 60))]
        clean_record, clean, _ = self.two_subs("clean", [])
        record, image, uncert = self.two_subs("hit", hits)
        found = record["subs"][0]["cosmic_ray_pixels"]
        before = clean_record["subs"][0]["cosmic_ray_pixels"]
        self.assertGreaterEqual(found - before, 55)
        # Both nights differ in the hits alone: what they left is seen directly. A hit pixel costs its
        # sample, which moves the mean by its own noise at most.
        moved = np.abs(image - clean) / uncert
        moved = moved[np.isfinite(moved)]
        self.assertLess(np.count_nonzero(moved > 6.0), 5)


if __name__ == "__main__":
    unittest.main()
