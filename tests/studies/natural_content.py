"""Whether natural pictures give the curve that the chart gives, through converters of others.

    python tests/studies/natural_content.py FOLDER [--converter hable]

FOLDER holds OpenEXR pictures of scene-linear light in BT.709 primaries. Each is exposed so that its
upper percent lies at 800 cd/m2, and shown through a wandering window, once in colour and once in
black and white, as coloured pictures hold few exact greys; film and chart go through one filter of
FFmpeg. Prints how far the curves are apart, beside the bands that both state.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from fractions import Fraction
from pathlib import Path

import numpy as np
from scipy.ndimage import zoom

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "making"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "outside"))

from converters import convert_clip, ffmpeg_tonemap
from moving import PQ, codes, planes_420

from tonelab.chart import Layout, write_chart
from tonelab.media import open_clip, write_clip
from tonelab.pairing import pair
from tonelab.readings import read
from tonelab.signal.colorimetry import matrix_rgb_to_rgb
from tonelab.tallies.run import tally

SIZE, SHOT = (480, 270), 24
LUMA_2020 = np.array([0.2627, 0.6780, 0.0593])  # BT.2020-2, table 4
BRIGHT = 800.0  # cd/m2, of the upper percent of each picture


def light(path):
    """BT.2020 light of a picture in cd/m2, tall and wide enough for the window."""
    clip = open_clip(path, stated={"transfer": "pq", "primaries": "bt709", "peak": 100.0})
    [frame] = clip.frames()
    shown = clip.signal.decode_light(np.stack(frame.planes, axis=-1))
    scale = max(1.6 * SIZE[0] / shown.shape[1], 1.6 * SIZE[1] / shown.shape[0])
    shown = zoom(shown, (scale, scale, 1), order=1)
    shown = shown * (BRIGHT / np.percentile(shown.max(axis=-1), 99))
    return np.clip(shown @ matrix_rgb_to_rgb("bt709", "bt2020").T, 0, 1000)


def film(paths):
    for path in paths:
        coloured = light(path)
        grey = np.repeat(coloured @ LUMA_2020, 3).reshape(coloured.shape)
        room = np.array(grey.shape[:2]) - (SIZE[1], SIZE[0])
        for n in range(2 * SHOT):
            whole = coloured if n < SHOT else grey
            way = 0.5 + 0.5 * np.array([np.sin(0.02 * n), np.cos(0.03 * n)])
            top, left = np.round(way * room).astype(int)
            yield planes_420(codes(whole[top : top + SIZE[1], left : left + SIZE[0]]))


def curve(folder, name):
    source, capture = open_clip(folder / f"{name}.mkv"), open_clip(folder / f"{name}.mov")
    paired = pair(source, capture)
    if paired.layout is None:
        for finding in paired.findings:
            sys.stdout.write(f"  {finding.id}: {finding.text}\n")
    return read(tally(paired), source.facts(), capture.facts()).curve


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--converter", default="hable")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        write_clip(
            folder / "film.mkv", film(sorted(options.folder.glob("*.exr"))), width=SIZE[0],
            height=SIZE[1], rate=Fraction(24), subsampling="420", bits=10, codec="ffv1", signal=PQ,
        )  # fmt: skip
        chart = Layout.create("quick", 960, 540, hold=4)
        write_chart(folder / "chart.mkv", chart, rate=Fraction(24))
        for name in ("film", "chart"):
            convert_clip(
                folder / f"{name}.mkv", folder / f"{name}.mov", ffmpeg_tonemap(options.converter)
            )
        ours, theirs = curve(folder, "film"), curve(folder, "chart")
    expected = np.interp(ours.source_code, theirs.source_code, theirs.smooth)
    band = np.interp(ours.source_code, theirs.source_code, theirs.high - theirs.low)
    allowed = (band + ours.high - ours.low) / 2
    inside = (ours.luminance < 1000) & ~ours.clipped
    apart = np.abs(ours.smooth - expected)[inside]
    sys.stdout.write(
        f"levels {inside.sum()}, from {ours.luminance[0]:.3g} to {ours.luminance[-1]:.4g} cd/m2\n"
    )
    sys.stdout.write(
        f"apart: RMS {np.sqrt(np.mean(apart**2)):.3f}, largest {apart.max():.2f} codes\n"
    )
    sys.stdout.write(f"inside the bands of both: {100 * np.mean(apart <= allowed[inside]):.1f} %\n")


if __name__ == "__main__":
    main()
