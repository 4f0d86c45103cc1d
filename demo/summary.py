"""The summary that the scenario ends with: what was found, beside what was built in."""

from __future__ import annotations

from textwrap import fill
from typing import TYPE_CHECKING, NamedTuple

from tonelab.compare import compare
from tonelab.conversion import DRIVES, TONE_CURVES
from tonelab.readings.colours import code_step

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tonelab.results import Measurement

    from .devices import Device

GREYS = {"grey-18": 26.0, "diffuse-white": 203.0, "peak-1000": 1000.0}
PARAMETERS = {
    "source_peak": "peak it expects",
    "target_peak": "peak it aims for",
    "white": "light its curve counts as 1",
    "peak": "light that becomes white",
    "threshold": "colour fades above",
    "semi_saturation": "light its curve counts as 1",
    "saturation": "colour control",
}


class Row(NamedTuple):
    """One fact: what was built in and what was found, as words; how far apart, in percent."""

    what: str
    built: str
    found: str
    percent: float | None = None

    @property
    def right(self) -> bool:
        """Whether the word is the same, or the number within 1 %."""
        return self.built == self.found if self.percent is None else self.percent < 1


def facts(device: Device, measurement: Measurement) -> Iterator[Row]:
    """Hold a measurement against what was built into the device."""
    found = measurement.conversion
    curve = found.family_label if found.family else "no published curve"
    yield Row("tone curve", TONE_CURVES[device.family].label, curve)
    estimates = {**found.parameters, **found.controls}
    for name, truth in device.parameters.items():
        estimate = estimates.get(name)
        if estimate is not None and estimate.identifiable:
            yield _row(PARAMETERS[name], truth, estimate.value, estimate.unit)
        else:
            yield Row(PARAMETERS[name], f"{truth:g}", "cannot be told")
    drive = DRIVES[found.drive].label if found.drive in DRIVES else found.drive
    yield Row("applied to", DRIVES[device.drive].label, drive)
    marks = {mark.id: mark for mark in measurement.landmarks}
    for name, light in GREYS.items():
        mark = marks[name]
        if mark.output is not None:
            yield _row(f"{light:g} cd/m2 becomes", device.grey(light), mark.output, "cd/m2")
    step = code_step(measurement.tallies, measurement.capture.signal)
    depth = measurement.capture.signal.bits - (int(step).bit_length() - 1)
    yield Row("bits that mean something", str(device.bits), str(depth))
    counts = {finding.id: round(finding.value or 0) for finding in measurement.findings}
    for name, frames in (("dropped", device.dropped), ("repeated", device.repeated)):
        yield Row(f"frames {name}", str(len(frames)), str(counts.get(f"frames-{name}", 0)))


def summarise(devices: Sequence[Device], measurements: Sequence[Measurement]) -> str:
    """Write the summary as Markdown.

    Parameters
    ----------
    devices, measurements
        The devices and what tonelab measured of them, in the same order.
    """
    rows = [list(facts(*pair)) for pair in zip(devices, measurements, strict=True)]
    parts = [_opening(rows), _overview(devices, measurements)]
    for device, measurement, known in zip(devices, measurements, rows, strict=True):
        parts.append(_chapter(device, measurement, known))
    parts += [_update(measurements[-2:]), _CLOSING]
    return "\n".join(parts)


def _row(what: str, truth: float, found: float, unit: str) -> Row:
    unit = f" {unit}" if unit else ""
    digits = 3 if truth < 10 else 1 if truth < 1000 else 0
    percent = 100 * (found / truth - 1)
    return Row(what, f"{truth:.{digits}f}{unit}", f"{found:.{digits}f}{unit}", abs(percent))


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Lay out a Markdown table that can also be read as it is."""
    widths = [max(map(len, column)) for column in zip(head, *rows, strict=True)]

    def line(cells: Sequence[str]) -> str:
        first, *others = zip(cells, widths, strict=True)
        padded = [first[0].ljust(first[1]), *(cell.rjust(width) for cell, width in others)]
        return f"| {' | '.join(padded)} |"

    rule = [":" + "-" * (widths[0] - 1), *("-" * (width - 1) + ":" for width in widths[1:])]
    return "\n".join([line(head), line(rule), *map(line, rows)]) + "\n"


def _paragraph(text: str) -> str:
    return fill(" ".join(text.split()), 99, break_on_hyphens=False)


def _opening(rows: Sequence[Sequence[Row]]) -> str:
    every = [row for known in rows for row in known]
    right = sum(row.right for row in every)
    furthest = max(row.percent for row in every if row.percent is not None)
    verdict = f"""Of {len(every)} things that were built in, it found {right}. Of the numbers among
        them, the one furthest off is {furthest:.2f} % away."""
    return f"""# Three playback devices, measured

