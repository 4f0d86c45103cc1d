"""Speed of rendering: a lattice against OpenColorIO's, a film against its decoding.

Run as ``python tests/benchmarks/rendering.py [FOLDER]``; the folder takes 1 GB of clips.
"""

from __future__ import annotations

import sys
import tempfile
import time
from fractions import Fraction
from pathlib import Path

import numpy as np
from run import decode, say, versus

from tonelab.correction import apply
from tonelab.correction.applying import find_look, output_coding, tabulate
from tonelab.correction.kernels import place_row, read_row
from tonelab.media import write_clip
from tonelab.signal.description import Signal

PQ = Signal(matrix="bt2020", transfer="pq", primaries="bt2020", siting="topleft")
WIDTH, HEIGHT, FRAMES = 3840, 2160, 24
BLOCK = 16  # rows that OpenColorIO takes at a time, at which it is quickest


def make_film(path: Path) -> None:
    """Write a film of grain over moving waves, UHD HEVC of 10 bits."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    grain = np.random.default_rng(0).normal(0, 6, (HEIGHT + 64, WIDTH + 64))

    def pictures():
        for n in range(FRAMES):
            noise = grain[2 * n : 2 * n + HEIGHT, n : n + WIDTH]
            luma = 380 + 180 * np.sin((x + 9 * n) / 190) + 100 * np.sin(y / 150) + noise
            cb = 512 + 60 * np.sin((x[::2, ::2] + 5 * n) / 400)
            cr = 512 + 60 * np.cos((y[::2, ::2] + 5 * n) / 240)
            yield tuple(plane.astype(np.uint16) for plane in (luma, cb, cr))

    write_clip(
        path, pictures(), width=WIDTH, height=HEIGHT, rate=Fraction(24), subsampling="420",
        bits=10, codec="hevc", signal=PQ, quality=20,
    )  # fmt: skip


def table_row() -> None:
    """Hold one UHD picture through our lattice against OpenColorIO's of as many nodes."""
    import PyOpenColorIO as OCIO  # noqa: N814

    found = find_look("bt2446a", PQ, peak=1000.0, accept_average=False)
    raster = tabulate(found, PQ, output_coding(found.look, 10, None, rgb=False))
    size = found.lattice[2]
    lut = OCIO.Lut3DTransform(gridSize=size)
    lut.setInterpolation(OCIO.INTERP_TETRAHEDRAL)
    lut.setData(np.ascontiguousarray(raster.values[:, :3] / 1023, np.float32).ravel())
    theirs = OCIO.Config.CreateRaw().getProcessor(lut).getDefaultCPUProcessor()
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    grain = np.random.default_rng(0).normal(0, 6, (HEIGHT, WIDTH))
    planes = [(p + grain).astype(np.float32) for p in (400 + x / 20, 480 + y / 50, 540 - y / 50)]
    rgb = np.stack([plane / 1023 for plane in planes], axis=-1).astype(np.float32)
    nodes, shares = np.empty((3, WIDTH), np.int32), np.empty((4, WIDTH), np.float32)
    shown = np.empty((WIDTH, 4), np.float32)
    rows = [np.ascontiguousarray([p[row] for p in planes]) for row in range(HEIGHT)]

    def ours() -> None:
        for codes in rows:
            place_row(raster.place, size, raster.edge, codes, nodes, shares)
            read_row(raster.values, size, nodes, shares, shown)

    def other() -> None:
        for row in range(0, HEIGHT, BLOCK):
            theirs.applyRGB(rgb[row : row + BLOCK])

    (mine, _), (its, _) = versus(ours, other, 5)
    say(
        "r", f"a UHD picture through {size} nodes, processor ms; OpenColorIO in float32",
        f"{1000 * mine:.0f}", f"{1000 * its:.0f}", its / mine,
    )  # fmt: skip


def film_row(folder: Path) -> None:
    """Hold rendering a film, its lattice not counted, against decoding it."""
    film, out = folder / "uhd.mp4", folder / "uhd.mov"
    if not film.exists():
        make_film(film)
    least = [np.inf, np.inf]
    for _ in range(3):
        start = time.perf_counter()
        decode(film, FRAMES)
        least[1] = min(least[1], time.perf_counter() - start)
        began = [0.0]

        def progress(stage: str, done: int, _total: int, began: list[float] = began) -> None:
            if stage == "tabulating" and done:
                began[0] = time.perf_counter()

        apply("bt2446a", film, out, overwrite=True, progress=progress, peak=1000.0)
        least[0] = min(least[0], time.perf_counter() - began[0])
    rates = [FRAMES / taken for taken in least]
    say(
        "r", "UHD HEVC to v210, pictures/s; decoding alone", f"{rates[0]:.1f}", f"{rates[1]:.1f}",
        rates[0] / rates[1],
    )  # fmt: skip
    out.unlink()


def main() -> None:
    with tempfile.TemporaryDirectory() as own:
        table_row()
        film_row(Path(sys.argv[1] if len(sys.argv) > 1 else own))


if __name__ == "__main__":
    main()
