"""Registering a capture with its source by the pictures themselves."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from tonelab.chart import Geometry
from tonelab.errors import PairingError
from tonelab.pairing.alignment import (
    ALIKE,
    Coarse,
    Overview,
    Path,
    cuts,
    find_places,
    follow,
    is_still,
    rough_tone,
)
from tonelab.pairing.covers import moving_covers, still_covers
from tonelab.pairing.findings import content_findings, identity_findings
from tonelab.pairing.identity import find_identity
from tonelab.pairing.picture import (
    active_area,
    clear_pixels,
    combed_share,
    common_area,
    covered_blocks,
    device_bars,
    usable_blocks,
)
from tonelab.pairing.registration import (
    IN_PLACE,
    WINDOWS,
    Registration,
    Relation,
    agreeing,
    apart,
    refine,
    register,
    simplest,
)
from tonelab.pairing.result import BLOCK, Pair
from tonelab.pairing.thumbnails import Area, frames_at, luma, thumbnails
from tonelab.pairing.timing import settle_frames
from tonelab.results import PairingFacts

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from tonelab.media import Clip
    from tonelab.pairing.covers import Box
    from tonelab.pairing.identity import Identity
    from tonelab.pairing.thumbnails import Thumbnails
    from tonelab.results.progress import Progress
    from tonelab.signal.arrays import IntArray, Mask, Picture

_ROUNDS = 4
_SETTLED = 0.25  # capture pixels by which a relation may still move
_LOOKED_AT = 6  # moments whose full pictures are registered
_DOUBT = 3  # frames by which the first match of a moment may be wrong
_PLAIN = 0.5  # capture pixels between a relation that was found and a plainer one
_LEAST_PEAK = 0.4
_LEAST_WINDOWS = 6
_LARGEST_RESIDUAL = 1.0  # capture pixels
_BLENDED = 0.1  # share of a neighbouring frame
_EXPLAINED = 0.5  # of the squared misfit, by a mixture
_UNLIKE = 4.0  # times the usual misfit
_LEAST_MISFIT = 3.0  # 10-bit codes; a misfit below is no reason to leave a frame out
_COMBED = 0.2  # share of blocks
_MOSTLY = 0.5  # of the captured frames


def pair_by_content(source: Clip, capture: Clip, progress: Progress | None = None) -> Pair:
    """Register any two clips of the same content.

    Works between an HDR source and its SDR conversion, and between two captures. The capture
    is read once; the source once, and again where the picture was scaled or moved.

    Raises
    ------
    PairingError
        When they do not show the same, or too little of it; the sentence says what to capture.
    """
    identity = find_identity(source, capture, progress)
    if identity is not None:
        return _identical(source, capture, identity)
    overview = _look(source, capture, progress)
    step = float(source.rate / capture.rate)
    tone = rough_tone(overview.source, overview.capture, overview.coarse)
    path = follow(overview.source, overview.capture, overview.coarse, tone, step)
    first_frames = np.array([0]) if overview.still else cuts(overview.source)
    reason = _reasons(path, first_frames, float(capture.rate), still=overview.still)
    _name_woven(source, capture, overview, path, reason)
    used = np.flatnonzero(reason == "")
    if not len(used):
        raise PairingError(_nothing_usable(capture, reason))
    matches = np.stack([used, path.places[used]], axis=1)
    close = _look_closely(source, capture, overview, matches)
    relation = close.relation
    _check_scan(capture, close.combed, reason)
    covered = covered_blocks((*close.covers, *close.moving), (capture.width, capture.height))
    usable = _usable(source, capture, overview, relation, covered)
    for array in (matches, usable):
        array.flags.writeable = False
    findings = content_findings(
        source,
        capture,
        overview=overview,
        path=path,
        reason=reason,
        relation=relation,
        usable=usable,
        area=close.area,
        bars=close.bars,
        covers=close.covers,
        moving=close.moving,
    )
    return Pair(
        source=source,
        capture=capture,
        layout=None,
        geometry_source=Geometry((1.0, 1.0), (0.0, 0.0), (source.width, source.height)),
        geometry_capture=Geometry(
            relation.scale,
            relation.offset,
            (capture.width, capture.height),
            overview.registration.residual,
            overview.registration.peak,
            tuple(box.edges for box in (*close.covers, *close.moving)),
        ),
        matches=matches,
        facts=_facts(overview, relation, matches, reason),
        findings=tuple(findings),
        usable=usable,
        shots=first_frames,
        still=overview.still,
    )


def _identical(source: Clip, capture: Clip, identity: Identity) -> Pair:
    """Register two clips whose samples are all the same: frame by frame, pixel by pixel."""
    whole = Geometry((1.0, 1.0), (0.0, 0.0), (source.width, source.height))
    matches = np.repeat(np.arange(identity.frames)[:, None], 2, axis=1)
    usable = np.ones([-(-length // BLOCK) for length in (source.height, source.width)], bool)
    for array in (matches, usable):
        array.flags.writeable = False
    return Pair(
        source=source,
        capture=capture,
        layout=None,
        geometry_source=whole,
        geometry_capture=whole,
        matches=matches,
        facts=PairingFacts("content", whole.scale, whole.offset, 0.0, 0, len(matches)),
        findings=tuple(identity_findings(identity)),
        usable=usable,
        shots=cuts(identity.thumbnails),
        identity=identity,
        still=identity.still,
    )


def _look(source: Clip, capture: Clip, progress: Progress | None) -> Overview:
    """Find time and space in turn, each as far as the other lets it be found."""

    def report(done: int) -> None:
        if progress is not None:
            progress(done, max(done, capture.frame_count))

    areas = active_area(source), active_area(capture)
    relation = _between(*areas)
    seen = thumbnails(capture, areas[1], report)
    shown = thumbnails(source, areas[0])
    if not len(seen) or not len(shown):
        empty = capture if len(shown) else source
        raise PairingError(f"{empty.path.name} holds no frame: capture the clip again.")
    still = is_still(shown)
    coarse = _places(source, capture, shown, seen, still=still)
    for _ in range(_ROUNDS):
        registration = _register(source, capture, coarse, len(shown), relation, areas[1])
        moved = apart(relation, registration.relation, areas[0].corners)
        relation = registration.relation
        if moved <= _SETTLED:
            break
        parts = common_area(*areas, relation)
        shown, seen = thumbnails(source, parts[0]), thumbnails(capture, parts[1])
        coarse = _places(source, capture, shown, seen, still=still)
    _check_alike(source, capture, coarse)
    _check_space(capture, registration)
    return Overview(shown, seen, relation, registration, areas, still, coarse)


def _between(source: Area, capture: Area) -> Relation:
    """Return the relation that lays one active area over the other."""
    sx, sy = capture.width / source.width, capture.height / source.height
    return Relation((sx, sy), (capture.x0 - sx * source.x0, capture.y0 - sy * source.y0))


def _places(
    source: Clip, capture: Clip, shown: Thumbnails, seen: Thumbnails, *, still: bool
) -> Coarse:
    step = float(source.rate / capture.rate)
    coarse = find_places(shown[:1] if still else shown, seen, step, round(float(source.rate)))
    if still:  # in step from the start, as far as nothing says otherwise
        even = np.minimum(np.rint(coarse.frames * step).astype(np.int64), len(shown) - 1)
        coarse = replace(coarse, places=even)
    if float(np.quantile(coarse.likeness, 0.9)) < ALIKE / 2:
        raise PairingError(_not_alike(source, capture))
    return coarse


def _check_alike(source: Clip, capture: Clip, coarse: Coarse) -> None:
    if np.count_nonzero(coarse.likeness >= ALIKE) < max(1, 0.1 * len(coarse.frames)):
        raise PairingError(_not_alike(source, capture))


def _not_alike(source: Clip, capture: Clip) -> str:
    return (
        f"{capture.path.name} does not show what {source.path.name} shows: give the clip that was "
        "played for this capture, and capture it full screen from before its start to its end."
    )


def _check_space(capture: Clip, registration: Registration) -> None:
    if (
        registration.windows >= _LEAST_WINDOWS
        and registration.peak >= _LEAST_PEAK
        and registration.residual <= _LARGEST_RESIDUAL
    ):
        return
    raise PairingError(
        f"The picture of {capture.path.name} cannot be laid over its source to the pixel "
        f"({registration.windows} places found, {registration.residual:.1f} pixels apart): capture "
        "content with detail all over the picture, unrotated and in its own proportions."
    )


def _register(
    source: Clip, capture: Clip, coarse: Coarse, count: int, first: Relation, area: Area
) -> Registration:
    """Register some moments that surely match, each with the source frame that agrees."""
    sure = np.flatnonzero(coarse.likeness >= np.median(coarse.likeness))
    chosen = _spread(sure, _LOOKED_AT)
    seen = _pictures(capture, coarse.frames[chosen])
    own = _pictures(source, coarse.places[chosen])
    rows = list(zip(coarse.frames[chosen].tolist(), coarse.places[chosen].tolist(), strict=True))
    if first == IN_PLACE and all(np.array_equal(own[place], seen[frame]) for frame, place in rows):
        return Registration(IN_PLACE, 0.0, 1.0, WINDOWS * len(rows))
    near = np.arange(-_DOUBT, _DOUBT + 1)
    places = np.clip(coarse.places[chosen][:, None] + near, 0, count - 1)
    shown = _pictures(source, places.ravel())
    moments = [
        ([shown[place] for place in dict.fromkeys(row)], seen[frame])
        for row, (frame, _) in zip(places.tolist(), rows, strict=True)
    ]
    clear = clear_pixels(area, (capture.width, capture.height))
    return register(agreeing(moments, first, clear), first, clear)


@dataclass(frozen=True, slots=True)
class _Close:
    """What full pictures of some matched moments show.

    ``area`` is the captured picture between ``bars`` that came on the way (left, top, right,
    bottom; pixels), ``combed`` the share of blocks that are combed beyond the source's.
    """

    relation: Relation
    area: Area
    bars: tuple[int, int, int, int]
    covers: tuple[Box, ...]
    moving: tuple[Box, ...]
    combed: float


def _look_closely(source: Clip, capture: Clip, overview: Overview, matches: IntArray) -> _Close:
    """Sharpen the relation, find bars, overlays and combs."""
    chosen = _spread(np.arange(len(matches)), _LOOKED_AT)
    shown, seen = (_pictures(c, matches[chosen, n]) for c, n in ((source, 1), (capture, 0)))
    pairs = [(shown[place], seen[frame]) for frame, place in matches[chosen].tolist()]
    if all(np.array_equal(*pair) for pair in pairs):
        whole = Area(0, 0, capture.width, capture.height)
        return _Close(IN_PLACE, whole, (0, 0, 0, 0), (), (), 0.0)
    clear = clear_pixels(
        common_area(*overview.areas, overview.relation)[1], (capture.width, capture.height)
    )
    relation, corners = refine(pairs, overview.relation, clear), overview.areas[0].corners
    if apart(relation, overview.relation, corners) > max(1.0, 4 * overview.registration.residual):
        relation = overview.relation
    relation = simplest([*_simple(source, capture, relation), relation], pairs, clear)
    area, bars = device_bars(pairs, relation, overview.areas[1], clear)
    covers = still_covers(pairs, relation, clear)
    moving = moving_covers(pairs, relation, clear, covers)
    combed = [combed_share(picture, clear) for _, picture in pairs]
    own = [combed_share(picture, np.ones(picture.shape, bool)) for picture, _ in pairs]
    combing = float(np.median(combed) - np.median(own))
    return _Close(relation, area, bars, covers, moving, combing)


def _name_woven(
    source: Clip, capture: Clip, overview: Overview, path: Path, reason: NDArray[np.object_]
) -> None:
    """Tell woven frames from blended ones, whose area means are alike, by some of their rows."""
    mixed = np.flatnonzero(reason == "blended")
    if not len(mixed):
        return
    chosen = _spread(mixed, _LOOKED_AT)
    clear = clear_pixels(
        common_area(*overview.areas, overview.relation)[1], (capture.width, capture.height)
    )
    seen = _pictures(capture, chosen).values()
    own = _pictures(source, path.places[chosen]).values()
    combed = np.median([combed_share(picture, clear) for picture in seen])
    usual = np.median([combed_share(picture, np.ones(picture.shape, bool)) for picture in own])
    if combed - usual > _COMBED:
        reason[mixed] = "woven"


def _simple(source: Clip, capture: Clip, found: Relation) -> Iterator[Relation]:
    """Yield the plain relations, without fractions of pixels, next to one that was found."""
    ratio = capture.width / source.width, capture.height / source.height
    whole = Relation(ratio, (0.0, 0.0))
    shifted = Relation((1.0, 1.0), (float(round(found.offset[0])), float(round(found.offset[1]))))
    corners = Area(0, 0, source.width, source.height).corners
    yield from (r for r in (whole, shifted) if apart(r, found, corners) < _PLAIN)


def _pictures(clip: Clip, indices: IntArray) -> dict[int, Picture]:
    return {frame.index: luma(frame, clip) for frame in frames_at(clip, indices.tolist())}


def _spread(rows: IntArray, count: int) -> IntArray:
    """Return at most ``count`` of some rows, evenly taken from the middles of equal parts."""
    parts = np.array_split(rows, min(count, len(rows)))
    return np.array([part[len(part) // 2] for part in parts])


def _reasons(
    path: Path, first_frames: IntArray, rate: float, *, still: bool
) -> NDArray[np.object_]:
    """Say for each captured frame why it is left out; empty for those to use."""
    reason = np.full(len(path.places), "", object)
    usual = float(np.median(path.misfit))
    limit = max(_UNLIKE * usual, _LEAST_MISFIT)
    reason[path.misfit > limit] = "no match"
    if still:  # mixtures of pictures that are alike are the same
        return reason
    mixture = (path.blend > _BLENDED) & (path.explained > _EXPLAINED)
    reason[mixture & (path.misfit * np.sqrt(1 - path.explained) <= limit)] = "blended"
    shot = np.searchsorted(first_frames, path.places, side="right") - 1
    turn = np.diff(shot) != 0
    starts = np.flatnonzero(np.r_[True, turn])
    length = np.diff(np.append(starts, len(shot)))
    settle = np.repeat([settle_frames(int(n), rate) for n in length], length)
    into = np.arange(len(shot)) - np.repeat(starts, length)
    reason[(reason == "") & (into < settle)] = "settling"
    reason[(reason == "") & np.r_[turn, False]] = "cut"
    return reason


def _check_scan(capture: Clip, combed: float, reason: NDArray[np.object_]) -> None:
    if combed > _COMBED or np.mean(reason == "woven") > _MOSTLY:
        raise PairingError(
            f"The pictures of {capture.path.name} are combed: rows of two moments are woven into "
            "one; set the output of the device to a progressive mode and capture again."
        )


def _usable(
    source: Clip, capture: Clip, overview: Overview, relation: Relation, covered: Mask
) -> Mask:
    """Return the blocks of the source that both show clear of bars and overlays."""
    shared, _ = common_area(*overview.areas, relation)
    usable = usable_blocks(shared, relation, covered, (source.height, source.width))
    if not usable.any():
        raise PairingError(
            f"No part of {capture.path.name} is clear of bars and overlays: switch them off and "
            "capture again."
        )
    return usable


def _facts(
    overview: Overview, relation: Relation, matches: IntArray, reason: NDArray[np.object_]
) -> PairingFacts:
    names, counts = np.unique(reason[reason != ""].astype(str), return_counts=True)
    return PairingFacts(
        method="content",
        scale=relation.scale,
        offset=relation.offset,
        residual=overview.registration.residual,
        first_frame=int(matches[0, 1]),
        used=len(matches),
        left_out={str(name): int(n) for name, n in zip(names, counts, strict=True)},
    )


def _nothing_usable(capture: Clip, reason: NDArray[np.object_]) -> str:
    names, counts = np.unique(reason.astype(str), return_counts=True)
    left_out = ", ".join(f"{n} {name}" for name, n in zip(names, counts, strict=True))
    return (
        f"{capture.path.name} holds no usable frame ({left_out}): capture longer, at the frame "
        "rate of the clip."
    )
