"""Which faults of a path `tonelab check` finds and names, over faults put into clean captures.

    python tests/faults/study.py faults.jsonl # single faults
    python tests/faults/study.py faults.jsonl --clean 100        # captures without a fault
    python tests/faults/study.py faults.jsonl --pairs 60 --seed 1
    python tests/faults/study.py faults.jsonl --table            # print, run nothing

Every case is one line of JSON in the given file; a case that stands there is not run again, so
that a study may be cut into pieces (``--seconds``) and taken up again. The table has a row for each
fault: what became of it at its three sizes, and every finding that was given, with its count.

A fault of a pair may leave nothing to find: 8 bits rounded to 7 are 7 bits, and full range that is
labelled full is no fault. Of every fault that was not named, the recorded samples themselves are
therefore asked (`undone`), without a look at what the check said.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
import time
from collections import Counter
from collections.abc import Iterator  # noqa: TC003
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import chain
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "making"))

import natural
from charted import (
    BT709_TO_2020,
    KEPT,
    MemoryClip,
    clean,
    layout_of,
    pointwise,
    pq_light,
    registered,
    rounded,
    source_clip,
    to_codes,
    to_rgb,
)
from faults.injury import ANY, INJURIES, SIZES, Recording, cut_to, recording

from tonelab.checks import examine, gather
from tonelab.checks.run import explained, gather_pair
from tonelab.checks.whole import answered
from tonelab.errors import TonelabError
from tonelab.media.clip import StaticMetadata
from tonelab.signal.description import Signal

HOLD, LONG_HOLD = 4, 8  # frames of a page: registered as it is, or by the pairing
FRAMES = natural.SHOT * natural.SHOTS
CLEAN = (
    (10, "none"), (8, "none"), (10, "temporal"), (8, "temporal"), (10, "frozen"), (8, "frozen"),
)  # fmt: skip
PQ = Signal("bt2020", "narrow", "pq", "bt2020", siting="topleft")
FIELDS = ("matrix", "range", "transfer", "primaries")
UNDONE = 0.02  # of the samples that a fault changes by itself; what leaves no more is undone
AT_EDGES = 0.1  # the same, where luma of one patch meets chroma of the next
READ_ALIKE, NEARLY_ALL = 3.0, 0.99  # codes of R'G'B' that rounding of range and matrix may cost
RESERVED = (0, 1, 2, 3, 1020, 1021, 1022, 1023)  # by BT.2100, for synchronisation
LABELS = ("matrix", "primaries", "range")
MADE = {"709": "bt709", "2020": "bt2020", "P3": "p3d65"}
KERNELS = {
    "area": (1.0, lambda x: (np.abs(x) < 0.5).astype(float)),
    "bilinear": (2.0, lambda x: np.maximum(1 - np.abs(x), 0)),
    "bicubic": (  # Keys 1981
        4.0,
        lambda x: np.where(
            np.abs(x) < 1,
            1.5 * np.abs(x) ** 3 - 2.5 * x**2 + 1,
            np.maximum(0, np.abs(x) < 2) * (-0.5 * np.abs(x) ** 3 + 2.5 * x**2 - 4 * np.abs(x) + 2),
        ),
    ),
}


@dataclass(frozen=True)
class Case:
    """One capture: on what, which faults at which sizes, and the seed of its pictures."""

    content: str
    names: tuple[str, ...] = ()
    sizes: tuple[int, ...] = ()
    seed: int = 1
    bits: int = 10
    dither: str = "none"

    @property
    def key(self) -> str:
        faults = " + ".join(
            f"{name} {SIZES[size]}" for name, size in zip(self.names, self.sizes, strict=True)
        )
        return f"{self.content}, {faults or f'clean {self.bits} {self.dither}'}, seed {self.seed}"


def to_sdr(codes: np.ndarray) -> np.ndarray:
    """Convert as a plain device does: a curve on each of R, G, B; BT.709, gamma 2.4."""
    light = np.maximum(pq_light(to_rgb(codes)) * 100 @ np.linalg.inv(BT709_TO_2020).T, 0)
    shown = light * (1 + light / 100) / (1 + light)
    return to_codes(np.minimum(shown, 1) ** (1 / 2.4), 709)


def halves(plane: np.ndarray, kernel: str) -> np.ndarray:
    """Scale to half by a kernel as wide as the larger sampling asks."""
    support, function = KERNELS[kernel]
    reach = np.arange(-int(support), int(support)) + 0.5
    weights = function(reach / 2)
    weights /= weights.sum()
    picture = plane.astype(float)
    for axis in (0, 1):
        picture = np.moveaxis(picture, axis, 0)
        ends = np.pad(picture, ((int(support), int(support)), (0, 0)), mode="edge")
        count = len(picture) // 2
        picture = sum(
            w * ends[int(r - 0.5) + 1 + int(support) :][: 2 * count : 2]
            for w, r in zip(weights, reach, strict=True)
        )
        picture = np.moveaxis(picture, 0, axis)
    return rounded(picture)


class Content:
    """Source pictures and the clean planes of their capture."""

    def __init__(self, kind: str, seed: int, what: Recording) -> None:
        self.seed = seed
        hold = LONG_HOLD if what.reframed else HOLD
        self.layout = layout_of(hold=hold) if kind.startswith("chart") else None
        # Frames of a page differ in their counter alone, which only the pairing reads.
        self.alike = hold if self.layout is not None and not what.reframed else 1
        self.sdr = kind.endswith("sdr")
        self.size = (640, 360) if what.halved else natural.SIZE
        self.count = FRAMES if self.layout is None else self.layout.frame_count
        self.device = pointwise(to_sdr)

    def source(self, light: float) -> MemoryClip:
        if self.layout is not None:
            clip = source_clip(self.layout)
            self.fields, picture = clip.signal, clip.picture
            metadata = clip.metadata
        else:
            self.fields = PQ.with_fields("declared", **{f: getattr(PQ, f) for f in FIELDS})
            picture, metadata = self._natural, StaticMetadata(mastering_peak=1000.0)
            metadata = replace(metadata, max_cll=self._most(), max_fall=200)
        self._pictures = lru_cache(maxsize=KEPT)(lambda n: self._capture(picture, n))
        return MemoryClip(
            "source.mkv", picture, self.count, self.fields, "420",
            metadata=replace(metadata, max_cll=round(metadata.max_cll * light)),
        )  # fmt: skip

    def faithful(self, index: int) -> tuple[np.ndarray, ...]:
        return self._pictures(index // self.alike * self.alike)

    def _natural(self, index: int) -> tuple[np.ndarray, ...]:
        return natural.planes(self.seed, index, self.size)

    def _most(self) -> int:
        return int(np.ceil(max(natural.light(self.seed, n).max() for n in range(0, FRAMES, 4))))

    def _capture(self, picture, index):
        planes = clean(picture(index))
        return self.device(planes) if self.sdr else planes


def capture_of(content: Content, what: Recording, case: Case) -> MemoryClip:
    """Record the content with everything that happened on the way."""
    order = what.frames(content.count) if what.frames else None
    count = len(order) if order else content.count
    decoded = Counter()

    def picture(index):
        a, b, share = order[index] if order else (index, index, 0.0)
        planes = content.faithful(a)
        if share:
            other = content.faithful(b)
            planes = tuple(
                rounded((1 - share) * p + share * q) for p, q in zip(planes, other, strict=True)
            )
        for step in what.steps:
            planes = step(planes, index)
        if what.halved:
            planes = tuple(halves(plane, what.halved) for plane in planes)
        planes = tuple(_dithered(plane, case, index) for plane in planes)
        if what.unsteady:
            decoded[index] += 1
            generator = np.random.default_rng((decoded[index], index))
            luma = planes[0].copy()
            luma.reshape(-1)[generator.integers(0, luma.size, what.unsteady)] ^= 1
            planes = (luma, *planes[1:])
        return planes

    true = Signal() if content.sdr else PQ
    said = {field: getattr(true, field) for field in FIELDS}
    if content.sdr:
        said["transfer"] = "bt1886"
    signal = true.with_fields("declared", **{**said, "bits": case.bits, **what.declared})
    return MemoryClip(
        "capture.mov", picture, count, signal, "422", case.bits, keep=not what.unsteady
    )


def _dithered(plane: np.ndarray, case: Case, index: int) -> np.ndarray:
    """Bring to the capture's bits: rounded, or with dither that keeps the mean."""
    if case.bits == 10 and case.dither == "none":
        return plane
    generator = np.random.default_rng((case.seed, 0 if case.dither == "frozen" else index))
    wide = plane.astype(float) / (1 << 10 - case.bits)
    if case.dither != "none":  # triangular, two steps wide
        wide += generator.random(plane.shape) - generator.random(plane.shape)
    least = 1 << case.bits - 8  # codes that BT.709 and BT.2100 leave to video
    return np.clip(rounded(wide), least, (1 << case.bits) - 1 - least)


