#!/usr/bin/python3
"""Many files: 10,000 are surveyed in seconds, 1,000 small subs become one result in bounded memory and
few open files. Usage: many_files.py PROGRAM FOLDER"""
import json
import resource
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
from astropy.io import fits

PROGRAM, ROOT = sys.argv[1], Path(sys.argv[2])
WIDTH, HEIGHT = 160, 120


def frame_bytes(kind, number, pixels, exposure):
    header = fits.Header()
    header["IMAGETYP"], header["EXPTIME"], header["CCD-TEMP"] = kind, exposure, -10.0
    header["INSTRUME"], header["GAIN"], header["EGAIN"], header["FILTER"] = "Marl 160", 100, 1.0, "L"
    header["OBJECT"] = "Wren Galaxy"
    header["DATE-OBS"] = f"2031-03-{14 + number // 1000:02d}T{19 + number // 360 % 5:02d}:{number // 6 % 60:02d}:{number % 6 * 10:02d}"
    return fits.PrimaryHDU(pixels, header)


def survey_of_many():
    folder = ROOT / "survey"
    folder.mkdir(parents=True)
    base = np.full((HEIGHT, WIDTH), 500, np.uint16)
    for k in range(10_000):
        base[0, :4] = [k % 251, k // 251, k % 13, 7]  # no two alike
        frame_bytes("Light Frame" if k % 10 else "Dark Frame", k, base, 60.0).writeto(folder / f"f{k:05d}.fits")
    subprocess.run([PROGRAM, "survey", folder, "--quiet"], check=True, stdout=subprocess.DEVNULL)  # files in the cache
    begin = time.time()
    done = subprocess.run([PROGRAM, "survey", folder, "--json"], check=True, capture_output=True)
    print(f"10,000 files surveyed in {time.time() - begin:.1f} s")
    assert b"Wren" in done.stdout
    return time.time() - begin


def many_subs():
    folder = ROOT / "subs" / "lights"
    folder.mkdir(parents=True)
    random = np.random.default_rng(8)
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    stars = [(random.uniform(12, WIDTH - 12), random.uniform(12, HEIGHT - 12), 10 ** random.uniform(2.6, 3.8)) for _ in range(40)]
    for k in range(1000):
        dx, dy = random.uniform(-4, 4, 2)
        light = 300 + sum(a * np.exp(-((x - u - dx) ** 2 + (y - v - dy) ** 2) / 3.0) for u, v, a in stars)
        frame_bytes("Light Frame", k, random.poisson(light).astype(np.uint16), 10.0).writeto(folder / f"l{k:04d}.fits")
    out = ROOT / "out"
    begin = time.time()
    few = lambda: resource.setrlimit(resource.RLIMIT_NOFILE, (128, 128))
    subprocess.run([PROGRAM, "run", ROOT / "subs", "-o", out, "--memory", "500M", "--quiet"], check=True, preexec_fn=few)
    record = json.loads((out / "session.json").read_text())
    peak = record["peak_memory_bytes"] >> 20
    print(f"1,000 subs: {record['results'][0]['subs_kept']} kept, {time.time() - begin:.0f} s, peak {peak} MiB of 476, at most 128 open files")
    assert record["results"][0]["subs_kept"] > 950
    assert peak < 476


if __name__ == "__main__":
    seconds = survey_of_many()
    many_subs()
    if seconds > 15:
        sys.exit("survey took too long")
