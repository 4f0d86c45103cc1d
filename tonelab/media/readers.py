"""The registry of readers: which reader takes a file, and what they are all given."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cached_property
from typing import TYPE_CHECKING, Any, Self

from tonelab.errors import ClipError
from tonelab.media.container import open_stream
from tonelab.registry import Registry

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path
    from types import TracebackType

    from av.container import InputContainer
    from av.video.stream import VideoStream

    from tonelab.media.clip import Clip

GEOMETRY = ("width", "height", "rate", "stride", "subsampling")
GOOD_PART = "use_good_part"

# Turns of readers: the lower is asked first. By the name alone, by the first bytes, by what a
# container says.
BY_NAME, BY_BYTES, BY_CODEC, LAST = 10, 15, 20, 30


class Asked:
    """What a reader is asked to open.

    Parameters
    ----------
    path
        The file, or a folder or pattern of files.
    stated
        What the user knows of it, see `tonelab.media.open_clip`.

    Attributes
    ----------
    path
        As given.
    geometry
        Those of the statements that describe storage, by the names of `GEOMETRY`.
    good_part
        Whether a file that is cut short or damaged is read up to there, and as if it ended there.
    stated
        The others: fields of `Signal`.

    Raises
    ------
    ClipError
        When a stated stride is no positive whole number.
    """

    def __init__(self, path: Path, stated: Mapping[str, Any]) -> None:
        self.path = path
        self.geometry = {name: stated[name] for name in GEOMETRY if name in stated}
        self.good_part = bool(stated.get(GOOD_PART, False))
        other = {*GEOMETRY, GOOD_PART}
        self.stated = {name: value for name, value in stated.items() if name not in other}
        self._open = ExitStack()
        if "stride" in self.geometry:
            self.geometry["stride"] = self.whole("stride")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self._open.close()

    @cached_property
    def suffix(self) -> str:
        """End of the name in lower case, such as ``.mov``."""
        return self.path.suffix.lower()

    @cached_property
    def stream(self) -> tuple[InputContainer, VideoStream]:
        """The container and its first video stream, open until the clip is.

        Raises
        ------
        ClipError
            When the file is missing, empty or no video.
        """
        check_file(self.path)
        return self._open.enter_context(open_stream(self.path))

    def whole(self, name: str) -> int:
        """Return a stated positive whole number of `geometry`.

        Raises
        ------
        ClipError
            When it is none.
        """
        try:
            number = int(self.geometry[name])
        except ValueError:
            number = 0
        if number <= 0:
            raise ClipError(f"The {name} {self.geometry[name]} is not a positive whole number.")
        return number


@dataclass(frozen=True, slots=True)
class Reader:
    """A reader of clips.

    Attributes
    ----------
    name
        In the registry.
    function
        ``function(asked)``: the open clip. It must see to it that a file that is missing or empty
        is named as such, for which there is `check_file`.
    label
        What it reads, for people.
    source
        The document that defines the format.
    takes
        ``takes(asked)``: whether the file is this reader's, judged by no more than its name and
        what its container declares.
    turn
        Readers are asked in the order of this number, those of one number as they are registered.
        Unless stated otherwise a reader is asked before those of the package.
    """

    name: str
    function: Callable[[Asked], Clip]
    label: str = field(kw_only=True)
    source: str = field(kw_only=True)
    takes: Callable[[Asked], bool] = field(kw_only=True)
    turn: int = field(default=0, kw_only=True)


READERS = Registry("reader", "tonelab.readers", Reader)


def reader_of(asked: Asked) -> Reader:
    """Return the first reader, in the order of their turns, that takes what is asked for.

    Raises
    ------
    ClipError
        When none does; a reader that looks into the file may say more.
    """
    for reader in sorted(READERS.values(), key=lambda reader: reader.turn):
        if reader.takes(asked):
            return reader
    raise ClipError(f"{asked.path} is of a kind that no reader takes: convert it.")


def check_file(path: Path) -> None:
    """See that a file is there and holds something.

    Raises
    ------
    ClipError
        When it is missing, empty, or must not be read.
    """
    try:
        with path.open("rb") as file:
            empty = not file.read(1)
    except FileNotFoundError:
        raise ClipError(f"{path} does not exist: check the name.") from None
    except OSError as error:
        raise ClipError(
            f"{path} cannot be read ({error.strerror}): check its permissions."
        ) from error
    if empty:
        raise ClipError(f"{path} is empty: copy or record it again.")


def parse_rate(value: object) -> Fraction:
    """Frames per second as an exact ratio; 23.976 and its like mean 24000/1001.

    Raises
    ------
    ClipError
        When the value is not a positive number.
    """
    try:
        rate = Fraction(str(value))
    except (ValueError, ZeroDivisionError):
        rate = Fraction(0)
    if rate <= 0:
        raise ClipError(f"The rate {value} is not a positive number: state it like 24000/1001.")
    nearest = Fraction(round(rate * Fraction(1001, 1000)) * 1000, 1001)
    return nearest if 0 < abs(rate - nearest) < Fraction(1, 1000) else rate