def undone(case: Case) -> list[str]:
    """Faults of a pair of which the recorded samples keep nothing, beside the other.

    Such a fault leaves the capture as it would be with the other alone, but for `UNDONE` of the
    samples that it changes in a clean capture. Beside a conversion of primaries, which rounds all
    and clips, a code is no difference, nor are pixels at edges, where luma of one colour meets
    chroma of the next. Both are undone where no sample is apart from a clean capture by more than
    a code, where the file, read with the matrix and range that it declares, shows the colours of a
    clean one, and where one mix-up of matrices reads what the other coded, as both are one mix-up
    then, or none. A label is no fault where the other one made the samples what it says, nor are
    reserved codes where none is left. Of fewer bits before a gain the gain alone may be left, and
    frames that were repeated may be those that were dropped.
    """
    ways = [INJURIES[name].parameters[0] for name in case.names if name.startswith("matrix ")]
    if len(ways) == 2 and ways[0][1] == ways[1][0]:
        return list(case.names)
    content = Content(case.content, case.seed, recording(case.names, case.sizes))
    content.source(1.0)

    @lru_cache(maxsize=5)
    def shown(*rows: int) -> tuple[Recording, MemoryClip, list[tuple[np.ndarray, ...]]]:
        what = recording([case.names[n] for n in rows], [case.sizes[n] for n in rows])
        capture = capture_of(content, what, case)
        every = range(0, min(capture.frame_count, content.count), HOLD)
        return what, capture, [capture.picture(n) for n in every]

    def differ(one: tuple[int, ...], other: tuple[int, ...], code: int) -> int | None:
        """Samples that are apart by more than ``code``; None where more than samples differs."""
        (what, _, planes), (base, _, bases) = shown(*one), shown(*other)
        if replace(what, steps=(), frames=None) != replace(base, steps=(), frames=None):
            return None
        pairs = zip(chain(*planes), chain(*bases), strict=False)  # to the end of the shorter one
        apart = (np.abs(np.subtract(a, b, dtype=int)) > code for a, b in pairs)
        return sum(map(int, map(np.count_nonzero, apart)))

    converts = any(name.startswith("primaries ") for name in case.names)
    code, most = (1, AT_EDGES) if converts else (0, UNDONE)
    what, capture, planes = shown(0, 1)
    _, spotless, clean_planes = shown()
    if what.declared.keys() & {"matrix", "range"} and not what.halved and not what.frames:
        alike = []
        for seen, kept in zip(planes, clean_planes, strict=True):
            rgb, wanted = as_declared(seen, capture.signal), as_declared(kept, spotless.signal)
            inside = ((wanted >= 0) & (wanted <= 1)).all(axis=-1)
            alike.append(876 * np.abs(rgb - wanted)[inside].max(axis=-1) < READ_ALIKE)
        if np.concatenate(alike).mean() > NEARLY_ALL:
            return list(case.names)
    steps = not (what.declared or what.halved or what.frames or what.unsteady)
    if steps and differ((0, 1), (), 1) == 0:
        return list(case.names)
    made = {made_by(*fault) for fault in zip(case.names, case.sizes, strict=True)}
    gone = [f"labelled {label}" for label in LABELS if what.declared.get(label) in made]
    if (
        not any(np.isin(p, RESERVED).any() for p in chain(*planes))
        and "reserved codes" in case.names
    ):
        gone.append("reserved codes")
    for n, name in enumerate(case.names):
        left, alone = differ((0, 1), (1 - n,), code), differ((n,), (), code)
        if left is not None and alone and left <= most * alone:
            gone.append(name)
        other = shown(1 - n)[0]
        if what.frames and other.frames and what.frames(FRAMES) == other.frames(FRAMES):
            gone.append(name)
    if case.names[1] == "depth then gain" and shown(0)[0].steps:
        short = [
            cut_to(p[0], INJURIES[case.names[1]].parameters[case.sizes[1]]) for p in shown(0)[2]
        ]
        same = [(a == p[0]).mean() for a, p in zip(short, shown(0)[2], strict=True)]
        if np.mean(same) > 1 - UNDONE:
            gone.append("depth then gain")
    return gone


