"""A first plan of the clips in a folder, for a person to mend."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from tonelab.bench.plan import ROLES
from tonelab.chart import find_chart
from tonelab.errors import TonelabError, UsageError
from tonelab.media import open_clip
from tonelab.media.opening import PLANAR_SUFFIXES, V210_SUFFIX

if TYPE_CHECKING:
    from collections.abc import Container, Sequence

    from tonelab.bench.plan import Role
    from tonelab.media import Clip
    from tonelab.results import ClipFacts

SUFFIXES = (
    ".mov", ".avi", ".mkv", ".mp4", ".m4v", ".mxf", ".y4m", ".webm", ".ts", ".m2ts",
    V210_SUFFIX, *PLANAR_SUFFIXES,
)  # fmt: skip

# Codings that clips are delivered in, and captures hardly ever.
_DELIVERED = ("hevc", "h264", "av1", "vp9")
_LOSSLESS = "ffv1"  # of charts that are written without loss
_HINTS: tuple[tuple[str, Role], ...] = (
    (r"loop.?back", "loopback"),
    (r"pass.?through|bypass", "pass-through"),
    (r"valid|natural", "validation"),
)
_HEAD = """\
# A bench plan, sketched from the clips in a folder. What is guessed says so: correct it, then
#   tonelab run {name}
# Files are relative to this plan. Single quotes take any path as it is, "double" ones need \\\\.

title = "Playback devices compared"
notes = ""

[output]
folder = "results"
figures = ["svg"]       # svg, pdf, png; [] for none
page = true
# reference = "…"       # the capture that the others are compared with
# against = ["bt2446a"] # rank by these standard conversions only

