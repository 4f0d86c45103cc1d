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


@click.command("chart", short_help="Write the HDR test clip to play.")
@click.argument("out", type=FILE)
@click.option("--quick", is_flag=True, help="A coarser colour lattice: 17 in place of 33 a side.")
@click.option(
    "--size", default="1920x1080", metavar="WxH", callback=parse_size, show_default=True,
    help="Picture size.",
)  # fmt: skip
@click.option(
    "--rate", default="24000/1001", metavar="RATE", callback=parse_rate, show_default=True,
    help="Frames per second.",
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
@click.option("--codec", type=click.Choice(["hevc", "ffv1", "v210"]), help="By default by suffix.")
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
    transfer: ChartTransfer,
    peak: int,
    hold: float,
    codec: ChartCodec | None,
    lossless: bool,
    max_cll: int | None,
    max_fall: int | None,
    force: bool,
) -> None:
    """Write the HDR test clip OUT to play through a device.

    The suffix says how it is stored: .mp4 and .mov HEVC Main 10, .mkv FFV1, .avi v210.
    """
    from tonelab.chart import Layout, chart_metadata, write_chart
    from tonelab.outputs import check_output

    check_output(out, overwrite=force)
    layout = Layout.create(
        kind="quick" if quick else "full",
        width=size[0],
        height=size[1],
        transfer=transfer,
        peak=peak,
        hold=round(hold * rate),
    )
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
            f"then: tonelab measure {out.name} CAPTURE --device NAME -o NAME.h5"
        )