def made_by(name: str, size: int) -> str:
    """Matrix, primaries or range that a fault turns the samples into, or nothing."""
    ways = INJURIES[name].parameters[size]
    if name.startswith("expanded "):
        return "full"
    if name.startswith("matrix "):
        return f"bt{ways[1]}"
    return MADE[ways.rpartition(" to ")[2]] if name.startswith("primaries ") else ""


def as_declared(planes: tuple[np.ndarray, ...], signal: Signal) -> np.ndarray:
    """R'G'B' of 4:2:2 planes by the matrix and range that a file declares."""
    y, *chroma = (plane.astype(float) * 2.0 ** (10 - signal.bits) for plane in planes)
    codes = np.stack([y[:, ::2], *chroma], axis=-1)
    if signal.range == "full":
        codes = codes * [876 / 1023, 896 / 1023, 896 / 1023]
        codes += [64, *[512 * (1 - 896 / 1023)] * 2]
    return to_rgb(codes, int(signal.matrix.removeprefix("bt")))


def run(case: Case, *, whole: bool = True) -> dict:
    """Check one capture and keep what was said; ``whole``: with a chain that answers for it."""
    started = time.process_time()
    what = recording(case.names, case.sizes)
    content = Content(case.content, case.seed, what)
    source = content.source(what.light)
    capture = capture_of(content, what, case)
    line = {"key": case.key, "content": case.content, "names": case.names, "sizes": case.sizes}
    try:
        if content.layout is not None and not what.reframed:
            evidence = gather_pair(registered(source, capture, content.layout))
        else:
            evidence = gather(source, capture, workers=1)
        results, registration = examine(evidence)
        account = explained(evidence) if whole else None
        results = results if account is None else answered(results, *account)
    except TonelabError as error:
        return {**line, "stopped": str(error), "seconds": time.process_time() - started}
    findings = [finding for result in results for finding in result.findings]
    findings += [f for f in registration if f.severity != "info"]
    found = {f.id: f.text for f in findings if _told(f)}
    unsure = [f.id for f in findings if f.verdict == "cannot tell"]
    seconds = round(time.process_time() - started, 1)
    line |= {
        "found": found, "unsure": unsure, "through": evidence.pass_through, "seconds": seconds,
    }  # fmt: skip
    if len(case.names) == 2 and set(outcomes(line)) != {"N"}:
        line["undone"] = undone(case)
    return line


