#!/usr/bin/python3
"""Colour mosaics through `run`, `calibrate` and `integrate`: every way to fill in colours, every habit of headers.

Nights are drawn by numpy alone: Gaussian stars of known colours on a grey sky, seen through a lamp, a filter array and
a flat with a strong colour cast (red a fifth of green) and other vignetting in each colour. Limits: a neutral scene
neutral to 0.2 %, colours of stars of signal-to-noise above 50 to 2 %."""
import json
import os
import subprocess
import tempfile
import unittest
from pathlib import Path

import numpy as np
from astropy.io import fits

PROGRAM = os.environ["COLDFRAME_PROGRAM"]
SUBS, EXPOSURE, SKY, OFFSET, READ = 5, 100.0, 24.0, 200.0, 3.0
CAST = {"R": 0.2, "G": 1.0, "B": 0.45}
VIGNETTE = {"R": 0.30, "G": 0.22, "B": 0.15}
METHODS = ("bilinear", "gradient-corrected", "lmmse", "own-lattice", "half-size")


def run(*args, status=0):
    done = subprocess.run([PROGRAM, *map(str, args)], capture_output=True, text=True, timeout=600)
    if done.returncode != status:
        raise AssertionError(f"{args}: exit {done.returncode}\n{done.stderr}\n{done.stdout[-500:]}")
    return done.stderr


class Night:
    """`pattern`: what the sensor has at the file's pixel (0, 0) and on, whatever `cards` say of it."""

    def __init__(self, folder, pattern, cards, seed, size=(330, 290), hot=0, turned=(), border=(0, 0, 0, 0), sky=None):
        self.folder, self.cards, self.turned, self.border = Path(folder), cards, turned, border
        self.w, self.h = size
        self.rng = np.random.default_rng(seed)
        self.y, self.x = np.mgrid[0:self.h, 0:self.w].astype(float)
        self.colours = np.array(list(pattern)).reshape(2, 2)[(np.arange(self.h) % 2)[:, None], np.arange(self.w) % 2]
        far = ((self.x - self.w / 2) ** 2 + (self.y - self.h / 2) ** 2) / (self.w ** 2 / 4 + self.h ** 2 / 4)
        self.flat = {c: 1 - VIGNETTE[c] * far for c in "RGB"}
        self.sky = sky or {c: SKY for c in "RGB"}
        place = lambda: (self.rng.uniform(20, self.w - 20), self.rng.uniform(20, self.h - 20))
        self.stars = [(*place(), 10 ** self.rng.uniform(2.3, 3.2),
                       {"R": self.rng.uniform(0.6, 1.6), "G": 1.0, "B": self.rng.uniform(0.6, 1.6)}) for _ in range(26)]
        self.dark = np.zeros((self.h, self.w))
        spots = self.rng.random((self.h, self.w)) < hot
        self.dark[spots] = self.rng.uniform(5.0, 60.0, spots.sum())

    def mean_response(self, c):
        return CAST[c] * self.flat[c][self.colours == c].mean()

    def save(self, name, planes, kind, exposure):
        light = sum(np.where(self.colours == c, CAST[c] * self.flat[c] * planes[c], 0.0) for c in "RGB")
        adu = self.rng.poisson((light + self.dark) * exposure) + OFFSET + READ * self.rng.standard_normal((self.h, self.w))
        left, right, low, high = self.border
        adu = np.pad(adu, ((low, high), (left, right)), constant_values=OFFSET)
        header = fits.Header()
        header["IMAGETYP"], header["EXPTIME"], header["EGAIN"], header["INSTRUME"] = kind, exposure, 1.0, "Wagtail 330C"
        header["OBJECT"], header["CCD-TEMP"], header["FILTER"] = "Sedge Field", -5.0, self.cards.get("FILTER", "none")
        for key, value in self.cards.items():
            header[key] = value
        self.folder.mkdir(parents=True, exist_ok=True)
        fits.PrimaryHDU(np.clip(np.round(adu), 0, 65535).astype(np.uint16), header).writeto(self.folder / name)

    def star_planes(self, i, shift):
        planes = {c: np.full((self.h, self.w), self.sky[c]) for c in "RGB"}
        for x, y, flux, colour in self.stars:
            if i in self.turned:  # the mount has flipped
                x, y = self.w - 1 - x, self.h - 1 - y
            # Gaussian of FWHM 3.4 px, sampled at pixel centres: its pixel sums are exact to 1e-4.
            star = flux * np.exp(-0.5 * ((self.x - x - shift[0]) ** 2 + (self.y - y - shift[1]) ** 2) / 1.44 ** 2)
            for c in "RGB":
                planes[c] += colour[c] * star / (2 * np.pi * 1.44 ** 2)
        return planes

    def make(self, subs=SUBS):
        nothing = {c: np.zeros((self.h, self.w)) for c in "RGB"}
        white = {c: np.full((self.h, self.w), 45000.0) for c in "RGB"}
        for i in range(subs):
            self.save(f"light{i}.fits", self.star_planes(i, self.rng.uniform(-7, 7, 2)), "Light Frame", EXPOSURE)
        for i in range(6):
            self.save(f"dark{i}.fits", nothing, "Dark Frame", EXPOSURE)
            self.save(f"bias{i}.fits", nothing, "Bias Frame", 0.0)
        for i in range(16):
            self.save(f"flat{i}.fits", white, "Flat Field", 1.0)
        return self


