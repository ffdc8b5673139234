#!/usr/bin/python3
"""`coldframe stars` on frames drawn by numpy alone: classes, elongation and its direction, detection at the limit,
tables. Truth is what was drawn; nothing here shares code with the project."""
import collections
import csv
import json
import os
import subprocess
import tempfile
import unittest
from pathlib import Path

import numpy as np
from astropy.io import fits
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree

PROGRAM = os.environ["COLDFRAME_PROGRAM"]
SIGMA = 2.354820045


def moffat(fx, fy, fwhm, beta, half, ellipticity=0.0, angle=0.0):
    """Pixel-integrated surface brightness of a star of light 1 (wings beyond the stamp included in the 1)."""
    over = 9 if fwhm < 2 else 5
    s = (np.arange((2 * half + 1) * over) + 0.5) / over - half - 0.5
    x, y = np.meshgrid(s - fx, s - fy)
    c, n, q = np.cos(angle), np.sin(angle), np.sqrt(1 - ellipticity)
    r2 = ((x * c + y * n) * q) ** 2 + ((-x * n + y * c) / q) ** 2
    p = (1 + r2 * (2 ** (1 / beta) - 1) / (fwhm / 2) ** 2) ** -beta
    whole = np.pi * (fwhm / 2) ** 2 / (2 ** (1 / beta) - 1) / (beta - 1)
    return p.reshape(2 * half + 1, over, 2 * half + 1, over).mean((1, 3)) / whole


def add(image, x, y, stamp):
    half, height, width = stamp.shape[0] // 2, *image.shape
    cx, cy = int(round(x)), int(round(y))
    a0, b0, a1, b1 = max(0, half - cx), max(0, half - cy), min(2 * half + 1, width - cx + half), min(
        2 * half + 1, height - cy + half)
    if a1 > a0 and b1 > b0:
        image[cy - half + b0:cy - half + b1, cx - half + a0:cx - half + a1] += stamp[b0:b1, a0:a1]


def star(image, x, y, flux, fwhm, beta=3.0, **shape):
    half = int(min(70, 8 * fwhm * (1 + 0.3 * max(0.0, np.log10(flux / 1e4))) + 3))
    add(image, x, y, flux * moffat(x - round(x), y - round(y), fwhm, beta, half, **shape))


def save(path, image, rng, **cards):
    noisy = rng.poisson(np.clip(image, 0, None)) + 4.0 * rng.standard_normal(image.shape)
    write(path, noisy, **cards)


def write(path, noisy, **cards):
    header = fits.Header()
    header["IMAGETYP"], header["EXPTIME"], header["EGAIN"] = "Light", 60.0, 1.0
    for key, value in cards.items():
        header[key] = value
    fits.PrimaryHDU(np.clip(np.round(noisy), 0, 65535).astype(np.uint16), header).writeto(path)


def stars(files, *options):
    run = subprocess.run([PROGRAM, "stars", *map(str, files), "--json", "--quiet", *map(str, options)],
                         capture_output=True, text=True)
    assert run.returncode == 0, run.stderr
    return json.loads(run.stdout)


def rows_of(folder):
    with open(next(Path(folder).glob("*_stars.csv"))) as file:
        return list(csv.DictReader(file))


