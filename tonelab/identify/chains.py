"""The chains that identification tries, made of the parts that say they are to be tried.

What is tried, and from where, is stated where a part registers (`tonelab.conversion.parameters`).
Parts come in the order in which they are registered, so that every search repeats exactly.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from tonelab.conversion import (
    CHROMA_LAWS,
    DRIVES,
    ENCODINGS,
    GAMUT_METHODS,
    ChainPart,
    Conversion,
)
from tonelab.conversion.parameters import ORDERS, tried_parts

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tonelab.conversion.parameters import Order
    from tonelab.identify.evidence import Evidence
    from tonelab.signal.arrays import FloatArray

# Their parameters are read off luma and chroma, so no other set needs to be tried.
PICTURE_CONTROLS = "contrast-first"

FULL_WHITE = 0.996  # signal; rounding to 8 bits alone reaches it
LEAST_LIFT = 0.001  # signal, of black
END_OF_CODES = 1.085  # signal, a little below the last code that a picture may use
SUPER_WHITE_SEEN = 1.01  # R'G'B' signal; rounding alone stays below


def plain_chains(evidence: Evidence) -> Iterator[Conversion]:
    """Yield the chains without fitted parameters; one gamut method stands for all of its matrix."""
    parts = product(_readings(evidence), _encodings(), _matrices(), _plain_drives())
    for (start, controls), encoding, gamut, (order, drive) in parts:
        if order in _orders(gamut):
            yield replace(
                start,
                drive=ChainPart(drive),
                order=order,
                gamut=ChainPart(gamut),
                encoding=encoding,
                controls=controls,
            )


def extended_chains(plain: Sequence[Conversion]) -> Iterator[Conversion]:
    """Yield plain chains with a chroma law, then with a drive that is fitted, such as a blend.

    The rank of a plain chain says nothing here: without its law the right one may come last.
    """
    bare = [replace(chain, controls=luma_only(chain)) for chain in plain]
    laws = tried_parts(CHROMA_LAWS)
    for chain in bare:
        for law, (_, tried) in laws.items():
            for start in tried.starts:
                yield replace(chain, chroma=ChainPart(law, dict(start)))
    # One plain drive stands for all: each is replaced.
    (_, replaced), *_ = _plain_drives()
    fitted = _fitted_drives()
    for chain in bare:
        if chain.drive.name == replaced:
            for order, drive in fitted:
                if order == chain.order:
                    yield replace(chain, drive=drive)


def siblings(chain: Conversion) -> Iterator[Conversion]:
    """Yield the chain with its chroma law under every other drive, lest a tie goes unseen."""
    if chain.chroma.name != "none":
        yield from with_every_drive(replace(chain, controls=luma_only(chain)))


def with_every_drive(chain: Conversion) -> list[Conversion]:
    """Return the chain with each plain drive in its place, in the orders that its gamut allows."""
    return [
        replace(chain, drive=ChainPart(drive), order=order)
        for order, drive in _plain_drives()
        if order in _orders(chain.gamut.name)
    ]


def methods_like(chain: Conversion) -> list[str]:
    """Name the gamut methods that a chain's own stands for: of its matrix, in its order."""
    matrix = _matrix(chain.gamut.name)
    possible = [name for name in _plain_methods() if chain.order in _orders(name)]
    return [name for name in possible if np.array_equal(_matrix(name), matrix)]


def fitted_methods(chain: Conversion) -> list[Conversion]:
    """Return the chain with each gamut method that is tried only when it is fitted."""
    return [
        replace(chain, gamut=ChainPart(name, dict(start)))
        for name, (_, tried) in tried_parts(GAMUT_METHODS).items()
        for start in tried.starts
        if tried.fitted and chain.order in tried.orders
    ]


def luma_only(chain: Conversion) -> ChainPart:
    """Drop the chroma turn of a chain's controls, to be found anew."""
    controls = chain.controls
    kept = {k: v for k, v in controls.parameters.items() if k in {"contrast", "brightness"}}
    return ChainPart(controls.name, kept) if kept else ChainPart("none")