class Mosaics(unittest.TestCase):
    def setUp(self):
        scratch = tempfile.TemporaryDirectory(prefix="coldframe-mosaic-")
        self.addCleanup(scratch.cleanup)
        self.root = Path(scratch.name)

    def run_night(self, night, *options, name="out"):
        out = self.root / name
        run("run", night.folder, "-o", out, "--quiet", "--no-background", *options)
        record = json.loads((out / "session.json").read_text())
        with fits.open(out / record["results"][0]["path"]) as hdus:
            image, error = hdus[0].data.astype(float), hdus["UNCERT"].data.astype(float)
            header, table = hdus[0].header, np.array(hdus["STARS"].data)
        return record, image, error, header, table

    def judge(self, night, image, table, scale=1.0, subs=SUBS, area=1.0):
        """Neutral to 0.2 %, stars to 2 %: `scale` result pixels per sensor pixel, `area` sensor pixels' light in one."""
        h, w = image.shape[1:]
        y, x = np.mgrid[0:h, 0:w]
        drawn = np.array([(a, b) for a, b, _, _ in night.stars]) * scale - (0.0 if scale == 1.0 else 0.25)
        found = np.stack([table["X"] - 1, table["Y"] - 1], 1)
        best = None
        for start in (drawn, np.array([w - 1, h - 1]) - drawn) if night.turned else (drawn,):
            shifts = (found[:, None] - start[None]).reshape(-1, 2)
            votes = [(np.hypot(*(shifts - s).T) < 0.6).sum() for s in shifts]
            if best is None or max(votes) > best[0]:
                near = shifts[np.hypot(*(shifts - shifts[int(np.argmax(votes))]).T) < 0.6]
                best = (max(votes), start + np.median(near, axis=0))
        places = best[1]
        clear = np.ones((h, w), bool)
        for a, b in places:
            clear &= np.hypot(x - a, y - b) > 13 * scale + 2
        margin = int(12 * scale) + 2
        clear[:margin] = clear[-margin:] = clear[:, :margin] = clear[:, -margin:] = False
        level = [image[p][clear].mean() for p in range(3)]
        for p, c in enumerate("RGB"):
            # Noise of the mean of some 40,000 pixels of red: 0.03 %; of the flat: 0.01 %.
            self.assertAlmostEqual(level[p] / (area * night.sky[c] * EXPOSURE * night.mean_response(c)), 1.0, delta=0.002, msg=c)
        quarters = [(np.s_[:h // 2], np.s_[:w // 2]), (np.s_[h // 2:], np.s_[w // 2:])]
        for part in quarters:
            own = [image[p][part][clear[part]].mean() / level[p] for p in range(3)]
            self.assertAlmostEqual(own[0] / own[1], 1.0, delta=0.002)
            self.assertAlmostEqual(own[2] / own[1], 1.0, delta=0.002)
        used, wrong = 0, []
        for k, (a, b) in enumerate(places):
            edge = 16 * scale
            if np.sort(np.hypot(*(places - (a, b)).T))[1] < 20 * scale or not (edge < a < w - edge and edge < b < h - edge):
                continue
            disc = np.hypot(x - a, y - b) < 8 * scale
            light = np.array([(image[p][disc] - level[p]).sum() for p in range(3)])
            # One sample in four is red or blue, one in two green. Sums in light of sensor pixels.
            noise = np.sqrt([n * (image[p][disc].sum() + READ ** 2 * disc.sum() * area) / subs for p, n in enumerate((4, 2, 4))])
            if (light / noise).min() < 50:
                continue
            for p, c in ((0, "R"), (2, "B")):
                want = night.stars[k][3][c] * night.mean_response(c) / night.mean_response("G")
                error = light[p] / light[1] / want - 1.0
                spread = np.hypot(noise[p] / light[p], noise[1] / light[1])
                used += 1
                if abs(error) > 0.02 + 3 * spread:
                    wrong.append((k, c, round(error, 4), round(spread, 4)))
        self.assertGreater(used, 7)
        self.assertEqual(wrong, [])

    def test_every_method(self):
        night = Night(self.root / "night", "GRBG", {"BAYERPAT": "GRBG", "CRPIX1": 100.0, "CRPIX2": 80.0}, 1).make()
        errors = {}
        for method in METHODS:
            with self.subTest(method):
                half = method == "half-size"
                record, image, error, header, table = self.run_night(night, "--demosaic", method, name=method)
                result = record["results"][0]
                self.assertEqual(result["subs_kept"], SUBS)
                self.assertEqual((result["demosaic"], header["CFDEMOS"]), (method, method))
                self.assertEqual(result["scale"], 0.5 if half else 1.0)
                self.assertEqual(image.shape[1:], (145, 165) if half else (290, 330))
                # FITS pixel 100 has its centre at 99 from the first one's: (99 + 1/2)/2 - 1/2 + 1.
                self.assertAlmostEqual(header["CRPIX1"], 50.25 if half else 100.0)
                self.judge(night, image, table, 0.5 if half else 1.0, area=4.0 if half else 1.0)
                # The scatter of the sky against what is stated, per plane.
                inner = image[:, 20:-20, 20:-20]
                sky = np.abs(inner - np.nanmedian(inner, axis=(1, 2), keepdims=True))
                errors[method] = [1.4826 * np.nanmedian(sky[p]) / np.nanmedian(error[p]) for p in range(3)]
                for p in range(3):
                    # Vignetting bends neither: it is calibrated out; stars touch few pixels.
                    self.assertAlmostEqual(errors[method][p], 1.0, delta=0.10, msg=str((method, p, errors[method])))

    def test_headers_of_all_habits(self):
        """The same truth said in many ways: the sensor's own pattern at the file's first pixel is `seen`."""
        cases = [
            # BAYERPAT names the frame's first row; offsets say where the sensor's cell begins.
            ("RGGB", {"BAYERPAT": "RGGB"}, {}),
            ("GRBG", {"BAYERPAT": "RGGB", "XBAYROFF": 1, "YBAYROFF": 0, "ROWORDER": "TOP-DOWN"}, {}),
            ("BGGR", {"BAYERPAT": "RGGB", "XBAYROFF": 1, "YBAYROFF": 1}, {"size": (331, 289)}),
            # Bottom-up: the pattern's first row is the file's last; 290 rows: even, so rows trade places.
            ("GBRG", {"BAYERPAT": "RGGB", "ROWORDER": "BOTTOM-UP"}, {}),
            # 289 rows: odd, the last row is like the first.
            ("RGGB", {"BAYERPAT": "RGGB", "ROWORDER": "BOTTOM-UP"}, {"size": (331, 289)}),
            ("BGGR", {"BAYERPAT": "GRBG", "XBAYROFF": 0, "YBAYROFF": 0, "ROWORDER": "BOTTOM-UP"}, {}),
            # Odd trims: 3 columns and 1 row of overscan before the image, 4 and 2 after.
            ("GBRG", {"BAYERPAT": "BGGR", "TRIMSEC": "[4:334,2:290]", "BIASSEC": "[335:338,2:290]"},
             {"size": (331, 289), "border": (3, 4, 1, 2), "shift": (3, 1)}),
        ]
        patterns = {"RGGB": ("RG", "GB"), "BGGR": ("BG", "GR"), "GRBG": ("GR", "BG"), "GBRG": ("GB", "RG")}
        for number, (seen, cards, more) in enumerate(cases):
            with self.subTest(number=number, cards=cards):
                shift = more.pop("shift", None)
                if shift:
                    # The header's pattern is that of the untrimmed file; what is seen follows from the trim.
                    rows = patterns[cards["BAYERPAT"]]
                    seen = "".join(rows[(y + shift[1]) % 2][(x + shift[0]) % 2] for y in (0, 1) for x in (0, 1))
                night = Night(self.root / f"night{number}", seen, cards, 10 + number, **more).make()
                record, image, _, _, table = self.run_night(night, name=f"out{number}")
                self.assertNotIn("mosaic-pattern", [w["code"] for w in record["warnings"]])
                self.assertEqual(record["results"][0]["subs_kept"], SUBS)
                self.judge(night, image, table)

    def test_a_flip_of_the_mount_and_odd_sizes(self):
        for number, method in enumerate(("own-lattice", "half-size")):
            with self.subTest(method):
                night = Night(self.root / f"night{number}", "BGGR", {"BAYERPAT": "BGGR"}, 30, size=(331, 291), turned=(1, 3)).make()
                record, image, _, _, table = self.run_night(night, "--demosaic", method, name=f"out{number}")
                self.assertEqual(record["results"][0]["subs_kept"], SUBS)
                half = method == "half-size"
                self.judge(night, image, table, 0.5 if half else 1.0, area=4.0 if half else 1.0)

    def test_same_bits_for_any_threads_and_memory(self):
        night = Night(self.root / "night", "RGGB", {"BAYERPAT": "RGGB"}, 35, hot=0.001).make(3)
        for method in ("lmmse", "half-size"):
            sums = []
            for name, options in (("a", ("--threads", "1")), ("b", ("--threads", "3", "--memory", "140M"))):
                out = self.root / (method + name)
                run("run", night.folder, "-o", out, "--quiet", "--demosaic", method, *options)
                with fits.open(out / "Sedge_Field_colour.fits") as hdus:
                    sums.append([h.header.get("DATASUM") for h in hdus])
            self.assertEqual(*sums)

    def test_defects_are_mended_from_their_own_colour(self):
        """One pixel in 200 is hot and the lamp is red-poor: a repair from other colours would leave a tint."""
        night = Night(self.root / "night", "RGGB", {"BAYERPAT": "RGGB"}, 40, hot=0.005).make()
        record, image, _, _, table = self.run_night(night)
        self.judge(night, image, table)

    def test_calibrate_each_method(self):
        night = Night(self.root / "night", "GBRG", {"BAYERPAT": "GBRG", "CRPIX1": 100.0, "CDELT1": 1e-3}, 50, hot=0.001).make(2)
        f = night.folder
        run("master", "dark", *sorted(f.glob("dark*.fits")), "-o", self.root / "dark.fits", "--quiet")
        run("master", "bias", *sorted(f.glob("bias*.fits")), "-o", self.root / "bias.fits", "--quiet")
        run("master", "flat", *sorted(f.glob("flat*.fits")), "--subtract", self.root / "bias.fits", "-o",
            self.root / "flat.fits", "--quiet")
        y, x = np.mgrid[0:night.h, 0:night.w]
        for method in METHODS:
            with self.subTest(method):
                half = method == "half-size"
                out = self.root / method
                run("calibrate", f / "light0.fits", "--dark", self.root / "dark.fits", "--flat", self.root / "flat.fits",
                    "--demosaic", method, "-o", out, "--quiet")
                with fits.open(out / "light0_calibrated.fits") as hdus:
                    image, error = hdus[0].data.astype(float), hdus["UNCERT"].data.astype(float)
                    mask, header = hdus["MASK"].data, hdus[0].header
                self.assertNotIn("BAYERPAT", header)
                self.assertEqual(header["CFDEMOS"], method)
                self.assertEqual(image.shape, (3, 145, 165) if half else (3, 290, 330))
                self.assertAlmostEqual(header["CRPIX1"], 50.25 if half else 100.0)
                self.assertAlmostEqual(header["CDELT1"], 2e-3 if half else 1e-3)
                # Neutral: each colour's level, far from stars and frame edge.
                clear = np.ones((night.h, night.w), bool)
                for a, b, _, _ in night.stars:
                    clear &= np.hypot(x - a, y - b) > 22
                clear[:14] = clear[-14:] = clear[:, :14] = clear[:, -14:] = False
                if half:
                    clear = clear[:290:2, :330:2] & clear[1:290:2, 1:330:2]
                for p, c in enumerate("RGB"):
                    good = clear & (mask[p] == 0)
                    want = night.sky[c] * EXPOSURE * night.mean_response(c)
                    values, sd = image[p][good], error[p][good]
                    # Pixels share samples: as many values as samples of the colour under them.
                    independent = good.sum() * (1.0 if half else 0.25 if c != "G" else 0.5)
                    self.assertAlmostEqual(values.mean() / want, 1.0,
                                           delta=0.002 + 3 * np.std(values) / want / np.sqrt(independent), msg=(method, c))
                    # UNCERT against the scatter: 3 % of the issue, and the scatter's own error of ~1 %.
                    self.assertAlmostEqual(np.std(values) / np.sqrt(np.mean(sd ** 2)), 1.0, delta=0.04, msg=(method, c))
        # Colour frames are understood by integrate.
        done = self.root / "both"
        run("calibrate", f / "light0.fits", f / "light1.fits", "--dark", self.root / "dark.fits", "--flat",
            self.root / "flat.fits", "--demosaic", "half-size", "-o", done, "--quiet")
        run("integrate", *sorted(done.glob("*.fits")), "-o", self.root / "sum.fits", "--quiet")
        with fits.open(self.root / "sum.fits") as hdus:
            self.assertEqual(hdus[0].data.shape, (3, 145, 165))

    def test_calibrate_refuses_a_mono_frame(self):
        night = Night(self.root / "night", "RGGB", {}, 60).make(1)
        text = run("calibrate", night.folder / "light0.fits", "--demosaic", "lmmse", "-o", self.root / "out", status=4)
        self.assertIn("without a colour pattern", text)

    def test_calibrated_mosaics_integrate_in_every_method(self):
        night = Night(self.root / "night", "RGGB", {"BAYERPAT": "RGGB"}, 65).make(3)
        run("calibrate", *sorted(night.folder.glob("light*.fits")), "-o", self.root / "cal", "--quiet")
        for method, shape in (("lmmse", (3, 290, 330)), ("half-size", (3, 145, 165))):
            out = self.root / f"{method}.fits"
            run("integrate", *sorted((self.root / "cal").glob("*.fits")), "--demosaic", method, "-o", out, "--quiet")
            with fits.open(out) as hdus:
                self.assertEqual(hdus[0].data.shape, shape)
                self.assertEqual(hdus[0].header["CFDEMOS"], method)


class Lines(unittest.TestCase):
    CROSSTALK = np.array([[1.0, 0.08], [0.15, 0.9], [0.04, 0.5]])

    def setUp(self):
        scratch = tempfile.TemporaryDirectory(prefix="coldframe-lines-")
        self.addCleanup(scratch.cleanup)
        self.root = Path(scratch.name)

    def night(self, filter_name, seed=70, pattern="RGGB"):
        cards = {"FILTER": filter_name}
        if pattern:
            cards["BAYERPAT"] = pattern
        night = Night(self.root / f"night{seed}", pattern or "GGGG", cards, seed)
        # No vignetting, no cast: colours are what the crosstalk makes of two lines.
        night.flat = {c: np.ones((night.h, night.w)) for c in "RGB"}
        blob = lambda x, y, s: np.exp(-0.5 * ((night.x - x) ** 2 + (night.y - y) ** 2) / s ** 2)
        night.lines = np.stack([12 + 30 * blob(110, 140, 30), 9 + 25 * blob(210, 150, 35)])

        def planes(i, shift):
            found = {}
            stars = Night.star_planes(night, i, (0.0, 0.0))
            for p, c in enumerate("RGB"):
                mixed = np.tensordot(self.CROSSTALK[p], night.lines, 1)
                found[c] = (mixed + stars[c] - SKY) / CAST[c]
            return found

        night.star_planes = planes
        return night.make(4)

    def test_two_lines_come_apart(self):
        night = self.night("Ha+OIII")
        out = self.root / "out"
        # The mount did not dither: what is drawn lies where it is found.
        run("run", night.folder, "-o", out, "--quiet", "--no-background", "--crosstalk", "1,0.08,0.15,0.9,0.04,0.5")
        record = json.loads((out / "session.json").read_text())
        rows = {r["filter"]: r for r in record["results"]}
        self.assertEqual(set(rows), {"Ha+OIII", "Ha", "OIII"})
        self.assertNotIn("crosstalk-assumed", [w["code"] for w in record["warnings"]])
        clear = np.ones((night.h, night.w), bool)
        for a, b, _, _ in night.stars:
            clear &= np.hypot(night.x - a, night.y - b) > 14
        clear[:15] = clear[-15:] = clear[:, :15] = clear[:, -15:] = False
        for k, name in enumerate(("Ha", "OIII")):
            row = rows[name]
            self.assertTrue(row["path"].endswith(f"_{name}.fits"), row["path"])
            facts = row["line_separation"]
            self.assertEqual(facts["crosstalk"], self.CROSSTALK.tolist())
            self.assertEqual(facts["crosstalk_source"], "owner")
            length = np.linalg.norm(self.CROSSTALK, axis=0)
            self.assertAlmostEqual(facts["condition"], np.linalg.cond(self.CROSSTALK / length), delta=1e-6)
            with fits.open(out / row["path"]) as hdus:
                line, error, header = hdus[0].data.astype(float), hdus["UNCERT"].data.astype(float), hdus[0].header
            self.assertEqual((header["FILTER"], header["CFDUAL"]), (name, "Ha+OIII"))
            self.assertEqual(line.shape, (night.h, night.w))
            off = line - night.lines[k] * EXPOSURE
            self.assertLess(abs(off[clear].mean()), 0.003 * (night.lines[k] * EXPOSURE)[clear].mean())
            # The other line's cloud leaves nothing: its image regressed on the error.
            other = night.lines[1 - k] * EXPOSURE
            slope = np.polyfit(other[clear], off[clear], 1)[0]
            self.assertLess(abs(slope), 0.005)
            self.assertAlmostEqual(np.std((off / error)[clear]), 1.0, delta=0.06)
            # The numpy definition on the colour result, weighted by its UNCERT.
        with fits.open(out / rows["Ha+OIII"]["path"]) as hdus:
            v, s = hdus[0].data.astype(float), hdus["UNCERT"].data.astype(float)
        m = self.CROSSTALK
        for yx in ((50, 60), (140, 110), (150, 210), (250, 300)):
            w = np.diag(1 / s[:, yx[0], yx[1]] ** 2)
            inverse = np.linalg.inv(m.T @ w @ m)
            want = inverse @ m.T @ w @ v[:, yx[0], yx[1]]
            for k, name in enumerate(("Ha", "OIII")):
                with fits.open(out / rows[name]["path"]) as hdus:
                    self.assertAlmostEqual(hdus[0].data[yx] / want[k], 1.0, delta=1e-5)
                    self.assertAlmostEqual(hdus["UNCERT"].data[yx] / np.sqrt(inverse[k, k]), 1.0, delta=1e-5)

    def test_assumed_crosstalk_is_said(self):
        night = self.night("dual band", 71)
        out = self.root / "out"
        run("run", night.folder, "-o", out, "--quiet", "--no-background")
        record = json.loads((out / "session.json").read_text())
        self.assertIn("crosstalk-assumed", [w["code"] for w in record["warnings"]])
        self.assertEqual([r["filter"] for r in record["results"]], ["dual band", "Ha", "OIII"])
        self.assertEqual(record["results"][1]["line_separation"]["crosstalk_source"], "assumed")
        run("run", night.folder, "-o", self.root / "plain", "--quiet", "--no-background", "--lines", "none")
        record = json.loads((self.root / "plain" / "session.json").read_text())
        self.assertEqual(len(record["results"]), 1)

    def test_refusals(self):
        broad = self.night("L", 72)
        self.assertIn("filter L is not dual-band",
                      run("run", broad.folder, "-o", self.root / "a", "--lines", "Ha,OIII", status=2))
        mono = self.night("Ha+OIII", 73, pattern=None)
        self.assertIn("monochrome", run("run", mono.folder, "-o", self.root / "b", "--lines", "Ha,OIII", status=2))
        for options, text in ((("--lines", "Ha,green"), "not two emission lines"),
                              (("--crosstalk", "1,0,0,1"), "not six numbers"),
                              (("--crosstalk", "1,1,1,1,1,1"), "told apart"),
                              (("--lines", "Ha,OIII", "--demosaic", "lmmse"), "lmmse")):
            self.assertIn(text, run("run", broad.folder, "-o", self.root / "c", *options, status=2))


class Filters(unittest.TestCase):
    def test_one_grid_for_all_filters(self):
        """L, R, G, B and Ha of one night with a mono camera: five results, one grid, stars at one place."""
        with tempfile.TemporaryDirectory(prefix="coldframe-filters-") as scratch:
            rng = np.random.default_rng(80)
            w, h = 320, 260
            y, x = np.mgrid[0:h, 0:w].astype(float)
            stars = [(rng.uniform(25, w - 25), rng.uniform(25, h - 25), 10 ** rng.uniform(2.6, 3.6)) for _ in range(30)]
            share = {"L": 1.0, "R": 0.4, "G": 0.45, "B": 0.35, "Ha": 0.12}
            folder = Path(scratch) / "night"
            folder.mkdir()
            drift = 0.0
            for name, part in share.items():
                for i in range(4):
                    drift += 0.7  # the mount drifts on from filter to filter
                    dx, dy = drift + rng.uniform(-4, 4), 0.5 * drift + rng.uniform(-4, 4)
                    light = np.full((h, w), 20.0 * part)
                    for a, b, flux in stars:
                        light += part * flux * np.exp(-0.5 * ((x - a - dx) ** 2 + (y - b - dy) ** 2) / 1.96) / (2 * np.pi * 1.96)
                    header = fits.Header()
                    header["IMAGETYP"], header["EXPTIME"], header["EGAIN"], header["FILTER"] = "Light Frame", 60.0, 1.0, name
                    header["OBJECT"], header["INSTRUME"] = "Sedge Field", "Wagtail 320M"
                    adu = rng.poisson(light * 60) + 100 + 3 * rng.standard_normal((h, w))
                    fits.PrimaryHDU(np.round(adu).astype(np.uint16), header).writeto(folder / f"{name}{i}.fits")
            out = Path(scratch) / "out"
            run("run", folder, "-o", out, "--quiet", "--no-background")
            record = json.loads((out / "session.json").read_text())
            rows = {r["filter"]: r for r in record["results"]}
            self.assertEqual(set(rows), {"L", "R", "G", "B", "Ha", "colour"})
            self.assertEqual(len({rows[f]["path"] for f in share}), 5)
            self.assertEqual(len({rows[f]["reference"] for f in share}), 1)
            lists = {}
            for f in share:
                self.assertEqual(rows[f]["subs_kept"], 4)
                with fits.open(out / rows[f]["path"]) as hdus:
                    self.assertEqual(hdus[0].data.shape, (h, w))
                    table = hdus["STARS"].data
                    lists[f] = np.stack([table["X"], table["Y"]], 1)
            for f in ("R", "G", "B", "Ha"):
                distance = np.hypot(*(lists[f][:, None] - lists["L"][None]).transpose(2, 0, 1)).min(axis=1)
                near = distance[distance < 1.0]
                self.assertGreater(len(near), 8, f)
                # Centroids of bright stars are good to some hundredths of a pixel.
                self.assertLess(np.median(near), 0.06, f)


if __name__ == "__main__":
    unittest.main()
