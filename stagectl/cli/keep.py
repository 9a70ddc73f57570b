"""`stagectl keep`: what the nights taught goes back into the setlist."""

from __future__ import annotations

import sys
from contextlib import closing, suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from stagectl.cli import complete
from stagectl.cli.common import count, journal_at, load, setlist_argument

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable, Sequence

    from stagectl.keep.again import Record
    from stagectl.keep.evidence import Night
    from stagectl.keep.offers import Offer
    from stagectl.show.load import Show
    from stagectl.term.waiting import Waiting


@click.command("keep", short_help="Fold the nights' nudges back into the setlist.")
@setlist_argument
@click.argument(
    "journals",
    nargs=-1,
    type=click.Path(path_type=Path),
    metavar="[JOURNAL]...",
    shell_complete=complete.offer(complete.journals, files=True),
)
@click.option(
    "--accept",
    multiple=True,
    type=click.Choice(["all", "base", "venue", "song"]),
    help="Write these changes and ask nothing; may be given again.",
)
def command(setlist: Path, journals: tuple[Path, ...], accept: tuple[str, ...]) -> None:
    """Show what the nudges of one night or several come to, and write what is accepted into the setlist.

    What was steady in every room goes into the base, what was steady in one room into its venue, what was so in one
    song into that song; what was undone, cleared or went both ways is left. Each line comes with its reason. At a
    terminal each is asked for; elsewhere only what --accept names is written. Only the lines of these values change,
    and the old file stays beside the new one, with the date in its name.

    JOURNAL is a night's file, or its name as `stagectl nights` lists it; one night counts once, however many copies of
    it are named. Without it, it is the last night of this setlist: the one that began last.

    \b
    Examples:
      stagectl keep my-show
      stagectl keep my-show tour/*.night --accept base --accept venue
    """
    from stagectl.keep.nights import lesson_of
    from stagectl.keep.words import Teller, ends
    from stagectl.term.waiting import Waiting

    with Waiting("reading the show") as waiting:
        show, compiled = load(setlist, None, stems=True)
        _refuse_the_installed(show)
        nights = _nights(show, journals, waiting)
        waiting.at("weighing what they come to")
        lesson = lesson_of(show, nights)
    teller = Teller(show, compiled.plan)
    click.echo(f"{show.setlist.title}: {count(len(nights), 'night')}: {', '.join(night.name for night in nights)}")
    asks = not accept and sys.stdin.isatty() and sys.stdout.isatty()
    accepted = []
    for offer in lesson.offers:
        click.echo("\n".join(teller.offer(offer)))
        if offer.can_be_written and (
            click.confirm("    keep this?", default=False) if asks else {"all", offer.kept.layer} & {*accept}
        ):
            accepted.append(offer)
    for line in ends(teller, lesson):
        click.echo(line)
    if accepted:
        _write(show, accepted)
    elif lesson.offers:
        told = asks or accept or not any(offer.can_be_written for offer in lesson.offers)
        click.echo("Nothing was written." if told else "Nothing was written; --accept says what to write.")


def _refuse_the_installed(show: Show) -> None:
    """What the program's next version writes over keeps nothing. Raises FileFaults."""
    from stagectl.errors import Fault, FileFaults
    from stagectl.where import is_installed

    path = show.sources["setlist"].path
    if is_installed(path):
        says = f"this show ships with the program; `stagectl copy {path.parent.name} -o my-show` makes it yours"
        raise FileFaults([Fault(str(path), 0, says)])


