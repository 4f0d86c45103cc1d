"""What a chart shows and where."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tonelab.chart import Geometry, Group, Layout, Surround, render_planes, sample_windows
from tonelab.chart.colours import codes_of_rgb, hue_circle, sweeps
from tonelab.errors import ChartError

FULL = Layout.create("full", hold=4)
QUICK = Layout.create("quick", hold=4)


def rows_of(codes):
    return {tuple(code) for code in np.asarray(codes).tolist()}


def of_group(layout, group):
    return layout.patches.code[layout.patches.group == group]


@settings(deadline=None, max_examples=20)
@given(
    kind=st.sampled_from(["full", "quick"]),
    size=st.sampled_from([(960, 540), (1280, 720), (1920, 1080), (3840, 2160)]),
    transfer=st.sampled_from(["pq", "hlg"]),
    peak=st.integers(100, 10000),
    hold=st.integers(4, 4095),
)
def test_the_descriptor_rebuilds_the_layout(kind, size, transfer, peak, hold):
    layout = Layout.create(kind, *size, transfer, peak, hold)
    assert 0 <= layout.descriptor < 2**48
    assert Layout.from_descriptor(layout.descriptor, *size) == layout


def test_the_same_layout_is_drawn_for_ever():
    # A change of these digests is a new LAYOUT_VERSION: charts in the field are rebuilt from them.
    digests = {}
    for layout in (FULL, QUICK):
        patches = layout.patches
        table = np.column_stack([patches.page, patches.x, patches.y, patches.width, patches.group])
        digests[layout.kind] = hashlib.sha256(
            np.column_stack([table, patches.code]).astype("<i4").tobytes()
        ).hexdigest()[:16]
    assert digests == {"full": "e789fb91ec7190c9", "quick": "9533ba64f57164f8"}


@pytest.mark.parametrize(("layout", "pages"), [(FULL, 22), (QUICK, 9)])
def test_page_and_frame_counts(layout, pages):
    assert len(layout.pages) == pages
    assert layout.frame_count == 4 * pages
    assert [layout.page_of(n) for n in (0, 3, 4)] == [0, 0, 1]
    with pytest.raises(ChartError, match=f"has no frame {4 * pages}"):
        layout.page_of(4 * pages)


@pytest.mark.parametrize("layout", [FULL, QUICK, Layout.create("quick", transfer="hlg", hold=4)])
def test_every_legal_neutral_is_shown_on_two_pages(layout):
    patches = layout.patches
    neutral = (patches.group == Group.NEUTRAL) & (patches.code[:, 1:] == 512).all(axis=1)
    for code in range(4, 1020):
        assert len(set(patches.page[neutral & (patches.code[:, 0] == code)])) >= 2


@pytest.mark.parametrize(("layout", "nodes"), [(FULL, 33), (QUICK, 17)])
def test_the_lattice_is_complete_to_its_peak(layout, nodes):
    # PQ signal of 1000 cd/m2 (SMPTE ST 2084).
    axis = np.linspace(0, 0.7518270962470411, nodes)
    cube = codes_of_rgb(np.stack(np.meshgrid(axis, axis, axis), -1).reshape(-1, 3))
    assert len(of_group(layout, Group.LATTICE)) == nodes**3
    assert rows_of(of_group(layout, Group.LATTICE)) == rows_of(cube)


def test_the_hlg_lattice_spans_the_whole_signal():
    codes = rows_of(of_group(Layout.create("quick", transfer="hlg"), Group.LATTICE))
    # Full-amplitude red, green, blue, white in 10-bit narrow BT.2020 (BT.2100-2 tables 6 and 9).
    assert {(64, 512, 512), (940, 512, 512)} <= codes
    assert {(294, 387, 960), (658, 189, 100), (116, 960, 476)} <= {
        (y, cb, cr) for y, cb, cr in codes
    }


@pytest.mark.parametrize("layout", [FULL, QUICK])
def test_patches_never_overlap_and_stay_clear_of_the_marks(layout):
    patches, cell = layout.patches, layout.cell
    cells = np.zeros((len(layout.pages), 45, 80), int)
    for dy in range(3):
        for dx in range(3):
            rows = patches.width // cell > max(dx, dy)
            np.add.at(
                cells,
                (patches.page[rows], patches.y[rows] // cell + dy, patches.x[rows] // cell + dx),
                1,
            )
    assert cells.max() == 1
    assert not cells[:, :3].any()
    assert not cells[:, -3:].any()
    assert (
        not np.concatenate([patches.x, patches.y, patches.width, patches.height]).astype(int).sum()
        % 8
    )


@pytest.mark.parametrize("layout", [FULL, QUICK])
def test_colour_predicts_neither_page_nor_place_nor_neighbour(layout):
    patches = layout.patches
    rows = np.flatnonzero(patches.surround == Surround.MIXED)
    code = patches.code[rows].astype(float)
    for place in (patches.page[rows], patches.x[rows], patches.y[rows]):
        for channel in range(3):
            assert abs(np.corrcoef(place, code[:, channel])[0, 1]) < 0.03
    pages = np.unique(patches.page[rows])
    mean = np.array([code[patches.page[rows] == page].mean(axis=0) for page in pages])
    assert np.ptp(mean, axis=0).max() < 12
    for page in pages:
        picture = np.zeros((39, 80))
        on = rows[patches.page[rows] == page]
        picture[patches.y[on] // layout.cell - 3, patches.x[on] // layout.cell] = patches.code[
            on, 0
        ]
        right = np.corrcoef(picture[:, :-1].ravel(), picture[:, 1:].ravel())[0, 1]
        below = np.corrcoef(picture[:-1].ravel(), picture[1:].ravel())[0, 1]
        assert max(abs(right), abs(below)) < 0.08


@pytest.mark.parametrize("layout", [FULL, QUICK])
def test_repeated_colours_return_under_every_surround(layout):
    patches = layout.patches
    repeated = (patches.group == Group.REPEAT) & (patches.surround != Surround.MIXED)
    assert (patches.repeat_of[repeated] >= 0).all()
    first = patches.repeat_of[repeated]
    assert np.array_equal(patches.code[first], patches.code[repeated])
    assert (patches.surround[first] == Surround.MIXED).all()
    assert (patches.repeat_of[first] == -1).all()
    for page, shown in enumerate(layout.pages):
        if shown.kind == "surround":
            on = patches.page == page
            assert set(patches.surround[on]) == {shown.surround}
            assert len(rows_of(patches.code[on])) == 56


def test_hues_and_sweeps_are_what_they_say():
    red, *_ = hue_circle(np.array([0.5]), (1.0,))
    assert np.array_equal(red, codes_of_rgb((0.5, 0, 0)))
    codes = sweeps(5, (0.5,), 0.75)
    angle = np.degrees(np.arctan2(codes[:, 2] - 512, codes[:, 1] - 512)) % 360
    wanted = np.tile(np.arange(24) * 15, 5)
    radius = np.hypot(codes[:, 1] - 512, codes[:, 2] - 512)
    error = (angle - wanted + 180) % 360 - 180
    assert (np.abs(error) * radius < 0.75 * 180 / np.pi).all()


@pytest.mark.parametrize("frame", [1, 5, 80])
def test_rendered_patches_have_their_codes_and_frames_of_a_page_differ_in_marks_only(frame):
    planes = render_planes(FULL, frame)
    patches = FULL.patches
    for row in np.flatnonzero(patches.page == FULL.page_of(frame))[::7]:
        x, y, w, h = (int(v[row]) for v in (patches.x, patches.y, patches.width, patches.height))
        for plane, code, s in zip(planes, patches.code[row], (1, 2, 2), strict=True):
            area = plane[y // s : (y + h) // s, x // s : (x + w) // s]
            assert area.min() == area.max() == code
    other = render_planes(FULL, frame + 1)
    assert (planes[0][72:-72] == other[0][72:-72]).all()
    assert (planes[0] != other[0]).any()
    assert int(planes[0].sum()) == int(other[0].sum())


def test_every_page_keeps_to_legal_codes():
    small = Layout.create("quick", 960, 540, hold=4)
    for page in range(len(small.pages)):
        for plane in render_planes(small, page * 4):
            assert plane.dtype == np.uint16
            assert plane.min() >= 4
            assert plane.max() <= 1019


@pytest.mark.parametrize("height", [540, 720, 1080, 2160])
@pytest.mark.parametrize("subsampling", ["420", "422", "444"])
def test_windows_lie_in_their_patch_with_a_margin_of_a_third_of_a_cell(height, subsampling):
    layout = Layout.create("quick", height * 16 // 9, height)
    patches, cell = layout.patches, layout.cell
    geometry = Geometry((cell, cell), (0.0, 0.0), (layout.width, layout.height))
    luma, chroma = sample_windows(layout, geometry, subsampling)
    factors = {"420": (2, 2), "422": (2, 1), "444": (1, 1)}[subsampling]
    for windows, (fx, fy) in ((luma, (1, 1)), (chroma, factors)):
        assert windows.dtype == np.int32
        assert (windows[:, 2:] > windows[:, :2]).all()
        assert (windows[:, 0] * fx >= patches.x + cell // 3).all()
        assert (windows[:, 1] * fy >= patches.y + cell // 3).all()
        assert (windows[:, 2] * fx <= patches.x + patches.width - cell // 3).all()
        assert (windows[:, 3] * fy <= patches.y + patches.height - cell // 3).all()
    if height == 1080:
        single = patches.width == cell
        assert set((luma[single, 2:] - luma[single, :2]).ravel()) == {8}


def test_windows_hold_pure_colour_after_scaling_and_chroma_interpolation():
    layout = Layout.create("quick", 1920, 1080, hold=4)
    planes = render_planes(layout, 5)
    page = np.flatnonzero(layout.patches.page == 1)
    half = Geometry((12.0, 12.0), (0.0, 0.0), (960, 540))
    luma, _ = sample_windows(layout, half, "422")
    box = planes[0].reshape(540, 2, 960, 2).mean(axis=(1, 3))
    # A six-tap filter from 4:2:0 to 4:2:2 rows, as wide as those in use.
    rows = np.pad(planes[1].astype(float), ((3, 3), (0, 0)), mode="edge")
    taps = (0.02, -0.11, 0.59, 0.59, -0.11, 0.02)
    between = sum(t * rows[n + 1 : n + 1 + 540] for n, t in enumerate(taps))
    interpolated = np.stack([planes[1], between], axis=1).reshape(1080, 960)
    whole = Geometry((24.0, 24.0), (0.0, 0.0), (1920, 1080))
    _, chroma = sample_windows(layout, whole, "422")
    for row in page:
        x0, y0, x1, y1 = luma[row]
        assert (box[y0:y1, x0:x1] == layout.patches.code[row, 0]).all()
        x0, y0, x1, y1 = chroma[row]
        np.testing.assert_allclose(interpolated[y0:y1, x0:x1], layout.patches.code[row, 1])


@pytest.mark.parametrize(
    ("wish", "sentence"),
    [
        ({"width": 1920, "height": 1090}, "1920x1090 is not possible: state a 16:9 size"),
        ({"width": 4096, "height": 2160}, "4096x2160 is not possible"),
        ({"kind": "long"}, "kind 'long' is unknown: state full or quick"),
        ({"transfer": "srgb"}, "transfer 'srgb' is unknown"),
        ({"peak": 50}, "peak of 50 cd/m2 is not possible: state a whole number from 100 to 10000"),
        ({"peak": 1000.5}, "peak of 1000.5"),
        ({"hold": 3}, "cannot stand for 3 frames: state 4 to 4095"),
    ],
)
def test_impossible_charts_are_refused_with_the_mend(wish, sentence):
    with pytest.raises(ChartError, match=sentence):
        Layout.create(**wish)


def test_newer_and_damaged_descriptors_are_refused():
    newer = QUICK.descriptor + 3
    with pytest.raises(ChartError, match="layout version 4 and this tonelab reads versions 1 to 3"):
        Layout.from_descriptor(newer, 1920, 1080)
    with pytest.raises(ChartError, match="impossible"):
        Layout.from_descriptor(QUICK.descriptor | 1 << 40, 1920, 1080)
