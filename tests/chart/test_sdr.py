"""The SDR chart: its codes, its signal, and its files."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest

from tonelab.chart import (
    Group,
    Layout,
    chart_metadata,
    chart_signal,
    find_chart,
    render_planes,
    sample_windows,
    write_chart,
)
from tonelab.chart.colours import Coding, codes_of_rgb
from tonelab.chart.files import usual_rate
from tonelab.errors import ChartError
from tonelab.media import open_clip

HD8 = Layout.create_sdr("quick", 960, 540, hold=4)
HD10 = Layout.create_sdr("quick", 960, 540, bits=10, hold=4)
PAL = Layout.create_sdr("quick", 720, 576, hold=4)
NTSC = Layout.create_sdr("quick", 720, 480, bits=10, hold=4)

# White, yellow, cyan, green, magenta, red, blue, black of full amplitude.
BARS = [
    (1, 1, 1), (1, 1, 0), (0, 1, 1), (0, 1, 0), (1, 0, 1), (1, 0, 0), (0, 0, 1), (0, 0, 0),
]  # fmt: skip
BARS_8 = {
    "bt709": [
        (235, 128, 128), (219, 16, 138), (188, 154, 16), (173, 42, 26),
        (78, 214, 230), (63, 102, 240), (32, 240, 118), (16, 128, 128),
    ],
    "bt601": [
        (235, 128, 128), (210, 16, 146), (170, 166, 16), (145, 54, 34),
        (106, 202, 222), (81, 90, 240), (41, 240, 110), (16, 128, 128),
    ],
}  # fmt: skip


@pytest.mark.outside("BT.601-7 and BT.709-6, colour bars of full amplitude in 8 bits", "published")
@pytest.mark.parametrize("matrix", ["bt601", "bt709"])
def test_bars_have_the_codes_of_the_standards(matrix):
    assert codes_of_rgb(BARS, Coding(8, matrix)).tolist() == [list(bar) for bar in BARS_8[matrix]]


@pytest.mark.outside("BT.601-7 and BT.709-6 luma weights, 10-bit quantisation", "published")
@pytest.mark.parametrize(
    ("matrix", "red", "blue"), [("bt601", 0.299, 0.114), ("bt709", 0.2126, 0.0722)]
)
def test_ten_bit_bars_follow_the_printed_weights(matrix, red, blue):
    rgb = np.array(BARS, float)
    luma = rgb @ [red, 1 - red - blue, blue]
    cb, cr = (rgb[:, 2] - luma) / (2 * (1 - blue)), (rgb[:, 0] - luma) / (2 * (1 - red))
    wanted = np.stack([64 + 876 * luma, 512 + 896 * cb, 512 + 896 * cr], axis=-1)
    codes = codes_of_rgb(rgb, Coding(10, matrix))
    assert np.abs(codes - wanted).max() <= 0.5 + 1e-9
    assert codes[[0, -1], 0].tolist() == [940, 64]


@pytest.mark.outside("BT.601-7 and BT.709-6, codes of video data", "published")
@pytest.mark.parametrize(
    ("layout", "low", "high"), [(HD8, 1, 254), (HD10, 4, 1019), (PAL, 1, 254), (NTSC, 4, 1019)]
)
def test_every_legal_grey_is_shown_on_two_pages_and_no_other_code(layout, low, high):
    patches = layout.patches
    grey = (patches.code[:, 1:] == 1 << layout.bits - 1).all(axis=1)
    for code in range(low, high + 1):
        assert len(set(patches.page[grey & (patches.code[:, 0] == code)])) >= 2
    for page in range(len(layout.pages)):
        for plane in render_planes(layout, page * layout.hold):
            assert low <= plane.min() <= plane.max() <= high


@pytest.mark.outside("BT.1886-0 annex 1, black 0", "published")
@pytest.mark.parametrize(("layout", "black", "span"), [(HD8, 16, 219), (NTSC, 64, 876)])
def test_repeated_greys_are_shares_of_the_light_of_white(layout, black, span):
    patches = layout.patches
    repeated = patches.code[patches.group == Group.REPEAT]
    greys = repeated[(repeated[:, 1:] == 1 << layout.bits - 1).all(axis=1), 0]
    light = np.array([0.01, 0.03, 0.1, 0.2, 0.35, 0.6, 0.8, 1.0])
    wanted = black + span * light ** (1 / 2.4)
    np.testing.assert_allclose(np.unique(greys), wanted, atol=0.5)


@pytest.mark.parametrize(
    ("size", "matrix", "coded", "primaries", "rate"),
    [
        ((720, 576), None, "bt601", "bt601-625", 25),
        ((720, 480), None, "bt601", "bt601-525", 30000 / 1001),
        ((1280, 720), None, "bt709", "bt709", 24000 / 1001),
        ((720, 576), "bt709", "bt709", "bt709", 25),
        ((1920, 1080), "bt601", "bt601", "bt709", 24000 / 1001),
    ],
)
def test_size_decides_of_colours_and_rate_and_a_matrix_may_be_stated(
    size, matrix, coded, primaries, rate
):
    layout = Layout.create_sdr("quick", *size, matrix=matrix)
    signal = chart_signal(layout)
    assert (signal.matrix, signal.primaries, signal.range) == (coded, primaries, "narrow")
    assert (signal.transfer, signal.bits, signal.siting) == ("bt1886", 8, "left")
    assert float(usual_rate(*size)) == rate
    assert chart_metadata(layout) is None
    assert Layout.from_descriptor(layout.descriptor, *size) == layout


def test_the_same_sdr_layout_is_drawn_for_ever():
    # A change of these digests is a new number of `pages` in the descriptor, see `_FIELDS`.
    digests = []
    for layout in (HD8, HD10, PAL, NTSC):
        patches = layout.patches
        place = [patches.page, patches.x, patches.y, patches.width, patches.height, patches.group]
        table = np.column_stack([*place, patches.code]).astype("<i4")
        digests.append(hashlib.sha256(table.tobytes()).hexdigest()[:16])
    assert digests == [
        "09ab3a0914cac388",
        "c40a8337e92080f6",
        "b4ea34738c71a628",
        "691114a5cbdc8716",
    ]


@pytest.mark.parametrize(
    ("name", "layout", "codec", "stored", "bits", "off"),
    [
        ("chart.mp4", HD8, None, "h264", 8, 1),
        # Patches of 12x12 pixels; those of 24x24 at 1080 lines are within 1.
        ("chart 10.mp4", HD10, None, "hevc", 10, 2),
        ("chart.mkv", PAL, None, "ffv1", 8, 0),
        ("chart 10.mkv", NTSC, None, "ffv1", 10, 0),
        ("chart.mov", PAL, "v210", "v210", 10, 0),
        ("chart.avi", HD8, None, "v210", 10, 0),
    ],
)
def test_every_codec_keeps_the_patches_and_the_tags(
    tmp_path, name, layout, codec, stored, bits, off
):
    write_chart(tmp_path / name, layout, codec=codec)
    with open_clip(tmp_path / name) as clip:
        assert (clip.codec, clip.bits, clip.subsampling) == (
            stored, bits, "422" if stored == "v210" else "420"
        )  # fmt: skip
        chart, signal, drawn = find_chart(clip), clip.signal, chart_signal(layout)
        assert chart.layout == layout
        if name != "chart.avi":  # which has no tags
            said = (signal.matrix, signal.primaries, signal.transfer)
            assert said == (drawn.matrix, drawn.primaries, drawn.transfer)
            assert signal.origins["matrix"] == "declared"
        windows = sample_windows(layout, chart.geometry, clip.subsampling)
        frame = next(iter(clip.frames(9, 10)))
    rows = np.flatnonzero(layout.patches.page == 2)[::7]
    assert len(rows) > 50
    wanted = layout.patches.code * 2 ** (bits - layout.bits)
    for row in rows:
        for channel, plane in enumerate(frame.planes):
            x0, y0, x1, y1 = windows[min(channel, 1)][row]
            assert (x1 - x0) * (y1 - y0) > 0
            seen = plane[y0:y1, x0:x1].astype(int)
            assert np.abs(seen - wanted[row, channel]).max() <= off


@pytest.mark.parametrize(
    ("wish", "sentence"),
    [
        ({"bits": 12}, "SDR chart of 12 bits is not possible: state 8 or 10"),
        ({"matrix": "bt2020"}, "matrix 'bt2020' of an SDR chart is unknown: bt601 or bt709"),
        ({"width": 640, "height": 480}, "640x480 is not possible: .* such as 720x576, 720x480"),
        ({"hold": 2}, "cannot stand for 2 frames: state 4 to 4095"),
    ],
)
def test_impossible_sdr_charts_are_refused_with_the_mend(wish, sentence):
    with pytest.raises(ChartError, match=sentence):
        Layout.create_sdr(**wish)