def _nights(show: Show, journals: Sequence[Path], waiting: Waiting) -> list[Night]:
    """The nights that are named, or the last one of this setlist, in the order of their beginnings. Raises JournalError
    where one was that of another setlist, or its venue is none of this setlist's."""
    from stagectl.errors import JournalError
    from stagectl.journal.of_setlist import of_another
    from stagectl.journal.read import night, one_moment, open_read, sensibly
    from stagectl.keep.nights import night_of

    found = []
    for path in _once(map(journal_at, journals), waiting) or [_last_of(show, waiting)]:
        # It may be played still.
        with closing(open_read(path)) as connection, one_moment(connection):
            played = night(connection)
            says = of_another(played, show.sources["setlist"].path, show.setlist.title)
            if says is not None:
                raise JournalError(f"{path}: {says}")
            waiting.at(f"reading {path.name}")
            record = _record(connection, path, played.venue, waiting)
            with sensibly(str(path)):
                one = night_of(show, _name(played.begun_us, played.venue), played.venue, record)
            found.append((played.begun_us, one))
    return [one for _, one in sorted(found, key=lambda pair: pair[0])]


def _record(connection: sqlite3.Connection, path: Path, venue: str | None, waiting: Waiting) -> Record:
    """What the journal at `path` keeps of a night, to be played again. Raises JournalError where it keeps no events, or
    this version of the program does not take its files."""
    from stagectl.errors import JournalError
    from stagectl.journal.read import events, files_of, rows
    from stagectl.keep.again import Record
    from stagectl.live.resume import chapters
    from stagectl.term.waiting import last_number, over_rows

    kept = files_of(connection, path)
    try:
        plans = chapters(kept, venue, None)
    except JournalError as error:
        raise JournalError(f"{path}: {error}") from error
    heard = over_rows(waiting, events(connection), last_number(connection), lambda one: one[0])
    return Record(plans, lambda: heard, lambda: rows(connection))


def _once(journals: Iterable[Path], waiting: Waiting) -> list[Path]:
    """One journal of each night, whatever it is called and wherever it lies: of a night and its copies, the one that
    goes on furthest. Says which ones are left out."""
    from stagectl.journal.spool import which_night

    found: dict[object, Path] = {}
    for path in journals:
        night = which_night(path) or path
        first = found.setdefault(night, path)
        if first != path:
            found[night], left = sorted((first, path), key=_length, reverse=True)
            waiting.hide()
            click.echo(f"{left} is the same night as {found[night]}, and left out", err=True)
    return list(found.values())


def _length(journal: Path) -> int:
    """The number of a journal's last line."""
    from stagectl.journal.read import open_read
    from stagectl.term.waiting import last_number

    with closing(open_read(journal)) as connection:
        return last_number(connection)


def _name(begun_us: int, venue: str | None) -> str:
    from stagectl.journal.paths import when

    return f"{when(begun_us):%Y-%m-%d}" + (f" {venue}" if venue else "")


def _last_of(show: Show, waiting: Waiting) -> Path:
    """The journal of the last night of this setlist. Raises JournalError where there is none."""
    from stagectl.archive.gather import nights_beside
    from stagectl.errors import JournalError
    from stagectl.journal.of_setlist import of_setlist
    from stagectl.journal.paths import nights
    from stagectl.journal.read import night, open_read

    found = of_setlist(show.sources["setlist"].path, show.setlist.title, nights_beside(show))
    # A night from elsewhere is none to learn from, where there are others.
    for path in (path for path in found.nights if path not in found.moved):
        # One that cannot be read, or that a newer version wrote, may be of any setlist.
        with suppress(JournalError), closing(open_read(path)) as connection:
            night(connection)
            if not found.sure:
                waiting.hide()
                click.echo(f"no night says that it was played from this folder; by its title it is {path}", err=True)
            return path
    raise JournalError(f"there is no night of `{show.setlist.title}` yet in {nights()}")


def _write(show: Show, accepted: Sequence[Offer]) -> None:
    from datetime import datetime

    from stagectl.keep.nights import proved_text, raw_of
    from stagectl.keep.words import measured_before
    from stagectl.keep.write import write_over

    path = show.sources["setlist"].path
    new = proved_text(show, accepted)
    backup = write_over(path, raw_of(show), new, datetime.now().astimezone())
    click.echo(f"{count(len(accepted), 'change')} written to {path}; what it was is in {backup.name}.")
    for line in measured_before(show, accepted):
        click.echo(f"  {line}.")
