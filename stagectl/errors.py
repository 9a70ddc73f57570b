"""Every error that stagectl raises, by whose fault it is.

    StagectlError
    ├── FileFaults       the author of a file: all faults of all files at once        exit code 1
    ├── DeviceError      a device, a port or the system                               exit code 3
    ├── JournalError     the journal: missing, foreign, newer, damaged                exit code 1
    │   ├── NightInUse   another process plays this night
    │   └── NightDamaged one night cannot be read or copied whole
    └── WireError        bytes that cannot be said or understood

A message says the value, what is allowed, the place and, where a name is close, which one was meant. `Advice` has the
shape of a `Fault` and is none: it is told and never raised.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple


class StagectlError(Exception):
    """The root of the tree."""


class Fault(NamedTuple):
    """One fault of a file. `line` counts from 1; 0 is the file as a whole."""

    file: str
    line: int
    text: str

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else self.file
        return f"{place}: {self.text}"


class Advice(NamedTuple):
    """What may be meant, but is worth another look: a warning. It keeps no show from being played. `line` as in a
    `Fault`."""

    file: str
    line: int
    text: str

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else self.file
        return f"{place}: warning: {self.text}"


class FileFaults(StagectlError):
    """What is wrong in the files that the user wrote, in the order of the files' lines."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(map(str, self.faults)))


class DeviceError(StagectlError):
    """A device, a port or the system failed."""


class JournalError(StagectlError):
    """The journal cannot be read or written."""


class NightInUse(JournalError):
    """Another process plays this night, and writes its journal."""


class NightDamaged(JournalError):
    """One night cannot be read or copied whole, while others can."""


class WireError(StagectlError):
    """A message that cannot be said on the wire, or bytes that mean nothing."""


def closest(name: str, allowed: Iterable[str], alike: float = 0.6) -> str | None:
    """The name that is close to one, whatever the case; None where none is. `alike`: how close at the least, from 0 to
    1 (`difflib`)."""
    from difflib import get_close_matches

    lowered = {known.lower(): known for known in allowed}
    close = get_close_matches(name.lower(), lowered, n=1, cutoff=alike)
    return lowered[close[0]] if close else None


def first_of(names: Iterable[str]) -> str:
    """`kick`, or `kick and 2 more` of several; there has to be one."""
    first, *more = names
    return first + (f" and {len(more)} more" if more else "")


def nearest(name: str, allowed: Iterable[str]) -> str:
    """`; did you mean `kick`?` where a name is close, else what is allowed (at most a dozen names)."""
    names = list(dict.fromkeys(allowed))
    close = closest(name, names)
    if close is not None:
        return f"; did you mean `{close}`?"
    if not names:
        return "; there are none"
    shown = ", ".join(f"`{known}`" for known in names[:12])
    return f"; known: {shown}" + (f" and {len(names) - 12} more" if len(names) > 12 else "")
