"""Reading a bench plan: all of its mistakes at once, or what is to be done."""

from __future__ import annotations

import difflib
import tomllib
import unicodedata
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

from pydantic import ValidationError

from tonelab.bench.places import line_of, lines
from tonelab.bench.plan import (
    FORBIDDEN,
    Baking,
    Device,
    Entry,
    Heading,
    Output,
    PlanLimits,
    PlannedCapture,
    Render,
    Source,
)
from tonelab.conversion.standards import STANDARDS
from tonelab.errors import PlanError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pydantic_core import ErrorDetails

    from tonelab.bench.places import KeyPath
    from tonelab.bench.plan import Role

SECTIONS = ("output", "limits", "sources", "devices", "captures", "corrections", "renders")

_LARGEST = 2**22  # bytes of a plan
_KINDS = {
    "string_type": "this must be a text in quotes",
    "string_too_short": "this is empty",
    "float_type": "this must be a number",
    "int_type": "this must be a whole number",
    "greater_than_equal": "this must be a whole number from 0 up",
    "bool_type": "this must be true or false",
    "tuple_type": "this must be a list, such as ['svg']",
    "model_type": "this must be a table",
}

_Model = TypeVar("_Model", bound=Entry)


@dataclass(frozen=True, slots=True)
class Task:
    """One capture of a plan with all that it needs; travels to a worker as it is.

    Attributes
    ----------
    name
        Of the files that are written for it.
    role
        What it is for.
    source, capture
        The two files.
    source_key
        Key of the source in the plan; captures of one source are compared.
    source_signal, capture_signal
        Stated fields of the signals.
    declared
        What the output declared on the wire.
    device, firmware, settings, notes
        The person's words; ``device`` is the chain for a loopback.
    chain
        Name of the capture chain.
    validates
        For a validation, the name of its conversion.
    """

    name: str
    role: Role
    source: Path
    capture: Path
    source_key: str
    source_signal: Mapping[str, Any]
    capture_signal: Mapping[str, Any]
    declared: Mapping[str, Any]
    device: str
    firmware: str
    settings: Mapping[str, str]
    notes: str
    chain: str
    validates: str = ""


class PlannedRender(NamedTuple):
    """A clip to render: what the plan says, the name of the file without ending, the clip."""

    entry: Render
    title: str
    clip: Path
    signal: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Bench:
    """A plan without mistakes; ``folder`` is where its results go, ``raw`` what it says."""

    path: Path
    raw: Mapping[str, Any]
    title: str
    notes: str
    folder: Path
    tasks: tuple[Task, ...]
    corrections: tuple[Baking, ...]
    renders: tuple[PlannedRender, ...]
    output: Output
    limits: PlanLimits


class Mistake(NamedTuple):
    """One sentence on one place of the plan."""

    place: KeyPath
    text: str


def read_plan(path: str | Path) -> Bench:
    """Read a bench plan and look for everything that would stop it.

    Parameters
    ----------
    path
        A TOML file; the files it names are relative to its folder, or absolute.

    Raises
    ------
    PlanError
        With every mistake: its line, its place, and one sentence.
    """
    path = Path(path)
    text = _text(path)
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        hint = (
            ": write folders with / or the whole path in single quotes"
            if "Unescaped '\\'" in str(error) or "hex value" in str(error)
            else ": the text before it may lack a quote or a bracket"
        )
        raise PlanError(f"{path} is not valid TOML: {error}{hint}.") from None
    except RecursionError:
        raise PlanError(f"{path} nests its lists deeper than any plan: write it anew.") from None
    draft = _Draft(path, raw)
    bench = draft.bench()
    if draft.mistakes:
        raise PlanError(_all_mistakes(path, text, draft.mistakes))
    return bench


def _text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            content = file.read(_LARGEST + 1)
    except OSError as error:
        raise PlanError(f"The plan {path} cannot be read: {error.strerror}.") from error
    if len(content) > _LARGEST:
        raise PlanError(f"{path} is far larger than any plan: name another file.")
    try:
        return content.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise PlanError(f"{path} is not UTF-8 text in line {line}: save it as UTF-8.") from None


