#!/usr/bin/python3
"""`coldframe render`: colours from channels with a luminance, marks at the places that astropy's WCS
names, smoothing and sharpening told in the file. The PNG is decoded here with zlib alone (PNG
specification, third edition, sections 5, 9 and 10). Needs COLDFRAME_PROGRAM."""
import os
import struct
import subprocess
import tempfile
import unittest
import zlib
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.wcs import WCS

PROGRAM = os.environ["COLDFRAME_PROGRAM"]
WIDTH, HEIGHT = 480, 360


def run(*arguments, status=0):
    done = subprocess.run([PROGRAM, "render", *map(str, arguments)], capture_output=True, text=True, timeout=300)
    assert done.returncode == status, (arguments, done.returncode, done.stdout, done.stderr)
    return done


def decode(path):
    """Pixels (height, width, channels), top row first, and the text chunks."""
    data, at, body, texts = Path(path).read_bytes(), 8, b"", {}
    while at < len(data):
        size, kind = struct.unpack(">I4s", data[at:at + 8])
        chunk = data[at + 8:at + 8 + size]
        assert zlib.crc32(data[at + 4:at + 8 + size]) == struct.unpack(">I", data[at + 8 + size:at + 12 + size])[0]
        if kind == b"IHDR":
            width, height, bits, colour = struct.unpack(">IIBB", chunk[:10])
        elif kind == b"IDAT":
            body += chunk
        elif kind == b"tEXt":
            key, text = chunk.split(b"\0", 1)
            texts[key.decode()] = text.decode("latin-1")
        at += 12 + size
    channels = {0: 1, 2: 3}[colour]
    step = channels * bits // 8
    rows = np.frombuffer(zlib.decompress(body), np.uint8).reshape(height, 1 + width * step)
    out = np.zeros((height, width * step), np.uint8)
    before = np.zeros(width * step, int)
    for y, (rule, line) in enumerate(zip(rows[:, 0], rows[:, 1:].astype(int))):
        now = line.copy()
        if rule == 2:
            now = (line + before) % 256
        elif rule:
            for i in range(len(line)):
                a = now[i - step] if i >= step else 0
                b, c = before[i], before[i - step] if i >= step else 0
                p = a + b - c
                guess = {1: a, 3: (a + b) // 2,
                         4: a if abs(p - a) <= abs(p - b) and abs(p - a) <= abs(p - c)
                         else b if abs(p - b) <= abs(p - c) else c}[rule]
                now[i] = (line[i] + guess) % 256
        out[y] = now
        before = now
    if bits == 16:
        out = out.reshape(height, -1, 2).astype(int) @ [256, 1]
    return out.reshape(height, width, channels), texts


