"""`stagectl restore`: a show out of a backup."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from stagectl.archive.manifest import Manifest


@click.command("restore")
@click.argument("backup", type=click.Path(path_type=Path), metavar="FILE.zip")
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), metavar="FOLDER", help="A new or empty folder; else one here."
)
@click.option("--list", "only_list", is_flag=True, help="Check it and show what is in it, and write nothing.")
def command(backup: Path, output: Path | None, only_list: bool) -> None:
    """Bring a show back from a backup, into a new folder.

    Before anything is written, every file is checked against its sum, and what could do harm is refused: paths that
    leave the folder, links, names that some system does not allow, sizes beyond every show. Nothing that is there is
    written over, and a failure leaves nothing half. Nights go into the folder `nights` of the new one, where `backup`
    and `keep` find them; one that is damaged is left out, the rest is brought back, and the exit code is 1.

    \b
    Examples:
      stagectl restore nine-songs.zip --list
      stagectl restore nine-songs.zip -o my-show
    """
    from stagectl.archive.check import check
    from stagectl.archive.unpack import unpack
    from stagectl.cli.backup import content
    from stagectl.cli.common import count
    from stagectl.errors import DeviceError, Fault, FileFaults, nearest
    from stagectl.journal.causes import cause
    from stagectl.regular import NoFileError, open_regular
    from stagectl.term.waiting import Waiting

    if not backup.exists():
        known = sorted(path.name for path in backup.parent.glob("*.zip"))
        raise FileFaults(
            [Fault(str(backup), 0, "there is no such file" + (nearest(backup.name, known) if known else ""))]
        )
    try:
        file = open_regular(backup)
    except NoFileError as error:
        raise FileFaults([Fault(str(backup), 0, str(error.strerror))]) from error
    except OSError as error:
        raise DeviceError(f"{backup} cannot be read: {cause(error)}") from error
    with file, Waiting("checking every file") as waiting:
        found = check(file, str(backup))
        manifest = found.manifest
        folder = output if output is not None else Path(backup.stem)
        if not only_list:
            waiting.at("bringing it back")
            unpack(found, str(backup), folder)
    where = backup if only_list else folder
    by = f"as of {manifest.when}, by stagectl {manifest.program}"
    click.echo(f"{where}: {manifest.title}, {count(len(manifest.files), 'file')}, {by}")
    for line in content(manifest):
        click.echo(line)
    for fault in found.damaged:
        click.echo(f"{fault}; {'it would be' if only_list else 'it was'} left out", err=True)
    if only_list:
        click.echo(f"Every {'other ' if found.damaged else ''}file is what was backed up.")
    else:
        for line in _next(manifest, folder):
            click.echo(line)
    if found.damaged:
        raise SystemExit(1)


def _next(manifest: Manifest, folder: Path) -> list[str]:
    """What to do now."""
    show = folder / manifest.setlist
    lines = [f"Now: stagectl check {_quoted(show.parent if show.name == 'setlist.yaml' else show)}"]
    night = next((file.path for file in manifest.files if file.what == "night"), None)
    if night is not None:
        lines.append(f"Its last night: stagectl log --journal {_quoted(folder / night)}")
    return lines


def _quoted(path: Path) -> str:
    """A path as a shell takes it."""
    import shlex

    return shlex.quote(str(path))
