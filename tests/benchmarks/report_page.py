"""Size of a report page of six devices, and how soon it can be used.

    python tests/benchmarks/report_page.py [OUTPUT.html]

Six curve files of standard conversions stand for the devices, since they hold every grey and
every colour of the full chart. Pictures are three crops, as many as are chosen by default, of noise
whose amplitude falls with frequency as in nature, with grain on top, new for every device. Times
are those of Chromium, from the start of navigation until the script has run.
"""

from __future__ import annotations

import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from playwright.sync_api import sync_playwright

from tonelab.curvefile import load
from tonelab.views.page import write_page
from tonelab.views.pictures import SIZE, CapturedCrop, PictureSet, difference_colours

STANDARDS = Path(__file__).parents[2] / "curves" / "standards"
NAMES = ("bt2446a", "bt2446c", "bt2390-per-channel", "bt2390-luminance", "clip-203", "hlg-ootf")
SETS, RUNS = 3, 7


def say(text: str) -> None:
    """Write a line at once."""
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def noise(random: np.random.Generator) -> np.ndarray:
    """Noise of amplitude 1/f, shape (height, width), standard deviation 1."""
    width, height = SIZE
    frequency = np.hypot(np.fft.fftfreq(height)[:, None], np.fft.rfftfreq(width))
    frequency[0, 0] = np.inf
    spectrum = np.fft.rfft2(random.normal(size=(height, width))) / frequency
    whole = np.fft.irfft2(spectrum, (height, width))
    return whole / whole.std()


def picture(random: np.random.Generator) -> np.ndarray:
    """Draw a picture with grain of one code in every channel."""
    luma = noise(random)
    channels = [110 + 45 * luma + 12 * noise(random) for _ in range(3)]
    grain = random.normal(0, 1.0, (*luma.shape, 3))
    return np.clip(np.stack(channels, -1) + grain, 0, 255).astype(np.uint8)


def sets(count: int) -> list[PictureSet]:
    """Crops of noise for the source and every device."""
    random = np.random.default_rng(1)
    made = []
    for number in range(SETS):
        shown = []
        for _ in range(count):
            map_ = difference_colours(np.abs(10 + 4 * noise(random)))
            shown.append(CapturedCrop(picture(random), map_, 10.0, 17.0, (1.0, 1.0), number))
        made.append(
            PictureSet(f"place {number}", f"frame {number}", "noise", "none", picture(random),
                       tuple(shown), "noise")
        )  # fmt: skip
    return made


def main(path: Path) -> None:
    """Write the page, open it a few times, and print what it took."""
    measurements = [load(STANDARDS / f"{name}-1000.h5") for name in NAMES]
    start = time.perf_counter()
    write_page(path, measurements, pictures=sets(len(measurements)), overwrite=True)
    say(f"written in {time.perf_counter() - start:.1f} s, {path.stat().st_size / 1e6:.2f} MB")
    with sync_playwright() as playwright:
        executable = shutil.which("chromium")
        browser = playwright.chromium.launch(executable_path=executable, args=["--no-sandbox"])
        for width in (1440, 390):
            ready, redrawn = [], []
            for _ in range(RUNS):
                page = browser.new_page(viewport={"width": width, "height": 900})
                page.goto(path.as_uri())
                entry = "performance.getEntriesByType('navigation')[0].domContentLoadedEventEnd"
                ready.append(page.evaluate(entry))
                click = """() => { const start = performance.now();
                    document.querySelector('input[value=log]').click();
                    return performance.now() - start; }"""
                redrawn.append(page.evaluate(click))
                page.close()
            say(
                f"{width} wide: ready after {statistics.median(ready):.0f} ms "
                f"({min(ready):.0f} to {max(ready):.0f}); all figures on another axis in "
                f"{statistics.median(redrawn):.0f} ms"
            )
        browser.close()


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]).absolute())
    else:
        with tempfile.TemporaryDirectory() as folder:
            main(Path(folder) / "page.html")
