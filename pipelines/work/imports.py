"""Imports of what a command needs, at less than their full price.

The collector of garbage is not at work between them, and looks at nothing of theirs afterwards:
modules and their classes stay, so that it finds nothing and looks through all of them again
and again, a sixth to a fifth of the processor time of a sweep's imports, and once more at the
end of the process. Packages that a library only offers to work with are left out, and so are
parts of it that it imports only to offer them.
"""

from __future__ import annotations

import gc
import re
import sys
import threading
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from importlib.abc import Loader, MetaPathFinder
from importlib.machinery import ModuleSpec
from importlib.util import find_spec
from types import ModuleType
from typing import Any, Final


@contextmanager
def uncollected() -> Iterator[None]:
    """No garbage is collected in the block, and none of what is there at its end."""
    was_at_work = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        if was_at_work:
            gc.enable()


@contextmanager
def lightly(
    *, missing: Collection[str], later: Collection[str], hollow: str | None = None
) -> Iterator[None]:
    """In this thread, an import does not find some modules and loads others on first use.

    Modules whose whole name matches `hollow`, a regular expression, are made without being
    read: whatever an import asks of them is an empty class. Modules that are loaded already
    are found as ever, and other threads find all of them.
    """
    pattern = None if hollow is None else re.compile(hollow)
    finder = _Lightly(frozenset(missing), frozenset(later), pattern)
    sys.meta_path.insert(0, finder)
    try:
        yield
    finally:
        sys.meta_path.remove(finder)


class _Lightly(MetaPathFinder):
    """Finds modules for the import statements of one thread."""

    def __init__(
        self, missing: frozenset[str], later: frozenset[str], hollow: re.Pattern[str] | None
    ) -> None:
        self._missing, self._later, self._hollow = missing, later, hollow
        self._thread = threading.get_ident()
        self._is_asking = False

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        """As `importlib` asks."""
        if self._is_asking or threading.get_ident() != self._thread:
            return None
        if fullname in self._missing:
            raise ModuleNotFoundError(f"not needed here: {fullname}", name=fullname)
        if self._hollow is not None and self._hollow.fullmatch(fullname):
            return ModuleSpec(fullname, _Empty())
        if fullname not in self._later:
            return None
        self._is_asking = True
        try:
            spec = find_spec(fullname)
        finally:
            self._is_asking = False
        if spec is not None and spec.loader is not None:
            spec.loader = _OnFirstUse(spec.loader)
        return spec


_LOADING: Final = threading.RLock()
_OF_IMPORTS: Final = frozenset({"__class__", "__dict__", "__name__", "__path__", "__spec__"})
"""What import statements ask a module for."""


class _Waiting(ModuleType):
    """A module that is loaded when something asks it for one of its names."""

    def __getattribute__(self, name: str) -> Any:
        """As of the module itself, once it is loaded; another thread waits for that."""
        if name in _OF_IMPORTS:
            return ModuleType.__getattribute__(self, name)
        with _LOADING:
            spec = ModuleType.__getattribute__(self, "__spec__")
            if isinstance(spec.loader, _OnFirstUse):
                waiting, spec.loader = spec.loader, spec.loader.loader
                try:
                    spec.loader.exec_module(self)
                except BaseException:
                    spec.loader = waiting
                    raise
                self.__loader__ = spec.loader
                self.__class__ = ModuleType  # type: ignore[assignment]
        return ModuleType.__getattribute__(self, name)


class _Hollow(ModuleType):
    """A module that has every name, each of them an empty class."""

    def __getattr__(self, name: str) -> Any:
        """The class of that name; none for what Python asks a module for."""
        if name.startswith("__"):
            raise AttributeError(name)
        made = type(name, (), {"__module__": self.__name__})
        setattr(self, name, made)
        return made


class _Empty(Loader):
    """Makes a hollow module."""

    def create_module(self, spec: ModuleSpec) -> ModuleType:
        """Without looking for a file."""
        return _Hollow(spec.name)

    def exec_module(self, module: ModuleType) -> None:
        """Nothing."""


class _OnFirstUse(Loader):
    """Makes a module wait for its first use."""

    def __init__(self, loader: Loader) -> None:
        self.loader = loader

    def create_module(self, spec: ModuleSpec) -> ModuleType | None:
        """As the module's own loader makes it."""
        return self.loader.create_module(spec)

    def exec_module(self, module: ModuleType) -> None:
        """Nothing yet."""
        module.__class__ = _Waiting
