"""How well corrections reproduce converters on natural pictures that were never fitted.

    python tests/studies/corrections.py --pictures FOLDER_OF_EXR

Every converter of `tests/outside/converters.py`, and a box that applies a 17-point cube, is
measured on the full chart, one sample a patch. Its correction is applied by OpenColorIO (CLF,
tetrahedral) and FFmpeg's lut3d (cube, tetrahedral and trilinear) to linear BT.709 pictures,
scaled to a geometric mean of 20 cd/m2 and clipped at 1000. Both sides are then in 10-bit codes;
the floor is the mean that rounding alone causes. Without a folder, photographs of scikit-image
are expanded by BT.2446 method A.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np
import PyOpenColorIO as OCIO  # noqa: N814

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "outside"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "making"))

from converters import convert_patches, ffmpeg_tonemap, ocio_aces, swscale_intent
from printed import kept

from tonelab.bench.standard_files import _tallies
from tonelab.chart import Layout
from tonelab.conversion.standards.bt2446 import method_a_up
from tonelab.correction import correct
from tonelab.correction.bake import numbers_of, signals_of
from tonelab.correction.files import apply_lut3d, open_reader, write_correction
from tonelab.correction.table import LookTable, lattice
from tonelab.measure import reduce
from tonelab.readings.colours import shown_light
from tonelab.results import ClipFacts, PairingFacts
from tonelab.signal.colorimetry import delta_e_itp, matrix_rgb_to_rgb, rgb_to_ycbcr
from tonelab.signal.description import Signal
from tonelab.signal.quantisation import quantise, ycbcr_to_codes
from tonelab.signal.transfer import eotf_inverse_pq

SOURCE = Signal(matrix="bt2020", transfer="pq", primaries="bt2020")
TARGET = Signal()
EACH = 12_000  # pixels of a picture


@dataclass(frozen=True)
class LutBox:
    """A box that applies a cube to full-range PQ R'G'B' and puts out BT.709."""

    name: str
    cube: Path

    def convert(self, codes):
        rgb = apply_lut3d(self.cube, np.clip(SOURCE.decode_rgb(codes), 0, 1), "tetrahedral")
        return coded(rgb)


def coded(rgb):
    """10-bit narrow BT.709 codes, rounded."""
    return quantise(ycbcr_to_codes(rgb_to_ycbcr(rgb, "bt709"), 10, "narrow"), 10)


def make_box(folder: Path) -> LutBox:
    aces = ocio_aces("2.0")
    rgb = lattice(0.0, 1.0, 17)
    codes = quantise(ycbcr_to_codes(rgb_to_ycbcr(rgb, "bt2020"), 10, "narrow"), 10)
    shown = np.clip(TARGET.decode_rgb(aces.convert(codes)), 0, 1)
    path = folder / "box.cube"
    write_correction(path, LookTable(0.0, 1.0, shown.reshape(17, 17, 17, 3)), {}, ("a box",))
    return LutBox("lut-box-17", path)


def converted(codes, converter):
    if isinstance(converter, LutBox):
        return np.clip(converter.convert(codes), 4, 1019)
    return convert_patches(codes, converter, "444")


def measured(converter):
    """Measurement of a converter on the full chart."""
    layout = Layout.create("full", 1920, 1080, "pq", 1000, hold=4)
    source = layout.patches.code.astype(np.uint16)
    distinct, where = np.unique(source, axis=0, return_inverse=True)
    captured = converted(distinct, converter)[where.reshape(-1)].astype(np.int64)

    def facts(codec, subsampling, signal):
        return ClipFacts(codec, "mov", codec, 1920, 1080, "24", 1, subsampling, signal)

    return reduce(
        _tallies(layout, source.astype(np.int64), captured),
        facts("ffv1", "420", SOURCE),
        facts("v210", "422", TARGET),
        pairing=PairingFacts("chart", (1.0, 1.0), (0.0, 0.0), 0.0, 0, 1),
        device=converter.name,
    )


def pictures(folder: Path | None):
    """Narrow 10-bit PQ codes (N, 3) of pixels of pictures."""
    random, found = np.random.default_rng(1), []
    lights = map(_photograph, sorted(folder.glob("*.exr"))) if folder else _expanded()
    for light in lights:
        rows = random.choice(len(light), min(EACH, len(light)), replace=False)
        signal = eotf_inverse_pq(light[rows])
        found.append(quantise(ycbcr_to_codes(rgb_to_ycbcr(signal, "bt2020"), 10, "narrow"), 10))
    return np.concatenate(found)


def _photograph(path: Path):
    with av.open(str(path)) as container:
        frame = next(container.decode(video=0))
    kind = "<f2" if "f16" in frame.format.name else "<f4"
    planes = [np.frombuffer(p, kind).reshape(p.height, -1)[:, : p.width] for p in frame.planes]
    rgb = np.stack([planes[2], planes[0], planes[1]], -1).reshape(-1, 3).astype(float)
    rgb = np.maximum(np.nan_to_num(rgb), 0)
    luminance = np.maximum(rgb @ np.array([0.2126, 0.7152, 0.0722]), 1e-4)
    scaled = 20 * rgb / np.exp(np.log(luminance).mean())
    return np.clip(scaled @ matrix_rgb_to_rgb("bt709", "bt2020").T, 0, 1000)


