#!/usr/bin/python3
"""What a session's figures mean: patterns put into small simulated nights must be named first among what limited the
result, and clean nights name none. The gate runs one night of each; `hints_test.py --seeds 20` (scripts/soak) runs twenty and asks for 18."""
import json
import math
import os
import random
import subprocess
import sys
import tempfile
import unittest
from pathlib import Path

import numpy as np
from astropy.io import fits

PROGRAM = os.environ["COLDFRAME_PROGRAM"]
SUBS = 12
SEEDS = 1


def night(seed):
    """A clean night: dithered, seeing and transparency that scatter by a few percent."""
    return {
        "name": "hints", "object": "Wren Galaxy", "filter": "L", "seed": seed,
        "sensor": {"width": 420, "height": 340, "hot_pixel_share": 1e-4},
        "optics": {"vignetting": 0.1, "dust_count": 0},
        "sky": {"sky_e_per_s": 4.0, "gradient": 0.05, "stars": 150, "brightest_e_per_s": 2500,
                "magnitude_range": 5.0, "ra_deg": 150.0, "dec_deg": 30.0},
        "lights": {"count": SUBS, "exposure_s": 60, "seeing_fwhm_px": 2.8, "seeing_sd": 0.1, "dither_px": 9,
                   "transparency_sd": 0.02, "cosmic_rays": 0.5, "overrides": []},
        "spacing_s": 600, "darks": 6, "dark_exposure_s": 60, "flats": 8, "flat_exposure_s": 2, "flat_darks": 6}


def each(scene, change):
    """Overrides of all subs: change(phase 0..1, index) gives the keys."""
    scene["lights"]["overrides"] = [dict(index=i, **change(i / (SUBS - 1), i)) for i in range(SUBS)]


def focus(scene, rng):
    each(scene, lambda p, i: {"seeing_fwhm_px": 2.6 * (1 + 0.4 * p) + 0.1 * rng.gauss(0, 1)})


def tracking(scene, rng):
    scene["lights"].update(smear_px=2.6, smear_angle_deg=rng.uniform(-3, 3))


def wind(scene, rng):
    each(scene, lambda p, i: {"smear_px": 0.6 + 1.7 * abs(rng.gauss(0, 1)), "smear_angle_deg": rng.uniform(0, 180)})


def tilt(scene, rng):
    scene["optics"].update(tilt=0.25, tilt_angle_deg=rng.uniform(0, 360))


def cloud(scene, rng):
    middle = rng.uniform(0.3, 0.7)
    each(scene, lambda p, i: {"transparency": 0.98 - 0.4 * math.exp(-((p - middle) / 0.13) ** 2)})


def dew(scene, rng):
    each(scene, lambda p, i: {"transparency": 0.99 - 0.35 * p + 0.01 * rng.gauss(0, 1),
                              "seeing_fwhm_px": 2.7 * (1 + 0.16 * p) + 0.06 * rng.gauss(0, 1)})


def gradient(scene, rng):
    scene["sky"].update(gradient=0.3, gradient_angle_deg=rng.uniform(0, 360), gradient_drift=0.4)


def undithered(scene, rng):
    scene["lights"]["dither_px"] = 0.1


def wrong_flats(scene, rng):
    """Stray light in the flats: they correct too little."""
    scene["optics"]["vignetting"] = 0.3
    scene["edit"] = ("flats", rng.uniform(0.4, 0.6))


def spoil_flats(folder, share):
    rng = np.random.default_rng(1)
    for path in sorted((folder / "flats").glob("*.fits")):
        with fits.open(path, mode="update") as hdus:
            data = hdus[0].data.astype(float)
            hdus[0].data = np.clip(data + rng.poisson(share * np.median(data), data.shape), 0, 65535).astype(np.uint16)


CAUSES = {"focus-drift": focus, "tracking": tracking, "wind": wind, "tilt": tilt, "thin-cloud": cloud, "dew": dew,
          "gradient": gradient, "no-dither": undithered, "flats": wrong_flats}


def first_limits(folder, scene):
    """Codes of what went wrong, as told of the result, and the hints'."""
    edit = scene.pop("edit", None)
    path = Path(folder) / "scene.json"
    path.write_text(json.dumps(scene))
    subprocess.run([PROGRAM, "simulate", path, "-o", Path(folder) / "night", "--quiet"], check=True)
    if edit:
        spoil_flats(Path(folder) / "night", edit[1])
    subprocess.run([PROGRAM, "run", Path(folder) / "night", "-o", Path(folder) / "out", "--quiet", "--no-background"],
                   check=True, stderr=subprocess.DEVNULL)
    record = json.loads((Path(folder) / "out" / "session.json").read_text())
    told = record["results"][0]["next_night"]
    for limit in told["limits"]:
        if limit["fault"] and limit["code"] != "no-flat":
            assert limit["snr_loss"] is None or 0 < limit["snr_loss"] < 1, limit
    gains = [action["gain_mag"] for action in told["actions"]]
    assert len(gains) <= 3 and gains == sorted(gains, reverse=True) and min(gains, default=1) >= 0.02, gains
    return [limit["code"] for limit in told["limits"] if limit["fault"]], told


class Hints(unittest.TestCase):
    def test_each_cause_is_named_first(self):
        named = {}
        for code, cause in CAUSES.items():
            for seed in range(1, SEEDS + 1):
                scene = night(1000 * len(code) + seed)
                cause(scene, random.Random(seed))
                with tempfile.TemporaryDirectory() as folder:
                    hints, told = first_limits(folder, scene)
                if code in hints:
                    # What costs most is worth mending, or the time for more subs is better spent.
                    self.assertTrue(told["actions"], (code, told))
                named.setdefault(code, []).append(hints[0] if hints else "none")
            right = named[code].count(code)
            print(f"hints: {code}: first in {right} of {SEEDS}", [n for n in named[code] if n != code], flush=True)
        for code, first in named.items():
            self.assertGreaterEqual(first.count(code), 0.9 * SEEDS, f"{code}: {first}")

    def test_clean_nights_give_none(self):
        for seed in range(1, SEEDS + 1):
            with tempfile.TemporaryDirectory() as folder:
                faults, told = first_limits(folder, night(50000 + seed))
                self.assertEqual(faults, [], f"seed {seed}")
                self.assertEqual(told["limits"][0]["code"], "sky", told)
                self.assertEqual(told["actions"][0]["code"], "few-subs", told)
        print(f"hints: none in {SEEDS} clean nights")


if __name__ == "__main__":
    if "--seeds" in sys.argv:
        at = sys.argv.index("--seeds")
        SEEDS = int(sys.argv[at + 1])
        del sys.argv[at:at + 2]
    unittest.main()