@dataclass
class _Draft:
    """A plan on its way from TOML values to tasks; mistakes are gathered, not raised."""

    path: Path
    raw: dict[str, Any]
    mistakes: list[Mistake] = field(default_factory=list)

    def bench(self) -> Bench:
        heading = {key: value for key, value in self.raw.items() if key not in SECTIONS}
        head = self._entry(Heading, heading, (), known=SECTIONS) or Heading()
        output = self._entry(Output, self.raw.get("output", {}), ("output",)) or Output()
        limits = self._entry(PlanLimits, self.raw.get("limits", {}), ("limits",)) or PlanLimits()
        sources = self._named(Source, "sources")
        devices = self._named(Device, "devices")
        captures = self._captures()
        for key, source in sources.items():
            if source is not None:
                self._file(source.file, ("sources", key))
        tasks = self._tasks(captures, sources, devices)
        self._distinct(tasks)
        self._one_loopback(tasks)
        validated = [self._validated(place, task, tasks) for place, task in tasks.items()]
        self._output(output, tasks)
        corrections = self._corrections(tasks)
        renders = self._renders(tasks, sources)
        return Bench(
            self.path,
            self.raw,
            head.title or self.path.stem,
            head.notes,
            self.path.parent / output.folder,
            tuple(validated),
            corrections,
            renders,
            output,
            limits,
        )

    def _entry(
        self, model: type[_Model], value: Any, place: KeyPath, known: tuple[str, ...] = ()
    ) -> _Model | None:
        try:
            return model.model_validate(value)
        except ValidationError as fault:
            errors = fault.errors(include_url=False)
        fields = (*known, *model.model_fields)
        for error in errors:
            self._say((*place, *error["loc"]), _sentence(error, fields))
        # What is sound is looked at further, for its mistakes are to be listed at once too.
        faulty = {error["loc"][0] for error in errors if error["loc"]}
        try:
            return model.model_validate({k: v for k, v in value.items() if k not in faulty})
        except (ValidationError, AttributeError):
            return None

    def _named(self, model: type[_Model], section: str) -> dict[str, _Model | None]:
        """Read ``[sources.NAME]`` or ``[devices.NAME]``; broken ones stay known by name."""
        tables = self.raw.get(section, {})
        if not isinstance(tables, dict):
            self._say((section,), f"write this as tables, such as [{section}.one]")
            return {}
        return {key: self._entry(model, table, (section, key)) for key, table in tables.items()}

    def _captures(self) -> dict[KeyPath, PlannedCapture]:
        if not self.raw.get("captures"):
            self._say(("captures",), "a plan needs captures: write each under its own [[captures]]")
        return self._listed(PlannedCapture, "captures")

    def _listed(self, model: type[_Model], section: str) -> dict[KeyPath, _Model]:
        """Read ``[[captures]]`` and their like, the broken ones left out."""
        entries = self.raw.get(section, [])
        if not isinstance(entries, list):
            self._say((section,), f"write each of them under its own [[{section}]]")
            return {}
        places: list[KeyPath] = [(section, index) for index in range(len(entries))]
        read = [
            self._entry(model, entry, place) for place, entry in zip(places, entries, strict=True)
        ]
        return {place: entry for place, entry in zip(places, read, strict=True) if entry}

    def _corrections(self, tasks: Mapping[KeyPath, Task]) -> tuple[Baking, ...]:
        """Read corrections; what they name must be there, and their files distinct."""
        measured = [task.name for task in tasks.values() if task.role == "conversion"]
        targets = ("source", *STANDARDS, *measured)
        entries = self._listed(Baking, "corrections")
        names: dict[str, KeyPath] = {}
        for place, entry in entries.items():
            if entry.of not in measured:
                near = _nearest(entry.of, measured) or "name one of the captures"
                self._say((*place, "of"), f"there is no conversion named {entry.of!r}: {near}")
            if entry.toward is not None and entry.toward not in targets:
                near = _nearest(entry.toward, targets)
                mend = near or "name the source, a standard conversion or a capture"
                self._say((*place, "toward"), f"there is no {entry.toward!r}: {mend}")
            if entry.toward == entry.of:
                self._say((*place, "toward"), "this is the device itself: name another")
            self._named_once(names, entry.title, place)
        return tuple(entries.values())

    def _renders(
        self, tasks: Mapping[KeyPath, Task], sources: Mapping[str, Source | None]
    ) -> tuple[PlannedRender, ...]:
        """Read renders; what they name must be there, and their files distinct."""
        known = (*STANDARDS, *(task.name for task in tasks.values() if task.role == "conversion"))
        names: dict[str, KeyPath] = {}
        found = []
        for place, entry in self._listed(Render, "renders").items():
            if entry.of not in known:
                mend = _nearest(entry.of, known) or "name a conversion or a standard conversion"
                self._say((*place, "of"), f"there is no {entry.of!r}: {mend}")
            if entry.file is not None:
                if entry.source is not None:
                    self._say((*place, "source"), "a file is named too: leave one of them out")
                clip, signal = self._file(entry.file, place), entry.signal
            else:
                only = next(iter(sources)) if len(sources) == 1 else None
                key = entry.source or only
                source = self._reference(key, sources, (*place, "source"), "source")
                if source is None:
                    continue
                clip, signal = self.path.parent / source.file, source.signal | entry.signal
            title = entry.name or _safe(f"{clip.stem} on {entry.of}")
            self._named_once(names, f"{title}.{entry.format}", place)
            found.append(PlannedRender(entry, title, clip, signal))
        return tuple(found)

    def _tasks(
        self,
        captures: Mapping[KeyPath, PlannedCapture],
        sources: Mapping[str, Source | None],
        devices: Mapping[str, Device | None],
    ) -> dict[KeyPath, Task]:
        tasks = {}
        for place, entry in captures.items():
            recording = self._file(entry.file, place)
            only = next(iter(sources)) if len(sources) == 1 else None
            key = entry.source or only
            source = self._reference(key, sources, (*place, "source"), "source")
            device = None
            if entry.role == "loopback":
                if entry.device:
                    self._say((*place, "device"), "a loopback goes around the device: leave it out")
            elif entry.device or "role" in entry.model_fields_set or not self._has_role(place):
                device = self._reference(entry.device, devices, (*place, "device"), "device")
            if entry.validates and entry.role != "validation":
                self._say((*place, "validates"), "only a capture with role = 'validation' has this")
            if source is None or key is None or (device is None and entry.role != "loopback"):
                continue
            tasks[place] = Task(
                name=entry.name or _safe(recording.stem),
                role=entry.role,
                source=self.path.parent / source.file,
                capture=recording,
                source_key=key,
                source_signal=source.signal,
                capture_signal=entry.reading,
                declared=entry.declared,
                device=device.name if device else f"chain {entry.chain}".strip(),
                firmware=device.firmware if device else "",
                settings={**(device.settings if device else {}), **entry.settings},
                notes="\n".join(filter(None, (device.notes if device else "", entry.notes))),
                chain=entry.chain,
                validates=entry.validates or "",
            )
        return tasks

    def _has_role(self, place: KeyPath) -> bool:
        """Whether a capture states a role, be it a faulty one, which may need no device."""
        return "role" in self.raw["captures"][place[1]]

    def _reference(
        self, key: str | None, entries: Mapping[str, _Model | None], place: KeyPath, kind: str
    ) -> _Model | None:
        if key is None:
            self._say(place, f"this is missing: name one of [{kind}s.…]")
        elif key not in entries:
            near = _nearest(key, entries)
            mend = near or f"write a table [{kind}s.{key}]"
            self._say(place, f"there is no {kind} {key!r}: {mend}")
        else:
            return entries[key]
        return None

    def _file(self, name: str, place: KeyPath) -> Path:
        path = self.path.parent / name
        try:
            there = path.exists()
        except (OSError, ValueError):
            there = False
        if not there:
            mend = "check the name"
            if "\\" in name:
                mend = "write / between folders"
            self._say((*place, "file"), f"there is no file {path}: {mend}")
        return path

    def _distinct(self, tasks: Mapping[KeyPath, Task]) -> None:
        names: dict[str, KeyPath] = {}
        recordings: dict[Path, KeyPath] = {}
        for place, task in tasks.items():
            self._named_once(names, task.name, place)
            first = recordings.setdefault(task.capture.resolve(), place)
            if first != place:
                self._say(
                    (*place, "file"),
                    f"this recording is that of {_words(first)} too: each capture is used once",
                )

    def _named_once(self, names: dict[str, KeyPath], name: str, place: KeyPath) -> None:
        """Note a name of files, which some systems hold to be the same in another spelling."""
        first = names.setdefault(unicodedata.normalize("NFC", name).casefold(), place)
        if first != place:
            self._say(
                place,
                f"its files would be named {name!r} like those of {_words(first)}: state a name "
                "for one of them",
            )

    def _one_loopback(self, tasks: Mapping[KeyPath, Task]) -> None:
        """Take one loopback for each chain and source: two could not both speak for it."""
        seen: dict[tuple[str, str], KeyPath] = {}
        for place, task in tasks.items():
            if task.role != "loopback":
                continue
            first = seen.setdefault((task.chain, task.source_key), place)
            if first != place:
                self._say(
                    place,
                    f"{_words(first)} is the loopback of this chain and source already: leave one "
                    "out, or name its chain",
                )

    def _validated(self, place: KeyPath, task: Task, tasks: Mapping[KeyPath, Task]) -> Task:
        """Find the conversion that a validation belongs to."""
        if task.role != "validation":
            return task
        same = (task.device, task.firmware, dict(task.settings))
        found = [
            one.name
            for one in tasks.values()
            if one.role == "conversion"
            and (
                one.name == task.validates
                if task.validates
                else (one.device, one.firmware, dict(one.settings)) == same
            )
        ]
        if len(found) == 1:
            return replace(task, validates=found[0])
        if task.validates:
            text = f"there is no conversion named {task.validates!r}"
        elif found:
            text = f"it could belong to {' or '.join(found)}: state which with validates = '…'"
        else:
            text = (
                "no conversion has its device and settings: add one, or state which it belongs "
                "to with validates = '…'"
            )
        self._say((*place, "validates"), text)
        return task

    def _output(self, output: Output, tasks: Mapping[KeyPath, Task]) -> None:
        home = self.path.parent.resolve()
        if not (home / output.folder).resolve().is_relative_to(home):
            self._say(
                ("output", "folder"),
                f"{output.folder!r} leads out of the plan's folder: name one inside it, or another "
                "on the command line (-o)",
            )
        conversions = [task.name for task in tasks.values() if task.role == "conversion"]
        if output.reference and output.reference not in conversions:
            near = _nearest(output.reference, conversions)
            self._say(
                ("output", "reference"),
                f"there is no conversion named {output.reference!r}"
                + (f": {near}" if near else ""),
            )
        for name, where in ((output.render, "render"), *((n, "against") for n in output.against)):
            if name not in STANDARDS:
                near = _nearest(name, STANDARDS) or f"name one of {', '.join(STANDARDS)}"
                self._say(("output", where), f"there is no standard conversion {name!r}: {near}")

    def _say(self, place: KeyPath, text: str) -> None:
        self.mistakes.append(Mistake(place, text))


