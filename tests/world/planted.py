"""Bugs that are planted into the program, one at a time, to see whether the world under a seed finds them.

    python -m tests.world.planted [NAME …] [--seeds N] [--nights N] [--seen] [--keep] [--shrink] [--share] [--list]

A bug is a change of the program's text that stands in one of the tables `planted_*.py`, with the rule that it
breaks. `plant` changes nothing on the disk: a module that is not loaded yet is compiled from the changed text when it
is imported (and no compiled file of it is kept), and of one that is loaded the functions are given the changed code.
So one process that has loaded the program once can fork for each bug, and a bug may only change what stands in
functions.

Without names every bug is tried, each in its history (`planted_by_hand.py`) or where it was caught last
(`planted_seen.txt`), and then at one seed after the other; the table that is printed says by which rule it was caught,
and when. Exit code 1: one was not caught, or the world without a bug breaks.
"""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable, Iterator, Sequence
from functools import cached_property
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec, PathFinder, SourceFileLoader
from pathlib import Path
from types import CodeType, FunctionType, ModuleType
from typing import Any, Final

from .planted_bug import Bug
from .planted_ends import OF_ENDS
from .planted_feet import OF_FEET
from .planted_levels import OF_LEVELS
from .planted_rooms import OF_ROOMS

ROOT: Final = Path(__file__).resolve().parents[2]

BUGS: Final[dict[str, Bug]] = {bug.name: bug for bug in (*OF_LEVELS, *OF_FEET, *OF_ROOMS, *OF_ENDS)}


class NotPlantedError(ValueError):
    """A bug that cannot be planted: there is none of that name, or the program's text is not what it was."""


def bug_of(name: str) -> Bug:
    """The bug of that name. Raises NotPlantedError, with the nearest name."""
    found = BUGS.get(name)
    if found is None:
        from stagectl.errors import nearest

        raise NotPlantedError(f"there is no bug `{name}`{nearest(name, BUGS)}")
    return found


def module_of(bug: Bug) -> str:
    """The full name of the module that a bug is in."""
    return "stagectl." + bug.file.removesuffix(".py").replace("/", ".")


def changed(bug: Bug) -> str:
    """The text of the bug's module with it. Raises NotPlantedError where the old text does not stand there once."""
    path = ROOT / "stagectl" / bug.file
    text = path.read_text("utf-8")
    times = text.count(bug.old)
    if times != 1:
        raise NotPlantedError(
            f"{path}: the old text of `{bug.name}` stands there {times} times, and not once:\n{bug.old}"
        )
    return text.replace(bug.old, bug.new)


def plant(name: str) -> None:
    """Plant a bug in this process, whether its module is loaded or not. Raises NotPlantedError."""
    bug = bug_of(name)
    module = sys.modules.get(module_of(bug))
    if module is None:
        sys.meta_path.insert(0, _Finder(bug, changed(bug)))
    else:
        _give(module, changed(bug))


# -- a module that is imported later ----------------------------------------------------------------------


class _Loader(SourceFileLoader):
    """Compiles one module from a text that stands in no file, and keeps nothing of it."""

    text = ""

    def get_code(self, fullname: str) -> CodeType:
        """The module's code, from the changed text."""
        return compile(self.text, self.get_filename(fullname), "exec", dont_inherit=True)


class _Finder(MetaPathFinder):
    """Finds one module before anybody else does."""

    def __init__(self, bug: Bug, text: str) -> None:
        self._module = module_of(bug)
        self._text = text

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        """The module, to be loaded from the changed text."""
        if fullname != self._module:
            return None
        found = PathFinder.find_spec(fullname, path, target)
        if found is None or found.origin is None:
            return None
        loader = _Loader(fullname, found.origin)
        loader.text = self._text
        return importlib.util.spec_from_loader(fullname, loader, origin=found.origin)


# -- a module that is loaded already ----------------------------------------------------------------------


def _give(module: ModuleType, text: str) -> None:
    """Give the functions of a module the code of a changed text. Raises NotPlantedError where one cannot take it."""
    codes = dict(codes_in(compile(text, str(module.__file__), "exec", dont_inherit=True)))
    for function in functions_in(module):
        code = codes.get(function.__qualname__)
        if code is None or code.co_freevars != function.__code__.co_freevars:
            raise NotPlantedError(f"{module.__name__}.{function.__qualname__} cannot be changed while it is loaded")
        function.__code__ = code


def codes_in(code: CodeType) -> Iterator[tuple[str, CodeType]]:
    """The code of all functions of a module, and of its classes, by their names in it."""
    for one in code.co_consts:
        if isinstance(one, CodeType) and not one.co_name.startswith("<"):
            is_class = not one.co_flags & _OPTIMIZED
            yield from codes_in(one) if is_class else [(one.co_qualname, one)]


_OPTIMIZED: Final = 1
"""The flag of code that has local variables: that of functions, and not of classes."""


def functions_in(whole: ModuleType | type) -> Iterator[FunctionType]:
    """The functions that a module's text has made, and those of its classes."""
    module = whole.__name__ if isinstance(whole, ModuleType) else whole.__module__
    for value in list(vars(whole).values()):
        if isinstance(value, type) and value.__module__ == module and value is not whole:
            yield from functions_in(value)
            continue
        for one in _parts(value):
            function = _bare(one)
            made_here = isinstance(function, FunctionType) and function.__module__ == module
            if made_here and not function.__code__.co_filename.startswith("<"):
                yield function


def _parts(value: object) -> Sequence[object]:
    """The functions that something stands for."""
    match value:
        case property():
            return [one for one in (value.fget, value.fset, value.fdel) if one is not None]
        case staticmethod() | classmethod():
            return [value.__func__]
        case cached_property():
            return [value.func]
        case _:
            return [value]


def _bare(function: Any) -> Any:
    """A function without what was wrapped around it."""
    while hasattr(function, "__wrapped__"):
        function = function.__wrapped__
    return function


def main(arguments: Sequence[str] | None = None) -> int:
    """Try the bugs, and print the table."""
    from .planted_table import tried

    run: Callable[[Sequence[str] | None], int] = tried
    return run(arguments)


if __name__ == "__main__":
    # By its own name it is the module that the others know.
    from .planted import main as main_

    sys.exit(main_())
