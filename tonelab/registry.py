"""The registries: whatever can be added from outside is found in one of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from threading import RLock
from typing import Any, Generic, TypeVar

from tonelab.errors import UsageError

E = TypeVar("E")
F = TypeVar("F", bound=Callable[..., Any])


# What shows a result, ``html``, ``terminal`` or ``figure``; the package itself states it, so that
# results need not know what lies above them.
VIEWS: dict[str, Callable[[Any], Any]] = {}


class Registry(Mapping[str, E], Generic[E]):
    """Entries of one kind by name, in the order registered, those of third parties included.

    Reading it in any way first loads the plug-ins of its group, once. A look-up of a name that
    there is not, and a plug-in that does not load, raise `UsageError`.

    Parameters
    ----------
    kind
        For sentences, such as ``"tone curve"``.
    group
        Group of `importlib.metadata` entry points; each names a module whose import registers
        further entries.
    make
        ``make(name, function, **facts)``: the entry of a registered function.
    """

    def __init__(self, kind: str, group: str, make: Callable[..., E]) -> None:
        self.kind = kind
        self.group = group
        self._make = make
        self._entries: dict[str, E] = {}
        self._loaded = self._loading = False
        self._lock = RLock()

    def register(self, name: str, **facts: Any) -> Callable[[F], F]:
        """Register the decorated function, which stays as it is.

        Parameters
        ----------
        name
            New in this registry; lower case, with ``-``, so that plans and commands can name it.
        **facts
            What else the entry states, see its class.

        Raises
        ------
        UsageError
            When the name is taken.
        """

        def add(function: F) -> F:
            self.add(name, self._make(name, function, **facts))
            return function

        return add

    def add(self, name: str, entry: E) -> None:
        """Add an entry that was made already.

        Raises
        ------
        UsageError
            When the name is taken.
        """
        if name in self._entries:
            raise UsageError(f"There are two {self.kind}s named {name!r}: rename one.")
        self._entries[name] = entry

    def registered(self, name: str) -> E:
        """Return an entry that is there already, without loading those of third parties.

        For modules that make entries of others while the package itself is still being imported.

        Raises
        ------
        KeyError
            When no entry of that name was registered so far.
        """
        return self._entries[name]

    def __getitem__(self, name: str) -> E:
        if not self._loaded:
            self._load()
        if name not in self._entries:
            known = ", ".join(self._entries)
            raise UsageError(f"There is no {self.kind} {name!r}: choose from {known}.")
        return self._entries[name]

    def __contains__(self, name: object) -> bool:
        self._load()
        return name in self._entries

    def __iter__(self) -> Iterator[str]:
        self._load()
        return iter(self._entries)

    def __len__(self) -> int:
        self._load()
        return len(self._entries)

    def _load(self) -> None:
        if self._loaded:
            return
        with self._lock:
            # A module being loaded may itself look up what is registered; other threads wait.
            if self._loaded or self._loading:
                return
            self._loading = True
            try:
                self._load_all()
            finally:
                self._loaded = True

    def _load_all(self) -> None:
        import importlib.metadata

        for point in importlib.metadata.entry_points(group=self.group):
            try:
                point.load()
            except Exception as error:
                raise UsageError(
                    f"The plug-in {point.value!r} for {self.kind}s does not load ({error}): "
                    "mend or uninstall the package that provides it."
                ) from error
