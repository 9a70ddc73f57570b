"""`stagectl sheet`: the show on paper."""

from __future__ import annotations

from pathlib import Path

import click

from stagectl.cli.common import setlist_argument, venue_option
from stagectl.typed import typed

_PARTS = ("cue sheet", "inputs", "cards", "map")
_ENDS = {".pdf": True, ".html": False, ".htm": False}
"""The ends of file names, and whether that is a PDF."""

_MANY_CELLS = 3_000
"""Cells of its tables from which on a PDF takes so long (some 5 ms each) that one is told."""


@click.command("sheet", short_help="The show on paper: cue sheet, input list, cards, scene map.")
@setlist_argument
@venue_option
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), metavar="FILE", help="A .pdf or .html; `-` is HTML to stdout."
)
@click.option(
    "--paper", type=click.Choice(["a4", "letter"], case_sensitive=False), default="a4", show_default=True, help="Size."
)
@click.option("--only", type=click.Choice(_PARTS), multiple=True, help="Only this part; may be given again.")
@click.option("--force", is_flag=True, help="Write over a file that is no sheet.")
def command(
    setlist: Path, venue: str | None, output: Path | None, paper: str, only: tuple[str, ...], force: bool
) -> None:
    """Put a show on paper: the cue sheet (songs, sections, feet, cues, notes), the input list and patch, a card for
    each listener, and the scene map. It reads well in black and white, and has room for a pen.

    \b
    Examples: all of it for a room; the cards alone, to print from a browser
      stagectl sheet my-show --venue "Tidewater Hall" -o sheet.pdf
      stagectl sheet my-show --only cards -o cards.html
    """
    import sys

    from stagectl.cli.common import load
    from stagectl.sheet.facts import sheet_of
    from stagectl.sheet.page import page
    from stagectl.sheet.write import dated, keep, may_keep, pdf

    as_pdf = _is_pdf(output, setlist)
    assert output is not None
    to_stdout = str(output) == "-"
    if not to_stdout:
        may_keep(output, force)
    show, compiled = load(setlist, venue, stems=True)
    text = page(sheet_of(show, compiled, venue, dated(show.files)), paper.lower(), only)
    if to_stdout:
        # The page says that it is UTF-8, whatever the terminal is set to.
        sys.stdout.buffer.write(text.encode("utf-8", "replace"))
        sys.stdout.buffer.flush()
        return
    if as_pdf and text.count("<td") > _MANY_CELLS:
        click.echo(
            "this show is big, and its PDF takes a while; HTML, printed from a browser, is there at once", err=True
        )
    keep(output, pdf(text) if as_pdf else text.encode("utf-8", "replace"), force)
    click.echo(f"wrote {output}")


def _is_pdf(output: Path | None, setlist: Path) -> bool:
    """Whether a PDF is asked for. Where a sheet goes has to be said, and what it is follows from the name."""
    if output is None:
        name = (setlist.parent if setlist.suffix else setlist).resolve().name or "sheet"
        as_pdf, as_html = (one if one.split() == [one] else typed(one) for one in (f"{name}.pdf", f"{name}.html"))
        raise click.UsageError(f"-o is missing: where the sheet goes, such as `-o {as_pdf}` or `-o {as_html}`")
    if str(output) == "-":
        return False
    if output.suffix.lower() not in _ENDS:
        ends = ", ".join(_ENDS)
        raise click.BadParameter(f"`{output.name}` ends in none of {ends}: that says what it is to be", param_hint="-o")
    return _ENDS[output.suffix.lower()]
