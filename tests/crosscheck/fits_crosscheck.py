"""Files written by the FITS module, read by astropy.

Run: COLDFRAME_SAMPLES=DIR test_fits, then this script with DIR as its argument
(or in COLDFRAME_SAMPLES). The formulas below repeat those of tests/fits/writer_test.cpp.
"""
import os
import sys
import unittest
import warnings

import numpy as np
from astropy.io import fits

SAMPLES = os.environ.get("COLDFRAME_SAMPLES", "")


class SampleFile(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        warnings.simplefilter("error")  # astropy reports wrong checksums and odd cards as warnings
        cls.file = fits.open(os.path.join(SAMPLES, "fits-sample.fits"), checksum=True)
        y, x = np.mgrid[0:41, 0:53]
        cls.x, cls.y = x, y

    @classmethod
    def tearDownClass(cls):
        cls.file.close()

    def test_standard_and_checksums(self):
        self.file.verify("exception")
        self.assertEqual([hdu.name for hdu in self.file], ["PRIMARY", "MASK", "CODES", "STARS"])
        for hdu in self.file:
            self.assertIn("CHECKSUM", hdu.header)
            self.assertEqual(hdu.verify_datasum(), 1)
            self.assertEqual(hdu.verify_checksum(), 1)

    def test_float_planes(self):
        data = self.file[0].data
        self.assertEqual(data.dtype, np.dtype(">f4"))
        self.assertEqual(data.shape, (3, 41, 53))
        for plane in range(3):
            truth = (self.x * 0.5 - self.y * 3.25 + plane * 1000.0).astype(np.float32)
            np.testing.assert_array_equal(data[plane], truth)

    def test_cards(self):
        header = self.file[0].header
        self.assertEqual(header["OBJECT"], "Wren Galaxy")
        self.assertEqual(header["EXPTIME"], 120.0)
        self.assertEqual(header["NCOMBINE"], 7)
        self.assertEqual(list(header["HISTORY"]), ["written for the cross-check"])

    def test_integers(self):
        self.assertEqual(self.file["MASK"].data.dtype, np.uint8)
        np.testing.assert_array_equal(self.file["MASK"].data, (self.x + self.y) % 256)
        codes = self.file["CODES"].data
        self.assertEqual(codes.dtype, np.uint16)
        np.testing.assert_array_equal(codes, (40503 * self.x + 30011 * self.y + 17) % 65536)

    def test_table(self):
        table = self.file["STARS"]
        self.assertEqual(table.header["NOTE"], "three stars")
        self.assertEqual(table.columns["x"].unit, "pix")
        self.assertEqual(table.columns["flux"].unit, "electron")
        np.testing.assert_array_equal(table.data["x"], [1.5, -2.25, 1e300])
        np.testing.assert_array_equal(table.data["flux"], np.array([1, 0.5, np.nan], np.float32))
        np.testing.assert_array_equal(table.data["id"], [1, -2, 2147483647])
        np.testing.assert_array_equal(table.data["big"], [1, -2, 9007199254740993])
        np.testing.assert_array_equal(table.data["flags"], [0, 128, 255])
        self.assertEqual(list(table.data["path"]), ["a", "", "lights/long name.fits"])


if __name__ == "__main__":
    if len(sys.argv) > 1 and os.path.isdir(sys.argv[1]):
        SAMPLES = sys.argv.pop(1)
    unittest.main()