class Zoo:
    """One of everything: stars that widen and stretch towards the corners, galaxies, close pairs, a satellite's line,
    a bright star's rays, hot pixels, hits."""

    def __init__(self, fwhm, corner, stretch, seed, side=900, sky=300.0):
        self.rng, self.side, self.sky, self.fwhm = np.random.default_rng(seed), side, sky, fwhm
        self.corner, self.stretch = corner, stretch
        self.noise = np.sqrt(sky + 16)
        self.unit = np.sqrt(4 * np.pi) * fwhm / SIGMA * self.noise  # light of signal-to-noise 1 (King 1983)
        self.image = np.full((side, side), sky)
        self.truth, self.places = [], []
        self.bright = (0.3 * side, 0.62 * side)
        self.places.append((*self.bright, 12 * fwhm))
        self.y, self.x = np.mgrid[0:side, 0:side]

    def place(self, room):
        for _ in range(3000):
            x, y = self.rng.uniform(room, self.side - room, 2)
            if all((x - a) ** 2 + (y - b) ** 2 > (0.5 * (room + c)) ** 2 for a, b, c in self.places):
                self.places.append((x, y, room))
                return x, y
        return None

    def local(self, x, y):
        half = self.side / 2
        share = ((x - half) ** 2 + (y - half) ** 2) / (2 * half * half)
        return dict(fwhm=self.fwhm * np.sqrt(1 + (self.corner ** 2 - 1) * share), ellipticity=self.stretch * share,
                    angle=np.arctan2(y - half, x - half))

    def line(self, angle, x, y, height):
        across = -(self.x - x) * np.sin(angle) + (self.y - y) * np.cos(angle)
        self.image += height * np.exp(-0.5 * (across / (self.fwhm / SIGMA * 1.15)) ** 2)

    def draw(self):
        rng, fwhm, unit = self.rng, self.fwhm, self.unit
        star(self.image, *self.bright, 2e4 * unit, fwhm)
        self.truth.append(("bright", *self.bright, 1e4))
        for angle in (0.3, 0.3 + np.pi / 2):
            along = np.abs((self.x - self.bright[0]) * np.cos(angle) + (self.y - self.bright[1]) * np.sin(angle))
            self.line(angle, *self.bright, self.noise * 120 * fwhm / (along + 3 * fwhm) * np.exp(-along / (18 * fwhm)))
        self.line(1.1, 0.75 * self.side, 0.5 * self.side, 6 * self.noise)
        for _ in range(220):
            if at := self.place(5 * fwhm + 3):
                snr = 10 ** rng.uniform(0.9, 2.5)
                star(self.image, *at, snr * unit, **self.local(*at))
                self.truth.append(("star", *at, snr))
        for _ in range(25):
            if at := self.place(8 * fwhm + 3):
                self.galaxy(*at, 10 ** rng.uniform(1.7, 2.5))
        for _ in range(25):
            if at := self.place(6 * fwhm + 3):
                self.pair(*at, 10 ** rng.uniform(1.6, 2.5))
        noisy = rng.poisson(self.image) + 4.0 * rng.standard_normal(self.image.shape)
        for _ in range(80):
            if at := self.place(3 * fwhm + 3):
                height = 10 ** rng.uniform(1.2, 2.3)
                noisy[int(at[1]), int(at[0])] += height * self.noise
                self.truth.append(("hot", int(at[0]), int(at[1]), height))
        for _ in range(60):
            if at := self.place(3 * fwhm + 8):
                self.hit(noisy, *at)
        return np.clip(noisy, 0, 45000)

    def galaxy(self, x, y, snr):
        scale, ratio, angle = self.rng.uniform(1.0, 2.0) * self.fwhm, self.rng.uniform(0.4, 1), self.rng.uniform(0, 3.1)
        s = np.arange(-int(7 * scale), int(7 * scale) + 1)
        u, v = np.meshgrid(s - (x - round(x)), s - (y - round(y)))
        r = np.hypot(u * np.cos(angle) + v * np.sin(angle), (-u * np.sin(angle) + v * np.cos(angle)) / ratio)
        disc = gaussian_filter(np.exp(-r / scale), self.fwhm / SIGMA)
        add(self.image, x, y, 2 * snr * self.unit * disc / disc.sum())
        self.truth.append(("galaxy", x, y, snr))

    def pair(self, x, y, snr):
        apart, angle, ratio = self.rng.uniform(0.8, 1.0) * self.fwhm, self.rng.uniform(0, 6.3), self.rng.uniform(0.6, 1)
        for side, light in ((-0.5, 1.0), (0.5, ratio)):
            at = x + side * apart * np.cos(angle), y + side * apart * np.sin(angle)
            star(self.image, *at, light * snr * self.unit, **self.local(*at))
        self.truth.append(("pair", x, y, snr))

    def hit(self, noisy, x, y):
        """A straight run of charge of 2 to 9 px."""
        length, angle = self.rng.uniform(2, 9), self.rng.uniform(0, np.pi)
        height = 10 ** self.rng.uniform(1.3, 2.3) * self.noise / 8
        for t in np.arange(int(8 * length)) / 8 - length / 2:
            noisy[int(y + t * np.sin(angle)), int(x + t * np.cos(angle))] += height
        self.truth.append(("hit", x, y, height))

    def confusion(self, rows):
        """{drawn: {listed as: how many}}; rows that stand for nothing drawn by where they lie."""
        found = cKDTree([(float(r["x"]), float(r["y"])) for r in rows])
        counts, used = collections.defaultdict(collections.Counter), set()
        for kind, x, y, _ in self.truth:
            reach = {"hit": 6.0, "hot": 1.5, "star": max(1.0, 0.3 * self.fwhm)}.get(kind, 0.6 * self.fwhm + 1)
            distance, at = found.query((x, y))
            counts[kind][rows[at]["class"] if distance < reach else "not listed"] += 1
            if distance < reach:
                used.add(at)
        for at, row in enumerate(rows):
            x, y = float(row["x"]), float(row["y"])
            if at in used:
                continue
            on = [abs(-(x - a) * np.sin(t) + (y - b) * np.cos(t)) < 1.2 * self.fwhm + 1
                  for t, a, b in ((1.1, 0.75 * self.side, 0.5 * self.side), (0.3, *self.bright), (0.3 + np.pi / 2, *self.bright))]
            near = np.hypot(x - self.bright[0], y - self.bright[1])
            kind = "trail" if on[0] else "ray" if (on[1] or on[2]) and near < 80 * self.fwhm else "halo" if (
                near < 15 * self.fwhm) else "nothing"
            counts[kind][row["class"]] += 1
        return counts


