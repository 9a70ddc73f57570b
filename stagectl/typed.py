"""What somebody is told to type at a shell."""

from __future__ import annotations

from typing import Final

LIVE: Final = frozenset('"$`\\!')
"""What a POSIX shell takes for more than itself between double quotes (Shell Command Language, 2.2.3), and `!`, which
shells for people take for a line of before."""


def typed(name: str) -> str:
    """A name as one word, in double quotes where these will do: every shell takes them, that of Windows too."""
    if LIVE.isdisjoint(name):
        return f'"{name}"'
    import shlex

    return shlex.quote(name)
