"""``tonelab chart``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from tonelab.cli.options import FILE, force, parse_rate, parse_size, verbosity
from tonelab.cli.terminal import Session, progress_bar, quoted, say

if TYPE_CHECKING:
    from fractions import Fraction
    from pathlib import Path

    from tonelab.chart.files import ChartCodec
    from tonelab.chart.layout import ChartTransfer, Layout
    from tonelab.chart.patches import ChartKind
    from tonelab.results.progress import StageProgress
    from tonelab.signal.colorimetry import Matrix


_OF_HDR = {"transfer", "peak", "max_cll", "max_fall"}
_OF_SDR = {"bits", "matrix"}
# What a second chart takes from the first.
_OF_FIRST = {"quick", "size", "sdr", "transfer", "peak"}


@click.command("chart", short_help="Write the test clip to play.")
@click.argument("out", type=FILE)
@click.option("--quick", is_flag=True, help="A coarser colour lattice: 17 in place of 33 a side.")
@click.option(
    "--size", default="1920x1080", metavar="WxH", callback=parse_size, show_default=True,
    help="Picture size; of SDR also 720x576 and 720x480.",
)  # fmt: skip
@click.option(
    "--rate", default="24000/1001", metavar="RATE", callback=parse_rate, show_default=True,
    help="Frames per second; 25 of 576 lines and 30000/1001 of 480.",
)  # fmt: skip
@click.option("--sdr", is_flag=True, help="An SDR chart: BT.1886, BT.709 or BT.601, narrow range.")
@click.option(
    "--bits", type=click.Choice(["8", "10"]), default="8", show_default=True,
    help="Bit depth of an SDR chart.",
)  # fmt: skip
@click.option(
    "--matrix", type=click.Choice(["bt601", "bt709"]),
    help="Matrix of an SDR chart; by default BT.601 up to 576 lines, BT.709 above.",
)  # fmt: skip
@click.option(
    "--transfer", type=click.Choice(["pq", "hlg"]), default="pq", show_default=True,
    help="HDR transfer function.",
)  # fmt: skip
@click.option(
    "--peak", type=int, default=1000, show_default=True, help="Peak of the colours, cd/m2."
)
@click.option(
    "--hold", type=click.FloatRange(0, min_open=True), default=1.0, show_default=True,
    help="Seconds for which each page stands.",
)  # fmt: skip
@click.option(
    "--codec", type=click.Choice(["h264", "hevc", "ffv1", "v210"]), help="By default by suffix."
)
@click.option("--lossless", is_flag=True, help="Code HEVC without loss.")
@click.option(
    "--refine", type=FILE, metavar="FILE.h5",
    help="A second chart for the device of this curve file, of colours that the first left open.",
)  # fmt: skip
@click.option(
    "--pages", type=click.IntRange(1, 15), default=3, show_default=True,
    help="Pages of a second chart, of some 3000 colours each.",
)  # fmt: skip
@click.option("--max-cll", type=click.IntRange(1, 65535), help="MaxCLL to state, cd/m2.")
@click.option("--max-fall", type=click.IntRange(1, 65535), help="MaxFALL to state, cd/m2.")
@force
@verbosity
@click.pass_obj
def command(
    session: Session,
    out: Path,
    quick: bool,
    size: tuple[int, int],
    rate: Fraction,
    sdr: bool,
    bits: str,
    matrix: Matrix | None,
    transfer: ChartTransfer,
    peak: int,
    hold: float,
    codec: ChartCodec | None,
    lossless: bool,
    refine: Path | None,
    pages: int,
    max_cll: int | None,
    max_fall: int | None,
    force: bool,
) -> None:
    """Write the test clip OUT to play through a device: HDR, or SDR with --sdr.

    The suffix says how it is stored: .mp4 and .mov HEVC (H.264 of 8 bits), .mkv FFV1, .avi v210.

    With --refine it is a second chart, for one device that was measured: of colours in places where
    the first chart shows that it knows too little. 'tonelab measure --with' counts it with the
    first.
    """
    from tonelab.chart import chart_metadata, write_chart
    from tonelab.chart.files import usual_rate
    from tonelab.outputs import check_output

    check_output(out, overwrite=force)
    _check_options(sdr=sdr, refine=refine is not None)
    if sdr and not _is_stated("rate"):
        rate = usual_rate(*size)
    frames = round(hold * rate)
    with progress_bar(session) as report:
        if refine is not None:
            layout, device = _second(refine, pages, frames, report)
            then = f"tonelab measure {quoted(out)} CAPTURE --with {quoted(refine)} -o NAME.h5"
        else:
            device = "the device"
            layout = _first(
                "quick" if quick else "full", size, frames,
                sdr=(int(bits), matrix) if sdr else None, hdr=(transfer, peak),
            )  # fmt: skip
            then = (
                f"tonelab check {quoted(out)} CAPTURE" if sdr
                else f"tonelab measure {quoted(out)} CAPTURE --device NAME -o NAME.h5"
            )  # fmt: skip
        write_chart(
            out,
            layout,
            codec=codec,
            rate=rate,
            metadata=chart_metadata(layout, max_cll=max_cll, max_fall=max_fall),
            lossless=lossless,
            overwrite=force,
            progress=lambda done: report("writing", done, layout.frame_count),
        )
    session.written = out
    if not session.quiet:
        say(
            f"{out}: {len(layout.pages)} pages, {layout.frame_count} frames, "
            f"{float(layout.frame_count / rate):.0f} s. Play it on {device}, record its output, "
            f"then: {then}"
        )


def _check_options(*, sdr: bool, refine: bool) -> None:
    """Refuse options that are of another kind of chart."""
    from tonelab.errors import UsageError

    def stated(names: set[str]) -> list[str]:
        return ["--" + name.replace("_", "-") for name in sorted(names) if _is_stated(name)]

    wrong = stated(_OF_FIRST | _OF_SDR) if refine else []
    if wrong:
        raise UsageError(f"{wrong[0]} is that of the first chart: leave it or --refine.")
    if not refine and _is_stated("pages"):
        raise UsageError("--pages is of a second chart: add --refine FILE.h5.")
    wrong = stated(_OF_HDR) if sdr else stated(_OF_SDR)
    if wrong:
        raise UsageError(
            f"{wrong[0]} is of an HDR chart: leave it or --sdr." if sdr
            else f"{wrong[0]} is of an SDR chart: add --sdr."
        )  # fmt: skip


def _first(
    kind: ChartKind,
    size: tuple[int, int],
    hold: int,
    *,
    sdr: tuple[int, Matrix | None] | None,
    hdr: tuple[ChartTransfer, int],
) -> Layout:
    """Layout of a first chart: SDR of bits and matrix, or HDR of transfer and peak."""
    from tonelab.chart import Layout

    if sdr is not None:
        return Layout.create_sdr(kind, *size, bits=sdr[0], matrix=sdr[1], hold=hold)
    return Layout.create(kind, *size, transfer=hdr[0], peak=hdr[1], hold=hold)


def _second(file: Path, pages: int, hold: int, report: StageProgress) -> tuple[Layout, str]:
    """Layout of a second chart for a curve file, and the name of its device."""
    from tonelab.correction.second_chart import second_chart
    from tonelab.curvefile import load

    first = load(file)
    layout = second_chart(first, str(file), pages=pages, hold=hold, progress=report)
    return layout, first.device


def _is_stated(name: str) -> bool:
    """Whether an option was given, and is not its default."""
    source = click.get_current_context().get_parameter_source(name)
    return source not in {None, click.core.ParameterSource.DEFAULT}
