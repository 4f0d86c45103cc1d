"""What is made of the measurements of a run: figures, comparisons, pages."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tonelab.bench.baking import GROUNDS, coverage_name
from tonelab.bench.outcome import attempt, named, plain_name, write_json
from tonelab.compare import compare
from tonelab.errors import TonelabError
from tonelab.scores.gradients import gradient_steps
from tonelab.views.documents.comparison import comparison_document
from tonelab.views.words import NOT_IDENTIFIABLE

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from matplotlib.figure import Figure

    from tonelab.bench.outcome import Outcome, Results, Watch
    from tonelab.bench.reading import Task
    from tonelab.results.progress import StageProgress


_REGIONS = 6  # doubtful regions named on the page; the download has all


def draw(results: Results) -> Iterator[Outcome]:
    """Draw the figures of each measurement."""
    if not results.bench.output.figures:
        return
    from tonelab.views.figures import FIGURES

    for name, measurement in results.measurements.items():
        with attempt("draw", name) as trial:
            drawn, without = {}, []
            for kind, figure in FIGURES.items():
                try:
                    drawn[kind] = figure(measurement)
                except TonelabError:  # an HDR capture, for example, has no conversion to draw
                    without.append(kind)
            text = f"drawn, but for {', '.join(without)}" if without else "drawn"
            trial.succeed(text, *_save_figures(results, name, drawn))
        yield trial.outcome


def compare_all(results: Results) -> Iterator[Outcome]:
    """Compare the measurements of each source with each other."""
    output = results.bench.output
    for key, tasks in results.by_source().items():
        if len(tasks) < 2:
            continue
        with attempt("compare", key) as trial:
            measurements = [results.measurements[task.name] for task in tasks]
            comparison = compare(measurements, output.against)
            results.comparisons[key] = comparison
            name = f"comparison {plain_name(key)}"
            path = results.inside(f"{name}.json")
            write_json(path, comparison_document(comparison))
            files = [results.relative(path)]
            if output.figures:
                from tonelab.views import figures

                drawn = {
                    "curves": figures.comparison_figure(measurements, comparison),
                    "hues": figures.hue_figure(comparison),
                    "distances": figures.distance_figure(comparison),
                }
                if any(map(gradient_steps, measurements)):
                    gradients = figures.gradient_figure(measurements, comparison.devices)
                    drawn["gradients"] = gradients
                files += _save_figures(results, name, drawn)
            trial.succeed(f"{len(tasks)} captures over {comparison.colours} colours", *files)
        yield trial.outcome


def report(results: Results, watch: Watch) -> Iterator[Outcome]:
    """Write the page of each source, with pictures where the clips can be shown."""
    if not results.bench.output.page:
        return
    from tonelab.views.page import write_page

    sources = results.by_source()
    for key, tasks in sources.items():
        name = "report.html" if len(sources) == 1 else f"report {plain_name(key)}.html"
        path = results.inside(name)
        left_out = [f"{one.name}: {one.text}" for one in results.outcomes if one.state == "failed"]
        with attempt("report", key) as trial:
            try:
                pictures = _pictures(results, tasks, named(watch, key))
            except TonelabError as error:
                pictures, left_out = (), [*left_out, f"Pictures: {error}"]
            write_page(
                path,
                [results.measurements[task.name] for task in tasks],
                title=results.bench.title,
                comparison=results.comparisons.get(key),
                checks=results.checks,
                corrections=[
                    *(_correction_words(results, *one) for one in results.corrections.items()),
                    *(_proof_words(proof) for proof in results.proofs.values()),
                ],
                pictures=pictures,
                notes=results.bench.notes,
                plan=results.bench.raw,
                left_out=left_out,
                overwrite=True,
            )
            trial.succeed(f"{len(tasks)} captures on one page", results.relative(path))
        yield trial.outcome


def _correction_words(results: Results, title: str, document: dict[str, Any]) -> dict[str, Any]:
    """Name the figures of a correction for the page."""
    predicted = [
        f"{one['reader']} {one['mean']:.2f}, 95 % below {one['p95']:.2f} (floor {one['floor']:.2f})"
        for one in document["predicted_errors"]
        if one["mean"] is not None
    ]
    regions = [
        f"{one['count']} of {one['nodes']} nodes of {one['region']} {one['reason']}"
        for one in document["regions"][:_REGIONS]
    ]
    nodes = [f"{count:,} {name}" for name, count in document["nodes"].items()]
    return {
        "name": f"Correction {title}: {document['name'].replace('->', '→')}",
        "file": document["file"],
        "takes": document["input"],
        "gives": document["output"],
        "predicted error": f"mean ΔE_ITP, {'; '.join(predicted)}"
        if predicted
        else NOT_IDENTIFIABLE,
        "rests on": f"{document['predicted_errors'][0]['count']:,} colours, not fitted to",
        "nodes": f"{document['size']}^3, of which {', '.join(nodes)}",
        "doubts": "; ".join(regions) or "none",
        "notes": "; ".join(document["notes"]) or "none",
        "SHA-256": document["sha256"],
        "drawings": {
            ground: results.inside("corrections", coverage_name(title, ground)).read_text("utf-8")
            for ground in GROUNDS
        },
        "data": document,
    }


def _proof_words(proof: dict[str, Any]) -> dict[str, str]:
    """Name the figures of a proof for the page."""
    clear = {}
    if proof["unclipped_mean"] is not None:
        clear["clear of black and white"] = (
            f"mean ΔE_ITP {proof['unclipped_mean']:.2f}, where rounding leaves "
            f"{proof['unclipped_floor']:.2f}, over {proof['unclipped_count']:,}; what was clipped "
            "cannot be recovered"
        )
    return {
        "name": f"{proof['of'][:1].upper()}{proof['of'][1:]}, compared with what was not fitted: "
        f"{proof['captures']}",
        "error": f"mean ΔE_ITP {proof['mean']:.2f}, where rounding leaves {proof['floor']:.2f}",
        "median, 95 %, 99 %, largest": ", ".join(
            f"{proof[name]:.2f}" for name in ("median", "p95", "p99", "max")
        ),
        **clear,
        "codes": f"{proof['codes_rms']:.2f} RMS over Y', Cb and Cr",
        "rests on": f"{proof['count']:,} {proof['what']} over {proof['frames']} frames",
        "read by": f"{proof['reader']} interpolation",
        "display": proof["display"],
        "data": proof,
    }


def _pictures(results: Results, tasks: Sequence[Task], progress: StageProgress) -> tuple[Any, ...]:
    from tonelab.views.pictures import Crop, make_pictures

    output = results.bench.output
    return make_pictures(
        tasks[0].source,
        [task.capture for task in tasks],
        [results.measurements[task.name] for task in tasks],
        crops=[Crop(one.frame, one.x, one.y, one.label) for one in output.crops],
        standard=output.render,
        progress=progress,
    )


def _save_figures(results: Results, name: str, drawn: dict[str, Figure]) -> list[str]:
    from tonelab.views.figures import save_figure

    files = []
    for kind, figure in drawn.items():
        for suffix in results.bench.output.figures:
            path = results.inside("figures", f"{name} {kind}.{suffix}")
            save_figure(figure, path, overwrite=True)
            files.append(results.relative(path))
    return files
