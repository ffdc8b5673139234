#!/usr/bin/python3
"""The report in a headless browser: no error, no request, viewer, blink, charts, keyboard, keep list
read back by `run`, hostile text harmless, 400 subs fluid, contrast of what is drawn. Pages come from
the view tests (COLDFRAME_SAMPLES) and from a run (COLDFRAME_PROGRAM, COLDFRAME_TESTDATA).
Screenshots are left in COLDFRAME_SHOTS when that is set."""
import os
import subprocess
import tempfile
import time
import unittest
from pathlib import Path

try:
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys
except ImportError:  # scripts/setup installs it; elsewhere the rest of the tests still runs
    webdriver = None

PROGRAM = os.environ["COLDFRAME_PROGRAM"]
TESTDATA = Path(os.environ["COLDFRAME_TESTDATA"])
SAMPLES = Path(os.environ.get("COLDFRAME_SAMPLES", "."))
SHOTS = os.environ.get("COLDFRAME_SHOTS")


def call(*args):
    done = subprocess.run([PROGRAM, *map(str, args)], capture_output=True, text=True, timeout=900)
    assert done.returncode == 0, done.stderr
    return done.stdout


def start_browser(folder):
    options = webdriver.ChromeOptions()
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars",
                     "--disable-dev-shm-usage", "--window-size=1400,1000"):
        options.add_argument(argument)
    options.add_experimental_option("prefs", {"download.default_directory": str(folder)})
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    browser = webdriver.Chrome(service=Service("/usr/bin/chromedriver"), options=options)
    browser.set_page_load_timeout(60)
    return browser