def _told(finding) -> bool:
    """Whether something is said beyond that all is well; dither is told without blame."""
    if finding.id == "dither":
        return "ither" in finding.text and "no dither" not in finding.text
    return finding.verdict not in {"transparent", "cannot tell"} and finding.id != "identity"


def outcome(line: dict, name: str, size: int) -> str:
    """One letter: named, undone by another, cannot tell, named otherwise, stopped, missed."""
    injury = INJURIES[name]
    if "stopped" in line:
        return "S"
    pattern = re.compile(injury.pattern(size), re.DOTALL)
    told = [text for ident, text in line["found"].items() if _of(ident, injury.named)]
    if any(map(pattern.search, told)):
        return "N"
    if name in line.get("undone", ()):
        return "U"
    checks = {n.split("-")[0] for n in injury.named}
    if any(_of(ident, injury.named) or ident in checks for ident in line["unsure"]):
        return "?"
    return "o" if set(line["found"]) - {"dither"} else "."


def outcomes(line: dict) -> str:
    """Letters of all faults of a case."""
    faults = zip(line["names"], line["sizes"], strict=True)
    return "".join(outcome(line, name, size) for name, size in faults)


def _of(ident: str, names: tuple[str, ...]) -> bool:
    return any(ident == name or ident.startswith(f"{name}-") for name in names)


def others(line: dict) -> set[str]:
    """Findings that none of the faults, nor what follows from them, accounts for."""
    allowed = {
        part for name in line["names"] for part in (*INJURIES[name].named, *INJURIES[name].also)
    }
    return {
        ident
        for ident in line.get("found", {})
        if not _of(ident, tuple(allowed)) and ident != "dither"
    }


