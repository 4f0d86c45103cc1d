"""What a notebook shows of results: a picture and tables, as HTML in which nothing is markup."""

from __future__ import annotations

import io
from base64 import b64encode
from functools import singledispatch
from html import escape
from typing import TYPE_CHECKING

from rich.console import Console

from tonelab.compare import Comparison
from tonelab.pairing import Pair
from tonelab.results import (
    CheckReport,
    ChromaTransfer,
    IdentifiedConversion,
    LuminanceCurve,
    Measurement,
)
from tonelab.views.figures import (
    chroma_transfer_figure,
    curve_figure,
    distance_figure,
    luminance_figure,
    png,
)
from tonelab.views.terminal.dispatch import terminal
from tonelab.views.words import (
    NOT_IDENTIFIABLE,
    display_of,
    interval,
    landed,
    left_out,
    light,
    picture,
    readings,
    unit_of,
    verdict_line,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from matplotlib.figure import Figure

    from tonelab.results import ClipFacts, Finding, ParameterEstimate

    Row = Sequence[str]

_NEAREST = 3  # standard conversions that are listed
_POINTS = 9  # of a curve that are listed
_WIDTH = 110  # characters of what is shown as in a terminal


def html(result: object) -> str:
    """Represent a result.

    Parameters
    ----------
    result
        A measurement or one of its parts, a report of checks, a comparison, a pair, a correction or
        its proof, what tuning found, an inspection.

    Returns
    -------
    str
        HTML without script and without anything to fetch; all texts are escaped.
    """
    return "\n".join(_parts(result))


@singledispatch
def _parts(result: object) -> Iterator[str]:
    """Show what has no pictures of its own as a terminal does."""
    console = Console(file=io.StringIO(), record=True, width=_WIDTH)
    console.print(terminal(result))
    yield console.export_html(inline_styles=True, code_format="<pre>{code}</pre>")


@_parts.register(Measurement)
def _measurement(one: Measurement) -> Iterator[str]:
    yield _heading(f"{one.device} {one.firmware}".strip())
    stated = ", ".join(f"{key} = {value}" for key, value in one.settings.items())
    yield from (f"<p>{escape(text)}</p>" for text in (stated, one.notes) if text)
    yield _image(luminance_figure(one), f"Luminance transfer of {one.device}")
    yield from _conversion(one.conversion)
    yield _table(
        ("landmark", "source light", "capture code", "output light"),
        (
            (mark.label, "" if mark.luminance is None else light(mark.luminance), *landed(mark))
            for mark in one.landmarks
        ),
        f"Landmarks; output on a {display_of(one.capture.signal)}",
    )
    nearest = sorted(one.scores, key=lambda score: score.mean)[:_NEAREST]
    yield _table(
        ("standard conversion", "mean ΔE_ITP", "p95", "floor"),
        (
            (score.label, f"{score.mean:.2f}", f"{score.p95:.2f}", f"{score.floor:.2f}")
            for score in nearest
        ),
        f"The nearest of {len(one.scores)} standard conversions",
    )
    yield _findings(one.findings)


@_parts.register(IdentifiedConversion)
def _conversion(found: IdentifiedConversion) -> Iterator[str]:
    curve = (
        found.family_label if found.family else "no published family fits; the free curve stands"
    )
    rows = [("tone curve", curve), *_estimates(found.parameters)]
    rows += [("of greys alone", f"{one.label}, {one.encoding}") for one in found.grey_curves]
    rows += _estimates(found.grey_parameters)
    parts = ("drive", "order", "chroma", "gamut", "encoding")
    rows += [(part, getattr(found, part)) for part in parts]
    rows += [*_estimates(found.controls), ("static", found.static)]
    floors = found.held_out_codes_rms / found.floor_codes_rms
    residual = (
        f"{found.held_out_codes_rms:.3f} codes RMS on {found.held_out_count} colours held out; "
        f"floor {found.floor_codes_rms:.3f}, so {floors:.2f} floors"
    )
    rows.append(("residual", residual))
    rows += [
        ("runner-up", f"{rival.held_out_codes_rms:.2f} codes: {rival.description}")
        for rival in found.runners_up[:_NEAREST]
    ]
    rows += [("note", text) for text in found.notes]
    yield _table(("conversion", ""), rows)


def _estimates(estimates: Mapping[str, ParameterEstimate]) -> Iterator[tuple[str, str]]:
    for name, one in estimates.items():
        unit = unit_of(one.unit)
        best, bounds = interval(one)
        value = f"{best}{unit}" + (f" (95 %: {bounds})" if bounds else "")
        shown = value if one.identifiable else NOT_IDENTIFIABLE
        yield name.replace("_", " "), f"{shown}. {one.note}" if one.note else shown


@_parts.register(LuminanceCurve)
def _curve(curve: LuminanceCurve) -> Iterator[str]:
    yield _image(curve_figure(curve), "Luminance transfer curve")
    size = len(curve.source_code)
    every = (
        sorted({round(at * (size - 1) / (_POINTS - 1)) for at in range(_POINTS)}) if size else []
    )
    yield _table(
        ("source code", "source light", "capture code", "95 %", "samples"),
        (
            (
                f"{curve.source_code[at]:.1f}",
                light(float(curve.luminance[at])),
                f"{curve.smooth[at]:.1f}" + (" (clipped)" if curve.clipped[at] else ""),
                f"{curve.low[at]:.1f} to {curve.high[at]:.1f}",
                str(curve.count[at]),
            )
            for at in every
        ),
        f"{len(every)} of {size} points",
    )


@_parts.register(ChromaTransfer)
def _chroma(chroma: ChromaTransfer) -> Iterator[str]:
    yield _image(chroma_transfer_figure(chroma), "Hue rotation and chroma ratio by source hue")


@_parts.register(Comparison)
def _comparison(one: Comparison) -> Iterator[str]:
    if len(one.devices) > 1:
        yield _image(distance_figure(one), "Mean ΔE_ITP between the devices")
    yield _table(
        ("device", "nearest standard conversion", "mean ΔE_ITP", "floor", "display"),
        (
            (
                device,
                *(
                    ("none was scored", "", "")
                    if best is None
                    else (best.label, f"{best.mean:.2f}", f"{best.floor:.2f}")
                ),
                display_of(signal),
            )
            for device, best, signal in zip(one.devices, one.best, one.displays, strict=True)
        ),
        f"{one.colours} {one.basis} shared",
    )
    yield _table(
        (f"luminance curve minus that of {one.devices[0]}", "RMS, codes", "largest", "at"),
        (
            (
                difference.device,
                f"{difference.rms:.2f}",
                f"{difference.largest:+.1f} ± {float(difference.bound.max()):.1f}",
                light(difference.largest_at),
            )
            for difference in one.differences
        ),
    )
    yield _list(verdict.text for verdict in one.verdicts)


@_parts.register(Pair)
def _pair(pair: Pair) -> Iterator[str]:
    facts = pair.facts
    yield _table(
        ("", "clip", "picture", "read as"),
        (
            (side, clip.name, picture(clip), _read_as(clip))
            for side, clip in (("source", pair.source.facts()), ("capture", pair.capture.facts()))
        ),
    )
    yield _table(
        ("registration", ""),
        (
            ("method", facts.method),
            ("frames", f"{facts.used} used; left out: {left_out(facts) or 'none'}"),
            ("scale", f"{facts.scale[0]:.4g} × {facts.scale[1]:.4g}"),
            ("offset", f"{facts.offset[0]:+.2f}, {facts.offset[1]:+.2f} px"),
            ("residual", f"{facts.residual:.2f} px"),
        ),
    )
    yield _findings(pair.findings)


@_parts.register(CheckReport)
def _checks(report: CheckReport) -> Iterator[str]:
    yield _table(
        ("check", "verdict", "finding"),
        (
            ("" if index else result.name, finding.verdict, finding.text)
            for result in report.results
            for index, finding in enumerate(result.findings)
        ),
        f"{report.capture.name} against {report.source.name}",
    )
    yield f"<p>{escape(verdict_line(report))}</p>"
    yield _findings(report.registration)


def _read_as(clip: ClipFacts) -> str:
    return ", ".join(f"{field} {value} ({who})" for field, value, who in readings(clip.signal))


def _findings(findings: Sequence[Finding]) -> str:
    return _list(f"{finding.severity}: {finding.text}" for finding in findings)


def _heading(text: str) -> str:
    return f"<h4>{escape(text)}</h4>"


def _list(texts: Iterable[str]) -> str:
    items = "".join(f"<li>{escape(text)}</li>" for text in texts)
    return f"<ul>{items}</ul>" if items else ""


def _table(head: Row, rows: Iterable[Row], caption: str = "") -> str:
    parts = [f"<caption>{escape(caption)}</caption>" if caption else "", "<thead><tr>"]
    parts += [f"<th>{escape(cell)}</th>" for cell in head]
    parts.append("</tr></thead><tbody>")
    for row in rows:
        parts.append(f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>")
    return f"<table>{''.join(parts)}</tbody></table>"


def _image(figure: Figure, text: str) -> str:
    data = b64encode(png(figure)).decode()
    return f'<img alt="{escape(text)}" style="max-width:100%" src="data:image/png;base64,{data}">'
