"""What a path can do to a picture: steps of `tonelab.path.steps` that look at neighbours."""

from __future__ import annotations

from itertools import product
from typing import TYPE_CHECKING, Annotated

import numpy as np
from scipy import ndimage

from tonelab.conversion.parameters import Param
from tonelab.path.steps import STEPS, Medium, Settings, with_luma
from tonelab.signal.arrays import FloatArray  # noqa: TC001 - annotations are read

if TYPE_CHECKING:
    from collections.abc import Callable

LUMA = 876.0  # 10-bit codes from black to nominal peak


@STEPS.register(
    "sharpened",
    label="luma sharpened",
    cause="a sharpness control that is not at neutral",
    words="",
    variants=({"wide": 0.8}, {"wide": 1.6}),
    spatial=True,
)
def sharpened(
    signal: FloatArray,
    _: Medium,
    *,
    wide: float,
    amount: Annotated[float, Param(-0.9, 4.0, "1", "of what a blur takes away, added")] = 0.0,
    wider: Annotated[float, Param(-0.6, 1.4, "px", "added to the spread of that blur")] = 0.0,
) -> FloatArray:
    """Sharpen luma by an unsharp mask."""
    luma = signal[..., 0]
    return with_luma(signal, luma + amount * (luma - _blurred(luma, wide + wider)))


@STEPS.register(
    "blurred",
    label="luma blurred",
    cause="a filter or a scaler that softens",
    words="",
    spatial=True,
)
def blurred(
    signal: FloatArray,
    _: Medium,
    *,
    spread: Annotated[float, Param(0.25, 2.5, "px", "standard deviation of the blur")] = 0.6,
) -> FloatArray:
    """Blur luma by a normal distribution."""
    return with_luma(signal, _blurred(signal[..., 0], spread))


def _filtered(along: str, weight: float = 0.0, aside: float = 0.0) -> str:
    taps = ", ".join(f"{tap:.3f}" for tap in (weight + aside, 1 - 2 * weight, weight - aside))
    return f"luma filtered along {along} by {taps}"


@STEPS.register(
    "luma-filtered",
    label="luma filtered along rows or columns",
    cause="a filter or a scaler that works in one direction",
    words=_filtered,
    variants=({"along": "rows"}, {"along": "columns"}),
    spatial=True,
)
def luma_filtered(
    signal: FloatArray,
    _: Medium,
    *,
    along: str,
    weight: Annotated[float, Param(-0.2, 0.35, "1", "of the samples to both sides")] = 0.0,
    aside: Annotated[float, Param(-0.5, 0.5, "1", "more of the one before, less after")] = 0.0,
) -> FloatArray:
    """Luma filtered by ``weight + aside``, ``1 - 2 weight``, ``weight - aside``.

    With ``aside`` as large as ``weight`` it is moved by a part of a sample, linearly.
    """
    taps = [weight + aside, 1 - 2 * weight, weight - aside]
    axis = -1 if along == "rows" else -2
    luma = ndimage.correlate1d(signal[..., 0], taps, axis=axis, mode="nearest")
    return with_luma(signal, luma)


@STEPS.register(
    "noise-reduced",
    label="noise reduced",
    cause="noise reduction that is switched on",
    words="luma smoothed over {wide} px where it differs by less than {most} codes",
    variants=tuple(
        {"wide": wide, "most": most}
        for wide, most in product((0.8, 1.2, 2.0), (3, 5, 8, 12, 20, 32))
    ),
    spatial=True,
)
def noise_reduced(signal: FloatArray, _: Medium, *, wide: float, most: float) -> FloatArray:
    """Luma replaced by a blur of it where both are near, ``most`` in 10-bit codes."""
    luma = signal[..., 0]
    smooth = _blurred(luma, wide)
    return with_luma(signal, np.where(np.abs(luma - smooth) < most / LUMA, smooth, luma))


@STEPS.register(
    "chroma-moved",
    label="chroma moved",
    cause="a conversion of chroma that assumes another siting",
    words="",
    spatial=True,
)
def chroma_moved(
    signal: FloatArray,
    medium: Medium,
    *,
    across: Annotated[float, Param(-1.5, 1.5, "samples", "to the right")] = 0.0,
    down: Annotated[float, Param(-1.5, 1.5, "samples", "down")] = 0.0,
) -> FloatArray:
    """Chroma moved by parts of a captured sample, by the four taps of Keys 1981."""

    def move(chroma: FloatArray) -> FloatArray:
        for axis, shift in ((-1, across), (-2, down)):
            chroma = ndimage.correlate1d(chroma, _taps(shift), axis=axis, mode="nearest")
        return chroma

    return _with_chroma(signal, medium, move)


def _softening(weight: float = 0.0, aside: float = 0.0) -> str:
    moved = f", which moves it by {2 * aside:+.2f} samples to the right" if aside else ""
    taps = ", ".join(f"{tap:.3f}" for tap in (weight + aside, 1 - 2 * weight, weight - aside))
    return f"chroma softened along rows by {taps}{moved}"


