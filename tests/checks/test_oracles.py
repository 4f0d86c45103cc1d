"""Checks against libraries and published codes that know nothing of them.

Filters are SciPy's, Pillow's and scikit-image's; the second source beside the chart is the colour
bars of BT.2111-2.
"""

from __future__ import annotations

import numpy as np
import pytest
from bars import BLUE, CYAN, GREEN, MAGENTA, RED, YELLOW, colour_bars
from charted import (
    MemoryClip,
    chroma_only,
    clean,
    controls,
    each_plane,
    evidence_of,
    rounded,
    to_codes,
    to_rgb,
)
from PIL import Image
from scipy import ndimage
from skimage.transform import downscale_local_mean

from tonelab.checks import examine, gather
from tonelab.checks.chroma import _kernels
from tonelab.pixels.resampling import KERNELS, resample
from tonelab.signal.description import Signal

PILLOW = {
    "box": Image.Resampling.BOX,
    "bilinear": Image.Resampling.BILINEAR,
    "bicubic-0.5": Image.Resampling.BICUBIC,
    "lanczos-3": Image.Resampling.LANCZOS,
}


@pytest.fixture(scope="module")
def plane():
    return np.random.default_rng(4).integers(64, 940, (72, 96)).astype(np.float64)


@pytest.mark.parametrize("size", [(36, 48), (48, 40), (108, 144)])
@pytest.mark.parametrize("name", PILLOW)
def test_scaling_kernels_are_those_of_pillow(plane, name, size):
    wanted = Image.fromarray(plane.astype(np.float32)).resize(size[::-1], PILLOW[name])
    scale = size[1] / plane.shape[1], size[0] / plane.shape[0]
    seen, inside = resample(plane, size, scale, (0.0, 0.0), KERNELS[f"{name}-averaging"])
    assert inside.mean() > 0.5
    np.testing.assert_allclose(seen[inside], np.asarray(wanted)[inside], atol=0.01)


@pytest.mark.parametrize(
    ("name", "order", "through"),
    [("bilinear", 1, False), ("b-spline", 3, False), ("spline", 3, True)],
)
def test_interpolating_kernels_are_those_of_scipy(plane, name, order, through):
    scale, offset = (1.25, 0.8), (3.3, -1.6)
    y, x = np.mgrid[:60, :100] + 0.5
    places = (y - offset[1]) / scale[1] - 0.5, (x - offset[0]) / scale[0] - 0.5
    wanted = ndimage.map_coordinates(plane, places, order=order, prefilter=through)
    seen, inside = resample(plane, (60, 100), scale, offset, KERNELS[name])
    assert inside.mean() > 0.4
    np.testing.assert_allclose(seen[inside], wanted[inside], atol=0.05 if through else 1e-9)


def test_a_box_over_blocks_is_their_mean(plane):
    seen, inside = resample(plane, (24, 32), (1 / 3, 1 / 3), (0.0, 0.0), KERNELS["box-averaging"])
    assert inside.all()
    np.testing.assert_allclose(seen, downscale_local_mean(plane, (3, 3)), atol=1e-9)


def test_the_chroma_filter_that_scipy_applied_is_found_again():
    taps = [0.1, 0.25, 0.4, 0.2, 0.05]

    def filtered(chroma):
        return rounded(ndimage.correlate1d(chroma.astype(float), taps, axis=1, mode="nearest"))

    evidence = evidence_of(chroma_only(filtered))
    kernel = _kernels(evidence, evidence.paths)[0, 0]
    np.testing.assert_allclose(kernel.sum(axis=0), taps, atol=0.01)
    np.testing.assert_allclose(kernel.sum(axis=1), [0, 0, 1, 0, 0], atol=0.01)


@pytest.mark.parametrize(("hue", "saturation"), [(0.2, 0.998), (-0.2, 1.002)])
def test_hue_and_saturation_are_resolved_within_their_intervals(hue, saturation):
    """A fifth of a degree and of a percent are findings, and the intervals hold what was done."""
    results, _ = examine(evidence_of(controls(hue=hue, saturation=saturation)))
    found = {f.id: f for result in results for f in result.findings}
    turned, changed = found["hue-rotated"], found["saturation-changed"]
    assert abs(turned.value - hue) <= turned.bound < 0.1
    assert abs(changed.value - saturation) <= changed.bound < 0.001


@pytest.mark.long
def test_colour_bars_are_a_source_as_well():
    """Bars of BT.2111-2 arrive as printed; eight bits are named; nothing else is accused."""
    codes = to_codes((colour_bars()[::2, ::2] - 64) / 876)
    planes = rounded(codes[..., 0]), *(rounded(codes[::2, ::2, n]) for n in (1, 2))
    said = {"matrix": "bt2020", "range": "narrow", "transfer": "pq", "primaries": "bt2020"}
    signal = Signal(siting="topleft").with_fields("declared", **said)
    source = MemoryClip("bars.mkv", lambda _: planes, 6, signal, "420")

    def evidence(fault):
        shown = fault(clean(planes))
        return gather(source, MemoryClip("bars.mov", lambda _: shown, 6, signal, "422"), workers=1)

    def named(seen):
        findings = [f for result in examine(seen)[0] for f in result.findings]
        return {f.id for f in findings if f.verdict == "not transparent"} - {"identity"}

    faithful = evidence(lambda p: p)
    assert named(faithful) == set()
    arrived = to_rgb(faithful.colours.capture + np.array([64, 512, 512])) * 876 + 64
    for bar in (YELLOW, CYAN, GREEN, MAGENTA, RED, BLUE):
        assert np.abs(arrived - bar).max(axis=1).min() < 2
    eight = evidence(each_plane(lambda plane: np.maximum(plane >> 2 << 2, 4)))
    assert named(eight) == {"depth-eight-bits", "steps-lost"}