def table(lines: list[dict]) -> Iterator[str]:
    """Rows of the matrix."""
    for content in ANY:
        mine = [x for x in lines if x["content"] == content]
        single = [x for x in mine if len(x["names"]) == 1]
        if single:
            yield f"\n{content}: single faults (small, middle, large): what was found"
        for name in INJURIES:
            rows = {x["sizes"][0]: x for x in single if x["names"] == [name]}
            if not rows:
                continue
            marks = "".join(outcome(rows[n], name, n) if n in rows else " " for n in range(3))
            counts = Counter(ident for x in rows.values() for ident in x.get("found", {}))
            beside = {ident for x in rows.values() for ident in others(x)}
            text = ", ".join(
                f"{ident}{'!' if ident in beside else ''} {n}" for ident, n in counts.most_common()
            )
            yield f"  {name:22s} {marks}  {text}"
        larger = [outcome(x, x["names"][0], x["sizes"][0]) for x in single if x["sizes"][0] > 0]
        extra = sum(bool(others(x)) for x in single)
        if larger:
            yield (
                f"  the two larger sizes: {larger.count('N')} of {len(larger)} rightly named; "
                f"{extra} of {len(single)} captures with a finding that the fault does not explain"
            )
        pairs = [x for x in mine if len(x["names"]) == 2]
        if pairs:
            yield from _pairs(content, pairs)
        spotless = [x for x in mine if not x["names"]]
        if spotless:
            wrong = [x for x in spotless if set(x.get("found", {"stopped"})) - {"dither"}]
            yield f"\n{content}: {len(spotless)} clean captures, {len(wrong)} with a finding"
            yield from (f"  {x['key']}: {x.get('stopped') or ', '.join(x['found'])}" for x in wrong)
    yield (
        "\nN found and rightly named, U undone by the other fault: nothing of it is recorded, "
        "? cannot tell,\no other findings only, S stopped with a sentence, . nothing said;\n"
        "! a finding that the fault does not explain"
    )


def _pairs(content: str, pairs: list[dict]) -> Iterator[str]:
    told = [outcomes(x) for x in pairs]
    both, well = told.count("NN"), sum(set(t) <= {"N", "U"} for t in told)
    one = sum("N" in t and not set(t) <= {"N", "U"} for t in told)
    yield (
        f"\n{content}: {len(pairs)} pairs of faults, both rightly named {both}, named or undone by "
        f"the other {well - both}, one alone {one}, none {len(pairs) - well - one}"
    )
    for line, marks in zip(pairs, told, strict=True):
        if marks != "NN":
            said = line.get("stopped") or ", ".join(line["found"]) or "nothing"
            unsure = ", ".join(sorted(set(line.get("unsure", ())) - {"metadata"}))
            yield f"  {marks} {line['key']}: {said}" + (f"; cannot tell {unsure}" if unsure else "")


def cases(options: argparse.Namespace) -> Iterator[Case]:
    """Cases that the options ask for."""
    contents = options.content.split(",")
    if options.clean:
        for number in range(options.clean):
            bits, dither = CLEAN[number % len(CLEAN)]
            content = contents[(number // len(CLEAN)) % len(contents)]
            yield Case(content, seed=options.seed + number, bits=bits, dither=dither)
        return
    only = options.only.split(",") if options.only else list(INJURIES)
    if unknown := set(only) - set(INJURIES):
        sys.exit(f"No such fault: {', '.join(unknown)}. There are: {', '.join(INJURIES)}.")
    if options.pairs:
        for number in range(options.pairs):
            generator = np.random.default_rng((options.seed, number))
            content = contents[number % len(contents)]
            able = [name for name in only if content in INJURIES[name].on]
            first, second = generator.choice(able, 2, replace=False).tolist()
            sizes = tuple(generator.integers(1, 3, 2).tolist())
            yield Case(content, (first, second), sizes)
        return
    for size in options.sizes:
        for content in contents:
            for name in only:
                if content in INJURIES[name].on:
                    yield Case(content, (name,), (int(size),), options.seed)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("results", type=Path, help="lines of JSON, added to")
    parser.add_argument("--content", default="chart,natural", help=f"among {', '.join(ANY)}")
    parser.add_argument("--only", help="names of faults, with commas")
    parser.add_argument("--sizes", default="210", help="2 large, 1 middle, 0 small")
    parser.add_argument("--clean", type=int, default=0, metavar="N")
    parser.add_argument("--pairs", type=int, default=0, metavar="N")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=float("inf"), help="CPU time to stop at")
    parser.add_argument("--again", action="store_true", help="run known cases again")
    parser.add_argument("--table", action="store_true", help="run nothing, print all results")
    options = parser.parse_args()
    known = {}
    if options.results.exists():
        text = options.results.read_text(encoding="utf-8")
        known = {x["key"]: x for x in map(json.loads, text.splitlines())}
    for case in () if options.table else cases(options):
        if case.key in known and not options.again:
            continue
        if time.process_time() > options.seconds:
            sys.stderr.write("Out of time; the same command takes it up again.\n")
            break
        known[case.key] = json.loads(json.dumps(run(case)))
        with options.results.open("a", encoding="utf-8") as out:
            out.write(json.dumps(known[case.key]) + "\n")
    sys.stdout.write("\n".join(table(list(known.values()))) + "\n")


if __name__ == "__main__":
    main()
