#!/usr/bin/python3
"""`register` end to end: hard cases by a drawing of numpy's own, resampled frames, transforms written and taken back.

Stars are Gaussians integrated over pixels (products of error functions): positions and fluxes are truth."""
import json
import os
import subprocess
import tempfile
import unittest
from pathlib import Path

import numpy as np
from astropy.io import fits

import setups_test as drawn

PROGRAM = os.environ["COLDFRAME_PROGRAM"]


def call(*args):
    return subprocess.run([PROGRAM, *map(str, args)], capture_output=True, text=True, timeout=600)


class Hard(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.scratch = tempfile.TemporaryDirectory(prefix="coldframe-register-")
        cls.root = Path(cls.scratch.name)
        rng = np.random.default_rng(61)
        # Names, frame, scale, light, width, sky and read noise per second.
        plain = drawn.SetUp("Heron 90", 520, 400, 1.0, 1.0, 3.0, 0.3, 1.5)
        binned = drawn.SetUp("Heron 90 binned", 260, 200, 2.0, 1.0, 1.9, 1.2, 1.5)
        mirror = drawn.SetUp("Heron 90 diagonal", 520, 400, 1.0, 0.8, 3.2, 0.3, 1.5, True)
        cls.cases = {
            "reference": drawn.Sub(plain, (0, 0), 0.0),
            "dithered": drawn.Sub(plain, (7.3, -4.6), 0.002),
            "flipped": drawn.Sub(plain, (-9.2, 3.7), np.pi + 0.004),
            "mirrored": drawn.Sub(mirror, (4.0, 11.5), 1.1),
            "half overlap": drawn.Sub(plain, (258.0, 6.0), -0.003),
            "quarter overlap": drawn.Sub(plain, (262.0, 198.0), 0.01),
            "binned": drawn.Sub(binned, (3.1, 2.2), 0.4),
            "turned 12": drawn.Sub(plain, (2.0, -3.0), np.radians(12.0)),
            "turned 37": drawn.Sub(plain, (-5.0, 8.0), np.radians(37.0)),
            "turned 90": drawn.Sub(plain, (1.0, 1.0), np.radians(90.2)),
        }
        cls.stars = drawn.field(rng, 520, (-560, 700), (-560, 560), 60.0)
        cls.files = {}
        for i, (name, sub) in enumerate(cls.cases.items()):
            cls.files[name] = cls.root / (name.replace(" ", "-") + ".fits")
            drawn.save(cls.files[name], sub.draw(cls.stars, rng), sub, 3 * i)
        cls.transforms = cls.root / "transforms.json"
        cls.resampled = cls.root / "resampled"
        done = call("register", *cls.files.values(), "--reference", cls.files["reference"], "-o", cls.transforms,
                    "--resample", cls.resampled, "--quiet")
        assert done.returncode == 0, done.stderr
        cls.record = json.loads(cls.transforms.read_text())
        cls.rows = {Path(r["file"]).name: r for r in cls.record["files"]}

    @classmethod
    def tearDownClass(cls):
        cls.scratch.cleanup()

    def test_every_case_is_matched_to_hundredths_of_a_pixel(self):
        reference = self.cases["reference"]
        for name, sub in self.cases.items():
            with self.subTest(name):
                row = self.rows[self.files[name].name]
                self.assertTrue(row["matched"], row["why_not"])
                x, y = (a.ravel() for a in np.meshgrid(np.linspace(0, sub.set_up.w - 1, 7), np.linspace(0, sub.set_up.h - 1, 7)))
                p = np.array(row["transform"]["matrix"]) @ np.array([x, y, np.ones_like(x)])
                self.assertIsNone(row["transform"]["polynomial"])
                errors = np.hypot(*(p[:2] / p[2] - reference.from_plane(*sub.to_plane(x, y)))) / sub.set_up.scale
                # Overlaps of a half and less carry fewer than 100 common stars: beyond the stars errors grow.
                limits = (0.05, 0.20) if "overlap" in name else (0.02, 0.06)
                self.assertLess(np.median(errors), limits[0], row["matched_stars"])
                self.assertLess(errors.max(), limits[1], row["matched_stars"])

    def test_resampled_frames_keep_the_light_of_stars(self):
        """Sums over the same lonely stars before and after, to 0.1 % of their light in the mean, and in each to what the
        noise between the two apertures leaves."""
        y, x = np.mgrid[0:400, 0:520].astype(float)
        px, py = self.cases["reference"].from_plane(self.stars[:, 0], self.stars[:, 1])
        for name in ("dithered", "flipped", "mirrored", "turned 12", "turned 37", "turned 90"):
            with self.subTest(name):
                sub = self.cases[name]
                before = fits.getdata(self.files[name]).astype(float)
                # Names are told apart by a digest where two folders hold files of one name.
                (path,) = self.resampled.glob(self.files[name].stem + "*_registered.fits")
                after = fits.getdata(path).astype(float)
                self.assertEqual(after.shape, (400, 520))
                sx, sy = sub.from_plane(self.stars[:, 0], self.stars[:, 1])
                ratios, weights = [], []
                v, u = np.mgrid[0:sub.set_up.h, 0:sub.set_up.w].astype(float)
                for k in np.argsort(-self.stars[:, 2])[:160]:
                    far = np.hypot(px - px[k], py - py[k])
                    far[k] = 99.0
                    if far.min() < 22.0:
                        continue
                    inside = lambda a, b, w, h: 20 < a < w - 20 and 20 < b < h - 20
                    if not (inside(px[k], py[k], 520, 400) and inside(sx[k], sy[k], sub.set_up.w, sub.set_up.h)):
                        continue

                    def light(image, gx, gy, a, b):
                        r = np.hypot(gx - a, gy - b)
                        ring = image[(r > 11) & (r < 16)]
                        if not np.isfinite(ring).all():
                            return np.nan
                        # An edge two pixels wide, so that no pixel's centre decides.
                        w = np.clip((9.5 - r) / 2.0, 0.0, 1.0)
                        return np.sum(w * (np.nan_to_num(image) - ring.mean()))

                    one, two = light(before, u, v, sx[k], sy[k]), light(after, x, y, px[k], py[k])
                    if np.isfinite(one) and np.isfinite(two):
                        ratios.append(two / one)
                        weights.append(one)
                self.assertGreater(len(ratios), 12)
                ratios, weights = np.array(ratios), np.array(weights)
                bright = weights > 20000.0
                self.assertAlmostEqual(np.average(ratios, weights=weights), 1.0, delta=0.001)
                # Noise that enters one sum and not the other: some 60 e of 20,000 and more.
                self.assertLess(np.abs(ratios[bright] - 1).max(), 0.001 + 4 * 60 / weights[bright].min())

    def test_transforms_are_taken_back(self):
        again = self.root / "again"
        names = [self.files[n] for n in ("dithered", "turned 37")]
        done = call("register", *names, "--transforms", self.transforms, "--resample", again, "--quiet")
        self.assertEqual(done.returncode, 0, done.stderr)
        for path in sorted(again.glob("*.fits")):
            with fits.open(path) as a, fits.open(self.resampled / path.name) as b:
                self.assertEqual([h.header["DATASUM"] for h in a], [h.header["DATASUM"] for h in b])

    def test_integrate_takes_transforms_as_they_are(self):
        names = [self.files[n] for n in ("reference", "dithered", "flipped", "turned 12")]
        sums = []
        for n, options in enumerate((["--reference", names[0]], ["--transforms", self.transforms])):
            out = self.root / f"deep{n}.fits"
            done = call("integrate", *names, "-o", out, "--quiet", *options)
            self.assertEqual(done.returncode, 0, done.stderr)
            sums.append(fits.getdata(out))
        # Few subs and many give distortion and residuals alike here: the same grid to some hundredths.
        good = np.isfinite(sums[0]) & np.isfinite(sums[1])
        self.assertLess(np.std((sums[0] - sums[1])[good]), 0.05 * np.std(sums[0][good]))
        # A shift by the owner's hand is obeyed: all light moves, and comes back when moved back.
        changed = json.loads(self.transforms.read_text())
        for row in changed["files"]:
            if row["file"] != str(names[0]) and row["matched"]:
                row["transform"]["matrix"][0][2] += 6.0
        edited = self.root / "edited.json"
        edited.write_text(json.dumps(changed))
        out = self.root / "moved.fits"
        done = call("integrate", *names, "-o", out, "--quiet", "--transforms", edited, "--rejection", "none")
        self.assertEqual(done.returncode, 0, done.stderr)
        moved = np.nan_to_num(fits.getdata(out) - np.nanmedian(fits.getdata(out)))
        plain = np.nan_to_num(sums[1] - np.nanmedian(sums[1]))
        # Three of four subs lie 6 px off: the image resembles itself shifted.
        shifted = np.roll(plain, 6, axis=1)
        overlap = lambda a, b: np.sum(a * b) / np.sqrt(np.sum(a * a) * np.sum(b * b))
        self.assertGreater(overlap(moved, shifted), 0.8)
        self.assertGreater(overlap(moved, shifted), 1.5 * overlap(moved, plain))

    def test_bad_transforms_cost_one_line(self):
        broken = self.root / "broken.json"
        broken.write_text(self.transforms.read_text()[:300])
        done = call("integrate", *list(self.files.values())[:2], "-o", self.root / "none.fits", "--transforms", broken, "--quiet")
        self.assertIn(done.returncode, (2, 3))
        self.assertEqual(len(done.stderr.strip().splitlines()), 1)
        self.assertIn("broken.json", done.stderr)
        self.assertFalse((self.root / "none.fits").exists())

    def test_strangers_are_left_out_with_a_reason(self):
        rng = np.random.default_rng(62)
        sub = self.cases["reference"]
        stranger = self.root / "stranger.fits"
        drawn.save(stranger, sub.draw(drawn.field(rng, 300, (-260, 260), (-200, 200), 60.0), rng), sub, 90)
        out = self.root / "with-stranger.json"
        # The stranger has most stars and comes first to mind; the others' agreement counts for more.
        done = call("register", stranger, *(self.files[n] for n in ("reference", "dithered", "flipped")), "-o", out, "--quiet")
        self.assertEqual(done.returncode, 0, done.stderr)
        rows = {Path(r["file"]).name: r for r in json.loads(out.read_text())["files"]}
        self.assertFalse(rows["stranger.fits"]["matched"])
        self.assertTrue(rows["stranger.fits"]["why_not"])
        self.assertTrue(rows["dithered.fits"]["matched"])


if __name__ == "__main__":
    unittest.main()
