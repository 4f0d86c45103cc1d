"""The steps of the scenario, from the test clip to the report page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tonelab.bench.reading import read_plan
from tonelab.bench.run import run
from tonelab.chart import Layout, chart_metadata, write_chart
from tonelab.compare import compare
from tonelab.curvefile import load
from tonelab.errors import UsageError
from tonelab.media import open_clip, write_clip
from tonelab.outputs import whole_file
from tonelab.signal.description import Signal
from tonelab.views.figures import comparison_figure, save_figure

from .devices import DEVICES, ORVIMBLE, ORVIMBLE_UPDATED, QUOSKIMER, Device
from .playback import play
from .summary import summarise

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from tonelab.results import Measurement
    from tonelab.results.progress import StageProgress

# Six frames of each of nine pages: enough to measure, and half a gigabyte of captures.
LAYOUT = Layout.create("quick", 1280, 720, peak=1000, hold=6)


_PLAN = """\
title = "Players that do not exist, measured"
notes = "The devices are simulated: summary.md holds what was found against what was built in."

[output]
figures = ["png"]

[limits]
residual = 1.2  # floors

[sources.chart]
file = "chart.mp4"
"""


@dataclass(frozen=True)
class Step:
    """One step: what it says, the files it leaves, and what makes them.

    ``make`` replaces files that are there; each appears whole or not at all.
    """

    title: str
    outputs: tuple[Path, ...]
    make: Callable[[StageProgress], None]

    @property
    def done(self) -> bool:
        """Whether all its files are there."""
        return all(path.exists() for path in self.outputs)


class Scenario:
    """The scenario in one folder.

    Parameters
    ----------
    folder
        Where clips, captures, curve files, figures and the report go; made if need be.
    layout
        The chart to play.
    devices
        The devices to play it on.

    Raises
    ------
    UsageError
        When the folder cannot be made.
    """

    def __init__(
        self, folder: Path, layout: Layout = LAYOUT, devices: tuple[Device, ...] = DEVICES
    ) -> None:
        self.folder, self.layout, self.devices = folder, layout, devices
        self.chart = folder / "chart.mp4"
        self.summary = folder / "summary.md"
        self.plan = folder / "bench.toml"
        self.results = folder / "results"
        self.page = self.results / "report.html"
        self.figures = folder / "figures"
        try:
            for part in ("captures", "figures"):
                (folder / part).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise UsageError(
                f"The folder {folder} cannot be made ({error.strerror}): name another with -o."
            ) from error

    def capture(self, device: Device) -> Path:
        """Where the recording of a device is."""
        return self.folder / "captures" / f"{_file_name(device)}.mov"

    def curve_file(self, device: Device) -> Path:
        """Where the measurement of a device is."""
        return self.results / "curves" / f"{_file_name(device)}.h5"

    def figure(self, name: str) -> Path:
        """Where a figure is."""
        return self.figures / f"{name}.png"

    def steps(self) -> Iterator[Step]:
        """Yield the steps in their order."""
        yield Step("Writing the test clip", (self.chart,), self._write_chart)
        for device in self.devices:
            yield self._played(device)
        yield Step("Writing the bench plan", (self.plan,), self._planned)
        measured = tuple(self.curve_file(device) for device in self.devices)
        title = "Carrying it out: measuring, drawing, comparing, writing the report page"
        yield Step(title, (*measured, self.page), self._carried_out)
        yield self._updated()
        yield self._pictured()
        yield Step("Writing the summary", (self.summary,), self._summarise)

    def closing(self) -> str:
        """Say where everything is, and what to look at first."""
        return f"""
Everything is in {self.folder}
  bench.toml   the plan of the comparison; edit it and: tonelab run "{self.plan}"
  results      what the plan gave; open report.html first, in any browser; figures and one curve
               file a device stand beside it; try: tonelab show "{self.curve_file(QUOSKIMER)}"
  summary.md   the same findings beside what was built into the devices
  figures      pictures.png shows the devices side by side, update.png one before and after
  captures     the recordings, half a gigabyte; may be deleted
  chart.mp4    the HDR test clip that was played"""

    def _write_chart(self, progress: StageProgress) -> None:
        write_chart(
            self.chart,
            self.layout,
            metadata=chart_metadata(self.layout),
            lossless=True,
            overwrite=True,
            progress=lambda done: progress("writing", done, self.layout.frame_count),
        )

    def _played(self, device: Device) -> Step:
        path = self.capture(device)

        def make(progress: StageProgress) -> None:
            with open_clip(self.chart) as chart:
                write_clip(
                    path,
                    play((frame.planes for frame in chart.frames()), device),
                    width=chart.width,
                    height=chart.height,
                    rate=chart.rate,
                    subsampling="422",
                    bits=10,
                    codec="v210",
                    signal=Signal(matrix="bt709", transfer="bt1886", primaries="bt709"),
                    overwrite=True,
                    progress=lambda done: progress("recording", done, chart.frame_count),
                )

        return Step(f"Playing it on {device.title}, recording the output", (path,), make)

    def _planned(self, _: StageProgress) -> None:
        with whole_file(self.plan) as temporary:
            temporary.write_text(bench_plan(self.devices), encoding="utf-8", newline="\n")

    def _carried_out(self, progress: StageProgress) -> None:
        found = run(
            read_plan(self.plan),
            folder=self.results,
            watch=lambda name, _stage, done, total: progress(name, done, total),
        )
        for outcome in found.outcomes:
            if outcome.state == "failed":
                raise UsageError(f"The plan fails to {outcome.step} {outcome.name}: {outcome.text}")

    def _updated(self) -> Step:
        path = self.figure("update")

        def make(_: StageProgress) -> None:
            measurements = self._load((ORVIMBLE, ORVIMBLE_UPDATED))
            figure = comparison_figure(measurements, compare(measurements))
            save_figure(figure, path, overwrite=True)

        return Step("Comparing the firmware versions", (path,), make)

    def _pictured(self) -> Step:
        path = self.figure("pictures")

        def make(_: StageProgress) -> None:
            from .pictures import side_by_side

            captures = {device.title: self.capture(device) for device in self.devices}
            save_figure(side_by_side(captures), path, overwrite=True)

        return Step("Laying their pictures side by side", (path,), make)

    def _summarise(self, _: StageProgress) -> None:
        text = summarise(self.devices, self._load(self.devices))
        with whole_file(self.summary) as temporary:
            temporary.write_text(text, encoding="utf-8")

    def _load(self, devices: tuple[Device, ...]) -> list[Measurement]:
        return [load(self.curve_file(device)) for device in devices]


def bench_plan(devices: tuple[Device, ...]) -> str:
    """Write down what is compared, as a reviewer would."""
    text = [_PLAN]
    for device in devices:
        settings = ", ".join(f'{key} = "{value}"' for key, value in device.settings.items())
        text.append(
            f"""
[devices."{_file_name(device)}"]
name = "{device.name}"
firmware = "{device.firmware}"
settings = {{ {settings} }}
notes = "A simulated device of tonelab's demonstration."

[[captures]]
file = "captures/{_file_name(device)}.mov"
device = "{_file_name(device)}"
"""
        )
    return "".join(text)


def _file_name(device: Device) -> str:
    return f"{device.name.lower()}-{device.firmware}"
