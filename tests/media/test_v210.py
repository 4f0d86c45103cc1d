"""v210: the kernels equal their plain definition, and strides are recognised."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tonelab.errors import ClipError
from tonelab.media import v210

WIDTHS = [720, 1280, 1440, 1920, 2048, 3840, 4096]


def define_unpack(words, width):
    """Write out the storage order: Cb Y Cr Y, three samples to a word, low bits first."""
    samples = np.stack([(words >> shift) & 1023 for shift in (0, 10, 20)], axis=-1)
    row = samples.reshape(len(words), -1)[:, : 2 * width].astype(np.uint16)
    return row[:, 1::2], row[:, 0::4], row[:, 2::4]


def unpack(words, width):
    height = len(words)
    planes = (
        np.empty((height, width), np.uint16),
        np.empty((height, width // 2), np.uint16),
        np.empty((height, width // 2), np.uint16),
    )
    v210.unpack(words, *planes)
    return planes


@settings(deadline=None, max_examples=40)
@given(
    half=st.integers(1, 60),
    height=st.integers(1, 5),
    block=st.sampled_from(v210.BLOCKS),
    seed=st.integers(0, 2**32 - 1),
)
def test_unpack_equals_its_definition(half, height, block, seed):
    width = 2 * half
    stride = v210.stride_of(width, block)
    words = np.random.default_rng(seed).integers(0, 2**32, (height, stride // 4), np.uint32)
    for kernel, definition in zip(unpack(words, width), define_unpack(words, width), strict=True):
        assert np.array_equal(kernel, definition)


@settings(deadline=None, max_examples=40)
@given(half=st.integers(1, 60), height=st.integers(1, 5), seed=st.integers(0, 2**32 - 1))
def test_pack_keeps_every_code_and_zeroes_the_padding(half, height, seed):
    width = 2 * half
    rng = np.random.default_rng(seed)
    shapes = ((height, width), (height, half), (height, half))
    planes = [rng.integers(0, 1024, shape).astype(np.uint16) for shape in shapes]
    words = np.full((height, v210.stride_of(width) // 4), 0xFFFFFFFF, np.uint32)
    v210.pack(*planes, words)
    for back, plane in zip(define_unpack(words, width), planes, strict=True):
        assert np.array_equal(back, plane)
    used = -(-2 * width // 3)
    assert not words[:, used:].any()
    assert not (words >> 30).any()


# SMPTE-style v210 storage: rows fill blocks of 48 pixels, 128 bytes.
@pytest.mark.parametrize(
    ("width", "padded", "unpadded"),
    [
        (720, 1920, 1920),
        (1280, 3456, 3424),
        (1440, 3840, 3840),
        (1920, 5120, 5120),
        (2048, 5504, 5472),
        (3840, 10240, 10240),
        (4096, 11008, 10928),
    ],
)
def test_strides_of_common_widths(width, padded, unpadded):
    assert v210.stride_of(width) == padded
    assert v210.stride_of(width, 6) == unpadded


@pytest.mark.parametrize("block", v210.BLOCKS)
@pytest.mark.parametrize("width", [*WIDTHS, 2, 50, 998])
def test_stride_is_recognised_from_the_frame_size(width, block):
    size = v210.stride_of(width, block) * 16
    found = v210.recognise_stride(size, width, 16)
    assert found.size == v210.stride_of(width, block)
    assert found.extra == 0
    if found.size == v210.stride_of(width):
        assert not found.note
    else:
        assert f"padded to {found.block} pixels" in found.note


def test_bytes_after_the_picture_are_tolerated_and_noted():
    found = v210.recognise_stride(3456 * 720 + 100, 1280, 720)
    assert (found.size, found.extra) == (3456, 100)
    assert "100 bytes after the picture" in found.note


def test_a_stated_stride_wins():
    found = v210.recognise_stride(4000 * 16, 1280, 16, stated=3600)
    assert (found.size, found.block, found.extra) == (3600, 0, 400 * 16)
    assert "stated stride of 3600 bytes" in found.note


@pytest.mark.parametrize(
    ("size", "width", "stated", "reason"),
    [
        (3424 * 16 - 1, 1280, None, "too few for 1280x16"),
        (10**6, 1281, None, "odd width"),
        (3456 * 16, 1280, 3423, "stated row stride"),
        (3456 * 16, 1280, 3420, "stated row stride"),
        (3456 * 16, 1280, 3460, "stated row stride"),
    ],
)
def test_what_does_not_fit_is_refused_in_a_sentence(size, width, stated, reason):
    with pytest.raises(ClipError, match=reason):
        v210.recognise_stride(size, width, 16, stated)


@pytest.mark.parametrize("width", [12, 16, 48, 50])
def test_violations_are_counted(width):
    height = 4
    luma = np.full((height, width), 500, np.uint16)
    cb, cr = (np.full((height, width // 2), 512, np.uint16) for _ in range(2))
    for plane, codes in ((luma, (0, 3, 4)), (cb, (1020, 1019)), (cr, (1023,))):
        plane[-1, -len(codes) :] = codes
    words = np.empty((height, v210.stride_of(width) // 4), np.uint32)
    v210.pack(luma, cb, cr, words)
    assert v210.count_violations(words, width) == (4, 0)
    words[0, 0] |= np.uint32(1 << 31)
    words[1, 1] |= np.uint32(1 << 30)
    assert v210.count_violations(words, width) == (4, 2)