class Classes(unittest.TestCase):
    def look(self, fwhm, corner, stretch, strange=0.03):
        with tempfile.TemporaryDirectory() as folder:
            zoo = Zoo(fwhm, corner, stretch, seed=7)
            write(Path(folder) / "zoo.fits", zoo.draw(), SATURATE=45000.0)
            quality = stars([Path(folder) / "zoo.fits"], "-o", Path(folder) / "tables")[0]
            rows = rows_of(Path(folder) / "tables")
        self.assertEqual(sum(quality["classes"].values()), len(rows))
        counts = zoo.confusion(rows)
        print(f"stars: FWHM {fwhm} corners x {corner}:", {k: dict(v) for k, v in counts.items()}, flush=True)
        share = lambda kind, *names: sum(counts[kind][n] for n in names) / max(
            1, sum(counts[kind].values()) - counts[kind]["not listed"])
        stars_like = ("star", "saturated", "crowded")
        self.assertGreaterEqual(share("star", *stars_like), 0.97)
        self.assertLess(counts["star"]["not listed"], 0.08 * sum(counts["star"].values()))
        self.assertEqual(counts["bright"]["saturated"], 1)
        self.assertGreaterEqual(share("hot", "hot-pixel"), 0.95)
        self.assertGreaterEqual(share("hit", "cosmic-ray", "hot-pixel"), 0.95)
        self.assertLessEqual(share("galaxy", *stars_like), 0.25)  # those little larger than a star
        self.assertGreaterEqual(share("pair", "blend", "extended", "crowded"), 0.5)
        # Among all rows that pass for stars, those that stand for none.
        strangers = sum(counts[k][n] for k in ("hot", "hit", "trail", "ray", "halo", "nothing") for n in stars_like)
        self.assertLessEqual(strangers, strange * counts["star"]["star"])

    def test_even_field(self):
        self.look(3.0, 1.0, 0.0)

    def test_soft_stretched_corners_stay_stars(self):
        self.look(3.0, 1.6, 0.25)

    def test_undersampled(self):
        self.look(1.5, 1.0, 0.0)

    def test_wide(self):
        # Outskirts of galaxies and of the brightest stars; 5 % measured.
        self.look(6.0, 1.0, 0.0, strange=0.06)


class Shapes(unittest.TestCase):
    def test_elongation_and_direction(self):
        """Within 0.01 and 3 degrees of the drawn ellipse as recorded: the half-maximum contour of the drawn stamp."""
        rng = np.random.default_rng(11)
        with tempfile.TemporaryDirectory() as folder:
            files, truth = [], []
            for k, (fwhm, ellipticity) in enumerate([(2.2, 0.10), (3.0, 0.12), (3.0, 0.25), (4.5, 0.10)]):
                angle = rng.uniform(0, np.pi)
                image = np.full((500, 600), 250.0)
                for gy in np.arange(30, 480, 45):
                    for gx in np.arange(30, 580, 45):
                        x, y = gx + rng.uniform(-8, 8), gy + rng.uniform(-8, 8)
                        star(image, x, y, 3000 * 10 ** rng.uniform(0, 1.4), fwhm, 3.2, ellipticity=ellipticity, angle=angle)
                files.append(Path(folder) / f"f{k}.fits")
                save(files[-1], image, rng)
                # Pixels add 1/12 px^2 to each axis' variance (of the profile's core, to a percent of the width).
                major, minor = fwhm / np.sqrt(1 - ellipticity), fwhm * np.sqrt(1 - ellipticity)
                pixel = SIGMA ** 2 / 12
                truth.append((1 - np.sqrt((minor ** 2 + pixel) / (major ** 2 + pixel)), np.degrees(angle) % 180))
            for row, (ellipticity, angle) in zip(stars(files), truth):
                turn = (row["position_angle_deg"] - angle + 90) % 180 - 90
                self.assertLess(abs(row["ellipticity"] - ellipticity), 0.01)
                self.assertLess(abs(turn), 3.0, f"ellipticity {ellipticity:.3f} at {angle:.1f} degrees")


