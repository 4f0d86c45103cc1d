"""Speed of what follows the tallies: candidates, tables of colours, curve files; and of pixels.

Run as ``python tests/benchmarks/files.py``; it prints rows of the same table as ``run.py``.
"""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
from clips import RATE, as_422, grainy
from run import facts, say, versus

from tonelab.chart import Layout, chart_signal
from tonelab.compare import compare
from tonelab.conversion.standards import STANDARDS as STANDARD_CONVERSIONS
from tonelab.correction import correct
from tonelab.correction.files import open_reader, write_correction
from tonelab.correction.table import LookTable, lattice
from tonelab.curvefile import load, load_all, save
from tonelab.identify.evidence import Evidence
from tonelab.identify.structures import judged, rank_plain
from tonelab.media import open_clip, write_clip
from tonelab.pairing import pair
from tonelab.signal.colorimetry import rgb_to_ycbcr
from tonelab.signal.description import Signal
from tonelab.signal.quantisation import ycbcr_to_codes
from tonelab.tallies.run import tally

STANDARDS = Path(__file__).parents[2] / "curves" / "standards"
MANY = 100


def pixels(folder: Path) -> None:
    """Hold a clip against itself at two sizes, so that only the number of pixels differs."""
    pairs = []
    for width, height in ((1920, 1080), (960, 540)):
        layout = Layout.create("quick", width, height, "pq", 1000, hold=4)
        path = folder / f"{width}.mov"
        write_clip(
            path,
            map(as_422, grainy(layout)),
            width=width,
            height=height,
            rate=RATE,
            bits=10,
            subsampling="422",
            codec="v210",
            signal=chart_signal(layout),
        )
        pairs.append(pair(open_clip(path), open_clip(path)))
    frames = [len(one.matches) for one in pairs]
    (large, _), (small, _) = versus(*(lambda p=one: tally(p, workers=1) for one in pairs))
    large, small = large / frames[0], small / frames[1]
    say(
        "d",
        "four times the pixels (1080p, 540p), v210, processor ms a pair",
        f"{1e3 * large:.1f}",
        f"{1e3 * small:.1f}",
        large / small,
    )


def tables(folder: Path) -> None:
    """Apply a table of 33 nodes to colours: by ours, and by OpenColorIO from the file."""
    table = LookTable(0.0, 1.0, lattice(0.0, 1.0, 33).reshape(33, 33, 33, 3) ** 0.8)
    path = folder / "look.cube"
    write_correction(path, table, {}, ("benchmark",))
    numbers = np.random.default_rng(1).random((500_000, 3))
    for reader in ("tetrahedral", "trilinear"):
        other = open_reader(path, reader)
        assert np.abs(table.read(numbers, reader) - other(numbers)).max() < 1e-4
        (ours, _), (theirs, _) = versus(
            lambda r=reader: table.read(numbers, r), lambda o=other: o(numbers)
        )
        say(
            "f",
            f"500,000 colours through 33 nodes, {reader}, processor ms; OpenColorIO in float32",
            f"{1e3 * ours:.0f}",
            f"{1e3 * theirs:.0f}",
            theirs / ours,
        )


def baking(folder: Path) -> None:
    """Bake a look; the other side only fills as many nodes from a finished file."""
    measurement = load(STANDARDS / "bt2446a-1000.h5")
    path = folder / "baked.clf"
    correct(measurement).save(path)
    other = open_reader(path, "tetrahedral")
    for size in (65, 33):
        nodes = lattice(0.0, 1.0, size)
        (ours, wall), (theirs, _) = versus(
            lambda s=size: correct(measurement, size=s), lambda n=nodes: other(n)
        )
        say(
            "f",
            f"baking a look of {size} nodes a side ({wall:.2f} s of wall time), processor ms; "
            "OpenColorIO filling them from a finished file",
            f"{1e3 * ours:.0f}",
            f"{1e3 * theirs:.0f}",
            theirs / ours,
        )


def candidates() -> None:
    """Judge chains, each with its own curve, against colours; growth with their number."""
    convert = STANDARD_CONVERSIONS["bt2446a"].convert
    rng = np.random.default_rng(1)
    greys = np.repeat(np.geomspace(0.01, 1000, 200)[:, None], 3, axis=1)
    light = 1000 * rng.random((2000, 3)) ** 4
    codes, neutral = (
        ycbcr_to_codes(rgb_to_ycbcr(convert(part, source_peak=1000.0), "bt709"), 10, "narrow")
        for part in (light, greys)
    )
    evidence = Evidence(
        light=light,
        codes=codes,
        held_out=np.zeros(len(light), bool),
        neutral_light=greys,
        neutral_codes=neutral,
        neutral_smooth=neutral[:, 0],
        ceiling_light=np.inf,
        target=Signal(),
    )
    chains = [candidate.conversion for candidate in rank_plain(evidence)]
    (many, _), (few, _) = versus(
        lambda: [judged(evidence, chain) for chain in chains],
        lambda: [judged(evidence, chain) for chain in chains[::4]],
    )
    say(
        "d",
        f"{len(chains)} candidate chains on 2000 colours; {len(chains[::4])}, processor ms",
        f"{1e3 * many:.0f}",
        f"{1e3 * few:.0f}",
        many / few,
    )


def libraries(folder: Path) -> None:
    """Compare many curve files; the other side reads them one after another."""
    some = load_all(sorted(STANDARDS.glob("*.h5"))[:10])
    paths = [folder / f"{index:03}.h5" for index in range(MANY)]
    for index, path in enumerate(paths):
        save(replace(some[index % len(some)], device=f"device {index}"), path)
    (_, together), (_, alone) = versus(
        lambda: load_all(paths), lambda: [load(path) for path in paths], 2
    )
    say(
        "h",
        f"reading {MANY} curve files, wall s; one after another",
        f"{together:.1f}",
        f"{alone:.1f}",
        alone / together,
    )
    measurements = load_all(paths)
    (many, _), (few, _) = versus(
        lambda: compare(measurements), lambda: compare(measurements[: MANY // 2]), 2
    )
    say(
        "h",
        f"comparing {MANY} of them; {MANY // 2}, processor s",
        f"{many:.2f}",
        f"{few:.2f}",
        many / few,
    )


def main() -> None:
    facts()
    print("| row | what | tonelab | the other | ratio |\n| --- | --- | --- | --- | --- |")
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        tables(folder)
        baking(folder)
        candidates()
        libraries(folder)
        pixels(folder)


if __name__ == "__main__":
    main()