[limits]                # exit status 1 when one is exceeded
# findings = "stop"     # info, warning or stop
# residual = 1.2        # of a conversion on colours held out, in floors
"""


class _Clip(NamedTuple):
    path: Path
    facts: ClipFacts | None
    fault: str
    whole_chart: bool = False

    @property
    def hdr(self) -> bool:
        return self.facts is not None and self.facts.signal.is_hdr


def sketch(folder: Path, home: Path, sources: Sequence[Path] = ()) -> str:
    """Write a first plan.

    A recording is never taken for a source: sources are clips in a coding in which HDR is
    delivered, and charts as they were written, whole and from their first frame.

    Parameters
    ----------
    folder
        Looked through for clips, with all its folders.
    home
        The folder that the plan will stand in; files are named from there.
    sources
        The clips that were played, in the folder or elsewhere; guessed unless given.

    Returns
    -------
    str
        TOML.

    Raises
    ------
    UsageError
        When there is no such folder, no clip in it, or no such source.
    """
    if not folder.is_dir():
        raise UsageError(f"{folder} is not a folder: name the one that holds the captures.")
    clips = [_look(path) for path in sorted(_found(folder))]
    if not clips:
        raise UsageError(f"There is no clip in {folder}: name the folder that holds the captures.")
    played = [_stated(path) for path in sources] or _sources(clips)
    named = {clip.path.resolve() for clip in played}
    captures = [clip for clip in clips if clip.path.resolve() not in named]
    keys = _keys(played)
    text = [_HEAD.format(name="bench.toml")]
    for key, clip in keys.items():
        text.append(
            f"[sources.{key}]{_described(clip)}\nfile = {_quoted(_from(clip.path, home))}\n"
        )
    if not played:
        text.append(
            "# No clip here looks like the source that was played: name it here or with --source.\n"
            "[sources.chart]\nfile = 'the clip that was played.mp4'\n"
        )
    roles = {clip.path: _role(clip) for clip in captures}
    devices = _devices([clip for clip in captures if roles[clip.path] != "loopback"])
    for stem, key in devices.items():
        text.append(f"[devices.{key}]  # guessed from file names\nname = {_quoted(stem)}\n"
                    'firmware = ""\nnotes = ""\n')  # fmt: skip
    for clip in captures:
        lines = [
            f"[[captures]]{_described(clip)}",
            f"file = {_quoted(_from(clip.path, home))}",
            f'role = "{roles[clip.path]}"  # guessed, one of {", ".join(ROLES)}',
        ]
        if len(keys) > 1:
            lines.append(f"source = {_quoted(next(iter(keys)))}  # guessed")
        if roles[clip.path] != "loopback":
            lines.append(f"device = {_quoted(devices[_stem(clip.path)])}")
            lines.append("settings = {}  # such as { picture = 'standard' }")
        text.append("\n".join(lines) + "\n")
    return "\n".join(text)


def _found(folder: Path) -> list[Path]:
    return [
        path
        for path in folder.rglob("*")
        if path.suffix.lower() in SUFFIXES
        and not any(part.startswith(".") for part in path.relative_to(folder).parts)
        and path.is_file()
    ]


def _look(path: Path) -> _Clip:
    try:
        with open_clip(path) as clip:
            return _Clip(path, clip.facts(), "", _is_whole_chart(clip))
    except TonelabError as error:
        return _Clip(path, None, str(error))


def _is_whole_chart(clip: Clip) -> bool:
    """Whether a clip is a chart as it was written; recordings start early or late, and run on."""
    try:
        found = find_chart(clip)
    except TonelabError:
        return False
    first = found.index == 0 and found.marker.frame == 0
    return first and clip.frame_count == found.layout.frame_count


def _stated(path: Path) -> _Clip:
    clip = _look(path)
    if clip.facts is None:
        raise UsageError(clip.fault)
    return clip


def _sources(clips: Sequence[_Clip]) -> list[_Clip]:
    """Guess which clips were played."""
    return [
        clip
        for clip in clips
        if clip.facts
        and not _hinted(clip)
        and clip.facts.codec in (*_DELIVERED, _LOSSLESS)
        and (clip.whole_chart or (clip.hdr and clip.facts.codec != _LOSSLESS))
    ]


def _hinted(clip: _Clip) -> Role | None:
    name = clip.path.name.lower()
    return next((role for pattern, role in _HINTS if re.search(pattern, name)), None)


def _role(clip: _Clip) -> Role:
    return _hinted(clip) or ("pass-through" if clip.hdr else "conversion")


def _stem(path: Path) -> str:
    """Take what a file name says besides the role: hopefully the device."""
    stem = path.stem
    for pattern, _ in _HINTS:
        stem = re.sub(rf"[\s_-]*(?:{pattern})[\w]*", "", stem, flags=re.IGNORECASE)
    return stem.strip(" _-") or path.stem


def _keys(clips: Sequence[_Clip]) -> dict[str, _Clip]:
    keys: dict[str, _Clip] = {}
    for clip in clips:
        keys[_key(clip.path.stem, keys)] = clip
    return keys


def _devices(clips: Sequence[_Clip]) -> dict[str, str]:
    """Key of each device by the stem of its captures."""
    devices: dict[str, str] = {}
    for clip in clips:
        stem = _stem(clip.path)
        if stem not in devices:
            devices[stem] = _key(stem, set(devices.values()))
    return devices


def _key(stem: str, taken: Container[str]) -> str:
    """Make a bare TOML key of a file name."""
    plain = re.sub(r"[^A-Za-z0-9]+", "-", stem).strip("-").lower() or "clip"
    key, number = plain, 1
    while key in taken:
        number += 1
        key = f"{plain}-{number}"
    return key


def _described(clip: _Clip) -> str:
    if clip.facts is None:
        return "  # " + " ".join(clip.fault.split())
    facts = clip.facts
    return (
        f"  # {facts.codec}, {facts.width} x {facts.height}, {facts.rate} fps, "
        f"{facts.signal.transfer} ({facts.signal.origins.get('transfer', 'assumed')})"
    )


def _from(path: Path, home: Path) -> str:
    try:
        return Path(os.path.relpath(path, home)).as_posix()
    except ValueError:  # another drive
        return path.resolve().as_posix()


def _quoted(text: str) -> str:
    """Write a TOML text: literal where it can be."""
    if "'" not in text and text.isprintable():
        return f"'{text}'"
    escaped = "".join(
        f"\\{c}" if c in '"\\' else c if c.isprintable() else f"\\u{ord(c):04x}" for c in text
    )
    return f'"{escaped}"'
