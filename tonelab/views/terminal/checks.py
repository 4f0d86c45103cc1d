"""What the checks of a pair found, for people and for programs.

The JSON contract is `check_schema`.
"""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich import box
from rich.console import Group
from rich.table import Table
from rich.text import Text

from tonelab.outputs import check_output, whole_file
from tonelab.results import CheckReport
from tonelab.views.document import laid_out
from tonelab.views.schema import schema_of
from tonelab.views.terminal.facts import labelled, picture, reading

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from rich.console import RenderableType

    from tonelab.results import ClipFacts, Finding

CHECKS_SCHEMA = "tonelab.checks"
CHECKS_VERSION = 1
_COLOURS = {"transparent": "green", "not transparent": "bold red", "cannot tell": "yellow", "": ""}


def check_document(report: CheckReport) -> dict[str, Any]:
    """Lay out a report as JSON values.

    Returns
    -------
    dict
        As `check_schema` says.
    """
    return {"schema": CHECKS_SCHEMA, "version": CHECKS_VERSION, **laid_out(report)}


def write_checks(report: CheckReport, path: str | Path, *, overwrite: bool = False) -> None:
    """Write the document of a report as a JSON file, whole or not at all.

    Raises
    ------
    UsageError
        When the file exists, or the system refuses to write it.
    """
    path = Path(path)
    check_output(path, overwrite=overwrite)
    text = json.dumps(check_document(report), indent=1, allow_nan=False, ensure_ascii=False)
    with whole_file(path) as temporary:
        temporary.write_text(text + "\n", encoding="utf-8")


def check_schema() -> dict[str, Any]:
    """Return the JSON Schema of `check_document`."""
    job = {
        "type": "string",
        "description": "SHA-256 of what the findings follow from, when a bench plan asked for them",
    }
    return schema_of(
        CheckReport,
        "What the checks of a pair of source and capture found",
        opening={"schema": CHECKS_SCHEMA, "version": CHECKS_VERSION},
        optional={"job": job},
    )


def check_summary(report: CheckReport) -> RenderableType:
    """Render a report for a terminal: a table by check, then what would decide the open ones.

    Returns
    -------
    rich renderable
        For ``rich.print`` or a console's ``print``.
    """
    clips = [("source", report.source), ("capture", report.capture)]
    if report.loopback is not None:
        clips.append(("loopback", report.loopback))
    kind = "pass-through: the capture shows the source's own signal"
    if not report.pass_through:
        kind = "conversion: only the checks that hold for one are made"
    parts: list[RenderableType] = [
        labelled([*((name, _clip(clip)) for name, clip in clips), ("path", Text(kind))]),
        Text(""),
        _table(report),
    ]
    if report.registration:
        lines = (Text(f"  {finding.text}") for finding in report.registration)
        parts += [Text("\nRegistration", "bold blue"), *lines]
    return Group(*parts, Text(f"\n{verdict_line(report)}", "bold"))


def verdict_words(document: Mapping[str, Any]) -> str:
    """Say in one line what a document of checks holds, the altered named."""
    checks = document["checks"]
    altered = [one["name"] for one in checks if one["verdict"] == "not transparent"]
    counts = Counter(one["verdict"] for one in checks)
    return (
        f"not transparent: {', '.join(altered) or 'none'}; {counts['transparent']} checks "
        f"transparent within their bounds, {counts['cannot tell']} cannot tell"
    )


def verdict_line(report: CheckReport) -> str:
    """Count the verdicts in one sentence."""
    verdicts = [result.verdict for result in report.results]
    return (
        f"{verdicts.count('transparent')} checks show the path transparent within their bounds, "
        f"{verdicts.count('not transparent')} show it not transparent, "
        f"{verdicts.count('cannot tell')} cannot tell."
    )


def _clip(clip: ClipFacts) -> RenderableType:
    return Group(Text.assemble((clip.name, "bold"), f"  {picture(clip)}"), reading(clip))


def _table(report: CheckReport) -> Table:
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, header_style="dim")
    table.add_column("check", no_wrap=True)
    table.add_column("verdict", no_wrap=True)
    table.add_column("finding", ratio=1)
    for result in report.results:
        for index, finding in enumerate(result.findings):
            table.add_row(
                "" if index else result.name,
                Text(finding.verdict, _COLOURS[finding.verdict]),
                Text.assemble(finding.text, *_rests_on(finding)),
            )
    return table


def _rests_on(finding: Finding) -> Iterable[tuple[str, str]]:
    """Figures, other explanations, and what would decide, as dim lines under the sentence."""
    figures = []
    if finding.value is not None:
        unit = f" {finding.unit}" if finding.unit not in {"", "1"} else ""
        bound = f" ± {finding.bound:.2g}" if finding.bound is not None else ""
        figures.append(f"{finding.value:.5g}{bound}{unit}")
    if finding.threshold is not None:
        figures.append(f"limit {finding.threshold:.5g}")
    if finding.count:
        figures.append(f"{finding.count:,} samples")
    if figures:
        yield f"\n{', '.join(figures)}", "dim"
    if finding.alternatives:
        yield f"\nor: {'; '.join(finding.alternatives)}", "dim"
    if finding.decided_by:
        yield f"\nto decide: {finding.decided_by}", "dim"
