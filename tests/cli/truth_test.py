#!/usr/bin/python3
"""Whole runs on simulated sessions against their truth, with the limits the project promises."""
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
    def hold(self, scene):
        with tempfile.TemporaryDirectory(prefix="coldframe-truth-") as folder:
            session, out = Path(folder) / "session", Path(folder) / "out"
            for command in (["simulate", SCENES / f"{scene}.json", "-o", session, "--quiet"],
                            ["run", session, "-o", out, "--quiet"]):
                subprocess.run([PROGRAM, *map(str, command)], check=True, timeout=600)
            done = subprocess.run([sys.executable, str(CHECK), str(session), str(out)], capture_output=True,
                                  text=True, timeout=600)
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