A reviewer has three HDR players and one SDR screen, and wants to know what the players make of HDR.
They do not exist: they are simulated, so that every answer is known beforehand. tonelab was given
`chart.mp4` and the recordings in `captures`, and never saw the answers.

{_paragraph(verdict)}

![The first picture of each recording](figures/pictures.png)

![Luminance transfer of the devices](figures/devices.png)
"""


def _overview(devices: Sequence[Device], measurements: Sequence[Measurement]) -> str:
    comparison = compare(measurements)
    rows = []
    for index, device in enumerate(devices):
        marks, best = comparison.landmarks[index], comparison.best[index]
        nearest = f"{best.label} ({best.mean:.1f})" if best else "none"
        lights = [marks[name].output for name in GREYS]
        rows.append(
            [device.title, *(f"{light:.0f}" for light in lights if light is not None), nearest]
        )
    head = ["light on the screen, cd/m2", *(f"from {light:g}" for light in GREYS.values())]
    return f"""## At a glance

{_table([*head, "nearest standard conversion"], rows)}
26 cd/m2 is 18 % grey, 203 cd/m2 is diffuse white. The screen is taken to reach 100 cd/m2. Beside
the nearest standard conversion stands the mean distance from it in ΔE_ITP, of which 1 is just
visible.
"""


def _chapter(device: Device, measurement: Measurement, known: Sequence[Row]) -> str:
    found, name = measurement.conversion, f"{device.name.lower()}-{device.firmware}"
    rows = [
        [row.what, row.built, row.found, "" if row.percent is None else f"{row.percent:.2f} %"]
        for row in known
    ]
    verdict = f"""The conversion that was found predicts colours that it was not fitted to within
        {found.held_out_codes_rms:.2f} codes (RMS). Rounding alone leaves
        {found.floor_codes_rms:.2f}."""
    return f"""## {device.title}

{_paragraph(f"It {device.story}.")}

{_table(["", "built in", "found by tonelab", "apart"], rows)}
{_paragraph(verdict)}

![Luminance transfer](figures/{name}-luminance.png)
"""


def _update(measurements: Sequence[Measurement]) -> str:
    comparison = compare(measurements)
    difference = comparison.differences[0]
    verdict = f"""The curves are furthest apart at {difference.largest_at:.0f} cd/m2:
        {difference.largest:+.0f} codes of 10 bits. At 203 cd/m2 it is {difference.at[203.0]:+.0f},
        at 26 cd/m2 {difference.at[26.0]:+.0f}. The update brings back detail above 600 cd/m2 and
        pays for it with the light of everything from diffuse white upwards. Over all colours the
        two are {comparison.distance_mean[0, 1]:.2f} ΔE_ITP apart on average, of which rounding
        alone explains {comparison.distance_floor[0, 1]:.2f}."""
    return f"""## What the update changed

![Before and after](figures/update.png)

{_paragraph(verdict)}
"""


_CLOSING = """## Where to go from here

In this folder:

    tonelab show curves/quoskimer-0.9.h5
    tonelab compare curves/orvimble-1.4.h5 curves/orvimble-1.5.h5
    tonelab measure chart.mp4 captures/brelluno-3.0.mov --device Brelluno -o brelluno.h5

With a device that does exist:

    tonelab chart chart.mp4
    tonelab measure chart.mp4 recording.mov --device "my player" -o my-player.h5

`captures` is large and may be deleted: everything after the recording works from the curve files.
"""
