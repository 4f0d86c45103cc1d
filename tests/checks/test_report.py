"""Checks of a path: what each names, what it leaves alone, and how files are held together.

The faults come from ``charted.py``, written from the definitions of the standards. The whole matrix
of faults is a study, ``tests/faults/study.py``; here stands a small fixed part of it.
"""

from __future__ import annotations

import io
import json
import shutil
from dataclasses import replace
from hashlib import sha256

import jsonschema
import numpy as np
import pytest
from charted import (
    RATE,
    capture_clip,
    chain,
    chroma_only,
    clean,
    controls,
    each_plane,
    evidence_of,
    layout_of,
    registered,
    repeated_lines,
    sharpen,
    source_clip,
)
from rich.console import Console

import tonelab
from tonelab.chart import chart_signal, render_planes, write_chart
from tonelab.checks import CHECKS, examine
from tonelab.checks.loopback import relate
from tonelab.checks.registry import CHAIN, altered, transparent
from tonelab.cli import main
from tonelab.media import write_clip
from tonelab.pixels.bursts import bursts
from tonelab.pixels.run import tally_pixels
from tonelab.views.documents.checks import check_document, check_schema


def ids(evidence):
    return {f.id for result in examine(evidence)[0] for f in result.findings if shown(f)}


def shown(finding):
    # A sharpened capture is not identical, and its overshoots reach reserved codes.
    return finding.verdict == "not transparent" and finding.id not in {"identity", "legal-codes"}


@pytest.fixture(scope="module")
def several():
    """Evidence of a capture with a fault of levels, one of detail and one of chroma."""
    return evidence_of(chain(controls(hue=4.0), sharpen(0.8), chroma_only(repeated_lines)))


def test_a_clean_capture_has_no_finding_and_all_its_samples():
    evidence = evidence_of(lambda planes: planes)
    results, registration = examine(evidence)
    assert ids(evidence) == set()
    assert {r.name for r in results} == set(CHECKS) - {"stride", "storage", "declared"}
    assert not registration
    identity = next(r for r in results if r.name == "identity").findings[0]
    assert identity.verdict == "transparent"
    assert identity.value == 100.0


def test_faults_of_levels_detail_and_chroma_are_distinguished(several):
    assert ids(several) == {"hue-rotated", "detail-sharpened", "chroma-lines-repeated"}
    hue = next(f for r in examine(several)[0] for f in r.findings if f.id == "hue-rotated")
    assert abs(hue.value - 4.0) < max(hue.bound, 0.02)


def test_identity_distinguishes_levels_and_chroma_interpolation_from_other_differences(several):
    def said(joint, same):
        paths = replace(several.paths, every_sample=np.ones(3, bool))
        paths = paths.with_tables(joint=joint, same=same)
        (result,) = [r for r in examine(replace(several, paths=paths))[0] if r.name == "identity"]
        return result.findings[0].text

    joint, same = np.zeros((3, 1024, 1024), np.int64), np.full((3, 2, 2), 1000)
    joint[:, 100:900, 100:900] = np.diag(np.full(800, 10))
    edges = joint.copy()
    edges[1:, 300, 302] = 40
    assert "another interpolation of chroma" in said(edges, same)
    assert "100.00% of Y', 99.50% of Cb" in said(edges, same)
    uneven = same.copy()
    uneven[1, 0, 1] = 900
    assert said(edges, uneven).endswith("all of them chroma.")
    assert "only levels differ" in said(np.roll(joint, 3, axis=2), same)
    mixed = edges.copy()
    mixed[0, 300, 302] = 40
    assert said(mixed, same).endswith("up to 2 codes.")