@unittest.skipIf(webdriver is None, "no selenium")
class Report(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder = tempfile.TemporaryDirectory(prefix="coldframe-report-")
        cls.root = Path(cls.folder.name)
        call("simulate", TESTDATA / "scenes" / "tiny.json", "-o", cls.root / "s", "--quiet")
        call("run", cls.root / "s", "-o", cls.root / "out", "--quiet")
        cls.browser = start_browser(cls.root)

    @classmethod
    def tearDownClass(cls):
        cls.browser.quit()
        cls.folder.cleanup()

    def open(self, path):
        """Seconds until the page says that it is ready."""
        self.browser.get_log("browser")
        self.browser.get_log("performance")
        began = time.monotonic()
        self.browser.get(Path(path).resolve().as_uri())
        while not self.script("return document.documentElement.dataset.ready"):
            self.assertLess(time.monotonic() - began, 30, self.browser.get_log("browser"))
            time.sleep(0.02)
        return time.monotonic() - began

    def script(self, text, *args):
        return self.browser.execute_script(text, *args)

    def find(self, selector):
        return self.browser.find_element(By.CSS_SELECTOR, selector)

    def wait(self, script):
        for _ in range(200):
            if self.script("return " + script):
                return
            time.sleep(0.02)
        self.fail(f"never came true: {script}")

    def pixels(self):
        """Digest of what the viewer shows, and its mean brightness."""
        return self.script("""
            const shown = document.querySelector('.viewer canvas');
            const c = document.createElement('canvas');
            c.width = shown.width; c.height = shown.height;
            const pen = c.getContext('2d', {willReadFrequently: true});
            pen.drawImage(shown, 0, 0);
            const d = pen.getImageData(0, 0, c.width, c.height).data;
            let sum = 0, mix = 0;
            for (let i = 0; i < d.length; i += 4) { sum += d[i]; mix = (mix * 31 + d[i] + 3 * d[i + 2]) % 1000003; }
            return [mix, sum * 4 / d.length];""")

    def quiet(self):
        """Neither complaint nor request but for the page itself."""
        self.assertEqual([e for e in self.browser.get_log("browser")], [])
        asked = [e["message"] for e in self.browser.get_log("performance")
                 if '"Network.requestWillBeSent"' in e["message"]]
        outside = [m for m in asked if '"url":"file:' not in m and '"url":"data:' not in m
                   and '"url":"blob:' not in m]
        self.assertEqual(outside, [])

    def test_viewer_moves_stretches_and_changes_layers(self):
        self.open(self.root / "out" / "report.html")
        self.wait("document.querySelector('.viewer').dataset.shown")
        first, light = self.pixels()
        self.assertTrue(5 < light < 160)
        self.script("const s = document.querySelector('.strength'); s.value = 40; s.dispatchEvent(new Event('input'))")
        raised, brighter = self.pixels()
        self.assertNotEqual(first, raised)
        self.assertGreater(brighter, light + 3)
        canvas = self.find(".viewer canvas")
        canvas.click()
        canvas.send_keys("+", "+", Keys.ARROW_RIGHT)
        moved, _ = self.pixels()
        self.assertNotEqual(moved, raised)
        canvas.send_keys("0")
        self.assertEqual(self.pixels()[0], raised)
        names = [o.text for o in self.browser.find_elements(By.CSS_SELECTOR, ".layer option")]
        for name in ("Result", "Uncertainty", "Effective exposure", "Samples rejected"):
            self.assertIn(name, names)
        seen = set()
        for number, name in enumerate(names):
            if name.startswith("The subs"):
                continue
            self.script("const l = document.querySelector('.layer'); l.value = arguments[0];"
                        "l.dispatchEvent(new Event('change'))", str(number))
            self.wait(f"document.querySelector('.viewer').dataset.shown === {name!r}")
            seen.add(self.pixels()[0])
        self.assertEqual(len(seen), len(names) - 1)
        self.script("document.querySelector('.over-stars').click()")
        self.assertNotIn(self.pixels()[0], seen)
        self.quiet()

    def test_subs_blink_and_everything_follows(self):
        self.open(self.root / "out" / "report.html")
        self.script("const l = document.querySelector('.layer'); l.value = 'subs'; l.dispatchEvent(new Event('change'))")
        self.wait("document.querySelector('.viewer').dataset.shown === 'sub 0'")
        first, _ = self.pixels()
        self.find(".leaf-on").click()
        self.wait("document.querySelector('.viewer').dataset.shown === 'sub 1'")
        self.assertNotEqual(self.pixels()[0], first)
        self.assertIn("2 of", self.find(".where").text)
        self.assertEqual(self.script("return document.querySelectorAll('tr.chosen').length"), 1)
        self.assertIn("2 of", self.find(".peek p").text)
        self.find(".leaf-play").click()
        self.wait("document.querySelector('.viewer').dataset.shown === 'sub 3'")
        self.assertEqual(self.find(".leaf-play").get_attribute("aria-pressed"), "true")
        self.find(".leaf-play").click()
        # A chart's dot leads to the sub.
        self.script("choice.set(0, 0, 'chart')")
        self.wait("document.documentElement.dataset.marked.startsWith('0')")
        self.assertTrue(self.script("return chartList.every((c) => c.index !== 0 || c.chart.getActiveElements().length === 1)"))
        self.quiet()

    def test_keep_list_is_read_back_by_run(self):
        self.open(self.root / "out" / "report.html")
        boxes = self.browser.find_elements(By.CSS_SELECTOR, "input.use")
        kept = [b for b in boxes if b.is_selected()]
        kept[-1].send_keys(Keys.SPACE)  # by keyboard
        self.assertFalse(kept[-1].is_selected())
        self.script("document.querySelector('.keep-out button').click()")
        listed = self.root / "keep.txt"
        for _ in range(250):
            if listed.exists() and listed.stat().st_size:
                break
            time.sleep(0.02)
        names = listed.read_text().split("\n")[:-1]
        self.assertEqual(len(names), len(kept) - 1)
        call("run", self.root / "s", "-o", self.root / "again", "--keep-list", listed, "--quiet")
        import json
        record = json.loads((self.root / "again" / "session.json").read_text())
        self.assertEqual(sorted(s["path"] for s in record["subs"] if s["kept"]), sorted(names))
        self.quiet()

    def test_everything_is_reached_by_keyboard(self):
        self.open(self.root / "out" / "report.html")
        reached = set()
        body = self.find("body")
        body.click()
        for _ in range(120):
            self.browser.switch_to.active_element.send_keys(Keys.TAB)
            reached.add(self.script("const e = document.activeElement; return e.className || e.tagName"))
        for needed in ("layer", "strength", "darker", "over over-stars", "over over-trails", "nearer",
                       "farther", "all", "use", "scroll"):
            self.assertIn(needed, reached)
        self.assertTrue(self.script("return [...document.querySelectorAll('canvas,img')].every("
                                    "(e) => e.getAttribute('aria-label') || e.alt !== undefined)"))

    def test_hostile_text_does_nothing(self):
        self.open(SAMPLES / "report-hostile.html")
        self.assertEqual(self.script("return document.querySelectorAll('img[src=x]').length"), 0)
        self.assertIn("<script>alert('x')</script>", self.find("h1").text)
        self.quiet()

    def test_four_hundred_subs_stay_fluid(self):
        page = SAMPLES / "report-400.html"
        self.assertLess(page.stat().st_size, 25 * 1024 * 1024)
        loads = [self.open(page) for _ in range(3)]
        # 3 s asked for on a free machine; the least of three, since others may run beside.
        self.assertLess(min(loads), 3.0)
        self.script("const l = document.querySelector('.layer'); l.value = 'subs'; l.dispatchEvent(new Event('change'))")
        self.wait("document.querySelector('.viewer').dataset.shown === 'sub 0'")
        self.browser.set_script_timeout(60)
        spent = self.browser.execute_async_script("""
            const done = arguments[0], times = [];
            const next = (i) => {
              if (i > 20) { times.sort((a, b) => a - b); done(times[10]); return; }
              const t = performance.now();
              choice.set(0, i * 19, 'chart');
              requestAnimationFrame(() => requestAnimationFrame(() => { times.push(performance.now() - t); next(i + 1); }));
            };
            next(1);""")
        # Median time until all six charts, table and picture have followed and a frame was drawn;
        # ten a second still follow a hand, and others may run beside.
        self.assertLess(spent, 200)
        self.quiet()

    def test_widths_and_settings(self):
        for width in (1400, 400):
            for setting in ("light", "dark"):
                self.browser.set_window_size(width, 1000)
                self.browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {
                    "features": [{"name": "prefers-color-scheme", "value": setting}]})
                self.browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {
                    "width": width, "height": 1000, "deviceScaleFactor": 1, "mobile": False})
                self.open(self.root / "out" / "report.html")
                self.wait("document.querySelector('.viewer').dataset.shown")
                # Nothing but the tables' own boxes scrolls sideways.
                self.assertLessEqual(self.script("return document.documentElement.scrollWidth"), width)
                if SHOTS:
                    self.browser.get_screenshot_as_file(f"{SHOTS}/report-{width}-{setting}.png")
        self.browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
        self.browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})
        self.browser.set_window_size(1400, 1000)


if __name__ == "__main__":
    unittest.main()
