"""What a bench plan may say, entry by entry."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from tonelab.signal.description import parse_declared, parse_signal
from tonelab.signal.quantisation import Range  # noqa: TC001 - pydantic looks at it

Role: TypeAlias = Literal["conversion", "pass-through", "validation", "loopback"]

ROLES: tuple[Role, ...] = ("conversion", "pass-through", "validation", "loopback")

# What Windows does not allow in a name, or gives a meaning of its own.
FORBIDDEN = re.compile(r'[<>:"/\\|?*\x00-\x1f\x7f]')
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)
_LONGEST = 100  # characters of a name, which becomes a file name


def _words(value: Any) -> dict[str, str]:
    """Take settings as a table of texts, numbers and truth values; all are kept as texts."""
    if not isinstance(value, Mapping):
        raise ValueError("write settings as a table, such as { picture = 'standard' }")  # noqa: TRY004
    words = {}
    for key, item in value.items():
        if isinstance(item, bool):
            words[key] = "on" if item else "off"
        elif isinstance(item, (str, int, float)):
            words[key] = str(item)
        else:
            raise ValueError(f"the setting {key!r} is no text, number, true or false")  # noqa: TRY004
    return words


def _statement(value: Any) -> dict[str, Any]:
    """Take how a clip is read as a table; the same fields as on the command line."""
    if not isinstance(value, Mapping):
        raise ValueError("write a signal as a table, such as { range = 'full' }")  # noqa: TRY004
    fields: dict[str, Any] = {}
    for key, item in value.items():
        fields |= parse_signal(f"{key}={item}")
    return fields


def _declaration(value: Any) -> dict[str, Any]:
    """Take what an output declared on the wire as a table."""
    fields = _statement(value)
    parse_declared(",".join(f"{key}={item}" for key, item in fields.items()))
    return fields


def _file_name(value: str) -> str:
    """Refuse a name that cannot be a file name on every system."""
    found = FORBIDDEN.search(value)
    if found:
        raise ValueError(
            f"the name {value!r} contains {found[0]!r}, which no file name may contain"
        )
    if value != value.strip(" .") or _RESERVED.fullmatch(value) or len(value) > _LONGEST:
        raise ValueError(f"the name {value!r} cannot be a file name everywhere: choose another")
    return value


def _path(value: str) -> str:
    """Refuse what no file system takes; terminals would obey some of it."""
    if not value.isprintable():
        raise ValueError(f"the name {value!r} contains invisible characters")
    return value


def _unbounded(value: float) -> float:
    if not 0 < value < float("inf"):
        raise ValueError("a limit must be a positive number")
    return value


Settings = Annotated[dict[str, str], BeforeValidator(_words)]
Statement = Annotated[dict[str, Any], BeforeValidator(_statement)]
Declaration = Annotated[dict[str, Any], BeforeValidator(_declaration)]
Text = Annotated[str, Field(min_length=1)]
Location = Annotated[Text, AfterValidator(_path)]
_LIST = Field(strict=False)  # TOML knows lists only
Count = Annotated[int, Field(ge=0)]
Limit = Annotated[float, AfterValidator(_unbounded)]


class Entry(BaseModel):
    """One table of a plan: nothing unknown, nothing of another type."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class Source(Entry):
    """A clip as it was played.

    ``file`` is relative to the plan; ``signal`` states how it is read, and wins.
    """

    file: Location
    signal: Statement = {}
    notes: str = ""


class Device(Entry):
    """A device with one firmware; another firmware is another entry.

    ``settings`` hold for all its captures, and those of a capture add to them.
    """

    name: Text
    firmware: str = ""
    settings: Settings = {}
    notes: str = ""