@pytest.mark.parametrize("shift", [8, -8])
def test_chroma_of_a_shifted_picture_still_faces_its_source(shift):
    """Whole pixels of shift leave fewer samples on both sides, and the rest as they were."""

    def moved(planes):
        return [np.roll(plane, shift // (2 if n else 1), axis=1) for n, plane in enumerate(planes)]

    layout = layout_of()
    pair = registered(source_clip(layout), capture_clip(layout, moved), layout)
    pair = replace(pair, facts=replace(pair.facts, offset=(float(shift), 0.0)))
    paths = tally_pixels(pair, bursts(pair)[:1])
    for table in paths.joint:
        assert table.sum() > 10_000
        assert np.trace(table) > 0.99 * table.sum()


def test_every_finding_says_what_it_rests_on(several):
    for result in examine(several)[0]:
        for finding in result.findings:
            assert finding.verdict
            assert finding.id == result.name or finding.id.startswith(f"{result.name}-")
            if finding.verdict == "not transparent":
                assert finding.count > 0
                assert finding.threshold is not None
                assert finding.alternatives or finding.id.startswith(("frames", "picture"))
                assert finding.decided_by
            if finding.verdict == "cannot tell":
                assert finding.decided_by


def test_a_loopback_that_is_clean_never_takes_the_blame():
    # A clean finding may bear the id of the altered one, and a value near it.
    altered_share = altered("identity", "Not all are identical.", value=99.9, bound=0.5, count=9)
    clean_share = transparent("identity", "All are identical.", value=100.0, bound=0.5)
    (found,) = relate((altered_share,), (clean_share,))
    assert found.verdict == "not transparent"
    assert found.text.endswith("The loopback is clean here, so the device does it.")


def test_a_loopback_clears_the_chain_or_takes_the_blame():
    fault = altered(
        "depth-eight-bits", "Eight bits.", value=8.0, alternatives=(f"{CHAIN} cuts", "the player")
    )
    (cleared,) = relate((fault,), (transparent("depth", "Ten bits."),))
    assert cleared.verdict == "not transparent"
    assert cleared.alternatives == ("the player",)
    (blamed,) = relate((fault,), (replace(fault),))
    assert blamed.verdict == "cannot tell"
    assert "chain" in blamed.text
    more = altered("levels-luma", "Gain.", value=1.10, bound=0.001)
    (part,) = relate((more,), (replace(more, value=1.05),))
    assert part.verdict == "not transparent"
    assert "1.05" in part.text


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Files of the chart, of a capture in 8 bits, and of the same capture chain's loopback."""
    folder = tmp_path_factory.mktemp("pass through é")
    layout = layout_of()
    write_chart(folder / "chart.mkv", layout, rate=RATE)
    fault = each_plane(lambda plane: np.maximum(plane >> 2 << 2, 4))
    write_clip(
        folder / "capture.mov",
        (fault(clean(render_planes(layout, n))) for n in range(layout.frame_count)),
        width=layout.width,
        height=layout.height,
        rate=RATE,
        subsampling="422",
        bits=10,
        codec="v210",
        signal=chart_signal(layout),
    )
    shutil.copy(folder / "capture.mov", folder / "loopback.mov")
    return folder


def test_the_command_informs_people_and_programs_and_keeps_its_findings(folder, capsys):
    files = [str(folder / "chart.mkv"), str(folder / "capture.mov")]
    kept = folder / "findings.json"
    assert main(["check", *files, "--json", "-o", str(kept), "--fail-on", "warning"]) == 1
    streams = capsys.readouterr()
    document = json.loads(streams.out)
    jsonschema.validate(document, check_schema())
    assert document == json.loads(kept.read_text(encoding="utf-8"))
    assert document["pass_through"]
    content = (folder / "capture.mov").read_bytes()
    assert document["capture"]["sha256"] == sha256(content).hexdigest()
    verdicts = {entry["name"]: entry["verdict"] for entry in document["checks"]}
    assert verdicts["depth"] == "not transparent"
    assert verdicts["hue"] == "transparent"
    assert "8 bits" in streams.err
    assert main(["check", *files, "-o", str(kept)]) == 2


@pytest.mark.long
def test_what_the_loopback_shows_too_is_laid_to_the_chain(folder):
    report = tonelab.check(
        folder / "chart.mkv", folder / "capture.mov", loopback=folder / "loopback.mov"
    )
    depth = next(result for result in report.results if result.name == "depth")
    assert depth.verdict == "cannot tell"
    assert "loopback" in depth.findings[0].text
    jsonschema.validate(check_document(report), check_schema())
    console = Console(width=100, record=True, file=io.StringIO())
    console.print(report)
    text = console.export_text()
    assert "loopback.mov" in text
    assert "cannot tell" in text