def _sentence(error: ErrorDetails, fields: tuple[str, ...]) -> str:
    """Say in our words what pydantic found."""
    match error["type"]:
        case "missing":
            return "this is missing"
        case "extra_forbidden":
            name = str(error["loc"][-1])
            near = _nearest(name, fields) or f"name one of {', '.join(fields)}"
            return f"{name!r} is not known here: {near}"
        case "literal_error":
            known = error["ctx"]["expected"].replace(" or ", ", ")
            return f"{error['input']!r} is not known: write one of {known}"
        case "value_error":
            return str(error["ctx"]["error"]).rstrip(".")
        case kind:
            return _KINDS.get(kind, error["msg"].lower())


def _nearest(name: str, known: Any) -> str:
    near = difflib.get_close_matches(name, list(known), n=1)
    return f"did you mean {near[0]!r}?" if near else ""


def _safe(stem: str) -> str:
    """Make a file name for all systems of that of a recording."""
    return FORBIDDEN.sub("-", stem).strip(" .")[:80] or "capture"


def _words(place: KeyPath) -> str:
    """Name a place for people, who count from one."""
    words = "".join(f" {part + 1}" if isinstance(part, int) else f", {part}" for part in place)
    return words.removeprefix(", ")


def _all_mistakes(path: Path, text: str, mistakes: list[Mistake]) -> str:
    found = lines(text)
    rows = sorted(
        {(line_of(place, found), _words(place), sentence) for place, sentence in mistakes}
    )
    count = "1 mistake" if len(rows) == 1 else f"{len(rows)} mistakes"
    listed = [
        "  "
        + ", ".join(filter(None, (f"line {line}" if line else "", where)))
        + f": {sentence}{'' if sentence.endswith('?') else '.'}"
        for line, where, sentence in rows
    ]
    return "\n".join((f"{path} has {count}:", *listed))