class Render(unittest.TestCase):
    def setUp(self):
        self.folder = tempfile.TemporaryDirectory(prefix="coldframe-render-")
        self.root = Path(self.folder.name)
        self.addCleanup(self.folder.cleanup)
        self.rng = np.random.default_rng(5)
        self.y, self.x = np.mgrid[0:HEIGHT, 0:WIDTH]

    def star(self, x, y, peak, fwhm=3.5):
        return peak * np.exp(-4 * np.log(2) * ((self.x - x) ** 2 + (self.y - y) ** 2) / fwhm ** 2)

    def write(self, name, light, noise=3.0, wcs=None, **cards):
        hdu = fits.PrimaryHDU((1000 + light + self.rng.normal(0, noise, light.shape)).astype(np.float32))
        if wcs is not None:
            hdu.header.update(wcs.to_header())
        hdu.header.update(cards)
        hdu.writeto(self.root / name)
        return self.root / name

    def test_luminance_gives_brightness_and_channels_give_colour(self):
        # Grey stars, so that what is far above the sky is neutral in the mean.
        grey = sum(self.star(40 + 40 * k, 300, 500) for k in range(11))
        red = grey + self.star(120, 180, 900) + self.star(240, 180, 300)
        green = grey + self.star(120, 180, 300) + self.star(240, 180, 300)
        blue = grey + self.star(120, 180, 300) + self.star(240, 180, 900)
        # The luminance sees a third star that the colours hardly have, and a brighter second one.
        light = grey + self.star(120, 180, 1000) + self.star(240, 180, 4000) + self.star(360, 180, 2000)
        files = {n: self.write(n + ".fits", a) for n, a in
                 {"red": red, "green": green, "blue": blue, "luminance": light}.items()}
        order = [w for n, f in files.items() for w in ("--" + n, f)]
        run(*order, "-o", self.root / "a.png", "--bits", 16)
        got, _ = decode(self.root / "a.png")
        first, second, third = (got[HEIGHT - 1 - 180, x].astype(float) for x in (120, 240, 360))
        self.assertGreater(first[0], 1.3 * first[2])
        self.assertGreater(second[2], 1.3 * second[0])
        self.assertLess(np.ptp(third), 0.12 * third.mean())
        self.assertGreater(third.mean(), 3 * got[20:60, 20:60].mean())
        self.assertGreaterEqual(second.max(), third.max())
        small = self.root / "small.fits"
        fits.PrimaryHDU(np.ones((50, 60), np.float32)).writeto(small)
        self.assertIn("size", run(*order[:6], "--luminance", small, "-o", self.root / "b.png", status=2).stderr)

    def test_marks_stand_where_the_sky_says(self):
        wcs = WCS(naxis=2)
        wcs.wcs.ctype, wcs.wcs.crpix, wcs.wcs.crval = ["RA---TAN", "DEC--TAN"], [240, 180], [150.0, 30.0]
        turn = np.radians(25.0)
        wcs.wcs.cd = 2.0 / 3600 * np.array([[-np.cos(turn), np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        image = self.write("a.fits", self.star(90, 70, 800), wcs=wcs)
        ra, dec = wcs.all_pix2world([[300, 250]], 0)[0]
        table = self.root / "objects.csv"
        table.write_text(f"name,ra,dec,radius_arcmin\nWren 3,{ra},{dec},1.0\nElsewhere,10,-60,1\n")
        plain, marked = self.root / "p.png", self.root / "m.png"
        run(image, "-o", plain)
        run(image, "-o", marked, "--annotate", "--objects", table)
        before, after = decode(plain)[0][..., 0].astype(int), decode(marked)[0][..., 0].astype(int)
        ink = (after > 240) & (before < 200)
        # A ring of 1 arcmin is 30 px wide about the place, which is not inked itself.
        for angle in np.arange(0, 2 * np.pi, 0.4):
            x, y = 300 + 30 * np.cos(angle), HEIGHT - 1 - (250 + 30 * np.sin(angle))
            near = ink[int(y) - 1:int(y) + 3, int(x) - 1:int(x) + 3]
            self.assertTrue(near.any(), angle)
        self.assertFalse(ink[HEIGHT - 1 - 260:HEIGHT - 1 - 240, 290:310].any())
        # Half as large: half as far from the corner, the ring half as wide.
        run(image, "-o", self.root / "s.png", "--objects", table, "--longest", 240)
        small = decode(self.root / "s.png")[0][..., 0] > 240
        ys, xs = np.nonzero(small)
        ring = np.hypot(xs - 149.75, ys - (179 - 124.75))
        self.assertGreater(np.sum(np.abs(ring - 15) < 1.2), 40)
        # The bar: 2 arcsec/px and a quarter of 480 px hold 3 arcmin, 90 px.
        longest = max(len(max("".join("x" if v else " " for v in row).split() or [""], key=len)) for row in ink[300:])
        self.assertAlmostEqual(longest, 91, delta=2)

    def test_marks_need_a_position(self):
        image = self.write("a.fits", self.star(90, 70, 800))
        done = run(image, "-o", self.root / "a.png", "--annotate", status=2)
        self.assertIn("no position on the sky", done.stderr)
        self.assertFalse((self.root / "a.png").exists())

    def test_smoothing_and_sharpening_are_told(self):
        image = self.write("a.fits", self.star(200, 150, 3000, 4.0), FWHM=4.0)
        plain, _ = decode_of(self, image)
        smooth, told = decode_of(self, image, "--smooth", 3)
        self.assertIn("3 sigma", told["Description"])
        self.assertLess(smooth[:100, :100].astype(float).std(), 0.4 * plain[:100, :100].astype(float).std())
        sharp, told = decode_of(self, image, "--sharpen", 10)
        self.assertIn("10 damped Richardson-Lucy iterations", told["Description"])
        row = HEIGHT - 1 - 150
        wide = lambda a: np.sum(a[row, 180:220, 0].astype(int) > (int(a[row, 200, 0]) + int(np.median(a))) // 2)
        self.assertLess(wide(sharp), wide(plain))
        self.assertEqual(decode_of(self, image)[1], {})
        bare = self.write("b.fits", self.star(200, 150, 3000, 4.0))
        self.assertIn("--star-width", run(bare, "-o", self.root / "b.png", "--sharpen", 5, status=2).stderr)
        run(bare, "-o", self.root / "b.png", "--sharpen", 5, "--star-width", 4)

    def test_a_broken_table_is_named(self):
        wcs = WCS(naxis=2)
        wcs.wcs.ctype, wcs.wcs.crpix, wcs.wcs.crval = ["RA---TAN", "DEC--TAN"], [240, 180], [150.0, 30.0]
        wcs.wcs.cdelt = [-2 / 3600, 2 / 3600]
        image = self.write("a.fits", self.star(90, 70, 800), wcs=wcs)
        table = self.root / "objects.csv"
        table.write_text("what,where\na,b\n1,2\n")
        done = run(image, "-o", self.root / "a.png", "--objects", table, status=3)
        self.assertIn("lacks a column", done.stderr)
        self.assertEqual(done.stderr.count("\n"), 1)


def decode_of(test, image, *options):
    out = test.root / "out.png"
    run(image, "-o", out, *options)
    return decode(out)


if __name__ == "__main__":
    unittest.main()
