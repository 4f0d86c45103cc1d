"""The chart as a clip."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from tonelab.chart import (
    Layout,
    chart_metadata,
    find_chart,
    read_layout,
    render_planes,
    sample_windows,
    write_chart,
)
from tonelab.chart.files import light_levels
from tonelab.errors import ChartError, ClipError
from tonelab.media import open_clip, write_clip
from tonelab.signal.description import Signal

LAYOUT = Layout.create("quick", 960, 540, "pq", 1000, hold=4)


@pytest.mark.parametrize(
    ("name", "codec", "stored", "subsampling"),
    [
        ("chart.mkv", None, "ffv1", "420"),
        ("chart.avi", None, "v210", "422"),
        ("chart à v210.mov", "v210", "v210", "422"),
    ],
)
def test_lossless_charts_keep_every_patch(tmp_path, name, codec, stored, subsampling):
    counts = []
    write_chart(tmp_path / name, LAYOUT, codec=codec, progress=counts.append)
    assert counts == list(range(1, LAYOUT.frame_count + 1))
    with open_clip(tmp_path / name) as clip:
        assert (clip.codec, clip.subsampling, clip.rate) == (
            stored,
            subsampling,
            Fraction(24000, 1001),
        )
        chart = find_chart(clip)
        assert chart.layout == LAYOUT
        windows = sample_windows(LAYOUT, chart.geometry, subsampling)
        frame = next(iter(clip.frames(9, 10)))
    for row in np.flatnonzero(LAYOUT.patches.page == 2)[::5]:
        for channel, plane in enumerate(frame.planes):
            x0, y0, x1, y1 = windows[min(channel, 1)][row]
            assert (plane[y0:y1, x0:x1] == LAYOUT.patches.code[row, channel]).all()


@pytest.mark.long
def test_an_hevc_chart_is_tagged_as_hdr10_and_read_back(tmp_path):
    metadata = chart_metadata(LAYOUT, max_cll=1000, max_fall=400)
    write_chart(tmp_path / "chart.mp4", LAYOUT, metadata=metadata, rate=Fraction(60000, 1001))
    with open_clip(tmp_path / "chart.mp4") as clip:
        assert clip.codec == "hevc"
        assert clip.rate == Fraction(60000, 1001)
        signal = clip.signal
        assert (signal.transfer, signal.primaries, signal.matrix, signal.range) == (
            "pq",
            "bt2020",
            "bt2020",
            "narrow",
        )
        assert signal.origins["transfer"] == "declared"
        assert (clip.metadata.mastering_peak, clip.metadata.max_cll) == (1000, 1000)
        assert clip.metadata.max_fall == 400
        assert read_layout(clip) == LAYOUT


def test_stated_light_levels_are_those_of_the_pictures():
    cll, fall = light_levels(LAYOUT)
    # Neutral code 1019 is beyond the PQ signal of 10000 cd/m2, the ceiling of SMPTE ST 2084.
    assert cll == 10000
    signal = Signal("bt2020", "narrow", "pq", "bt2020")
    means = []
    for page in range(1, len(LAYOUT.pages) - 1):
        y, cb, cr = render_planes(LAYOUT, page * 4)
        codes = np.stack([y, *(p.repeat(2, 0).repeat(2, 1) for p in (cb, cr))], -1)
        light = signal.decode_light(codes).max(axis=-1)
        means.append(light.mean())
    assert fall == pytest.approx(max(means), rel=0.01)
    metadata = chart_metadata(LAYOUT)
    assert (metadata.max_cll, metadata.max_fall, metadata.mastering_peak) == (cll, fall, 1000)
    assert chart_metadata(LAYOUT, max_cll=1, max_fall=2).max_fall == 2
    assert chart_metadata(Layout.create(transfer="hlg")) is None


def test_a_suffix_without_codec_is_refused(tmp_path):
    with pytest.raises(ChartError, match=r"'chart.txt' does not say how to store the chart"):
        write_chart(tmp_path / "chart.txt", LAYOUT)
    assert not list(tmp_path.iterdir())


def test_an_existing_file_is_kept(tmp_path):
    (tmp_path / "chart.avi").write_bytes(b"mine")
    with pytest.raises(ClipError, match="exists"):
        write_chart(tmp_path / "chart.avi", LAYOUT)
    assert (tmp_path / "chart.avi").read_bytes() == b"mine"


def test_a_clip_that_is_no_chart_is_refused_with_the_mend(tmp_path):
    grey = [np.full((540, 960), 400, np.uint16), *[np.full((540, 480), 512, np.uint16)] * 2]
    write_clip(
        tmp_path / "film.avi",
        [tuple(grey)] * 3,
        width=960,
        height=540,
        rate=Fraction(24),
        subsampling="422",
        bits=10,
        codec="v210",
        signal=Signal(),
    )
    with (
        open_clip(tmp_path / "film.avi") as clip,
        pytest.raises(ChartError, match=r"film.avi shows no chart .* 'tonelab chart'"),
    ):
        read_layout(clip)
