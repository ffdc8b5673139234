#!/usr/bin/env python3
"""Compares where target, Sun and Moon stood with astropy (built-in ephemeris), and solutions as
written with astropy.wcs.

Solutions: the unit test writes tan_sip.csv (pixel, its sky position by our code and WCSLIB's, the
header's cards). astropy.wcs on the cards must agree to 1e-8 degrees, and lead back to the pixel to
1e-6 px; AP and BP alone to 1e-3 px.

The unit test of `sky` writes ephemeris.csv into $COLDFRAME_SAMPLES. Limits: target and Sun 0.02 degrees
(aberration 20 arcsec and UT1 - UTC are left out by intent), Moon 0.05 degrees, phase 0.002.

Usage: sky_crosscheck.py [FOLDER]   (default: $COLDFRAME_SAMPLES). Exit 1 on disagreement.
"""
import csv
import os
import sys
import warnings

import astropy.units as u
import numpy as np
from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_body, get_sun
from astropy.io import fits
from astropy.time import Time
from astropy.utils import iers
from astropy.wcs import WCS

warnings.simplefilter("ignore")  # leap seconds beyond the table
iers.conf.auto_download = False
iers.conf.iers_degraded_accuracy = "ignore"


def cards_header(text):
    header = fits.Header()
    for card in filter(None, text.split(";")):
        keyword, value = card.split("=", 1)
        try:
            header[keyword] = int(value) if value.lstrip("-").isdigit() else float(value)
        except ValueError:
            header[keyword] = value
    return header


def check_solutions(folder):
    path = os.path.join(folder, "tan_sip.csv")
    if not os.path.exists(path):
        print(f"solutions: {path} is missing; run test_sky with COLDFRAME_SAMPLES set", file=sys.stderr)
        return 1
    sky, back, inverse, count = 0.0, 0.0, 0.0, 0
    for row in csv.DictReader(open(path, encoding="ascii")):
        wcs = WCS(cards_header(row["cards"]))
        x, y, ra, dec = (float(row[k]) for k in ("x", "y", "ra", "dec"))
        a, d = wcs.all_pix2world(x, y, 1)
        turn = (a - ra + 180.0) % 360.0 - 180.0
        sky = max(sky, abs(turn) * np.cos(np.radians(dec)), abs(d - dec))
        px, py = wcs.all_world2pix(ra, dec, 1, tolerance=1e-9)
        back = max(back, abs(px - x), abs(py - y))
        if wcs.sip is not None:
            u, v = np.array(wcs.wcs_world2pix(ra, dec, 1)) - wcs.wcs.crpix
            inverse = max(inverse, abs(u + np.polynomial.polynomial.polyval2d(u, v, wcs.sip.ap) + wcs.wcs.crpix[0] - x),
                          abs(v + np.polynomial.polynomial.polyval2d(u, v, wcs.sip.bp) + wcs.wcs.crpix[1] - y))
        count += 1
    print(f"solutions: {count} positions against astropy.wcs; largest differences {sky:.2e} deg, back {back:.2e} px, "
          f"AP/BP {inverse:.2e} px")
    return int(not (sky < 1e-8 and back < 1e-6 and inverse < 1e-3 and count >= 200))


def main():
    folder = sys.argv[1] if len(sys.argv) > 1 else os.environ.get("COLDFRAME_SAMPLES", "")
    path = os.path.join(folder, "ephemeris.csv")
    if not os.path.exists(path):
        print(f"ephemeris: {path} is missing; run test_sky with COLDFRAME_SAMPLES set", file=sys.stderr)
        return 1
    worst = {"target": 0.0, "azimuth": 0.0, "sun": 0.0, "moon": 0.0, "phase": 0.0, "separation": 0.0}
    rows = list(csv.DictReader(open(path, encoding="ascii")))
    for row in rows:
        time = Time(row["utc"], scale="utc")
        time.delta_ut1_utc = 0.0  # as in the library
        place = EarthLocation(lat=float(row["latitude"]) * u.deg, lon=float(row["longitude"]) * u.deg)
        horizon = AltAz(obstime=time, location=place)
        target = SkyCoord(float(row["ra"]) * u.deg, float(row["dec"]) * u.deg, frame="icrs")
        seen = target.transform_to(horizon)
        worst["target"] = max(worst["target"], abs(seen.alt.deg - float(row["altitude"])))
        turn = (seen.az.deg - float(row["azimuth"]) + 180.0) % 360.0 - 180.0
        worst["azimuth"] = max(worst["azimuth"], abs(turn) * np.cos(seen.alt.rad))
        sun = get_sun(time).transform_to(horizon)
        worst["sun"] = max(worst["sun"], abs(sun.alt.deg - float(row["sun_altitude"])))
        moon = get_body("moon", time, place)
        worst["moon"] = max(worst["moon"], abs(moon.transform_to(horizon).alt.deg - float(row["moon_altitude"])))
        apart = moon.transform_to(horizon).separation(seen).deg
        worst["separation"] = max(worst["separation"], abs(apart - float(row["moon_separation"])))
        # Illuminated share from the geocentric triangle.
        s, m = get_sun(time), get_body("moon", time)
        elongation = s.separation(SkyCoord(m.ra, m.dec, frame=s.frame.replicate_without_data())).rad
        phase = np.arctan2(s.distance.km * np.sin(elongation), m.distance.km - s.distance.km * np.cos(elongation))
        worst["phase"] = max(worst["phase"], abs(0.5 * (1 + np.cos(phase)) - float(row["moon_phase"])))
    limits = {"target": 0.02, "azimuth": 0.02, "sun": 0.02, "moon": 0.05, "phase": 0.002, "separation": 0.05}
    failed = [name for name, limit in limits.items() if not worst[name] <= limit]
    print(f"ephemeris: {len(rows)} moments against astropy; largest differences "
          + ", ".join(f"{name} {value:.4f}" for name, value in worst.items()))
    if failed:
        print("ephemeris: beyond the limit: " + ", ".join(failed), file=sys.stderr)
    solutions = check_solutions(folder)
    return 1 if failed or solutions or len(rows) < 50 else 0


if __name__ == "__main__":
    sys.exit(main())
