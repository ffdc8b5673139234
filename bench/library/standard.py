#!/usr/bin/python3
"""The same work with the astronomy libraries' own functions (astropy, photutils), as their
documentation shows it. Usage: standard.py STAGE JOB.json        (started by bench/run)
"""
import sys
import warnings

import numpy as np
from astropy.io import fits
from astropy.modeling import fitting, models
from astropy.stats import SigmaClip, sigma_clip
from photutils.background import Background2D, MedianBackground
from photutils.detection import DAOStarFinder
from scipy import ndimage

import tuned

warnings.filterwarnings("ignore")


def measure(path):
    image = fits.getdata(path).astype(np.float32)
    mesh = Background2D(image, 64, filter_size=3, sigma_clip=SigmaClip(3.0),
                        bkg_estimator=MedianBackground())
    signal = image - mesh.background
    found = DAOStarFinder(fwhm=3.0, threshold=5.0 * mesh.background_rms_median)(signal)
    found.sort("peak", reverse=True)
    fitter = fitting.LevMarLSQFitter()
    half = tuned.HALF
    widths = []
    for row in found:
        if len(widths) == tuned.FITS:
            break
        x, y = int(round(row["xcentroid"])), int(round(row["ycentroid"]))
        cut = signal[max(y - half, 0):y + half + 1, max(x - half, 0):x + half + 1]
        if cut.shape != (2 * half + 1, 2 * half + 1):
            continue
        yy, xx = np.mgrid[-half:half + 1, -half:half + 1]
        star = fitter(models.Moffat2D(float(cut[half, half]), 0, 0, 2.8, 3.5), xx, yy, cut,
                      maxiter=50)
        widths.append(star.fwhm)
    return {"found": len(found), "fits": len(widths), "fwhm_px": float(np.nanmedian(widths))}


def stage_stars(job, pool):
    return pool.map(measure, job["files"], chunksize=1)


def combine_strip(task):
    files, y0, y1 = task
    stack = np.stack([tuned.rows_of(path, y0, y1).astype(np.float32) for path in files])
    clipped = sigma_clip(stack, sigma=4, maxiters=3, axis=0, masked=False, copy=False)
    return np.nanmean(clipped, axis=0)


def stage_integrate(job, pool):
    tasks = [(job["files"], y, min(y + 64, job["height"])) for y in range(0, job["height"], 64)]
    result = np.concatenate(pool.map(combine_strip, tasks, chunksize=1))
    fits.PrimaryHDU(result).writeto(job["out"] + "/result.fits", overwrite=True)
    return {"mean": float(result.mean())}


def stage_master(job, pool):
    return stage_integrate(job, pool)


def combined(files, height, pool):
    tasks = [(files, y, min(y + 64, height)) for y in range(0, height, 64)]
    return np.concatenate(pool.map(combine_strip, tasks, chunksize=1))


def found_places(image):
    """Sky-subtracted picture, its sources by falling brightness."""
    mesh = Background2D(image, 64, filter_size=3, sigma_clip=SigmaClip(3.0),
                        bkg_estimator=MedianBackground())
    signal = image - mesh.background
    found = DAOStarFinder(fwhm=3.0, threshold=5.0 * mesh.background_rms_median)(signal)
    found.sort("flux", reverse=True)
    return signal, float(mesh.background_median), found


def bright_triangles(found):
    return tuned.triangles(np.array(found["xcentroid"][:25]), np.array(found["ycentroid"][:25]))


def fitted_widths(signal, found):
    fitter = fitting.LevMarLSQFitter()
    half, widths = tuned.HALF, []
    yy, xx = np.mgrid[-half:half + 1, -half:half + 1]
    for row in found[:tuned.FITS]:
        x, y = int(round(row["xcentroid"])), int(round(row["ycentroid"]))
        cut = signal[max(y - half, 0):y + half + 1, max(x - half, 0):x + half + 1]
        if cut.shape == xx.shape:
            star = fitter(models.Moffat2D(float(cut[half, half]), 0, 0, 2.8, 3.5), xx, yy, cut,
                          maxiter=50)
            widths.append(star.fwhm)
    return widths


def run_one(task):
    job, path, dark, flat, reference = task
    image = (fits.getdata(path).astype(np.float32) - np.load(dark)) / np.load(flat)
    signal, level, found = found_places(image)
    widths = fitted_widths(signal, found)
    matrix = tuned.match(bright_triangles(found), reference)
    # scipy maps output to input, rows first.
    forward = np.vstack([matrix, [0, 0, 1]])
    back = np.linalg.inv(forward)
    turn = back[:2, :2][::-1, ::-1]
    moved = ndimage.affine_transform(signal + level, turn, offset=back[:2, 2][::-1], order=3,
                                     output=np.float32)
    out = tuned.target(job, path, ".npy")
    np.save(out, moved)
    return out, float(np.nanmedian(widths))


def stage_run(job, pool):
    height = job["height"]
    dark = combined(job["darks"], height, pool)
    flat = combined(job["flats"], height, pool) - combined(job["flat_darks"], height, pool)
    flat /= flat.mean()
    masters = [job["out"] + name for name in ("/dark.npy", "/flat.npy")]
    for path, master in zip(masters, (dark, flat)):
        np.save(path, master.astype(np.float32))
    first = (fits.getdata(job["files"][0]).astype(np.float32) - dark) / flat
    reference = bright_triangles(found_places(first.astype(np.float32))[2])
    done = pool.map(run_one, [(job, path, *masters, reference) for path in job["files"]],
                    chunksize=1)
    result = combined([path for path, _ in done], height, pool)
    fits.PrimaryHDU(result).writeto(job["out"] + "/result.fits", overwrite=True)
    return {"fwhm_px": [width for _, width in done][:3]}


def stage_background(job, pool):
    image = fits.getdata(job["file"]).astype(np.float32)
    mesh = Background2D(image, 64, filter_size=3, sigma_clip=SigmaClip(3.0),
                        bkg_estimator=MedianBackground())
    fits.PrimaryHDU(image - mesh.background).writeto(job["out"] + "/flat.fits", overwrite=True)


tuned.STAGES = {name[6:]: function for name, function in globals().items()
                if name.startswith("stage_")}
if __name__ == "__main__":
    tuned.main()
