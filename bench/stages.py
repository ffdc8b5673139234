"""What is measured. A stage is a function of a `Work` that returns its entries: the product first,
then the rivals. To add one: write it here and name it in STAGES, and give the rivals' scripts a
function `stage_NAME`."""
import json
import os
import pathlib
import shutil
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
    threads: int

    def lights(self, count):
        return sorted(str(p) for p in (self.session / "lights").glob("*.fits"))[:count]

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


# Stage -> (function, least and wanted ratio to the faster rival: the goals this project set itself)
STAGES = {
    "stars": (stars, 12, 16),
}