class PlannedCapture(Entry):
    """One recording.

    Attributes
    ----------
    file
        Relative to the plan.
    role
        ``conversion``: measured. ``pass-through``: the device was to leave the signal alone, and
        is checked for it. ``validation``: never fitted; the correction of a conversion of the same
        device and settings is proved on it. ``loopback``: the source through a trusted path into
        the same chain, which says what the chain does by itself.
    source, device
        Keys of the plan; the source may be left out when there is one, a loopback has no device.
    settings, signal, notes
        Of this capture.
    use_good_part
        Use the whole frames before the place where the file is cut off or damaged.
    declared
        What the output declared on the wire (InfoFrames): matrix, range, transfer, primaries, bits.
        The check of a pass-through or loopback holds its codes against it.
    chain
        Name of the capture chain; a loopback speaks for all captures of its chain.
    validates
        Name of the conversion that a validation belongs to, where several could be meant.
    name
        Of the files that are written; the name of the recording unless it is stated.
    """

    file: Location
    role: Role = "conversion"
    source: Text | None = None
    device: Text | None = None
    settings: Settings = {}
    signal: Statement = {}
    use_good_part: bool = False
    declared: Declaration = {}
    notes: str = ""
    chain: str = ""
    validates: Text | None = None
    name: Annotated[Text, AfterValidator(_file_name)] | None = None

    @property
    def reading(self) -> dict[str, Any]:
        """How the file is read, as `tonelab.media.open_clip` takes it."""
        return self.signal | ({"use_good_part": True} if self.use_good_part else {})


class Baking(Entry):
    """A correction to bake.

    Attributes
    ----------
    of
        Name of the conversion whose look it is, or whose device is corrected.
    toward
        ``source``, a standard conversion, or the name of another conversion; without it, the file
        turns the source into the look.
    size, format, input_range, output_range, accept_average
        As on the command line.
    name
        Of the file; by default what it does.
    """

    of: Text
    toward: Text | None = None
    size: Literal[17, 33, 65] = 65
    format: Literal["clf", "cube"] = "clf"
    input_range: Range | None = None
    output_range: Range | None = None
    accept_average: bool = False
    name: Annotated[Text, AfterValidator(_file_name)] | None = None

    @property
    def title(self) -> str:
        """Name of the file without its ending."""
        return self.name or (f"{self.of} toward {self.toward}" if self.toward else self.of)


class Render(Entry):
    """A clip to render as a device would show it.

    Attributes
    ----------
    of
        Name of a conversion, or of a standard conversion.
    source
        Key of the clip; may be left out when there is one, or where ``file`` names another.
    file, signal
        An HDR clip that is no source, relative to the plan, and how it is read.
    format, codec, output_range, dither, exact, frame, peak, accept_average
        As on the command line; ``format`` is the ending of the file.
    name
        Of the file; by default the clip and the device.
    """

    of: Text
    source: Text | None = None
    file: Location | None = None
    signal: Statement = {}
    format: Literal["mov", "avi", "v210", "mkv", "mp4", "png", "tif"] = "mov"
    codec: Literal["v210", "ffv1", "hevc", "prores"] | None = None
    output_range: Range | None = None
    dither: bool = False
    exact: bool | None = None
    frame: Count | None = None
    peak: Limit | None = None
    accept_average: bool = False
    name: Annotated[Text, AfterValidator(_file_name)] | None = None


class CropPlace(Entry):
    """A place of the source to show: a frame, and the upper left corner in its pixels."""

    frame: Count
    x: Count
    y: Count
    label: str = ""


class Output(Entry):
    """Where results go, and which.

    Attributes
    ----------
    folder
        Relative to the plan and inside its folder, since a plan may be a stranger's. Curve files
        and tables are always written.
    figures
        Their formats; none for an empty list.
    page
        Whether to write the report page.
    crops
        Places that the page shows; by default those where the devices differ most.
    render
        Name of the standard conversion that renders the source for pictures.
    reference
        Name of the capture that others are compared with; by default the first conversion.
    against
        Names of the standard conversions to rank by.
    """

    folder: Location = "results"
    figures: Annotated[tuple[Literal["svg", "pdf", "png"], ...], _LIST] = ("svg",)
    page: bool = True
    crops: Annotated[tuple[CropPlace, ...], _LIST] = ()
    render: Text = "bt2446a"
    reference: Text | None = None
    against: Annotated[tuple[Text, ...], _LIST] = ()


class PlanLimits(Entry):
    """What makes a run end with exit status 1.

    ``findings``: a finding of this severity or a graver one. ``residual``: the held-out residual
    of a conversion, in floors.
    """

    findings: Literal["info", "warning", "stop"] | None = None
    residual: Limit | None = None


class Heading(Entry):
    """What stands above the first table."""

    title: str = ""
    notes: str = ""