@STEPS.register(
    "chroma-softened",
    label="chroma softened along rows",
    cause="a filter of chroma, or a mean of neighbours that assumes another siting",
    words=_softening,
    spatial=True,
)
def chroma_softened(
    signal: FloatArray,
    medium: Medium,
    *,
    weight: Annotated[float, Param(-0.2, 0.35, "1", "of the samples to both sides")] = 0.0,
    aside: Annotated[float, Param(-0.5, 0.5, "1", "more of that to the left, less right")] = 0.0,
) -> FloatArray:
    """Chroma filtered along rows by ``weight + aside``, ``1 - 2 weight``, ``weight - aside``.

    With ``aside`` as large as ``weight`` it is the mean of two neighbours, and moved towards one.
    """
    taps = [weight + aside, 1 - 2 * weight, weight - aside]
    return _with_chroma(
        signal, medium, lambda c: ndimage.correlate1d(c, taps, axis=-1, mode="nearest")
    )


def _of_420(medium: Medium, _sent: FloatArray, _captured: FloatArray) -> list[Settings]:
    return [{}] if medium.rows == 2 else []


@STEPS.register(
    "chroma-rows-interpolated",
    label="rows of chroma interpolated",
    cause="",
    words=lambda near=0.0, far=0.0: (
        "rows of chroma interpolated by another filter than lines, which is lines, then "
        + ", ".join(f"{tap:.3f}" for tap in (far, near, 1 - 2 * (near + far), near, far))
    ),
    variants=_of_420,
    spatial=True,
)
def chroma_rows_interpolated(
    signal: FloatArray,
    medium: Medium,
    *,
    near: Annotated[float, Param(-0.2, 0.25, "1", "of the rows beside each")] = 0.0,
    far: Annotated[float, Param(-0.15, 0.05, "1", "of the rows beyond those")] = 0.0,
) -> FloatArray:
    """Rows of 4:2:0 chroma interpolated by four taps in place of two, such as those of Keys 1981.

    Standards name no filter. Those of Keys are 0 and -3/32 for rows between two of luma, 1/4 and
    -1/8 for rows on every other one; the bounds leave room for others that keep what rows show.
    """
    taps = [far, near, 1 - 2 * (near + far), near, far]
    return _with_chroma(
        signal, medium, lambda c: ndimage.correlate1d(c, taps, axis=-2, mode="nearest")
    )


@STEPS.register(
    "chroma-rows-repeated",
    label="rows of chroma repeated",
    cause="rows of chroma repeated in place of being interpolated",
    words="",
    variants=_of_420,
    spatial=True,
)
def chroma_rows_repeated(
    signal: FloatArray,
    medium: Medium,
    *,
    share: Annotated[float, Param(0.0, 1.0, "1", "of repeated rows in the mean")] = 0.0,
) -> FloatArray:
    """Every row of 4:2:0 chroma shown twice, in part or wholly; pictures begin with a shown one."""
    between = medium.rows == 2 and medium.source.siting != "topleft"

    def repeat(chroma: FloatArray) -> FloatArray:
        shown = chroma[..., ::2, :]
        if between:
            # Rows stand a quarter above and below one of the source: what was interpolated is
            # undone by that above, of which the next one above has a quarter.
            above = np.concatenate([shown[..., :1, :], chroma[..., 1:-1:2, :]], axis=-2)
            shown = (3 * shown - above) / 2
        return (1 - share) * chroma + share * shown.repeat(2, axis=-2)

    return _with_chroma(signal, medium, repeat)


def _blurred(luma: FloatArray, spread: float) -> FloatArray:
    found: FloatArray = ndimage.gaussian_filter(luma, (0, spread, spread), mode="nearest")
    return found


def _taps(shift: float) -> FloatArray:
    whole = np.floor(shift)
    part = shift - whole
    x = np.array([1 + part, part, 1 - part, 2 - part])
    near, far = 1.5 * x**3 - 2.5 * x**2 + 1, -0.5 * x**3 + 2.5 * x**2 - 4 * x + 2
    taps = np.zeros(9)
    # A sample that moved to the right is gathered from the left.
    taps[4 - int(whole) - np.arange(-1, 3)] = np.where(x < 1, near, far)
    return taps


def _with_chroma(
    signal: FloatArray, medium: Medium, change: Callable[[FloatArray], FloatArray]
) -> FloatArray:
    """Change the captured samples of chroma, and interpolate between them."""
    changed = signal.copy()
    for plane in (1, 2):
        chroma = change(signal[..., :: medium.columns, plane])
        changed[..., :: medium.columns, plane] = chroma
        if medium.columns == 2:
            following = np.concatenate([chroma[..., 1:], chroma[..., -1:]], axis=-1)
            changed[..., 1::2, plane] = (chroma + following) / 2
    return changed
