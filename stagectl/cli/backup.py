"""`stagectl backup`: a show in one file."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from stagectl.cli.common import aligned, count, setlist_argument
from stagectl.story.sizes import size_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from stagectl.archive.gather import Piece
    from stagectl.archive.manifest import Manifest
    from stagectl.journal.of_setlist import OfSetlist
    from stagectl.show.load import Show
    from stagectl.term.waiting import Waiting


@click.command("backup")
@setlist_argument
@click.option("-o", "--output", type=click.Path(path_type=Path), metavar="FILE.zip", help="The file; else one here.")
@click.option(
    "--nights", "most", type=click.IntRange(0, 400), default=1, show_default=True, help="How many of its last nights."
)
def command(setlist: Path, output: Path | None, most: int) -> None:
    """Pack a show into one zip file: the setlist, the rig, its mappings and its profile (shipped ones too), tempo
    files, press scripts and takes beside it, the journals of its last nights, and what the desk's levels were then.

    Sound files are not packed, but listed: copy them yourself; so are scripts and takes whose names some system does
    not allow. A night that is being played is copied whole as it is now; one that is damaged is left out, the rest is
    packed, and the exit code is 1. Nights that were restored with the show count, and so do those of its title from
    where there is no setlist any more, since the show may have been moved. A file that is there already is never
    written over. `stagectl restore` brings it all back.

    \b
    Example:
      stagectl backup setlists/nine-songs -o nine-songs.zip
    """
    import tempfile

    from stagectl.archive.gather import gather
    from stagectl.archive.pack import pack
    from stagectl.errors import DeviceError, Fault, FileFaults
    from stagectl.journal.causes import cause
    from stagectl.show.load import load_show
    from stagectl.term.waiting import Waiting
    from stagectl.where import show_at

    show = load_show(show_at(setlist))
    path = output if output is not None else Path(_name(show))
    if not path.parent.is_dir():
        raise FileFaults([Fault(str(path), 0, f"there is no folder {path.parent} to write it into")])
    lost: list[str] = []
    try:
        with tempfile.TemporaryDirectory(prefix=".stagectl-", dir=path.parent) as copies, Waiting("copying") as waiting:
            gathered = gather(show, _nights(show, most, Path(copies), lost, waiting))
            for fault in gathered.unfit:
                _say(waiting, f"warning: {fault}; it is not in the backup")

            def watch(more: int) -> None:
                waiting.done += more

            waiting.at("packing", 0, 2 * sum(piece.size for piece in gathered.pieces))
            manifest = pack(gathered, path, watch=watch)
    except OSError as error:
        raise DeviceError(f"the backup {path} cannot be written: {cause(error)}") from error
    click.echo(f"{path}: {manifest.title}, {count(len(manifest.files), 'file')}, {size_text(path.stat().st_size)}")
    for line in content(manifest):
        click.echo(line)
    if lost:
        raise SystemExit(1)
    if most and not any(file.what == "night" for file in manifest.files):
        click.echo("There is no night of this setlist yet.")


def _name(show: Show) -> str:
    """The folder's name and the present time, UTC."""
    stamp = time.strftime("%Y-%m-%dT%H-%M-%S", time.gmtime())
    return f"{show.folder.resolve().name or 'show'}-{stamp}.zip"


def _say(waiting: Waiting, says: str) -> None:
    """A line on stderr."""
    from stagectl.story.words import plainly

    waiting.hide()
    click.echo(f"stagectl: {plainly(says)}", err=True)


def _nights(show: Show, most: int, copies: Path, lost: list[str], waiting: Waiting) -> list[Piece]:
    """The nights that are packed. `lost` takes what is said of those that cannot be."""
    from stagectl.archive.gather import nights_beside
    from stagectl.archive.nights import night_pieces
    from stagectl.journal.of_setlist import of_setlist

    def lose(says: str) -> None:
        lost.append(says)
        _say(waiting, says)

    if not most:
        return []
    found = of_setlist(show.sources["setlist"].path, show.setlist.title, nights_beside(show))
    pieces = list(night_pieces(found.nights, most, copies, lose))
    taken = [piece.source for piece in pieces if piece.what == "night"]
    # What is earlier than all that was asked for would not have been taken anyway.
    ends = len(found.all) if len(taken) < most else found.all.index(taken[-1])
    left = sum(found.all.index(path) < ends for path in found.titled)
    for says in _by_title(show.setlist.title, found, taken, left):
        _say(waiting, f"warning: {says}")
    return pieces


def _by_title(title: str, found: OfSetlist, taken: Sequence[Path], left: int) -> Iterator[str]:
    """What is said of nights that are taken by their title alone, and of those that are left out for theirs."""
    if not found.sure and (taken or left):
        says = f"no night says that it was played from this folder; those of the title `{title}` are taken"
        yield says + (f", and {count(left, 'night')} of other titles left out" if left else "")
    elif left:
        yield f"{count(left, 'night')} of other titles, which do not say where they were played, are left out"
    if moved := sum(path in found.moved for path in taken):
        yield f"taken by the title `{title}`: {count(moved, 'night')} from where there is no setlist any more"


def content(manifest: Manifest) -> Iterator[str]:
    """What is in a backup, and what is not."""
    yield from aligned(list(_rows(manifest)), left=(0, 1, 2))
    missing = [(one.path, "it was not there" if one.size is None else size_text(one.size)) for one in manifest.left]
    if missing:
        kinds = [_KINDS.get(one.what, one.what) for one in manifest.left]
        counted = ", ".join(count(kinds.count(kind), kind) for kind in dict.fromkeys(kinds))
        yield f"Not in it: {counted}, to be copied by hand:"
        yield from aligned(missing, left=(0,))


_KINDS: Final = {"stem": "sound file", "presses": "press script"}
"""What files that are left are called, where that is not what they are."""


def _rows(manifest: Manifest) -> Iterable[tuple[str, str, str, str]]:
    for file in manifest.files:
        yield file.what, file.path, "shipped with the program" if file.shipped else "", size_text(file.size)
