"""The steps of the scenario, from the test clip to the report page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

from tonelab.chart import Layout, chart_metadata, write_chart
from tonelab.compare import compare
from tonelab.curvefile import load, save
from tonelab.errors import UsageError
from tonelab.measure import measure
from tonelab.media import open_clip, write_clip
from tonelab.outputs import whole_file
from tonelab.report.figures import FIGURES, comparison_figure, save_figure
from tonelab.signal.description import Signal

from .devices import DEVICES, ORVIMBLE, ORVIMBLE_UPDATED, Device
from .playback import play
from .summary import summarise

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from tonelab.results import Measurement

Progress: TypeAlias = "Callable[[str, int, int], None]"

# Six frames of each of nine pages: enough to measure, and half a gigabyte of captures.
LAYOUT = Layout.create("quick", 1280, 720, peak=1000, hold=6)


@dataclass(frozen=True)
class Step:
    """One step: what it says, the files it leaves, and what makes them.

    ``make`` replaces files that are there; each appears whole or not at all.
    """

    title: str
    outputs: tuple[Path, ...]
    make: Callable[[Progress], None]

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

    Raises
    ------
    UsageError
        When the folder cannot be made.
    """

    def __init__(self, folder: Path, layout: Layout = LAYOUT) -> None:
        self.folder, self.layout = folder, layout
        self.chart = folder / "chart.mp4"
        self.summary = folder / "summary.md"
        self.page = folder / "report.html"
        self.figures = folder / "figures"
        try:
            for part in ("captures", "curves", "figures"):
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
        return self.folder / "curves" / f"{_file_name(device)}.h5"

    def figure(self, name: str) -> Path:
        """Where a figure is."""
        return self.figures / f"{name}.png"

    def steps(self) -> Iterator[Step]:
        """Yield the steps in their order."""
        yield Step("Writing the test clip", (self.chart,), self._write_chart)
        for device in DEVICES:
            yield self._played(device)
        for device in DEVICES:
            yield self._measured(device)
        for device in DEVICES:
            yield self._drawn(device)
        yield self._compared("devices", "Comparing the devices", DEVICES)
        update = (ORVIMBLE, ORVIMBLE_UPDATED)
        yield self._compared("update", "Comparing the firmware versions", update)
        yield self._pictured()
        yield Step("Writing the summary", (self.summary,), self._summarise)
        yield Step("Writing the report page", (self.page,), self._report)

    def closing(self) -> str:
        """Say where everything is, and what to look at first."""
        return f"""
Everything is in {self.folder}
  report.html  open this first, in any browser: what each device does, with curves and pictures
  summary.md   the same findings beside what was built into the devices
  figures      pictures.png and devices.png show the devices together, the others one by one
  curves       one curve file a device; try: tonelab show "{self.curve_file(DEVICES[1])}"
  captures     the recordings, half a gigabyte; may be deleted
  chart.mp4    the HDR test clip that was played"""

    def _write_chart(self, progress: Progress) -> None:
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

        def make(progress: Progress) -> None:
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

    def _measured(self, device: Device) -> Step:
        path = self.curve_file(device)

        def make(progress: Progress) -> None:
            measurement = measure(
                self.chart,
                self.capture(device),
                device=device.name,
                firmware=device.firmware,
                settings=device.settings,
                notes="A simulated device of tonelab's demonstration.",
                progress=progress,
            )
            save(measurement, path, overwrite=True)

        return Step(f"Measuring {device.title}", (path,), make)

    def _drawn(self, device: Device) -> Step:
        kinds = tuple(FIGURES)
        paths = tuple(self.figure(f"{_file_name(device)}-{kind}") for kind in kinds)

        def make(progress: Progress) -> None:
            measurement = load(self.curve_file(device))
            for done, (path, draw) in enumerate(zip(paths, FIGURES.values(), strict=True)):
                progress("drawing", done, len(paths))
                save_figure(draw(measurement), path, overwrite=True)

        return Step(f"Drawing {device.title}", paths, make)

    def _compared(self, name: str, title: str, devices: tuple[Device, ...]) -> Step:
        path = self.figure(name)

        def make(_: Progress) -> None:
            measurements = self._load(devices)
            figure = comparison_figure(measurements, compare(measurements))
            save_figure(figure, path, overwrite=True)

        return Step(title, (path,), make)

    def _pictured(self) -> Step:
        path = self.figure("pictures")

        def make(_: Progress) -> None:
            from .pictures import side_by_side

            captures = {device.title: self.capture(device) for device in DEVICES}
            save_figure(side_by_side(captures), path, overwrite=True)

        return Step("Laying their pictures side by side", (path,), make)

    def _summarise(self, _: Progress) -> None:
        text = summarise(DEVICES, self._load(DEVICES))
        with whole_file(self.summary) as temporary:
            temporary.write_text(text, encoding="utf-8")

    def _report(self, progress: Progress) -> None:
        from tonelab.report.page import write_page
        from tonelab.report.pictures import make_pictures

        measurements = self._load(DEVICES)
        captures = [self.capture(device) for device in DEVICES]
        write_page(
            self.page,
            measurements,
            title="Three players that do not exist, measured",
            notes="The devices are simulated, so that every answer was known beforehand; "
            "summary.md holds them against what was found.",
            pictures=make_pictures(self.chart, captures, measurements, progress=progress),
            overwrite=True,
        )

    def _load(self, devices: tuple[Device, ...]) -> list[Measurement]:
        return [load(self.curve_file(device)) for device in devices]


def _file_name(device: Device) -> str:
    return f"{device.name.lower()}-{device.firmware}"