def _expanded():
    import skimage.data

    for name in ("astronaut", "coffee", "chelsea", "rocket"):
        shown = getattr(skimage.data, name)().reshape(-1, 3) / 255
        wide = np.maximum(shown**2.4 @ matrix_rgb_to_rgb("bt709", "bt2020").T, 0) ** (1 / 2.4)
        yield method_a_up(wide)


def judge(rgb, seen):
    """Mean, p99 of ΔE_ITP in 10-bit codes, and the floor."""
    truth = shown_light(seen.astype(float), TARGET)
    error = delta_e_itp(truth, shown_light(coded(rgb).astype(float), TARGET))
    moved = seen + np.random.default_rng(2).uniform(-0.5, 0.5, seen.shape)
    floor = delta_e_itp(truth, shown_light(moved, TARGET)).mean()
    return error.mean(), np.percentile(error, 99), floor


def study(converter, measurement, codes, seen, folder: Path) -> list[str]:
    """Rows of one converter."""
    rgb, rows = np.clip(SOURCE.decode_rgb(codes), 0, 1), []
    for size in (65, 33):
        for suffix, reader in (
            (".clf", "tetrahedral"),
            (".cube", "tetrahedral"),
            (".cube", "trilinear"),
        ):
            path = folder / f"{converter.name}-{size}-{reader}{suffix}"
            started = time.process_time()
            correction = correct(
                measurement, size=size, whole=suffix == ".cube", output_range="narrow"
            )
            correction.save(path)
            spent = time.process_time() - started
            numbers = numbers_of(rgb, correction.input)
            if suffix == ".cube":
                out = apply_lut3d(path, numbers, reader)
                name = f"lut3d {reader}"
            else:
                out, name = open_reader(path)(numbers), "OpenColorIO CLF"
            mean, p99, floor = judge(signals_of(out, correction.output), seen)
            limit = 1.5 if size == 65 else 2.5
            verdict = "ok" if mean <= limit * floor and p99 < 3 else "MISS"
            promised = correction.errors[suffix == ".cube" and reader == "trilinear"]
            rows.append(
                f"| {converter.name} | {size} | {name} | {mean:.2f} | {mean / floor:.2f} | "
                f"{p99:.2f} | {floor:.2f} | {promised.mean:.2f} | {spent:.1f} | {verdict} |"
            )
    return rows


def device_to_device(first, second, codes, seen) -> str:
    """Row of one pair of converters, over the pixels where the first is sound and elsewhere."""
    correction = correct(first, toward=second, size=65)
    given = numbers_of(np.clip(TARGET.decode_rgb(seen[0].astype(float)), 0, 1), correction.input)
    size = correction.table.size
    place = tuple(np.rint(correction.table.place(given)).astype(int).T)
    doubtful = np.any([m.reshape((size,) * 3)[place] for m in correction.masks.values()], axis=0)
    out = signals_of(correction.table.read(given, "tetrahedral"), correction.output)
    sound = judge(out[~doubtful], seen[1][~doubtful])
    return (
        f"| {first.device} -> {second.device} | {100 * (1 - doubtful.mean()):.1f} % | "
        f"{sound[0]:.2f} | {sound[1]:.2f} | {sound[2]:.2f} |"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pictures", type=Path, help="folder of linear BT.709 OpenEXR pictures")
    parser.add_argument("--only", default="", help="part of the converters' names")
    options = parser.parse_args()
    codes = pictures(options.pictures)
    write = sys.stdout.write
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        converters = [
            *(
                ffmpeg_tonemap(c)
                for c in ("linear", "clip", "gamma", "reinhard", "hable", "mobius")
            ),
            ffmpeg_tonemap("mobius", peak=4.0, desaturation=2.0),
            *(swscale_intent(i) for i in ("perceptual", "relative", "saturation", "absolute")),
            ocio_aces("1.0"),
            ocio_aces("2.0"),
            make_box(folder),
        ]
        write(f"{len(codes)} pixels, PyOpenColorIO {OCIO.__version__}\n\n")
        write("| converter | nodes | reader | mean | floors | p99 | floor | promised | CPU s | |\n")
        write("|---|---|---|---|---|---|---|---|---|---|\n")
        done = {}
        for converter in converters:
            if options.only not in converter.name:
                continue
            measurement, seen = measured(converter), converted(codes, converter)
            done[converter.name] = measurement, seen
            for row in study(converter, measurement, codes, seen, folder):
                write(row + "\n")
            sys.stdout.flush()
        write("\n| device -> device | sound | mean | p99 | floor |\n|---|---|---|---|---|\n")
        names = list(done)
        for one, two in zip(names, names[1:] + names[:1], strict=True):
            write(device_to_device(done[one][0], done[two][0], codes, (done[one][1], done[two][1])))
            write("\n")
            sys.stdout.flush()


if __name__ == "__main__":
    with kept(__file__, "How near a baked look comes to its converter", fenced=False):
        main()