def _readings(evidence: Evidence) -> list[tuple[Conversion, ChainPart]]:
    """Pair what may end a signal with the controls that its ends suggest."""
    luma = evidence.neutral_signal()
    above = bool(luma.max() > 1.005)
    base = Conversion(
        tone=ChainPart("linear"), ceiling=not above, super_white=above, white=evidence.target.peak
    )
    above_white = [
        replace(base, super_white=True, rgb_clipped=clipped) for clipped in (False, True)
    ]
    bases = [base, *above_white] if not above and _shows_super_white(evidence) else [base]
    controls = _luma_controls(evidence)
    readings = list(product(bases, controls))
    if above:
        # A gain or a lift of all codes after clipping looks like super-white, and the reverse.
        dim = replace(base, ceiling=True, super_white=False)
        readings = [(dim, step) for step in controls if step.name != "none"]
        lifts = [step for step in controls if "contrast" not in step.parameters]
        readings += product(above_white, lifts)
    return readings


def _encodings() -> list[ChainPart]:
    return [
        ChainPart(name, dict(start))
        for name, (_, tried) in tried_parts(ENCODINGS).items()
        for start in tried.starts
    ]


def _plain_drives() -> list[tuple[Order, str]]:
    """Orders and drives without fitted parameters."""
    drives = [(name, tried) for name, (_, tried) in tried_parts(DRIVES).items() if not tried.fitted]
    return [(order, name) for order in ORDERS for name, tried in drives if order in tried.orders]


def _fitted_drives() -> list[tuple[Order, ChainPart]]:
    """Orders and drives with fitted parameters, those that any order allows first."""
    drives = [(name, tried) for name, (_, tried) in tried_parts(DRIVES).items() if tried.fitted]
    drives.sort(key=lambda item: -len(item[1].orders))
    return [
        (order, ChainPart(name, dict(start)))
        for order in ORDERS
        for name, tried in drives
        if order in tried.orders
        for start in tried.starts
    ]


def _plain_methods() -> list[str]:
    methods = tried_parts(GAMUT_METHODS).items()
    return [name for name, (_, tried) in methods if not tried.fitted]


def _matrices() -> list[str]:
    """Name the first gamut method of each matrix: within BT.709 the others do the same."""
    first: dict[bytes, str] = {}
    for name in _plain_methods():
        first.setdefault(_matrix(name).tobytes(), name)
    return list(first.values())


def _matrix(method: str) -> FloatArray:
    found = GAMUT_METHODS[method]
    return found.matrix(**found.complete({}))


def _orders(method: str) -> tuple[Order, ...]:
    tried = GAMUT_METHODS[method].tried
    return tried.orders if tried else ORDERS


def _shows_super_white(evidence: Evidence) -> bool:
    """Whether a channel of some colour is brighter than white, though no grey may be."""
    brightest = evidence.target.decode_rgb(evidence.codes).max(axis=1)
    return bool(np.percentile(brightest, 99) > SUPER_WHITE_SEEN)


def _luma_controls(evidence: Evidence) -> list[ChainPart]:
    """No picture controls, and the brightness and contrast that the ends of the curve suggest."""
    luma = evidence.neutral_signal()
    black, white = float(luma[0]), float(luma[-1])
    steps = [ChainPart("none")]
    if abs(black) > LEAST_LIFT:
        steps.append(ChainPart(PICTURE_CONTROLS, {"brightness": black}))
    dimmed, raised = white - max(black, 0.0) < FULL_WHITE, 1.005 < white < END_OF_CODES
    if np.isfinite(evidence.ceiling_light) and (dimmed or raised):
        turns = {"contrast": white - black, "brightness": black}
        steps.append(ChainPart(PICTURE_CONTROLS, turns))
    return steps
