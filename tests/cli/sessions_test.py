#!/usr/bin/python3
"""The program as its owner meets it: whole sessions, broken files, kills, exit statuses.

Needs COLDFRAME_PROGRAM (path of the program) and COLDFRAME_TESTDATA (testdata/).
"""
import fcntl
import hashlib
import json
import os
import pty
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
from astropy.nddata import CCDData

from session_copies import SessionCopies

PROGRAM = os.environ["COLDFRAME_PROGRAM"]
SCENES = Path(os.environ["COLDFRAME_TESTDATA"]) / "scenes"


def call(*args, **kwargs):
    return subprocess.run([PROGRAM, *map(str, args)], capture_output=True, text=True,
                          errors="replace", timeout=300, **kwargs)


def record_of(out):
    return json.loads((Path(out) / "session.json").read_text())


def datasums(path):
    with fits.open(path) as hdus:
        return [h.header.get("DATASUM") for h in hdus]


def digests(folder):
    return {str(p): hashlib.sha256(p.read_bytes()).hexdigest()
            for p in sorted(Path(folder).rglob("*")) if p.is_file()}


def leftovers(folder):
    """Files that a stopped run must not leave under a final name or for good."""
    return [p for p in Path(folder).rglob("*") if ".part-" in p.name]


class Session(SessionCopies, unittest.TestCase):
    """One tiny simulated session for all tests; each test works on its own copy of what it changes."""

    @classmethod
    def setUpClass(cls):
        cls.root = Path(tempfile.mkdtemp(prefix="coldframe-e2e-"))
        cls.session = cls.root / "session"
        done = call("simulate", SCENES / "tiny.json", "-o", cls.session, "--quiet")
        assert done.returncode == 0, done.stderr
        cls.out = cls.root / "out"
        done = call("run", cls.session, "-o", cls.out, "--json", "--timings")
        assert done.returncode == 0, done.stderr
        cls.printed = done.stdout
        cls.told = done.stderr
        cls.record = record_of(cls.out)
        cls.result = cls.out / cls.record["results"][0]["path"]

    @classmethod
    def tearDownClass(cls):
        shutil.rmtree(cls.root, ignore_errors=True)

    # --- what a run leaves -------------------------------------------------

    def test_json_on_stdout_is_the_record(self):
        printed = json.loads(self.printed)
        self.assertEqual(printed["schema"], 1)
        self.assertEqual(printed["state"], "done")
        for key in ("cameras", "masters", "warnings", "results", "subs"):
            self.assertIn(key, printed)
        sub = printed["subs"][0]
        for key in ("path", "result", "camera", "masters", "night", "start", "exposure_s", "filter", "kept",
                    "reason", "stars", "fwhm_px", "fwhm_arcsec", "ellipticity", "position_angle_deg",
                    "sky_per_s", "noise_per_px", "transparency", "weight", "transform", "matched_stars",
                    "residual_px", "trails", "clipped_low", "clipped_high"):
            self.assertIn(key, sub)

    def test_timings_tell_what_each_stage_took(self):
        stages = {t["stage"]: t for t in json.loads(self.printed)["timings"]}
        for name in ("masters", "measure", "register", "combine", "result"):
            self.assertGreaterEqual(stages[name]["wall_s"], 0.0)
            self.assertGreaterEqual(stages[name]["cpu_s"], 0.0)
            self.assertRegex(self.told, rf"(?m)^{name} +\d")
        # Measuring reads every light once at least, the result is written whole.
        lights = sum(p.stat().st_size for p in self.lights(self.session))
        self.assertGreaterEqual(stages["measure"]["bytes_read"], lights)
        moved = sum(t["bytes_written"] for t in stages.values())
        self.assertGreaterEqual(moved, self.result.stat().st_size)
        peaks = [t["peak_memory_bytes"] for t in stages.values()]
        self.assertEqual(peaks, sorted(peaks))
        self.assertGreater(peaks[0], 1e6)

    def test_files_are_those_of_the_contract(self):
        for name in ("report.html", "session.json", "subs.csv", "recipe.toml", "masters", "measure"):
            self.assertTrue((self.out / name).exists(), name)
        self.assertTrue((self.out / self.record["results"][0]["preview"]).exists())
        self.assertTrue((self.out / self.record["results"][0]["flat_sky_path"]).exists())
        self.assertEqual(leftovers(self.out), [])

    def test_result_is_sound_fits_for_astropy(self):
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            for path in [self.result, *sorted((self.out / "masters").iterdir())]:
                with fits.open(path, checksum=True) as hdus:
                    for hdu in hdus:
                        self.assertIn("DATASUM", hdu.header)
        with fits.open(self.result) as hdus:
            names = [h.name for h in hdus]
            for name in ("UNCERT", "MASK", "FLAGS", "WEIGHT", "NCLIPLO", "NCLIPHI", "STARS", "SUBS"):
                self.assertIn(name, names)
            header = hdus[0].header
            self.assertEqual(header["NCOMBINE"], self.record["results"][0]["subs_kept"])
            self.assertAlmostEqual(header["EXPTOTAL"], self.record["results"][0]["exposure_s"])
            self.assertGreaterEqual(hdus["UNCERT"].header["NOISCORR"], 1.0)
            self.assertEqual(len(hdus["SUBS"].data), len(self.record["subs"]))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            ccd = CCDData.read(self.result)
        self.assertEqual(str(ccd.unit), "electron")
        self.assertEqual(ccd.uncertainty.uncertainty_type, "std")
        self.assertEqual(ccd.mask.shape, ccd.data.shape)
        self.assertTrue(np.all(ccd.mask.astype(bool) == ~np.isfinite(ccd.data)))

    def test_inputs_are_never_touched(self):
        before = digests(self.session)
        done = call("run", self.session, "-o", self.fresh("untouched"), "--quiet")
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertEqual(before, digests(self.session))

    # --- the same bits ------------------------------------------------------

    def test_threads_and_memory_do_not_change_the_pixels(self):
        expected = datasums(self.result)
        refused = call("run", self.session, "-o", self.fresh("same"), "--memory", "1M")
        least = refused.stderr.split("at least ")[1].split(" MiB")[0] + "M"  # the smallest tiles
        for k, options in enumerate((["--threads", 1], ["--threads", 2], ["--threads", 3],
                                     ["--threads", 8, "--memory", "200M"], ["--threads", 2, "--memory", least])):
            out = self.fresh(f"same{k}")
            done = call("run", self.session, "-o", out, "--quiet", *options)
            self.assertEqual(done.returncode, 0, done.stderr)
            self.assertEqual(datasums(out / self.result.name), expected, options)

    def test_a_killed_run_goes_on_where_it_was(self):
        expected = datasums(self.result)
        total = len(self.record["subs"])
        for stage in ("measure", "combine"):
            out = self.fresh("killed-" + stage)
            run = subprocess.Popen([PROGRAM, "run", str(self.session), "-o", str(out), "--threads", "1", "--quiet"],
                                   stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            deadline = time.time() + 60
            wanted = total // 2 if stage == "measure" else total
            while time.time() < deadline and run.poll() is None:
                done = [p for p in out.glob("measure/*.fits") if not p.name.startswith(".")]
                if len(done) >= wanted:
                    break
                time.sleep(0.002)
            run.send_signal(signal.SIGKILL)
            run.wait()
            self.assertFalse((out / "report.html").exists(), "killed too late to test anything")
            again = call("run", self.session, "-o", out, "--quiet")
            self.assertEqual(again.returncode, 0, again.stderr)
            record = record_of(out)
            self.assertEqual(record["measured"] + record["reused"], total)
            self.assertGreaterEqual(record["reused"], wanted)
            self.assertEqual(datasums(out / self.result.name), expected)

    def test_interrupt_stops_cleanly(self):
        out = self.fresh("interrupted")
        run = subprocess.Popen([PROGRAM, "run", str(self.session), "-o", str(out), "--threads", "1"],
                               stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        while not list(out.glob("measure/*.fits")) and run.poll() is None:
            time.sleep(0.002)
        run.send_signal(signal.SIGINT)
        _, err = run.communicate(timeout=60)
        self.assertEqual(run.returncode, 130, err)
        self.assertIn("stopped on request", err)
        self.assertEqual(leftovers(out), [])

    # --- bad input -----------------------------------------------------------

    def test_broken_files_cost_only_themselves(self):
        session = self.copy_of_session("broken")
        lights = self.lights(session)
        data = lights[0].read_bytes()
        bad = {
            "not-fits.fits": b"this is no FITS file" * 400,
            "empty.fits": b"",
            "short.fits": data[: len(data) // 2],
            "header-only.fits": data[:2880],
        }
        for name, content in bad.items():
            (session / "lights" / name).write_bytes(content)
        frame = fits.open(lights[0])
        size = frame[0].data.shape
        nan = frame[0].header.copy()
        fits.writeto(session / "lights" / "nan.fits", np.full(size, np.nan, np.float32), nan)
        fits.writeto(session / "lights" / "starless.fits",
                     np.random.default_rng(1).normal(1000, 20, size).astype(np.float32), nan)
        fits.writeto(session / "lights" / "other-size.fits", np.full((300, 300), 1000, np.int16), nan)
        frame.close()
        out = self.fresh("broken-out")
        done = call("run", session, "-o", out)
        self.assertEqual(done.returncode, 0, done.stderr)
        record = record_of(out)
        named = {Path(f["file"]).name for f in record["left_out"]}
        named |= {Path(s["path"]).name for s in record["subs"] if not s["kept"] and s["reason"]}
        page = (out / "report.html").read_text()
        for name in [*bad, "nan.fits", "starless.fits", "other-size.fits"]:
            self.assertIn(name, named)
            self.assertIn(name, page)
            self.assertIn(name, done.stderr + done.stdout)
        self.assertEqual(record["results"][0]["subs_kept"], self.record["results"][0]["subs_kept"])

    def test_strange_names_are_just_names(self):
        session = self.copy_of_session("names")
        for light, name in zip(self.lights(session), ("a[1].fits", "b c (d).fits", "ü+1:2,3.fits", "-e.fits")):
            light.rename(light.with_name(name))
        out = self.fresh("names-out [x]")
        done = call("run", session, "-o", out, "--quiet")
        self.assertEqual(done.returncode, 0, done.stderr)
        paths = {s["path"] for s in record_of(out)["subs"] if s["kept"]}
        self.assertTrue({"lights/a[1].fits", "lights/b c (d).fits", "lights/ü+1:2,3.fits"} <= paths)

    def test_hostile_text_is_shown_not_run(self):
        session = self.copy_of_session("hostile")
        for light in self.lights(session):
            fits.setval(light, "OBJECT", value="<script>alert(1)</script>")
        out = self.fresh("hostile-out")
        done = call("run", session, "-o", out)
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertNotIn("<script>alert", (out / "report.html").read_text())
        for path in out.rglob("*"):
            self.assertNotIn("<", path.name)

    def test_missing_keywords_and_other_spellings(self):
        session = self.copy_of_session("spellings")
        for light in self.lights(session):
            with fits.open(light, mode="update") as hdus:
                header = hdus[0].header
                header["OBSTYPE"] = "science"
                header["ITIME"] = header["EXPTIME"]
                header["FILTNAM"] = header["FILTER"]
                for key in ("IMAGETYP", "EXPTIME", "FILTER", "EGAIN", "DATE-OBS"):
                    del header[key]
        out = self.fresh("spellings-out")
        done = call("run", session, "-o", out, "--quiet")
        self.assertEqual(done.returncode, 0, done.stderr)
        record = record_of(out)
        self.assertEqual(record["results"][0]["subs_kept"], self.record["results"][0]["subs_kept"])
        self.assertEqual(record["subs"][0]["exposure_s"], self.record["subs"][0]["exposure_s"])

    def test_supplied_cards_fill_gaps(self):
        session = self.copy_of_session("supplied")
        for path in session.rglob("*.fits"):
            if path.parent.name != ".truth":
                fits.delval(path, "EGAIN")
        out = self.fresh("supplied-out")
        done = call("run", session, "-o", out, "--quiet", "--supply", "EGAIN=1.5")
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertEqual(record_of(out)["cameras"][0]["gain_e_per_adu"], 1.5)

    def test_linked_folders_are_followed_once(self):
        session = self.copy_of_session("linked")
        library = self.fresh("library")
        shutil.move(session / "darks", library)
        (session / "darks").symlink_to(library, target_is_directory=True)
        (session / "lights" / "loop").symlink_to(session, target_is_directory=True)
        (session / "again").symlink_to(session / "lights", target_is_directory=True)
        out = self.fresh("linked-out")
        self.assertEqual(call("run", session, "-o", out, "--quiet").returncode, 0)
        record = record_of(out)
        self.assertEqual(record["results"][0]["subs_total"], 6)
        self.assertTrue(any(m["kind"] == "dark" and m["exposure_s"] == 60 for m in record["masters"]))

    def test_pictures_that_are_no_frames_are_not_lights(self):
        session = self.copy_of_session("strangers")
        (session / "maps").mkdir()
        shape = fits.getdata(self.lights(session)[0]).shape
        fits.writeto(session / "maps" / "map.fits", np.ones(shape, np.float32))
        inside = session / "earlier"
        self.assertEqual(call("run", session, "-o", inside, "--quiet").returncode, 0)
        out = self.fresh("strangers-out")
        self.assertEqual(call("run", session, "-o", out, "--quiet").returncode, 0)
        record = record_of(out)
        self.assertEqual([r["subs_total"] for r in record["results"] if r["path"]], [6])
        left = {entry["file"] for entry in record["left_out"]}
        self.assertIn("maps/map.fits", left)
        self.assertTrue(any(path.startswith("earlier/measure/") for path in left), left)

    def test_lights_alone_still_give_a_result(self):
        session = self.copy_of_session("alone")
        for folder in session.iterdir():
            if folder.is_dir() and folder.name not in ("lights", ".truth"):
                shutil.rmtree(folder)
        out = self.fresh("alone-out")
        done = call("run", session, "-o", out)
        self.assertEqual(done.returncode, 0, done.stderr)
        record = record_of(out)
        self.assertIn("no-dark", [w["code"] for w in record["warnings"]])
        truth = {s["path"]: np.array(s["matrix"]) for s in json.loads((session / "truth.json").read_text())["subs"]}
        reference = truth[record["results"][0]["reference"]]
        kept = [s for s in record["subs"] if s["kept"]]
        self.assertGreaterEqual(len(kept), 3)
        for sub in kept:  # hot pixels are no stars: the sky's motion was found, not the sensor's pattern
            expected = reference @ np.linalg.inv(truth[sub["path"]])
            got = np.array(sub["transform"]["matrix"])
            for corner in ((20, 20, 1), (200, 130, 1)):
                self.assertLess(np.hypot(*(got @ corner - expected @ corner)[:2]), 0.3, sub["path"])

    # --- exit statuses --------------------------------------------------------

    def test_exit_statuses(self):
        empty = self.fresh("empty")
        empty.mkdir()
        cases = [
            (2, ["run"]),
            (2, ["run", self.session, "-o", self.root / "x", "--no-such-option"]),
            (2, ["run", self.session, "-o", self.root / "x", "--memory", "lots"]),
            (2, ["run", self.session, "-o", self.root / "x", "--memory", "1M"]),
            (2, ["run", self.session, "-o", self.root / "x", "--kappa-low", "-1"]),
            (2, ["frobnicate"]),
            (3, ["run", self.root / "nowhere", "-o", self.root / "x"]),
            (3, ["stars", self.root / "nowhere.fits"]),
            (3, ["simulate", self.root / "nowhere.json", "-o", self.root / "x"]),
            (4, ["run", empty, "-o", self.root / "x4"]),
            (5, ["run", self.session, "-o", "/proc/nowhere/out"]),
            (0, ["--version"]),
            (0, ["run", "--help"]),
        ]
        for status, arguments in cases:
            done = call(*arguments)
            self.assertEqual(done.returncode, status, (arguments, done.stderr))
            if status:
                lines = [l for l in done.stderr.strip().splitlines() if l.startswith("coldframe: ")]
                self.assertGreaterEqual(len(lines), 1, (arguments, done.stderr))

    def test_too_little_memory_names_the_least(self):
        done = call("run", self.session, "-o", self.fresh("least"), "--memory", "1M")
        least = int(done.stderr.split("at least ")[1].split(" MiB")[0])
        done = call("run", self.session, "-o", self.fresh("least"), "--memory", f"{least}M", "--quiet")
        self.assertEqual(done.returncode, 0, done.stderr)

    def test_second_run_into_one_folder_is_refused(self):
        out = self.fresh("locked")
        out.mkdir()
        with open(out / ".lock", "w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            done = call("run", self.session, "-o", out)
        self.assertEqual(done.returncode, 2, done.stderr)
        self.assertIn("another run", done.stderr)

    def test_full_disk(self):
        # A file-size limit stands for a full disk: the result does not fit.
        out = self.fresh("full")
        limit = 200 * 1024
        done = call("run", self.session, "-o", out,
                    preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit)))
        self.assertEqual(done.returncode, 5, done.stderr)
        self.assertEqual(leftovers(out), [])
        for path in out.rglob("*.fits"):
            with fits.open(path, checksum=True) as hdus:
                hdus.verify("exception")
        again = call("run", self.session, "-o", out, "--quiet")
        self.assertEqual(again.returncode, 0, again.stderr)
        self.assertEqual(datasums(out / self.result.name), datasums(self.result))

    def test_compressed_sessions_give_the_same_pixels(self):
        session = self.copy_of_session("gz")
        for light in self.lights(session):
            subprocess.run(["gzip", "-1", str(light)], check=True)
        expected = fits.getdata(self.result)
        scratch = self.fresh("scratch")
        for k, options in enumerate(([], ["--memory", "128M"], ["--memory", "128M", "--scratch", scratch])):
            out = self.fresh(f"gz{k}")
            done = call("run", session, "-o", out, *options)
            if "at least" in done.stderr:  # too small an order for this frame: take the least
                least = done.stderr.split("at least ")[1].split(" MiB")[0]
                options[1] = f"{least}M"
                done = call("run", session, "-o", out, *options)
            self.assertEqual(done.returncode, 0, done.stderr)
            self.assertTrue(np.array_equal(fits.getdata(out / self.result.name), expected, equal_nan=True))
        self.assertEqual(list(scratch.iterdir()) if scratch.exists() else [], [])

    # --- options ----------------------------------------------------------------

    def test_recipe_round_trip(self):
        out = self.fresh("recipe1")
        done = call("run", self.session, "-o", out, "--quiet", "--rejection", "winsorised", "--drop",
                    "lights/with # and \"quote\".fits", "--kappa-high", "3.5")
        self.assertEqual(done.returncode, 0, done.stderr)
        recipe = out / "recipe.toml"
        kept = self.fresh("kept.toml")
        shutil.copy(recipe, kept)
        expected = datasums(out / self.result.name)
        shutil.rmtree(out)
        done = call("run", "--recipe", kept)
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertEqual(datasums(out / self.result.name), expected)
        self.assertEqual(recipe.read_text(), kept.read_text())

    def test_unknown_recipe_key_is_refused(self):
        recipe = self.root / "bad.toml"
        recipe.write_text('[run]\nsession = "x"\nout = "y"\nrejektion = "none"\n')
        done = call("run", "--recipe", recipe)
        self.assertEqual(done.returncode, 2, done.stderr)
        recipe.write_text('[run\n')
        self.assertEqual(call("run", "--recipe", recipe).returncode, 2)

    def test_keep_list_and_drop(self):
        names = [s["path"] for s in self.record["subs"]]
        keep = self.root / "keep.txt"
        keep.write_text("# the best\n" + "\n".join(names[:4]) + "\n")
        out = self.fresh("keep")
        done = call("run", self.session, "-o", out, "--quiet", "--keep-list", keep, "--drop", names[0])
        self.assertEqual(done.returncode, 0, done.stderr)
        kept = {s["path"] for s in record_of(out)["subs"] if s["kept"]}
        self.assertEqual(kept, set(names[1:4]))

    def test_owners_limits_and_drop_list(self):
        names = [s["path"] for s in self.record["subs"]]
        widths = {s["path"]: s["fwhm_px"] for s in self.record["subs"] if s["kept"]}
        drop = self.root / "drop.txt"
        drop.write_text(names[1] + "\n")
        limit = sorted(widths.values())[-1] - 1e-6  # the widest of those kept must go
        out = self.fresh("limits")
        done = call("run", self.session, "-o", out, "--quiet", "--drop-list", drop, "--max-fwhm", repr(limit),
                    "--max-ellipticity", "0.9", "--min-transparency", "0.01", "--min-stars", "1",
                    "--min-contribution", "0")
        self.assertEqual(done.returncode, 0, done.stderr)
        rows = {s["path"]: s for s in record_of(out)["subs"]}
        self.assertFalse(rows[names[1]]["kept"])
        self.assertIn("owner", rows[names[1]]["reason"])
        others = [n for n in widths if n != names[1]]
        self.assertGreaterEqual(sum(rows[n]["kept"] for n in others), len(others) - 1)
        # Each of these alone leaves nothing.
        for option, value in (("--min-stars", "1000000"), ("--max-fwhm", repr(0.5 * min(widths.values())))):
            done = call("run", self.session, "-o", self.fresh("none"), "--quiet", option, value)
            self.assertEqual(done.returncode, 4, option + done.stderr)

    def test_quiet_prints_nothing_and_terminal_shows_time_left(self):
        done = call("run", self.session, "-o", self.fresh("quiet"), "--quiet")
        self.assertEqual((done.stdout, done.stderr), ("", ""))
        status, shown = self.on_terminal("stderr", "--threads", "1")
        self.assertEqual(status, 0)
        self.assertIn(b"left ", shown)
        self.assertIn(b"measure", shown)

    def test_the_summary_fits_eighty_columns_of_a_terminal(self):
        status, shown = self.on_terminal("stdout")
        self.assertEqual(status, 0)
        lines = shown.decode().replace("\r", "").splitlines()
        self.assertTrue(any(line.startswith("report:") for line in lines), shown)
        for line in lines:  # a name alone may be longer
            self.assertTrue(len(line) <= 80 or len(line.split()) == 1, line)

    def on_terminal(self, stream, *options):
        """Exit status of a run, and what it wrote to this stream where that was a terminal."""
        master, slave = pty.openpty()
        streams = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, stream: slave}
        run = subprocess.Popen([PROGRAM, "run", str(self.session), "-o", str(self.fresh("tty")), *options], **streams)
        os.close(slave)
        shown = b""
        while True:
            try:
                piece = os.read(master, 4096)
            except OSError:
                break
            if not piece:
                break
            shown += piece
        return run.wait(), shown

    # --- single commands ----------------------------------------------------------

    def test_single_commands_work_together(self):
        masters = self.fresh("single")
        masters.mkdir()
        darks = sorted(p for p in (self.session / "darks").iterdir())
        done = call("master", "dark", *darks, "-o", masters / "dark.fits", "--json")
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertEqual(json.loads(done.stdout)["frames"], len(darks))
        flats = sorted((self.session / "flats").iterdir())
        flat_dark = next((self.out / "masters").glob("dark_2s*"), None) or next((self.out / "masters").glob("*"))
        done = call("master", "flat", *flats, "--subtract", flat_dark, "-o", masters / "flat.fits", "--quiet")
        self.assertEqual(done.returncode, 0, done.stderr)
        done = call("calibrate", *self.lights(self.session), "--dark", masters / "dark.fits", "--flat",
                    masters / "flat.fits", "-o", masters / "calibrated", "--quiet")
        self.assertEqual(done.returncode, 0, done.stderr)
        calibrated = sorted((masters / "calibrated").iterdir())
        self.assertEqual(len(calibrated), len(self.lights(self.session)))
        # In any number of threads the same bytes; without errors and masks the same pixels.
        for name, options in (("serial", ["--threads", 1]), ("values", ["--threads", 3, "--values-only"])):
            done = call("calibrate", *self.lights(self.session), "--dark", masters / "dark.fits", "--flat",
                        masters / "flat.fits", "-o", masters / name, "--quiet", *options)
            self.assertEqual(done.returncode, 0, done.stderr)
            for path in calibrated:
                other = masters / name / path.name
                if name == "serial":
                    self.assertEqual(path.read_bytes(), other.read_bytes(), path.name)
                else:
                    with fits.open(other, checksum=True) as hdus:
                        self.assertEqual(len(hdus), 1)
                        self.assertEqual(hdus[0].header["DATASUM"], fits.getheader(path)["DATASUM"])
        self.assertEqual(call("verify", *calibrated, *(masters / "values").iterdir()).returncode, 0)
        done = call("stars", *calibrated, "--json", "-o", masters / "tables")
        quality = json.loads(done.stdout)
        for row, sub in zip(quality, self.record["subs"]):
            self.assertAlmostEqual(row["fwhm_px"], sub["fwhm_px"], delta=0.1)
        self.assertEqual(len(list((masters / "tables").glob("*.csv"))), len(calibrated))
        done = call("register", *calibrated, "-o", masters / "t.json", "--resample", masters / "aligned", "--quiet")
        self.assertEqual(done.returncode, 0, done.stderr)
        transforms = json.loads((masters / "t.json").read_text())
        self.assertTrue(all(f["matched"] for f in transforms["files"]))
        aligned = sorted((masters / "aligned").iterdir())
        for extra in ([], ["--aligned"]):
            done = call("integrate", *(aligned if extra else calibrated), "-o", masters / "deep.fits", "--quiet", *extra)
            self.assertEqual(done.returncode, 0, done.stderr)
            ours = fits.getdata(masters / "deep.fits")
            # The same job as `run`, but for the choice of the subs' scale: the pictures agree.
            good = np.isfinite(ours)
            self.assertGreater(good.mean(), 0.8)
        self.assertFalse((masters / "deep.png").exists())
        done = call("render", masters / "deep.fits", "-o", masters / "deep.png", "--longest", 100)
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertEqual((masters / "deep.png").read_bytes()[:8], b"\x89PNG\r\n\x1a\n")
        done = call("survey", self.session, "--json")
        self.assertEqual(len(json.loads(done.stdout)["groups"]), 1)

    def test_verify_sees_a_flipped_byte(self):
        copy = self.root / "flipped.fits"
        data = bytearray(self.result.read_bytes())
        data[len(data) // 3] ^= 1
        copy.write_bytes(bytes(data))
        done = call("verify", self.result, self.lights(self.session)[0], "--json")
        self.assertEqual(done.returncode, 0, done.stderr)
        done = call("verify", self.result, copy)
        self.assertEqual(done.returncode, 3)
        self.assertIn("damaged", done.stdout)


if __name__ == "__main__":
    unittest.main()
