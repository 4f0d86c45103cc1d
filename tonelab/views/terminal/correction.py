"""A correction and its proof, as a terminal shows them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Group
from rich.text import Text

from tonelab.views.terminal.facts import labelled, number_table

if TYPE_CHECKING:
    from rich.console import RenderableType

    from tonelab.correction import Applying, Correction, Verification

_REGIONS = 12  # listed on the terminal; the JSON holds all


def correction_summary(correction: Correction, disagreement: float | None = None) -> RenderableType:
    """Render a correction for a terminal.

    Parameters
    ----------
    correction
        Baked.
    disagreement
        By how much the readers of its file differ, as `Correction.save` returns it; None before.
    """
    columns = ("mean ΔE_ITP", "median", "p95", "p99", "max", "floor", "colours")
    errors = number_table("reader", *columns)
    for error in correction.errors:
        figures = (error.mean, error.median, error.p95, error.p99, error.max, error.floor)
        errors.add_row(error.reader, *(f"{value:.2f}" for value in figures), str(error.count))
    total = correction.table.size**3
    nodes = number_table("nodes", "count", "share")
    for name, mask in correction.masks.items():
        nodes.add_row(name, str(int(mask.sum())), f"{100 * mask.mean():.1f} %")
    regions = number_table("region", "reason", "nodes", "of")
    for doubt in correction.doubts[:_REGIONS]:
        regions.add_row(doubt.region, doubt.reason, str(doubt.count), str(doubt.nodes))
    more = len(correction.doubts) - _REGIONS
    rest = [Text(f"and {more} smaller ones (--json lists all)", "dim")] if more > 0 else []
    read_back: list[tuple[str, RenderableType]] = []
    if disagreement is not None:
        agreed = Text(f"independent readers agree within {disagreement:.1g}")
        read_back.append(("read back", agreed))
    return Group(
        Text(f"{correction.kind}: {correction.name}", "bold"),
        labelled(
            [
                ("input", Text(f"R'G'B', {correction.input.describe()}")),
                ("output", Text(f"R'G'B', {correction.output.describe()}")),
                ("lattice", Text(f"{correction.table.size}^3, {total} nodes")),
                *read_back,
                *(("note", Text(note)) for note in correction.notes),
            ]
        ),
        Text("\nPredicted error on colours that the lattice was not fitted to", "bold blue"),
        errors,
        Text("\nWhere not to trust it", "bold blue"),
        nodes,
        regions,
        *rest,
    )


def verification_summary(found: Verification) -> RenderableType:
    """Render a proof for a terminal."""
    table = number_table(
        "mean ΔE_ITP", "median", "p95", "p99", "max", "floor", "codes RMS", "luminance"
    )
    figures = (found.mean, found.median, found.p95, found.p99, found.max, found.floor)
    greys = "–" if found.luminance_error is None else f"{found.luminance_error:.1f} %"
    table.add_row(*(f"{value:.2f}" for value in (*figures, found.codes_rms)), greys)
    clear = []
    if found.unclipped_mean is not None:
        clear.append(
            Text(
                f"mean {found.unclipped_mean:.2f} (floor {found.unclipped_floor:.2f}) on the "
                f"{found.unclipped_count} that lie clear of black and white in R, G and B; what "
                "was clipped cannot be recovered"
            )
        )
    return Group(
        Text(f"{found.count} {found.what} over {found.frames} frames, {found.reader}", "bold"),
        table,
        *clear,
        Text(f"on {found.display}", "dim"),
    )


def applying_summary(found: Applying) -> RenderableType:
    """Render what was rendered for a terminal."""
    frames = "1 picture" if found.frames == 1 else f"{found.frames} frames"
    way = "exact formula"
    if found.nodes is not None:
        way = (
            f"lattice of {found.nodes}^3, off its formula by {found.table_mean:.2f} codes (p99 "
            f"{found.table_p99:.1f}) on colours drawn evenly from the cube that was measured"
        )
    rows = [
        ("output", f"{frames} of {found.width}x{found.height}, {found.codec}, {found.sampling}"),
        ("coding", found.signal),
        ("chroma", found.chroma),
        ("codes", found.rounding),
        ("by", way),
    ]
    if found.beyond:
        share = f"{100 * found.beyond:.2g} % of samples are brighter than any that was measured"
        rows.append(("beyond", f"{share}: continued, not known"))
    rows += [("note", note) for note in found.notes]
    return Group(
        Text(f"{found.output}: as {found.name} shows it", "bold"),
        labelled([(label, Text(text)) for label, text in rows]),
    )