class Limits(unittest.TestCase):
    def test_dense_field_of_wide_stars(self):
        """FWHM 8 px, 5 widths apart, signal-to-noise 3 to 9: found against an ideal filter that knows profile, place,
        sky and all neighbours of each star, on the same pixels (North 1943)."""
        rng = np.random.default_rng(5)
        side, fwhm, beta, sky = 1000, 8.0, 3.0, 400.0
        spots = rng.uniform(24, side - 24, (3000, 2))
        keep = []
        for p in spots:
            if len(keep) < 580 and all(np.hypot(*(p - q)) > 22 for q in keep):
                keep.append(p)
        half = int(5 * fwhm)
        expected = np.full((side, side), sky)
        drawn = []
        for x, y in keep:
            stamp = moffat(x - round(x), y - round(y), fwhm, beta, half)
            unit = 1 / np.sqrt((stamp ** 2).sum() / (sky + 16))
            snr = 10 ** rng.uniform(1.3, 2.3) if rng.random() < 0.04 else rng.uniform(3, 9)
            add(expected, x, y, snr * unit * stamp)
            drawn.append((x, y, snr, snr * unit, stamp))
        noisy = rng.poisson(expected) + 4.0 * rng.standard_normal(expected.shape)
        ideal = 0
        for x, y, snr, flux, stamp in drawn:
            cx, cy = int(round(x)), int(round(y))
            x0, x1, y0, y1 = max(0, cx - half), min(side, cx + half + 1), max(0, cy - half), min(side, cy + half + 1)
            part = stamp[y0 - cy + half:y1 - cy + half, x0 - cx + half:x1 - cx + half]
            rest = noisy[y0:y1, x0:x1] - expected[y0:y1, x0:x1] + flux * part
            variance = expected[y0:y1, x0:x1] - flux * part + 16
            ideal += (rest * part / variance).sum() / np.sqrt((part ** 2 / variance).sum()) >= 5 and snr < 8
        with tempfile.TemporaryDirectory() as folder:
            write(Path(folder) / "dense.fits", noisy)
            stars([Path(folder) / "dense.fits"], "-o", Path(folder) / "t")
            rows = [r for r in rows_of(Path(folder) / "t") if r["class"] in ("star", "saturated", "crowded")]
        places = np.array([(float(r["x"]), float(r["y"])) for r in rows])
        truth = np.array([d[:2] for d in drawn])
        faint = np.array([d[2] < 8 for d in drawn])
        found = ((cKDTree(places).query(truth)[0] < 5) & faint).sum()
        wrong = (cKDTree(truth).query(places)[0] > 5).sum()
        print(f"stars: dense, FWHM 8: found {found}, ideal {ideal}, false {wrong} of {len(rows)}")
        self.assertGreaterEqual(found, 0.95 * ideal)
        self.assertLessEqual(wrong, 0.01 * len(rows) + 1)


class Tables(unittest.TestCase):
    def test_csv_fits_and_json_hold_the_same_and_a_bad_file_costs_nothing(self):
        rng = np.random.default_rng(3)
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            for k in range(3):
                image = np.full((200, 240), 200.0)
                for _ in range(25):
                    star(image, *rng.uniform(10, 190, 2), 20000 * rng.random() + 3000, 2.8)
                save(folder / f"f{k}.fits", image, rng)
            (folder / "bad.fits").write_text("no picture")
            run = subprocess.run([PROGRAM, "stars", *sorted(map(str, folder.glob("*.fits"))), "-o", folder / "t", "--json"],
                                 capture_output=True, text=True)
            self.assertEqual(run.returncode, 0, run.stderr)
            lines = json.loads(run.stdout)
            self.assertEqual([row["status"] for row in lines], ["unreadable", "good", "good", "good"])
            tables = sorted((folder / "t").glob("*_stars.json"))
            self.assertEqual(len(tables), 3)
            for table, line in zip(tables, lines[1:]):
                rows = json.loads(table.read_text())
                with open(table.with_suffix(".csv")) as file:
                    text = list(csv.DictReader(file))
                data = fits.getdata(table.with_suffix(".fits"), "STARS")
                self.assertEqual(len(rows), len(text))
                self.assertEqual(len(rows), len(data))
                self.assertEqual(sum(r["class"] in ("star", "saturated", "crowded") for r in rows), line["stars"])
                for row, words, record in zip(rows, text, data):
                    self.assertEqual(row["class"], words["class"])
                    self.assertEqual(row["class"], record["CLASS"].strip())
                    self.assertAlmostEqual(row["x"] + 1, record["X"], places=9)  # FITS counts from 1
                    self.assertAlmostEqual(row["flux"], float(words["flux"]), delta=1e-6 * abs(row["flux"]))


if __name__ == "__main__":
    unittest.main()
