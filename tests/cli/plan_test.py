#!/usr/bin/python3
"""`coldframe plan` held against a simulated session of that plan: depth for a star within 0.1 mag,
share of read noise within 5 %. The depth is measured here with numpy (a matched filter on blank
sky), not by the program. Needs COLDFRAME_PROGRAM."""
import json
import os
import subprocess
import tempfile
import unittest
from pathlib import Path

import numpy as np
from astropy.io import fits
from scipy import ndimage, signal

PROGRAM = os.environ["COLDFRAME_PROGRAM"]
SUBS, SECONDS, READ_NOISE, SKY, ZERO_POINT = 12, 60, 5.0, 1.2, 21.5
FOCAL, PIXEL, WIDTH = 620.0, 4.6, 3.0  # mm, um, px (optical)
SCENE = {
    "name": "planned", "object": "Plan Field", "filter": "L", "seed": 77,
    "sensor": {"width": 720, "height": 540, "read_noise_e": READ_NOISE, "gain_e_per_adu": 0.8,
               "hot_pixel_share": 0, "cold_pixel_share": 0, "pixel_response_sd": 0.002,
               "bias_structure_adu": 0, "dark_e_per_s": 0.02},
    "optics": {"focal_length_mm": FOCAL, "pixel_um": PIXEL, "vignetting": 0.05, "dust_count": 0,
               "psf_beta": 3.5},
    "sky": {"sky_e_per_s": SKY, "gradient": 0.0, "stars": 150, "brightest_e_per_s": 3000,
            "zero_point_mag": ZERO_POINT},
    # So many darks that their own noise adds nothing that counts to the subs.
    "lights": {"count": SUBS, "exposure_s": SECONDS, "seeing_fwhm_px": WIDTH, "seeing_sd": 0.0,
               "dither_px": 10, "transparency_sd": 0.0, "cosmic_rays": 0},
    "darks": 90, "dark_exposure_s": SECONDS, "flats": 20, "flat_exposure_s": 2, "flat_darks": 15,
}


def call(*args):
    done = subprocess.run([PROGRAM, *map(str, args)], capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stderr
    return done.stdout


def five_sigma_flux(path, fwhm):
    """Flux of a star at 5 sigma: robust scatter of a Moffat matched filter where no star is."""
    with fits.open(path) as units:
        image = units[0].data.astype(float)
        usable = units["MASK"].data == 0
    flat = image - ndimage.median_filter(image[::4, ::4], 41).repeat(4, 0).repeat(4, 1)[:image.shape[0], :image.shape[1]]
    y, x = np.mgrid[-12:13, -12:13]
    alpha = fwhm / (2 * np.sqrt(2 ** (1 / 3.5) - 1))
    profile = (1 + (x * x + y * y) / alpha**2) ** -3.5
    profile /= profile.sum()
    fluxes = signal.fftconvolve(flat, profile / (profile**2).sum(), mode="same")
    noise = 1.4826 * np.median(np.abs(flat - np.median(flat)))
    stars = ndimage.binary_dilation(flat > 5 * noise, iterations=14)
    blank = usable & ~stars
    blank[:40], blank[-40:], blank[:, :40], blank[:, -40:] = False, False, False, False
    assert blank.sum() > 50000
    sample = fluxes[blank]
    return 5 * 1.4826 * np.median(np.abs(sample - np.median(sample)))


class PlanAgainstSession(unittest.TestCase):
    def test_depth_and_read_noise_share_come_true(self):
        with tempfile.TemporaryDirectory(prefix="coldframe-plan-") as name:
            root = Path(name)
            (root / "scene.json").write_text(json.dumps(SCENE))
            call("simulate", root / "scene.json", "-o", root / "s", "--quiet")
            call("run", root / "s", "-o", root / "out", "--quiet")
            scale = 206.264806 * PIXEL / FOCAL
            options = ["--focal-length", FOCAL, "--pixel", PIXEL, "--read-noise", READ_NOISE,
                       "--dark-current", 0.02, "--sub", SECONDS, "--zero-point", ZERO_POINT,
                       "--hours", SUBS * SECONDS / 3600, "--json"]
            plan = json.loads(call("plan", *options, "--sky-rate", SKY, "--seeing", WIDTH * scale))
            record = json.loads((root / "out" / "session.json").read_text())
            kept = [s for s in record["subs"] if s["kept"]]
            self.assertEqual(len(kept), SUBS)
            self.assertEqual(plan["depth"][0]["subs"], SUBS)

            limit = five_sigma_flux(root / "out" / record["results"][0]["path"],
                                    record["results"][0]["fwhm_px"])
            reached = ZERO_POINT - 2.5 * np.log10(limit / SECONDS)
            # 0.1 mag asked; the scatter's own error is about 0.02 mag (some 1,500 independent places).
            self.assertLess(abs(plan["depth"][0]["star_mag_5_sigma"] - reached), 0.1)
            self.assertLess(abs(plan["optics"]["fwhm_px"] / record["results"][0]["fwhm_px"] - 1), 0.04)

            noise = np.median([s["noise_per_px"] for s in kept])
            # Photon noise of sky and dark alone.
            photons = np.sqrt(np.median([s["sky_per_s"] for s in kept]) * SECONDS + 0.02 * SECONDS)
            share = noise / photons - 1
            self.assertLess(abs(plan["sub"]["read_noise_share"] / share - 1), 0.05)

            # From the record alone: the same depth again, with measured sky, width and noise.
            again = json.loads(call("plan", "--from", root / "out", "--zero-point", ZERO_POINT, "--sub",
                                    SECONDS, "--hours", SUBS * SECONDS / 3600, "--json"))
            self.assertLess(abs(again["depth"][0]["star_mag_5_sigma"] - reached), 0.1)
            self.assertTrue(again["earlier"])


if __name__ == "__main__":
    unittest.main()
