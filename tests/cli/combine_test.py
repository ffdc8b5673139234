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

    def test_star_peaks_survive_changing_seeing(self):
        scene = {
            "name": "seeing", "object": "Lark Field", "filter": "L", "seed": 11,
            "sensor": {"width": 360, "height": 280, "hot_pixel_share": 0.0},
            "optics": {"vignetting": 0.1, "dust_count": 0},
            "sky": {"sky_e_per_s": 3.0, "gradient": 0.0, "stars": 120, "brightest_e_per_s": 1200,
                    "magnitude_range": 4.0, "galaxy_e_per_s": 10, "galaxy_radius_px": 8, "galaxy_index": 1.0},
            "lights": {"count": 8, "exposure_s": 60, "seeing_fwhm_px": 3.2, "seeing_sd": 0.64, "dither_px": 5,
                       "cosmic_rays": 0.0},
            "spacing_s": 66, "darks": 6, "dark_exposure_s": 60, "flats": 5, "flat_darks": 4}
        (self.work / "seeing.json").write_text(json.dumps(scene))
        session = self.work / "seeing"
        call("simulate", self.work / "seeing.json", "-o", session, "--quiet")
        widths = [s["fwhm_px"] for s in json.loads((session / "truth.json").read_text())["subs"]]
        self.assertGreater(max(widths), 1.4 * min(widths))
        keep = self.work / "keep.txt"  # all of them, wide ones too
        keep.write_text("".join(f"lights/{p.name}\n" for p in sorted((session / "lights").iterdir())))
        images = {}
        for rule in ("noise-model", "none"):
            out = self.work / ("seeing-" + rule)
            call("run", session, "-o", out, "--quiet", "--no-background", "--keep-list", keep, "--rejection", rule)
            result = json.loads((out / "session.json").read_text())["results"][0]
            self.assertEqual(result["subs_kept"], 8)
            with fits.open(out / result["path"]) as hdus:
                images[rule] = hdus[0].data.astype(float)
                error, stars = hdus["UNCERT"].data, hdus["STARS"].data
        kept, all_in = images["noise-model"], images["none"]
        sky = np.nanmedian(all_in)
        ratios = []
        for x, y in zip(np.rint(stars["X"] - 1).astype(int), np.rint(stars["Y"] - 1).astype(int)):
            if not (8 < x < 351 and 8 < y < 271):
                continue
            box = all_in[y - 1:y + 2, x - 1:x + 2]
            j, i = np.unravel_index(np.argmax(box), box.shape)
            j, i = y - 1 + j, x - 1 + i
            if all_in[j, i] - sky > 30 * error[j, i]:
                ratios.append((kept[j, i] - sky) / (all_in[j, i] - sky))
        self.assertGreater(len(ratios), 40)
        self.assertLess(np.abs(np.array(ratios) - 1).max(), 0.005)


if __name__ == "__main__":
    unittest.main()
