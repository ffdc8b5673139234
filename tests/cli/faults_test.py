#!/usr/bin/python3
"""Whole sessions under injected faults. In every case: inputs untouched, no partial file under a final
name, one clear line, the right exit status, and the next run completes with the pixels of an
undisturbed one. Kills and full disks have tests in sessions_test; hundreds of kills in scripts/soak.

Needs COLDFRAME_PROGRAM and COLDFRAME_TESTDATA.
"""
import hashlib
import json
import os
import resource
import shutil
import signal
import subprocess
import tempfile
import time
import unittest
import warnings
from pathlib import Path

import numpy as np
from astropy.io import fits

from session_copies import SessionCopies

PROGRAM = os.environ["COLDFRAME_PROGRAM"]
SCENES = Path(os.environ["COLDFRAME_TESTDATA"]) / "scenes"
ROOT = os.getuid() == 0
NOBODY = 65534


def call(*args, **kwargs):
    kwargs.setdefault("timeout", 120)
    return subprocess.run([PROGRAM, *map(str, args)], capture_output=True, text=True, errors="replace", **kwargs)


def datasums(out):
    sums = {}
    for path in sorted(Path(out).glob("*.fits")):
        with fits.open(path) as hdus:
            sums[path.name] = [h.header.get("DATASUM") for h in hdus]
    return sums


def digests(folder):
    return {str(p): hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(Path(folder).rglob("*")) if p.is_file()}


