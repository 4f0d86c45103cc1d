"""``tonelab chart``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from tonelab.cli.options import FILE, force, parse_rate, parse_size, verbosity
from tonelab.cli.terminal import Session, progress_bar, say

if TYPE_CHECKING:
    from fractions import Fraction
    from pathlib import Path

    from tonelab.chart.files import ChartCodec
    from tonelab.chart.layout import ChartTransfer
    from tonelab.chart.patches import ChartKind
    from tonelab.signal.colorimetry import Matrix


_OF_HDR = {"transfer", "peak", "max_cll", "max_fall"}
_OF_SDR = {"bits", "matrix"}
_NEXT = {
    False: "tonelab measure {} CAPTURE --device NAME -o NAME.h5",
    True: "tonelab check {} CAPTURE",
}


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
    max_cll: int | None,
    max_fall: int | None,
    force: bool,
) -> None:
    """Write the test clip OUT to play through a device: HDR, or SDR with --sdr.

    The suffix says how it is stored: .mp4 and .mov HEVC (H.264 of 8 bits), .mkv FFV1, .avi v210.
    """
    from tonelab.chart import Layout, chart_metadata, write_chart
    from tonelab.chart.files import usual_rate
    from tonelab.errors import UsageError
    from tonelab.outputs import check_output

    check_output(out, overwrite=force)
    kind: ChartKind = "quick" if quick else "full"
    stated = {name for name in _OF_HDR | _OF_SDR if _is_stated(name)}
    wrong = sorted(stated & (_OF_HDR if sdr else _OF_SDR))
    if wrong:
        option = "--" + wrong[0].replace("_", "-")
        raise UsageError(
            f"{option} is of an HDR chart: leave it or --sdr." if sdr
            else f"{option} is of an SDR chart: add --sdr."
        )  # fmt: skip
    if sdr:
        rate = rate if _is_stated("rate") else usual_rate(*size)
        layout = Layout.create_sdr(
            kind, *size, bits=int(bits), matrix=matrix, hold=round(hold * rate)
        )
    else:
        layout = Layout.create(kind, *size, transfer=transfer, peak=peak, hold=round(hold * rate))
    with progress_bar(session) as report:
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
            f"{float(layout.frame_count / rate):.0f} s. Play it on the device, record its output, "
            f"then: {_NEXT[sdr].format(out.name)}"
        )


def _is_stated(name: str) -> bool:
    """Whether an option was given, and is not its default."""
    source = click.get_current_context().get_parameter_source(name)
    return source not in {None, click.core.ParameterSource.DEFAULT}
