"""Which chains of steps are found for paths with one or two known faults.

    python tests/studies/paths.py 40 --seed 7            # pairs of faults, pictures
    python tests/studies/paths.py 0 --content chart       # single faults, at two sizes

The faults are those of `faults/injury.py` that a step of the model makes. A path is explained
where every fault has its step in the chain and the chain predicts 95 % of unseen codes.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "making")]

from faults.study import Case, Content, capture_of, recording, registered  # noqa: E402

from tonelab.pairing import pair  # noqa: E402
from tonelab.path.account import account_of  # noqa: E402

EXPLAINED = 0.95
WORDS = {  # what the step of each fault is called
    **{f"{way} as {stage}": f"range {way}" for way in ("expanded", "compressed")
       for stage in ("rgb", "ycbcr")},
    **{f"matrix {a} as {b}": f"decoded with BT.{a}, coded with BT.{b}"
       for a in (601, 709, 2020) for b in (601, 709, 2020) if a != b},
    "primaries widened": "primaries converted", "primaries narrowed": "primaries converted",
    "chroma planes": "Cr", "gain": "contrast", "gain up": "contrast", "offset": "brightness",
    "tint": "blue", "hue": "hue", "saturation": "saturation",
    "saturation by hue": "around the hue", "bits rounded": "bits", "bits cut": "bits",
    "bits repeated": "highest repeated", "R'G'B' stage": "R'G'B' stage",
    "depth then gain": "bits of luma", "gradient steps": "codes of luma",
    "plateau": "codes of luma", "chroma rows moved": "chroma moved",
    "chroma columns moved": "chroma moved", "chroma softened": "softened",
    "chroma rows repeated": "rows of chroma repeated", "sharpened": "sharpened",
    "blurred": "blurred", "noise reduced": "smoothed", "local contrast": "local contrast",
    "dynamic": "follows the picture", "black lifted": "codes of luma",
    "near black lost": "codes of luma",
}  # fmt: skip


def explained(content: str, names: tuple[str, ...], sizes: tuple[int, ...]) -> tuple[bool, str]:
    """Whether a path with these faults is explained, and what was said of it."""
    what = recording(names, sizes)
    made, case = Content(content, 1, what), Case(content, names, sizes)
    source = made.source(1.0)
    capture = capture_of(made, what, case)
    chart = made.layout is not None and not what.reframed
    both = registered(source, capture, made.layout) if chart else pair(source, capture)
    started = time.process_time()
    found = account_of(both, source.signal)
    if found is None:
        return False, "pixels are not in place"
    account, left = found
    well = account.predicted >= EXPLAINED and all(WORDS[n] in account.describe() for n in names)
    seconds = time.process_time() - started
    said = (
        f"{account.describe()}; {account.predicted:.1%}, leaves {left.value:.2f}, {seconds:.0f} s"
    )
    return well, said


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("pairs", type=int, help="pairs of faults; 0 for every single one")
    parser.add_argument("--content", default="natural", choices=("natural", "chart"))
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    cases = [((name,), (size,)) for name in WORDS for size in (1, 2)]
    if options.pairs:
        generator = np.random.default_rng(options.seed)
        cases = [
            (tuple(generator.choice([*WORDS], 2, replace=False).tolist()),
             tuple(generator.integers(1, 3, 2).tolist()))
            for _ in range(options.pairs)
        ]  # fmt: skip
    count = 0
    for number, (names, sizes) in enumerate(cases, 1):
        well, said = explained(options.content, names, sizes)
        count += well
        sys.stdout.write(f"{'explained' if well else 'NOT      '} {count}/{number} ")
        sys.stdout.write(f"{' + '.join(names)} {sizes}: {said[:300]}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
