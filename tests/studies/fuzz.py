"""What each reader does with broken and hostile files.

    python tests/studies/fuzz.py --inputs 20000 --seed 1 [READER]...

Each input is a sound file, cut, flipped, overwritten, spliced or with its numbers made absurd;
curve files are sealed again afterwards, as a stranger would. Readers run in processes of their
own that are watched. Printed per reader: how many inputs were refused in one sentence, how many
were read, and the four things that must never happen.
"""

from __future__ import annotations

import argparse
import multiprocessing
import re
import sys
import time
from dataclasses import replace
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "media"))

PATIENCE = 5.0  # seconds for one input
MOST_MEMORY = 2**30  # bytes that reading one file may add to the process
COLUMNS = ("refused", "read", "traceback", "slow", "died", "memory")


# Sound files


def curve_file(folder):
    from make_measurement import make_measurement

    from tonelab.curvefile import save

    save(make_measurement(), folder / "sound.h5")
    return [folder / "sound.h5"]


def clips(folder):
    from tonelab.media import write_clip
    from tonelab.signal.description import Signal

    rng = np.random.default_rng(1)
    names = {
        "a.mov": ("v210", "422"),
        "b.avi": ("v210", "422"),
        "c.mkv": ("ffv1", "422"),
        "d.mp4": ("hevc", "420"),
        "e.mkv": ("hevc", "420"),
    }
    for name, (codec, subsampling) in names.items():
        rows = 24 if subsampling == "420" else 48
        frames = [
            tuple(
                np.kron(rng.integers(64, 940, (h // 8, w // 8)), np.ones((8, 8))).astype(np.uint16)
                for h, w in ((48, 96), (rows, 48), (rows, 48))
            )
            for _ in range(3)
        ]
        write_clip(
            folder / name, frames, width=96, height=48, rate=Fraction(24),
            subsampling=subsampling, bits=10, codec=codec, signal=Signal(),
        )  # fmt: skip
    return [folder / name for name in names]


def stills(folder):
    from test_stills import dpx, exr, picture, png, tifffile

    png(folder / "a.png", picture(16))
    tifffile.imwrite(folder / "b.tif", picture(16), photometric="rgb")
    tifffile.imwrite(folder / "c.tif", picture(8), photometric="rgb", compression="zlib")
    dpx(folder / "d.dpx", picture(10), 10)
    exr(folder / "e.exr", picture(16) / 2**15, zipped=True)
    return sorted(folder.iterdir())


def corrections(folder):
    from tonelab.correction.files import describe_coding, write_correction
    from tonelab.correction.table import LookTable, lattice
    from tonelab.signal.description import Signal

    table = LookTable(0.0, 1.0, lattice(0.0, 1.0, 3).reshape(3, 3, 3, 3) ** 0.7)
    signal = Signal(matrix="rgb", range="full")
    words = {"InputDescriptor": describe_coding(signal), "OutputDescriptor": "as it goes in"}
    for name in ("a.cube", "b.clf"):
        write_correction(folder / name, table, words, ("A table", "of three nodes"))
    return sorted(folder.iterdir())


PLAN = """
title = "Two boxes"
notes = "an evening"

[output]
folder = "results"
figures = ["svg"]
crops = [{ frame = 1, x = 4, y = 2, label = "lamp" }]
against = ["bt2446a"]

[limits]
findings = "stop"
residual = 3.0

[sources.chart]
file = "chart.mkv"
signal = { range = "narrow", peak = 1000 }

[devices.box]
name = "Box"
firmware = "1.0"
settings = { picture = "standard", contrast = 50 }

[[captures]]
file = "a.mov"
device = "box"

[[captures]]
file = "b.mov"
device = "box"
role = "validation"
validates = "a"

[[captures]]
file = "c.mov"
role = "loopback"
"""


def plans(folder):
    for name in ("chart.mkv", "a.mov", "b.mov", "c.mov"):
        (folder / name).touch()
    (folder / "sound.toml").write_text(PLAN, encoding="utf-8")
    return [folder / "sound.toml"]


# Readers, as users reach them


def read_curve_file(path):
    from tonelab.curvefile import load
    from tonelab.curvefile.store import _SEAL, _seal

    image = path.read_bytes()
    if _SEAL.search(image):
        path.write_bytes(_seal(image))
    load(path)


def read_clip(path):
    from tonelab.media import open_clip

    with open_clip(path) as clip:
        for _ in clip.frames():
            pass


def read_still(path):
    from tonelab.media import open_clip

    light = {"transfer": "pq", "primaries": "bt2020", "peak": 100.0}
    with open_clip(path, stated=light if path.suffix == ".exr" else {}) as clip:
        list(clip.frames())


def read_correction(path):
    from tonelab.correction.files import open_reader, read_descriptors

    apply = open_reader(path)
    read_descriptors(path)
    apply(np.random.default_rng(3).uniform(-0.5, 1.5, (64, 3)))


def read_bench(path):
    from tonelab.bench.reading import read_plan

    read_plan(path)


def read_contents(path):
    """Use what a curve file says; whoever writes one can state any number in it."""
    from tonelab.compare import compare
    from tonelab.curvefile import load
    from tonelab.views.terminal.summary import summary

    found = load(path)
    summary(found)
    compare([load(path.with_name("sound.h5")), found])


# Broken files

NUMBER = re.compile(rb"-?\d+(\.\d+)?([eE][-+]?\d+)?")
ABSURD = (b"nan", b"inf", b"-1", b"0", b"1e999", b"99999999999", b"2147483648", b"", b'"', b"<b>")
WORDS = tuple(
    value.to_bytes(8, "little") for value in (0, 1, 2**31 - 1, 2**32 - 1, 2**40, 2**63, 2**64 - 1)
)


def broken(sound: bytes, rng: np.random.Generator) -> bytes:
    data = bytearray(sound)
    length = len(data)
    match rng.integers(7):
        case 0:
            return bytes(data[: rng.integers(length)])
        case 1:
            for place in rng.integers(length, size=rng.choice([1, 1, 4, 32])):
                data[place] ^= 1 << rng.integers(8)
        case 2:
            for place in rng.integers(length, size=rng.choice([1, 2, 8])):
                data[place] = rng.choice([0, 1, 127, 128, 255])
        case 3:
            width = int(rng.choice([2, 4, 8]))
            place = int(rng.integers(length))
            data[place : place + width] = WORDS[rng.integers(len(WORDS))][:width]
        case 4:
            start, other, size = rng.integers(length), rng.integers(length), rng.integers(1, 64)
            data[start : start + size] = data[other : other + size]
        case 5:
            start, size = rng.integers(length), rng.integers(1, 256)
            del data[start : start + size]
        case _:
            numbers = list(NUMBER.finditer(sound[: 2**16]))
            if numbers:
                hit = numbers[rng.integers(len(numbers))]
                data[hit.start() : hit.end()] = ABSURD[rng.integers(len(ABSURD))]
    return bytes(data)


@lru_cache(maxsize=1)
def tree_of(sound: bytes):
    from tonelab.curvefile.reader import read_tree

    _, tree = read_tree(sound, described=True)
    return {name: node for name, node in tree.items() if name not in {"integrity", "fingerprint"}}


def copied(node):
    return {n: copied(one) for n, one in node.items()} if isinstance(node, dict) else node


def odd(sound: bytes, rng: np.random.Generator) -> bytes:
    """Let one value of a curve file, of those that are not tallies, be what it never is."""
    from tonelab.curvefile.fingerprint import SIZE
    from tonelab.curvefile.store import _seal
    from tonelab.curvefile.tree import leaves
    from tonelab.curvefile.writer import serialise

    tree = copied(tree_of(sound))
    places = [place for place, _ in leaves(tree) if not place.startswith("tallies")]
    *groups, last = places[rng.integers(len(places))].split("/")
    node = tree
    for group in groups:
        node = node[group]
    values = node[last].values.copy()
    if rng.integers(8) == 0 and values.ndim:
        values = values[: rng.integers(len(values) + 1)]
    else:
        kept = rng.random(values.shape) < rng.choice([0.0, 0.5, 0.95])
        kinds = {"f": (np.nan, np.inf, -1.0, 0.0, 1e300, 1e-300, 7.5), "S": (b"", b"<b>", b"nan")}
        values = np.where(kept, values, rng.choice(kinds.get(values.dtype.kind, (0, 1, -1, 2**31))))
    node[last] = replace(node[last], values=values.astype(node[last].values.dtype))
    return _seal(serialise(tree, np.zeros(SIZE)))


# Each reader: what makes its sound files, what reads them as users do, and what breaks them.
READERS = {
    "curve file": (curve_file, read_curve_file, broken),
    "contents": (curve_file, read_contents, odd),
    "clip": (clips, read_clip, broken),
    "picture": (stills, read_still, broken),
    "correction": (corrections, read_correction, broken),
    "plan": (plans, read_bench, broken),
}


# Watching


def work(name, files, folder, seed, pipe):
    """Read one input after another; say before each which it is, and after it what happened."""
    from tonelab.errors import TonelabError

    _, read, alter = READERS[name]
    sound = [Path(path) for path in files]
    contents = [path.read_bytes() for path in sound]
    for path in sound:
        copy = folder / f"broken{path.suffix}"
        copy.write_bytes(path.read_bytes())
        read(copy)
    before = peak_memory()
    while (number := pipe.recv()) is not None:
        rng = np.random.default_rng((seed, number))
        which = int(rng.integers(len(sound)))
        path = folder / f"broken{sound[which].suffix}"
        path.write_bytes(alter(contents[which], rng))
        try:
            read(path)
            outcome, text = "read", ""
        except TonelabError as error:
            text = str(error)
            outcome = "refused" if is_plain(text, name) else "traceback"
        except Exception as error:  # noqa: BLE001 - which is what is looked for
            outcome, text = "traceback", repr(error)
        if peak_memory() - before > MOST_MEMORY:
            outcome, before = "memory", peak_memory()
        pipe.send((outcome, text))


def is_plain(text: str, name: str) -> bool:
    """Whether a refusal is one sentence, or the list of a plan's mistakes."""
    lines = text.split("\n")
    if name != "plan" and len(lines) > 1:
        return False
    return all(line.endswith((".", "?", ":")) for line in lines)


def peak_memory() -> int:
    try:
        import resource
    except ImportError:
        return 0
    unit = 1 if sys.platform == "darwin" else 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit


def run(name: str, inputs: int, seed: int) -> tuple[dict[str, int], list[str]]:
    make, *_ = READERS[name]
    counts, faults = dict.fromkeys(COLUMNS, 0), []
    context = multiprocessing.get_context("spawn")
    with TemporaryDirectory() as place:
        folder = Path(place)
        files = make(folder)
        process = None
        for number in range(inputs):
            if process is None:
                pipe, theirs = context.Pipe()
                process = context.Process(target=work, args=(name, files, folder, seed, theirs))
                process.start()
                theirs.close()
                patience = 60.0
            started = time.monotonic()
            pipe.send(number)
            try:
                outcome, text = pipe.recv() if pipe.poll(patience) else ("slow", "")
            except (EOFError, ConnectionError):
                outcome, text = "died", ""
            if outcome == "read" and time.monotonic() - started > patience:
                outcome = "slow"
            patience = PATIENCE
            counts[outcome] += 1
            if outcome not in {"refused", "read"}:
                faults.append(f"{name} {number}: {outcome} {text}")
            if outcome in {"slow", "died"}:
                process.kill()
                process.join()
                process = None
        if process is not None:
            pipe.send(None)
            process.join()
    return counts, faults


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("readers", nargs="*", default=list(READERS), metavar="READER")
    parser.add_argument("--inputs", type=int, default=20_000, help="per reader")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    sys.stdout.write(f"{'reader':14s}" + "".join(f"{name:>11s}" for name in COLUMNS) + "\n")
    wrong: list[str] = []
    for name in options.readers:
        counts, faults = run(name, options.inputs, options.seed)
        row = "".join(f"{counts[column]:11d}" for column in COLUMNS)
        sys.stdout.write(f"{name:14s}{row}\n")
        sys.stdout.flush()
        wrong += faults
    sys.stdout.write("\n".join([*wrong, ""]))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
