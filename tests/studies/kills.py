"""What is left when a command is ended at a random moment.

    python tests/studies/kills.py --kills 200 --seed 1 [COMMAND]...

Each command runs on a small chart and a simulated recording. It is ended by SIGKILL, SIGTERM or
an interruption at a moment drawn over its whole length; then each output must be absent, or equal
the old one, or equal the new one, nothing but hidden leftovers may stand beside it, and the same
command run to its end must give the same content.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from fractions import Fraction
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

SIGNALS = (
    [signal.CTRL_BREAK_EVENT]  # type: ignore[attr-defined]
    if os.name == "nt"
    else [signal.SIGKILL, signal.SIGTERM, signal.SIGINT]
)
PLAN = """
[sources.chart]
file = "chart.mkv"

[devices.box]
name = "Box"

[[captures]]
file = "capture.mov"
device = "box"
"""

# Words of each command, and the outputs it has; FOLDER stands for the folder of the clips.
COMMANDS = {
    "measure": (
        ["measure", "chart.mkv", "capture.mov", "--device", "Box", "-o", "out/box.h5", "--force"],
        ["box.h5"],
    ),
    "run": (["run", "bench.toml", "-o", "out"], ["capture.h5"]),
    "correct": (["correct", "box.h5", "-o", "out/look.cube", "--force"], ["look.cube"]),
    "report": (["report", "box.h5", "-o", "out/page.html", "--force"], ["page.html"]),
    "compare": (
        ["compare", "box.h5", "box.h5", "-o", "out/figure.svg", "--force"], ["figure.svg"]
    ),
}  # fmt: skip


def prepare(folder: Path) -> None:
    """Write a small chart, a recording of it through an invented device, and its curve file."""
    from tonelab.demo.devices import BRELLUNO
    from tonelab.demo.playback import play

    from tonelab.chart import Layout, write_chart
    from tonelab.media import open_clip, write_clip
    from tonelab.signal.description import Signal

    layout = Layout.create("quick", 960, 540, "pq", 1000, hold=4)
    write_chart(folder / "chart.mkv", layout, rate=Fraction(24))
    with open_clip(folder / "chart.mkv") as clip:
        frames = play((frame.planes for frame in clip.frames()), BRELLUNO)
        write_clip(
            folder / "capture.mov", frames, width=960, height=540, rate=Fraction(24),
            subsampling="422", bits=10, codec="v210", signal=Signal(),
        )  # fmt: skip
    (folder / "bench.toml").write_text(PLAN, encoding="utf-8")
    words = ["measure", "chart.mkv", "capture.mov", "--device", "Box", "-o", "box.h5"]
    finish(start(folder, words))


def start(folder: Path, words: list[str]) -> subprocess.Popen:
    group = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP} if os.name == "nt" else {}
    return subprocess.Popen(
        [sys.executable, "-m", "tonelab", *words],
        cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, **group,
    )  # fmt: skip


def finish(process: subprocess.Popen) -> None:
    _, said = process.communicate()
    if process.returncode:
        raise SystemExit(f"{process.args} ended with {process.returncode}: {said}")


def content(path: Path) -> str:
    """What a whole output holds, apart from the time it was made; an error for a broken one."""
    if path.suffix == ".h5":
        from tonelab.curvefile import content_hash

        return content_hash(path)
    return hashlib.sha256(path.read_bytes()).hexdigest()


def kill_at_random(name: str, folder: Path, kills: int, seed: int) -> tuple[Counter, list[str]]:
    words, outputs = COMMANDS[name]
    out, kept = folder / "out", folder / "kept"
    shutil.rmtree(out, ignore_errors=True)
    out.mkdir()
    started = time.monotonic()
    finish(start(folder, words))
    length = time.monotonic() - started
    whole = {path.name for path in out.iterdir()}
    truth = {output: content(find(out, output)) for output in outputs}
    shutil.copytree(out, kept, dirs_exist_ok=True)
    rng = np.random.default_rng(seed)
    seen, faults = Counter(), []
    for number in range(kills):
        old = bool(number % 2)
        shutil.rmtree(out)
        if old:
            shutil.copytree(kept, out)
        else:
            out.mkdir()
        process = start(folder, words)
        time.sleep(float(rng.uniform(0, 1.1 * length)))
        process.send_signal(SIGNALS[number % len(SIGNALS)])
        _, said = process.communicate()
        if "Traceback" in said:
            faults.append(f"{name} {number}: a traceback: {said}")
        for output in outputs:
            path = find(out, output)
            state = "absent" if not path.exists() else "whole"
            if state == "whole" and content(path) != truth[output]:
                faults.append(f"{name} {number}: {output} is broken")
            if state == "absent" and old:
                faults.append(f"{name} {number}: {output} was lost")
            seen[state] += 1
        strange = {path.name for path in out.iterdir() if path.name[0] != "."} - whole
        if strange:
            faults.append(f"{name} {number}: {strange} was left")
        if number % 9 == 0:  # taken up again where it was ended
            finish(start(folder, words))
            if any(content(find(out, output)) != truth[output] for output in outputs):
                faults.append(f"{name} {number}: run again, it gave another content")
    shutil.rmtree(kept)
    return seen, faults


def find(folder: Path, name: str) -> Path:
    return next(folder.rglob(name), folder / name)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("commands", nargs="*", default=list(COMMANDS), metavar="COMMAND")
    parser.add_argument("--kills", type=int, default=200, help="over all commands")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    each = -(-options.kills // len(options.commands))
    wrong: list[str] = []
    with TemporaryDirectory(ignore_cleanup_errors=True) as place:
        folder = Path(place)
        prepare(folder)
        for name in options.commands:
            seen, faults = kill_at_random(name, folder, each, options.seed)
            sys.stdout.write(
                f"{name:8s} {each} kills: output absent {seen['absent']}, whole {seen['whole']}, "
                f"faults {len(faults)}\n"
            )
            sys.stdout.flush()
            wrong += faults
    sys.stdout.write("\n".join([*wrong, ""]))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
