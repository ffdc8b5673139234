#!/usr/bin/python3
"""`run --transforms`: the owner's transforms stand, the rest is matched, a wrong file costs one line."""
import copy
import json
import os
import subprocess
import tempfile
import unittest
from pathlib import Path

import numpy as np
from astropy.io import fits

PROGRAM = os.environ["COLDFRAME_PROGRAM"]
SCENES = Path(os.environ["COLDFRAME_TESTDATA"]) / "scenes"


def call(*args):
    return subprocess.run([PROGRAM, *map(str, args)], capture_output=True, text=True, timeout=600)


class GivenTransforms(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.scratch = tempfile.TemporaryDirectory(prefix="coldframe-given-")
        cls.root = Path(cls.scratch.name)
        cls.session = cls.root / "tiny"
        done = call("simulate", SCENES / "tiny.json", "-o", cls.session, "--quiet")
        assert done.returncode == 0, done.stderr
        cls.lights = sorted(p for p in cls.session.rglob("*.fits") if "light" in p.parent.name)
        assert len(cls.lights) == 6
        cls.file = cls.root / "transforms.json"
        done = call("register", *cls.lights, "-o", cls.file, "--quiet")
        assert done.returncode == 0, done.stderr
        cls.known = json.loads(cls.file.read_text())

    @classmethod
    def tearDownClass(cls):
        cls.scratch.cleanup()

    def write(self, name, change):
        """A copy of the transforms, changed."""
        known = copy.deepcopy(self.known)
        change(known)
        path = self.root / (name + ".json")
        path.write_text(json.dumps(known))
        return path

    def run_with(self, name, file, *options):
        out = self.root / name
        done = call("run", self.session, "-o", out, "--quiet", "--no-background", "--transforms", file, *options)
        self.assertEqual(done.returncode, 0, done.stderr)
        record = json.loads((out / "session.json").read_text())
        return record, out / record["results"][0]["path"]

    def others(self):
        return [r for r in self.known["files"] if r["file"] != self.known["reference"]]

    def test_transforms_are_taken_as_they_stand(self):
        record, _ = self.run_with("plain", self.file)
        rows = {Path(r["file"]).name: r for r in self.known["files"]}
        self.assertEqual(Path(record["results"][0]["reference"]).name, Path(self.known["reference"]).name)
        for sub in record["subs"]:
            with self.subTest(sub["path"]):
                self.assertEqual(sub["transform_source"], "file")
                self.assertEqual(sub["transform"], rows[Path(sub["path"]).name]["transform"])
                self.assertGreater(sub["matched_stars"], 10)

    def test_subs_beside_them_are_matched(self):
        missing = self.others()[1]["file"]
        file = self.write("fewer", lambda k: k.update(files=[r for r in k["files"] if r["file"] != missing]))
        record, _ = self.run_with("fewer", file)
        for sub in record["subs"]:
            own = Path(sub["path"]).name == Path(missing).name
            self.assertEqual(sub["transform_source"], "stars" if own else "file")
            self.assertTrue(sub["kept"], sub["reason"])
        # A sub that was refused in the file is matched as well.
        def refuse(known):
            for row in known["files"]:
                if row["file"] == missing:
                    row.update(matched=False, why_not="no consensus", transform=None)
        record, _ = self.run_with("refused", self.write("refused", refuse))
        self.assertEqual([Path(s["path"]).name for s in record["subs"] if s["transform_source"] == "stars"],
                         [Path(missing).name])

    def test_a_shift_by_hand_is_obeyed(self):
        def move(known):
            for row in known["files"]:
                if row["file"] != known["reference"]:
                    row["transform"]["matrix"][0][2] += 6.0
        images = []
        for name, file in (("still", self.file), ("moved", self.write("moved", move))):
            _, path = self.run_with(name, file, "--rejection", "none", "--no-trails", "--min-transparency", "0")
            image = fits.getdata(path).astype(float)
            images.append(np.nan_to_num(image - np.nanmedian(image)))
        # Five of six subs lie 6 px off.
        overlap = lambda a, b: np.sum(a * b) / np.sqrt(np.sum(a * a) * np.sum(b * b))
        self.assertGreater(overlap(images[1], np.roll(images[0], 6, axis=1)), 1.5 * overlap(images[1], images[0]))

    def test_files_of_other_sessions_are_named(self):
        def add(known):
            stranger = copy.deepcopy(known["files"][0])
            stranger["file"] = "elsewhere/unheard-of.fits"
            known["files"].append(stranger)
        record, _ = self.run_with("stranger", self.write("stranger", add))
        told = [w for w in record["warnings"] if w["code"] == "unknown-name"]
        self.assertEqual([w["files"] for w in told], [["elsewhere/unheard-of.fits"]])

    def test_wrong_files_cost_one_line(self):
        def shift_reference(known):
            for row in known["files"]:
                if row["file"] == known["reference"]:
                    row["transform"]["matrix"][1][2] = 2.0
        whole = self.file.read_text()
        cut = self.root / "cut.json"
        cut.write_text(whole[:500])
        cases = {
            cut: (2, "no transforms that can be read", ()),
            self.root / "absent.json": (3, "absent.json", ()),
            self.write("strange", lambda k: k.update(reference="elsewhere/unheard-of.fits")): (2, "not among the lights", ()),
            self.write("larger", lambda k: k.update(width=999)): (2, "another size", ()),
            self.write("at-odds", shift_reference): (2, "off its own grid", ()),
            self.file: (2, "--reference says", ("--reference", Path(self.others()[0]["file"]).relative_to(self.session))),
        }
        for k, (file, (status, words, options)) in enumerate(cases.items()):
            with self.subTest(file.name):
                out = self.root / f"wrong{k}"
                done = call("run", self.session, "-o", out, "--quiet", "--transforms", file, *options)
                self.assertEqual(done.returncode, status, done.stderr)
                lines = done.stderr.strip().splitlines()
                self.assertEqual(len(lines), 1, done.stderr)
                self.assertIn(words, lines[0])
                self.assertIn(file.name, lines[0])
                self.assertFalse(list(out.glob("*.fits")))


if __name__ == "__main__":
    unittest.main()
