#!/usr/bin/python3
"""Whole runs on simulated sessions against their truth, with the limits the project promises."""
import json
import os
import subprocess
import sys
import tempfile
import unittest
from pathlib import Path

PROGRAM = os.environ["COLDFRAME_PROGRAM"]
SCENES = Path(os.environ["COLDFRAME_TESTDATA"]) / "scenes"
CHECK = Path(__file__).resolve().parent.parent / "truth" / "truth_check.py"


class Truth(unittest.TestCase):
    def without_trails(self, scene, folder):
        """The same scene, seed and all, but for its trails."""
        facts = json.loads((SCENES / f"{scene}.json").read_text())
        facts["lights"].pop("trails", None)
        for other in facts["lights"].get("overrides", []):
            other.pop("trails", None)
        path = Path(folder) / f"{scene}-calm.json"
        path.write_text(json.dumps(facts))
        return path

    def hold(self, scene):
        with tempfile.TemporaryDirectory(prefix="coldframe-truth-") as folder:
            session, out = Path(folder) / "session", Path(folder) / "out"
            calm, reference = Path(folder) / "calm", Path(folder) / "reference"
            for command in (["simulate", SCENES / f"{scene}.json", "-o", session, "--quiet"],
                            ["run", session, "-o", out, "--quiet"],
                            ["simulate", self.without_trails(scene, folder), "-o", calm, "--quiet"]):
                subprocess.run([PROGRAM, *map(str, command)], check=True, timeout=600)
            # On the same grid: the calm night might choose another sub for its reference.
            chosen = json.loads((out / "session.json").read_text())["results"][0]["reference"]
            subprocess.run([PROGRAM, "run", str(calm), "-o", str(reference), "--reference", chosen, "--quiet"],
                           check=True, timeout=600)
            done = subprocess.run([sys.executable, str(CHECK), str(session), str(out), "--without", str(reference)],
                                  capture_output=True, text=True, timeout=600)
            print(f"\n{scene}\n{done.stdout}{done.stderr}", flush=True)
            self.assertEqual(done.returncode, 0, done.stdout + done.stderr)

    def test_monochrome_galaxy(self):
        self.hold("galaxy-mono")

    def test_colour_galaxy(self):
        self.hold("galaxy-colour")

    def test_turned_cluster(self):
        self.hold("cluster-rotated")


if __name__ == "__main__":
    unittest.main()
