"""What is measured. A stage is a function of a `Work` that returns its entries: the product first,
then the rivals. To add one: write it here and name it in STAGES, and give the rivals' scripts a
function `stage_NAME`."""
import json
import os
import pathlib
import shutil
import subprocess
import sys
from dataclasses import dataclass, field

HERE = pathlib.Path(__file__).resolve().parent
PYTHON = sys.executable
PROCESSES = 2


@dataclass
class Entry:
    name: str  # product, tuned or library
    command: list
    megapixels: float  # of raw input
    fresh: list = field(default_factory=list)  # folders emptied before every run

    def prepare(self):
        for folder in self.fresh:
            shutil.rmtree(folder, ignore_errors=True)
            os.makedirs(folder)


@dataclass
class Work:
    program: str
    session: pathlib.Path
    scratch: pathlib.Path
    pixels: float  # megapixels of one frame
    height: int
    threads: int

    def lights(self, count):
        return sorted(str(p) for p in (self.session / "lights").glob("*.fits"))[:count]

    def files(self, kind):
        return sorted(str(p) for p in (self.session / kind).glob("*.fits"))

    def folder(self, name):
        path = self.scratch / name
        path.mkdir(exist_ok=True)
        return str(path)

    def once(self, name, arguments):
        """Files that a stage starts from, made by the product and kept."""
        out = self.scratch / f"{name}-{self.session.name}"
        if not out.exists():
            part = out.with_suffix(".part")
            shutil.rmtree(part, ignore_errors=True)
            part.mkdir()
            subprocess.run([self.program, *arguments(part), "--quiet"], check=True)
            part.rename(out)
        return sorted(str(p) for p in out.glob("*.fits"))

    def masters(self):
        dark = self.once("dark", lambda out: ["master", "dark", *self.files("darks"), "-o",
                                              str(out / "dark.fits")])
        flat = self.once("flat", lambda out: ["master", "flat", *self.files("flats"), "-o",
                                              str(out / "flat.fits")])
        return dark[0], flat[0]

    def calibrated(self, count):
        dark, flat = self.masters()
        return self.once("calibrated", lambda out: ["calibrate", *self.lights(24), "--dark", dark,
                                                    "--flat", flat, "-o", str(out)])[:count]

    def aligned(self, count):
        return self.once("aligned", lambda out: ["register", *self.calibrated(20), "--resample",
                                                 str(out)])[:count]

    def product(self, arguments, megapixels, **more):
        return Entry("product", [self.program, *arguments, "--quiet", "--threads",
                                 str(self.threads)], megapixels, **more)

    def rival(self, name, stage, job, megapixels, **more):
        path = self.scratch / f"{stage}-{name}.json"
        path.write_text(json.dumps({"processes": PROCESSES, **job}), encoding="utf-8")
        script = HERE / "library" / ("tuned.py" if name == "tuned" else "standard.py")
        return Entry(name, [PYTHON, str(script), stage, str(path)], megapixels, **more)


def stars(work):
    """Sky mesh of 64 px, detection, elliptical Moffat fits of the 200 brightest (the product fits
    up to 400 and places every other star)."""
    many, some, few = work.lights(24), work.lights(8), work.lights(4)
    return [work.product(["stars", *many], len(many) * work.pixels),
            work.rival("tuned", "stars", {"files": some}, len(some) * work.pixels),
            work.rival("library", "stars", {"files": few}, len(few) * work.pixels)]


def calibrate(work, *options):
    """Minus master dark, by master flat, file to file; with each pixel's uncertainty and a mask,
    which no rival makes."""
    dark, flat = work.masters()
    many, some = work.lights(40), work.lights(8)
    job = {"files": some, "dark": dark, "flat": flat, "out": work.folder("calibrate-tuned")}
    ours = work.folder("calibrate-product")
    return [work.product(["calibrate", *many, "--dark", dark, "--flat", flat, "-o", ours, *options],
                         len(many) * work.pixels, fresh=[ours]),
            work.rival("tuned", "calibrate", job, len(some) * work.pixels, fresh=[job["out"]])]


def calibrate_values(work):
    """The same pixels alone: what the rivals write."""
    return calibrate(work, "--values-only")


def register(work):
    """Stars, matching, resampling, file to file."""
    files = work.calibrated(8)
    job = {"files": files, "out": work.folder("register-tuned")}
    ours = work.folder("register-product")
    return [work.product(["register", *files, "--resample", ours], len(files) * work.pixels,
                         fresh=[ours]),
            work.rival("tuned", "register", job, len(files) * work.pixels, fresh=[job["out"]])]


def integrate(work):
    """Rejection and mean of files on one grid; the product weighs, keeps uncertainty and counts."""
    files = work.aligned(20)
    entries = []
    for name in ("product", "tuned", "library"):
        out = work.folder(f"integrate-{name}")
        if name == "product":
            entries.append(work.product(["integrate", "--aligned", *files, "-o",
                                         f"{out}/result.fits"], len(files) * work.pixels,
                                        fresh=[out]))
        else:
            job = {"files": files, "height": work.height, "out": out}
            entries.append(work.rival(name, "integrate", job, len(files) * work.pixels,
                                      fresh=[out]))
    return entries


def master(work):
    """Master dark of 8 frames."""
    files = work.files("darks")
    entries = []
    for name in ("product", "tuned", "library"):
        out = work.folder(f"master-{name}")
        if name == "product":
            entries.append(work.product(["master", "dark", *files, "-o", f"{out}/master.fits"],
                                        len(files) * work.pixels, fresh=[out]))
        else:
            job = {"files": files, "height": work.height, "out": out}
            entries.append(work.rival(name, "master", job, len(files) * work.pixels, fresh=[out]))
    return entries


def run(work):
    """The whole job; megapixels of lights alone."""
    job = {"files": work.lights(40), "darks": work.files("darks"), "flats": work.files("flats"),
           "flat_darks": work.files("flat_darks"), "height": work.height,
           "out": work.folder("run-tuned")}
    ours = work.folder("run-product")
    few = {**job, "files": work.lights(8), "out": work.folder("run-library")}
    pixels = len(job["files"]) * work.pixels
    return [work.product(["run", str(work.session), "-o", ours], pixels, fresh=[ours]),
            work.rival("tuned", "run", job, pixels, fresh=[job["out"]]),
            work.rival("library", "run", few, len(few["files"]) * work.pixels,
                       fresh=[few["out"]])]


def background(work):
    """Sky gradient of one result; the rival subtracts a mesh, with no object protected."""
    source = work.once("combined", lambda out: ["integrate", "--aligned", *work.aligned(20), "-o",
                                                str(out / "result.fits")])[0]
    ours = work.folder("background-product")
    job = {"file": source, "out": work.folder("background-library")}
    return [work.product(["background", source, "-o", f"{ours}/flat.fits"], work.pixels,
                         fresh=[ours]),
            work.rival("library", "background", job, work.pixels, fresh=[job["out"]])]


# Stage -> (function, least and wanted ratio to the faster rival: the goals this project set itself;
# 0 = for the record)
STAGES = {
    "stars": (stars, 12, 16),
    "calibrate": (calibrate, 4, 6),
    "calibrate --values-only": (calibrate_values, 4, 6),
    "register --resample": (register, 5.5, 8),
    "integrate --aligned": (integrate, 15, 20),
    "master": (master, 0, 0),
    "background": (background, 0, 0),
    "run": (run, 6.5, 9),
}