class Faults(SessionCopies, unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        warnings.simplefilter("ignore")
        cls.root = Path(tempfile.mkdtemp(prefix="coldframe-faults-"))
        cls.root.chmod(0o755)
        cls.session = cls.root / "session"
        done = call("simulate", SCENES / "tiny.json", "-o", cls.session, "--quiet")
        assert done.returncode == 0, done.stderr
        cls.inputs = digests(cls.session)
        cls.whole = cls.root / "whole"
        done = call("run", cls.session, "-o", cls.whole, "--quiet")
        assert done.returncode == 0, done.stderr
        cls.expected = datasums(cls.whole)

    @classmethod
    def tearDownClass(cls):
        shutil.rmtree(cls.root, ignore_errors=True)

    def sound(self, out):
        """No leftovers, and what stands under a final name is whole."""
        self.assertEqual([p for p in out.rglob("*") if ".part-" in p.name], [])
        for path in out.rglob("*.fits"):
            with fits.open(path, checksum=True) as hdus, warnings.catch_warnings():
                warnings.simplefilter("error")
                hdus.verify("exception")
        if (out / "session.json").exists():
            json.loads((out / "session.json").read_text())

    def clear(self, text, *words):
        """One line a fault, no stack trace."""
        for line in text.strip().splitlines():
            self.assertTrue(line.startswith("coldframe: "), text)
        for word in words:
            self.assertIn(word, text)

    def completes(self, session, out, expected=None):
        again = call("run", session, "-o", out, "--quiet")
        self.assertEqual(again.returncode, 0, again.stderr)
        self.sound(out)
        self.assertEqual(datasums(out), expected or self.expected)

    def disturbed(self, session, out, measured, disturb, order=("--threads", "1", "--quiet")):
        """A run to which `disturb` happens once so many subs are measured."""
        run = subprocess.Popen([PROGRAM, "run", str(session), "-o", str(out), *order],
                               stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        deadline = time.time() + 60
        while time.time() < deadline and run.poll() is None:
            if len([p for p in out.glob("measure/*.fits") if not p.name.startswith(".")]) >= measured:
                break
            time.sleep(0.001)
        # Stopped, so that the disturbance lies between two moments of the run and not beside it.
        run.send_signal(signal.SIGSTOP)
        late = run.poll() is not None or (out / "report.html").exists()
        disturb()
        run.send_signal(signal.SIGCONT)
        _, err = run.communicate(timeout=120)
        self.assertFalse(late, "disturbed too late to test anything")
        return run.returncode, err

    # --- files that change under the run ---------------------------------------

    def test_a_light_that_vanishes(self):
        for measured in (1, 6):
            session, out = self.copy_of_session("vanish"), self.fresh("vanish-out")
            gone = self.lights(session)[-1]
            status, err = self.disturbed(session, out, measured, gone.unlink)
            self.assertIn(status, (0, 3, 5), err)
            self.clear(err, gone.name)
            self.sound(out)
            clean = self.fresh("vanish-clean")
            self.assertEqual(call("run", session, "-o", clean, "--quiet").returncode, 0)
            self.completes(session, out, datasums(clean))

    def test_a_light_that_is_cut_short(self):
        session, out = self.copy_of_session("cut"), self.fresh("cut-out")
        light = self.lights(session)[3]
        content = light.read_bytes()
        status, err = self.disturbed(session, out, 6, lambda: light.write_bytes(content[: len(content) // 2]))
        self.assertIn(status, (0, 3, 5), err)
        self.clear(err, light.name)
        self.sound(out)
        light.write_bytes(content)
        self.completes(session, out)

    def test_a_light_that_turns_into_another(self):
        session, out = self.copy_of_session("other"), self.fresh("other-out")
        lights = self.lights(session)
        status, err = self.disturbed(session, out, 6, lambda: shutil.copyfile(lights[0], lights[4]))
        self.clear(err)
        self.sound(out)
        # Never pixels of the new content with what was measured on the old.
        clean = self.fresh("other-clean")
        self.assertEqual(call("run", session, "-o", clean, "--quiet").returncode, 0)
        if status == 0:
            self.assertIn(datasums(out), (datasums(clean), self.expected))
        else:
            self.assertIn(status, (3, 5), err)
            self.assertIn(lights[4].name, err)
        self.completes(session, out, datasums(clean))

    def test_a_light_that_appears(self):
        session, out = self.copy_of_session("appear"), self.fresh("appear-out")
        light = self.lights(session)[5]
        away = self.root / "away.fits"
        shutil.move(light, away)
        status, err = self.disturbed(session, out, 2, lambda: shutil.move(away, light))
        self.assertEqual(status, 0, err)
        self.sound(out)
        # A new sub joins the result that stands: all six count, on the grid of the first five.
        again = call("run", session, "-o", out, "--quiet")
        self.assertEqual(again.returncode, 0, again.stderr)
        self.sound(out)
        record = json.loads((out / "session.json").read_text())
        self.assertEqual(record["results"][0]["subs_total"], 6)
        self.assertEqual((record["measured"], record["reused"]), (1, 5))

    # --- what cannot be read or written -----------------------------------------

    def test_what_is_no_plain_file(self):
        session, out = self.copy_of_session("special"), self.fresh("special-out")
        (session / "lights" / "folder.fits").mkdir()
        os.mkfifo(session / "lights" / "pipe.fits")
        os.symlink(session / "lights" / "nothing.fits", session / "lights" / "dangling.fits")
        os.symlink("/dev/zero", session / "lights" / "endless.fits")
        os.symlink("/proc/self/mem", session / "lights" / "unreadable.fits")
        done = call("run", session, "-o", out, "--quiet")
        self.assertEqual(done.returncode, 0, done.stderr)
        self.clear(done.stderr)
        self.assertEqual(datasums(out), self.expected)

    def test_a_read_that_fails_in_the_middle(self):
        # A name for the program's own memory: it opens, has no size and fails to be read.
        for command in ("stars", "verify", "calibrate", "register", "integrate"):
            extra = {"stars": [], "verify": []}.get(command, ["-o", str(self.root / "x.fits")])
            done = call(command, "/proc/self/mem", *extra)
            self.assertIn(done.returncode, (3, 4, 5), (command, done.stderr))
            self.assertNotIn("unexpected fault", done.stderr)

    def test_permission_lost(self):
        session, out = self.copy_of_session("permission"), self.fresh("permission-out")
        hidden = self.lights(session)[2]
        out.mkdir()
        if ROOT:
            os.chown(out, NOBODY, NOBODY)
        hidden.chmod(0)
        as_nobody = {"preexec_fn": lambda: os.setuid(NOBODY)} if ROOT else {}
        if ROOT:
            probe = subprocess.run([PROGRAM, "--version"], capture_output=True, **as_nobody)
            if probe.returncode != 0:
                self.skipTest("another user cannot reach the program here")
        done = call("run", session, "-o", out, "--quiet", **as_nobody)
        self.assertEqual(done.returncode, 0, done.stderr)
        self.clear(done.stderr, hidden.name)
        hidden.chmod(0o644)
        # A folder for the results that may not be written.
        locked = self.fresh("locked-out")
        locked.mkdir()
        locked.chmod(0o555)
        done = call("run", session, "-o", locked, "--quiet", **as_nobody)
        self.assertEqual(done.returncode, 5, done.stderr)
        self.clear(done.stderr, "locked-out")
        self.assertEqual(list(locked.iterdir()), [])
        locked.chmod(0o755)
        shutil.rmtree(out)
        self.completes(session, out)

    def test_results_folder_taken_away(self):
        out = self.fresh("away-out")
        status, err = self.disturbed(self.session, out, 3, lambda: shutil.rmtree(out))
        self.assertIn(status, (0, 5), err)
        self.clear(err)
        self.completes(self.session, out)

    def test_little_address_space(self):
        """Less and less, until not even the libraries load: no crash, one line, status 5 or 2."""
        seen = set()
        for megabytes in (900, 400, 250, 180, 130):
            out = self.fresh("narrow-out")
            limit = megabytes << 20
            done = call("run", self.session, "-o", out, "--quiet", "--threads", "2", "--memory", "128M",
                        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (limit, limit)))
            seen.add(done.returncode)
            self.assertIn(done.returncode, (0, 2, 4, 5, 127), (megabytes, done.stderr))
            if done.returncode == 0:
                self.assertEqual(datasums(out), self.expected)
            if out.exists():
                self.sound(out)
        self.assertIn(0, seen)
        self.completes(self.session, out)

    def test_full_disk_for_real(self):
        """A small file system in memory, where the test may mount one."""
        disk = self.root / "disk"
        disk.mkdir()
        if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=700k", "tmpfs", str(disk)],
                          capture_output=True).returncode != 0:
            self.skipTest("no right to mount; sessions_test limits the size of files instead")
        try:
            done = call("run", self.session, "-o", disk / "out", "--quiet")
            self.assertEqual(done.returncode, 5, done.stderr)
            self.clear(done.stderr)
            self.sound(disk / "out")
            subprocess.run(["mount", "-o", "remount,size=50m", str(disk)], check=True)
            self.completes(self.session, disk / "out")
        finally:
            subprocess.run(["umount", str(disk)], check=True)

    def test_nothing_to_print_on(self):
        with open("/dev/full", "w") as full:
            done = subprocess.run([PROGRAM, "survey", str(self.session)], stdout=full, stderr=subprocess.PIPE, text=True)
        self.assertEqual(done.returncode, 5)
        self.clear(done.stderr, "standard output")

    # --- time ---------------------------------------------------------------------

    def test_clock_jumps(self):
        """Files from the future and from 1970, and a cache whose times jumped between two runs."""
        session, out = self.copy_of_session("clock"), self.fresh("clock-out")
        for k, light in enumerate(self.lights(session)):
            os.utime(light, (4e9, 4e9) if k % 2 else (0, 0))
        run = subprocess.Popen([PROGRAM, "run", str(session), "-o", str(out), "--threads", "1", "--quiet"])
        while not list(out.glob("measure/*.fits")) and run.poll() is None:
            time.sleep(0.001)
        run.kill()
        run.wait()
        for path in out.rglob("*"):
            os.utime(path, (5e9, 5e9))
        self.completes(session, out)

    # --- two at once, stops ---------------------------------------------------------

    def test_two_runs_at_once(self):
        out = self.fresh("twice-out")
        second = {}

        def start_another():
            second["done"] = call("run", self.session, "-o", out, "--quiet")

        status, err = self.disturbed(self.session, out, 2, start_another)
        self.assertEqual(second["done"].returncode, 2, second["done"].stderr)
        self.clear(second["done"].stderr, "another run")
        self.assertEqual(status, 0, err)
        self.assertEqual(datasums(out), self.expected)

    def test_stopped_at_any_moment(self):
        random = np.random.default_rng(4)
        begin = time.time()
        self.assertEqual(call("run", self.session, "-o", self.fresh("timed"), "--quiet", "--threads", "1").returncode, 0)
        whole = time.time() - begin
        for sign, status in ((signal.SIGINT, 130), (signal.SIGTERM, 130)):
            for _ in range(4):
                out = self.fresh("stopped")
                run = subprocess.Popen([PROGRAM, "run", str(self.session), "-o", str(out), "--quiet", "--threads", "1"],
                                       stderr=subprocess.PIPE, text=True)
                time.sleep(0.05 + random.uniform(0, whole))
                run.send_signal(sign)
                _, err = run.communicate(timeout=60)
                self.assertIn(run.returncode, (0, status), err)
                self.clear(err)
                if out.exists():
                    self.sound(out)
                self.completes(self.session, out)

    def test_inputs_are_as_they_were(self):
        self.assertEqual(digests(self.session), self.inputs)


if __name__ == "__main__":
    unittest.main()
