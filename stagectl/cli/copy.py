"""`stagectl copy`: what ships with the program, as files of one's own."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from stagectl.cli.complete import offer, things

if TYPE_CHECKING:
    from collections.abc import Sequence

    from stagectl.archive.shipped import Thing


@click.command("copy", short_help="Copy a demo show, a mapping or a profile, to make it yours.")
@click.argument("name", required=False, shell_complete=offer(things))
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    metavar="PATH",
    help="A show's new folder; a file's new name or its folder. Else by its own name, here.",
)
def command(name: str | None, output: Path | None) -> None:
    """Copy a demo show, the mapping of a pedal or the profile of a desk that ships with the program, to make it yours.

    Without NAME it lists what there is. Nothing is written over.

    \b
    Examples:
      stagectl copy
      stagectl copy nine-songs -o my-first-show
      stagectl copy two-switch -o my-first-show
      stagectl copy nrpn -o my-first-show/my-desk.yaml
    """
    from stagectl.archive.shipped import SHOW, copy, things
    from stagectl.errors import nearest

    known = things()
    if name is None:
        if output is not None:
            raise click.UsageError("NAME is missing: what to copy; `stagectl copy` alone lists what there is")
        click.echo("\n".join(_lines(known)))
        return
    found = {thing.name: thing for thing in known}
    if name not in found:
        raise click.BadParameter(
            f"nothing called `{name}` ships with the program{nearest(name, found)}", param_hint="NAME"
        )
    thing = found[name]
    at = copy(thing, output)
    click.echo(f"wrote {at}")
    if thing.kind == SHOW:
        import shlex

        click.echo(f"Now: stagectl rehearse {shlex.quote(str(at))}")


def _lines(known: Sequence[Thing]) -> Iterator[str]:
    """What there is, kind by kind."""
    width = max(len(thing.name) for thing in known)
    kind = ""
    for thing in known:
        if thing.kind != kind:
            kind = thing.kind
            yield f"{kind}:"
        yield f"    {thing.name:<{width}}  {thing.says}"
