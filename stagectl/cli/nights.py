"""`stagectl nights`: the journals that there are."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from stagectl.report.listing import Listed


@click.command("nights", short_help="List the nights that were kept.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line.")
def command(as_json: bool) -> None:
    """List the nights that were kept, the last one at the end: when each began, what was played, and what happened.
    A sweep of a treadle is one press. The last night is the one that began last. Where a JOURNAL is asked for, a
    night's name will do.

    A file that cannot be read has a line that says what is wrong with it.

    \b
    Example: the last night's page
      stagectl nights && stagectl report -o night.html
    """
    import json

    from stagectl.cli.common import put_utf8
    from stagectl.journal.paths import folders, nights
    from stagectl.report import listing

    found = listing.listed(*folders())
    if as_json:
        for one in found:
            put_utf8(f"{json.dumps(listing.as_json(one), ensure_ascii=False)}\n")
    elif found:
        click.echo("\n".join(lines(found)))
    else:
        click.echo(f"there is no night yet in {nights()}", err=True)


_HEADS = ("began", "setlist, venue", "long", "songs", "presses", "changes", "refused", "end", "size", "name")
_NAME_MAX = 44


def lines(found: Iterable[Listed]) -> Iterator[str]:
    """The table of the nights, folder by folder, and a line for what cannot be read."""
    from stagectl.cli.common import aligned

    some = list(found)
    # The folder with the last night comes last, so that this stands just above the prompt.
    place = {one.path.parent: at for at, one in enumerate(some)}
    some.sort(key=lambda one: place[one.path.parent])
    rows = iter(list(aligned([_HEADS, *(_row(one) for one in some if one.fault is None)], (0, 1, 7, 9))))
    yield next(rows)
    folder = None
    for one in some:
        if one.path.parent != folder:
            folder = one.path.parent
            yield f"{folder}:"
        yield next(rows) if one.fault is None else f"    {_fault(one)}"


def _row(one: Listed) -> tuple[str, ...]:
    from stagectl.report.wall import long_text
    from stagectl.report.words import clipped
    from stagectl.story.sizes import size_text

    assert one.head is not None
    what = ", ".join(part for part in (one.head.setlist, one.head.venue) if part)
    shown = clipped(_printable(what), _NAME_MAX)
    counts = (one.songs, one.presses, one.changes, one.refusals)
    return (
        one.begun,
        shown,
        long_text(one.long),
        *(f"{count:,}" for count in counts),
        "yes" if one.ends else "no",
        size_text(one.size),
        _printable(one.path.stem),
    )


def _printable(text: str) -> str:
    return "".join(char if char.isprintable() else "?" for char in text)


def _fault(one: Listed) -> str:
    """What is wrong, with the file's name once."""
    says = str(one.fault)
    return says if str(one.path) in says else f"{one.path}: {says}"
