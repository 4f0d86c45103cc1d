"""Which faults of a path are found, and under which name.

    python tests/studies/faults.py                       # everything, about 25 CPU minutes
    python tests/studies/faults.py --only hue --content natural
    python tests/studies/faults.py --pairs 60 --clean 100 --only nothing

Every fault of ``faults.py`` is put into clean captures of the chart and of photographs, at three
sizes and then in random pairs; clean captures of 10 and 8 bits, still and dithered, must have no
finding. A line for each case goes to ``--lines``, and a case that stands there is not run again.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
from collections import Counter
from itertools import combinations
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from faults import CLEAN, FAULTS, chain, evidence_of, natural_evidence

from tonelab.checks import examine

EVIDENCE = {"chart": evidence_of, "natural": natural_evidence}
SIZES = ("small", "middle", "large")


def named(evidence):
    """What the checks name as altered, and what they leave open."""
    findings = [f for result in examine(evidence)[0] for f in result.findings]
    altered = [f.id for f in findings if f.verdict == "not transparent" and f.id != "identity"]
    return sorted(set(altered)), sorted({f.id for f in findings if f.verdict == "cannot tell"})


def cases(options):
    """Yield key, content, wanted findings, findings that are true too, and how to make it."""
    chosen = {name: fault for name, fault in FAULTS.items() if options.only in name}
    for content in options.content:
        for name, fault in chosen.items():
            if fault.chart_only and content != "chart":
                continue
            for size, make in list(zip(SIZES, fault.sizes, strict=True))[-len(set(fault.sizes)) :]:
                if size in options.sizes:
                    yield f"{content}|{size}|{name}", content, [fault.wanted], fault.also, make, 10
    generator = random.Random(options.seed)
    kinds = [pair for pair in combinations(FAULTS.items(), 2) if compatible(*pair)]
    for number, ((one, a), (two, b)) in enumerate(generator.sample(kinds, options.pairs)):
        content = "chart" if a.chart_only or b.chart_only or number % 2 else "natural"
        make = chain(a.sizes[2], b.sizes[2])
        wanted, also = [a.wanted, b.wanted], a.also + b.also
        yield f"{content}|pair|{one} + {two}", content, wanted, also, make, 10
    for number in range(options.clean):
        content = ("chart", "natural")[number % 2]
        bits = (10, 8)[number // 2 % 2]
        kind = list(CLEAN)[number // 4 % len(CLEAN)]
        make = CLEAN[kind](number)
        yield f"{content}|clean|{kind}, {bits} bits, seed {number}", content, [], (), make, bits


def compatible(one, two):
    """Whether both can be in one path: not the same kind of damage twice."""
    return one[1].wanted.split("-")[0] != two[1].wanted.split("-")[0]


def judge(wanted, also, altered):
    """Say whether all that was wanted is named, and nothing beyond what is true too."""
    missed = [
        w for w in wanted if not any(name.startswith(tuple(w.split("|"))) for name in altered)
    ]
    true = (*(name for w in wanted for name in w.split("|")), *also)
    beyond = [name for name in altered if not name.startswith(true)]
    return missed, beyond


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--only", default="", help="faults whose name holds this")
    parser.add_argument("--content", nargs="+", default=list(EVIDENCE), choices=list(EVIDENCE))
    parser.add_argument("--sizes", nargs="+", default=list(SIZES), choices=SIZES)
    parser.add_argument("--pairs", type=int, default=60)
    parser.add_argument("--clean", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--lines", type=Path, default=Path("faults.jsonl"))
    options = parser.parse_args()
    lines = options.lines.read_text(encoding="utf-8") if options.lines.exists() else ""
    done = {line["case"]: line for line in map(json.loads, lines.splitlines())}
    table = Counter()
    with options.lines.open("a", encoding="utf-8") as stream:
        for key, content, wanted, also, make, bits in cases(options):
            if key not in done:
                altered, left_open = named(EVIDENCE[content](make, bits=bits))
                done[key] = {"case": key, "altered": altered, "open": left_open}
                stream.write(json.dumps(done[key]) + "\n")
                stream.flush()
            line = done[key]
            missed, beyond = judge(wanted, also, line["altered"])
            size = key.split("|")[1]
            table[content, size, "cases"] += 1
            table[content, size, "named"] += not missed
            table[content, size, "alone"] += not missed and not beyond
            if missed or beyond:
                print(f"{key}: missed {missed}, beyond {beyond}, open {line['open']}", flush=True)
    print(f"\n{'content':<10}{'size':<8}{'cases':>6}{'named':>7}{'and nothing else':>18}")
    for content, size in sorted({entry[:2] for entry in table}):
        figures = [table[content, size, column] for column in ("cases", "named", "alone")]
        print(f"{content:<10}{size:<8}{figures[0]:>6}{figures[1]:>7}{figures[2]:>18}")


if __name__ == "__main__":
    main()
