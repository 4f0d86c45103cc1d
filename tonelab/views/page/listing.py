"""Findings and documents as rows of words, for any section."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tonelab.views.document import plain
from tonelab.views.words import measured, unit_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence


def finding_rows(findings: Sequence[Any]) -> Iterator[dict[str, str]]:
    """Put findings of a measurement or of a check's document into words, the gravest first.

    Yields
    ------
    dict
        ``severity``, ``verdict``, ``text``, ``figures``, ``alternatives`` and ``decided_by``.
    """
    order = {"stop": 0, "warning": 1, "info": 2}
    listed = [plain(finding) for finding in findings]
    for finding in sorted(listed, key=lambda one: order.get(one.get("severity"), 3)):
        value = finding.get("value")
        unit = unit_of(finding.get("unit") or "")
        figures = []
        if value is not None:
            figures.append(f"{measured(value, finding.get('bound'))}{unit}")
        if finding.get("threshold") is not None:
            figures.append(f"limit {finding['threshold']:g}{unit}")
        if finding.get("count"):
            figures.append(f"{finding['count']:,} samples")
        yield {
            "severity": str(finding.get("severity", "info")),
            "verdict": str(finding.get("verdict") or ""),
            "text": str(finding.get("text", "")),
            "figures": ", ".join(figures),
            "alternatives": "; ".join(finding.get("alternatives") or ()),
            "decided_by": str(finding.get("decided_by") or ""),
        }


def flat(document: Any, prefix: str = "") -> Iterator[tuple[str, str]]:
    """Flatten a document of JSON values into labels and words; long lists are counted."""
    if isinstance(document, dict):
        for key, value in document.items():
            label = f"{prefix} {key}".strip().replace("_", " ")
            yield from flat(value, label)
    elif isinstance(document, list):
        if len(document) > 8 or any(isinstance(one, (dict, list)) for one in document):
            yield prefix, f"{len(document)} entries"
        else:
            yield prefix, ", ".join(map(_word, document)) or "none"
    else:
        yield prefix, _word(document)


def _word(value: Any) -> str:
    if value is None:
        return "not stated"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def file_name(name: str) -> str:
    """Reduce a name to what every file system takes."""
    kept = "".join(letter if letter.isalnum() else "-" for letter in name.lower())
    return "-".join(filter(None, kept.split("-"))) or "device"
