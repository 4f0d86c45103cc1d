"""A plausible measurement without any clip: a simulated device on a coarse colour lattice."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tonelab.results import (
    ChromaTransfer,
    ClipFacts,
    Finding,
    IdentifiedConversion,
    Landmark,
    LuminanceCurve,
    Measurement,
    PairingFacts,
    ParameterEstimate,
    RunnerUp,
    Score,
    Tallies,
)
from tonelab.signal.colorimetry import matrix_rgb_to_rgb, rgb_to_ycbcr
from tonelab.signal.description import Signal
from tonelab.signal.quantisation import quantise, ycbcr_to_codes
from tonelab.signal.transfer import eotf_inverse_bt1886, eotf_inverse_pq, eotf_pq

SOURCE = Signal(
    matrix="bt2020",
    transfer="pq",
    primaries="bt2020",
    origins={"matrix": "declared", "transfer": "declared", "range": "inferred"},
)
CAPTURE = Signal(origins={"range": "stated", "transfer": "assumed", "matrix": "declared"})
SAMPLES = 64


def make_measurement(
    device: str = "Simulated player", *, peak: float = 4.0, white: float = 100.0, **changes
) -> Measurement:
    """Measure an extended-Reinhard device per channel, in units of ``white`` cd/m2."""

    def convert(light):
        scene = np.maximum(light @ matrix_rgb_to_rgb("bt2020", "bt709").T, 0.0) / white
        tone = np.minimum(scene * (1 + scene / peak**2) / (1 + scene), 1.0)
        return rgb_to_ycbcr(eotf_inverse_bt1886(100.0 * tone), "bt709")

    measurement = Measurement(
        device=device,
        firmware="2.1 (build 7)",
        settings={"Picture mode": "Standard", "Black/level": "normal", "Größe": "1:1"},
        notes="Loopback verified.\nSecond line, 5 °C cooler.",
        source=_clip("chart.mp4", SOURCE),
        capture=_clip("capture é.mov", CAPTURE),
        pairing=PairingFacts("chart", (1.0, 1.0), (0.0, 0.25), 0.03, 17, 480, {"blended": 12}),
        findings=FINDINGS,
        tallies=_tallies(convert),
        luminance_curve=_luminance_curve(convert),
        chroma_transfer=_chroma_transfer(),
        conversion=_conversion(peak, white),
        landmarks=_landmarks(convert),
        scores=SCORES,
        provenance={
            "time": "2031-04-05T06:07:08Z",
            "duration": 12.5,
            "command": ["tonelab", "measure"],
            "tonelab": "0.1.0",
            "versions": {"numpy": "2.2.0", "a/b": "1", "none": None},
        },
    )
    return replace(measurement, **changes)


FINDINGS = (
    Finding(
        "range-mismatch",
        "warning",
        "The capture is declared full range and behaves like narrow range.",
        value=0.8563,
        bound=0.0002,
        unit="1",
        count=35937,
        threshold=0.98,
        alternatives=("A contrast control below its neutral position.", "Two, with a comma"),
        decided_by="A capture of the chart through a pass-through device.",
    ),
    Finding("dither", "info", "The capture is not dithered."),
)

SCORES = (
    Score("bt2390", "BT.2390 EETF", 4.25, 3.5, 9.0, 12.0, 19.5, 0.16, 3.0, 8.5, 729, "BT.1886"),
    Score("bt2446a", "BT.2446 method A", 2.5, 2.0, 6.0, 8.0, 11.0, 0.16, 2.0, 5.5, 729, "BT.1886"),
    Score("clip", "Plain clip", 14.5, 9.0, 40.0, 52.0, 61.0, 0.16, 30.0, 77.0, 729, "BT.1886"),
)


def _clip(name, signal):
    return ClipFacts(
        name, "mov", "v210", 1920, 1080, "24000/1001", 480, "422", signal,
        sha256="ab" * 32, mastering_peak=1000.0 if signal.is_hdr else None,
        max_cll=1000 if signal.is_hdr else None, code_range={"Y": (64, 940), "Cb": (64, 960)},
    )  # fmt: skip


def _tallies(convert):
    axis = np.linspace(0, eotf_inverse_pq(1000.0), 9)
    rgb = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), -1).reshape(-1, 3)
    source = quantise(ycbcr_to_codes(rgb_to_ycbcr(rgb, "bt2020"), 10, "narrow"), 10).astype(int)
    capture = quantise(ycbcr_to_codes(convert(eotf_pq(rgb)), 10, "narrow"), 10).astype(int)
    counts = np.full(source.shape, SAMPLES)
    tables = {
        "source_histogram": np.stack([np.bincount(p, minlength=1024) for p in source.T]),
        "capture_histogram": np.stack([np.bincount(p, minlength=1024) for p in capture.T]),
        "patch_frames": np.full(len(source), 4),
        "patch_count_source": counts,
        "patch_count_capture": counts,
        "patch_sum_source": SAMPLES * source,
        "patch_sum_capture": SAMPLES * capture,
        "patch_square_source": SAMPLES * source**2,
        "patch_square_capture": SAMPLES * capture**2,
    }
    return Tallies(9_007_199_254_740_993, {k: v.astype(np.int64) for k, v in tables.items()})


def _luminance_curve(convert):
    code = np.arange(64.0, 725.0, 4.0)
    light = eotf_pq((code - 64) / 876)
    smooth = 64 + 876 * convert(np.repeat(light[:, None], 3, axis=1))[:, 0]
    return LuminanceCurve(
        source_code=code, luminance=light, code=np.round(smooth), smooth=smooth,
        low=smooth - 0.4, high=smooth + 0.4, count=np.full(code.size, 4 * SAMPLES),
        clipped=smooth >= 939.5,
    )  # fmt: skip


def _chroma_transfer():
    hue = np.arange(7.5, 360, 15)
    level = np.array([300.0, 450.0, 600.0])
    rotation = 3 * np.sin(np.radians(2 * hue))[:, None] * np.array([1.0, 0.7, 0.4])
    ratio = 1.1 + 0.2 * np.cos(np.radians(hue))[:, None] - np.array([0.0, 0.1, 0.3])
    rotation[3, 2] = ratio[3, 2] = np.nan
    bound = np.full(rotation.shape, 0.2)
    return ChromaTransfer(
        hue, level, rotation, ratio, bound, bound / 10, np.full(rotation.shape, 9)
    )


def _conversion(peak, white):
    return IdentifiedConversion(
        family="reinhard_extended",
        family_label="Reinhard, extended",
        parameters={
            "peak": ParameterEstimate(peak, peak - 0.01, peak + 0.01, "1"),
            "white": ParameterEstimate(
                white, white - 0.2, white + 0.2, "cd/m2", identifiable=False,
                note="Exposure and reference white change the picture alike.",
            ),
        },
        drive="per-channel", order="gamut before tone", chroma="none", gamut="matrix and clip",
        encoding="BT.1886 or gamma 2.4", controls={},
        residual_codes_rms=0.30, held_out_codes_rms=0.31, floor_codes_rms=12**-0.5,
        neutral_codes_rms=0.29, free_codes_rms=0.30, count=640, held_out_count=89,
        runners_up=(RunnerUp("max-RGB, Reinhard, extended", 9.8), RunnerUp("luminance", 12.8)),
        static="static", notes=("Highlights above 400 cd/m2 are clipped.",),
        structure={"drive": "per-channel", "knots": np.linspace(0, 1, 5), "order": ["gamut", 1]},
    )  # fmt: skip


def _landmarks(convert):
    marks = []
    for name, label, light in (
        ("grey", "18 % grey", 26.0),
        ("diffuse-white", "Diffuse white", 203.0),
        ("1000", "1000 cd/m2", 1000.0),
    ):
        signal = float(convert(np.full((1, 3), light))[0, 0])
        marks.append(Landmark(name, label, light, 64 + 876 * signal, 100 * signal**2.4, bound=0.4))
    return (*marks, Landmark("4000", "4000 cd/m2", 4000.0, None, None))
