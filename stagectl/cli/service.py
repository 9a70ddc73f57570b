"""`stagectl service`: the night as a service of systemd's."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from stagectl.apart.python import runs
from stagectl.cli.at import SERVED_HELP, page_option
from stagectl.cli.common import api_option, load, setlist_argument, venue_option
from stagectl.service.unit import NAME

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from stagectl.service.manager import Step
    from stagectl.service.unit import Service


def _named(_: click.Context, __: click.Parameter, value: str) -> str:
    from stagectl.service.files import unit_name

    try:
        return unit_name(value)
    except ValueError as error:
        raise click.BadParameter(str(error)) from error


def _name_option(command: Callable[..., None]) -> Callable[..., None]:
    said = "What the service is called, where there is more than one."
    return click.option("--name", "unit", default=NAME, show_default=True, metavar="NAME", callback=_named, help=said)(
        command
    )


@click.group("service")
def command() -> None:
    """Have systemd start the night with the machine, watch it, and start it again when it fails: for a rig without a
    screen. The night is then taken up where it was, and no level moves because of that.

    \b
    Example:
      stagectl service install setlists/nine-songs --venue "Tidewater Hall"
    """


@command.command("install")
@setlist_argument
@venue_option
@api_option
@page_option(SERVED_HELP)
@click.option("--control", is_flag=True, help="Let whoever has the key control from the page.")
@_name_option
@click.option("--print", "only_print", is_flag=True, help="Show the unit, and write and do nothing.")
def install(
    setlist: Path,
    venue: str | None,
    api: str,
    page: tuple[str, int] | None,
    control: bool,
    unit: str,
    only_print: bool,
) -> None:
    """Write a unit for your own service manager that plays SETLIST, and have it start with the machine.

    The show is checked first. A unit that is there already is written anew; a file that this command did not write is
    left alone. The folder of the nights is made, since the service may write there and make none beside it. Nothing is
    started before you say so. What a shell has in the environment for JACK, for the nights' folder and for the time
    zone goes along.

    Stopping the service ends the night, and so does shutting the machine down; a crash, a kill and a power cut do not.
    """
    import os

    from stagectl.errors import StagectlError
    from stagectl.journal.paths import nights
    from stagectl.service import files, manager
    from stagectl.service.unit import text

    if control and page is None:
        raise click.BadParameter("controls are on the page: add --page", param_hint="--control")
    show, _ = load(setlist, venue)
    path = files.folder(os.environ) / unit
    try:
        said = text(_service(show.setlist.title, unit, _run_words(setlist, venue, api, page, control)))
    except ValueError as error:
        raise StagectlError(f"this cannot be said in a unit: {error}") from error
    if only_print:
        click.echo(said, nl=False)
        return
    manager.there()
    files.refuse_others(path)
    files.make_nights(nights())
    was = files.write(path, said)
    click.echo(f"{path} is written{' anew' if was else ''}")
    no_answer = manager.answers()
    if no_answer is None:
        left = list(_take(manager.install_steps(unit)))
    else:
        click.echo(f"your service manager does not answer here ({no_answer}): that is left to you")
        left = list(manager.install_steps(unit))
    plays = no_answer is None and manager.is_active(unit)
    _next(left, unit, plays)


@command.command("remove")
@_name_option
def remove(unit: str) -> None:
    """Stop the service, which ends its night, and delete its unit. A file that `service install` did not write is left
    alone. The nights stay, and whether your services start before you log in stays as it is.
    """
    import os

    from stagectl.service import files, manager

    path = files.folder(os.environ) / unit
    files.ours(path)
    manager.there()
    no_answer = manager.answers()
    if no_answer is None:
        for step in _take(manager.remove_steps(unit)):
            click.echo(f"left to do: {step.shown}", err=True)
    files.take_away(path)
    click.echo(f"{path} is deleted")
    if no_answer is None:
        for step in manager.forgotten(unit):
            manager.done(step)
    else:
        click.echo(f"your service manager does not answer here ({no_answer}); if the service runs, it still does")


def _run_words(
    setlist: Path, venue: str | None, api: str, page: tuple[str, int] | None, control: bool
) -> tuple[str, ...]:
    from stagectl.service.unit import run_words
    from stagectl.where import show_at

    return run_words(str(show_at(setlist).absolute()), venue=venue, api=api, page=page, control=control)


def _service(title: str, unit: str, words: tuple[str, ...]) -> Service:
    import os

    from stagectl.journal.paths import nights
    from stagectl.service.files import where_nights_are
    from stagectl.service.unit import Service, carried

    return Service(
        command=(*runs("stagectl"), *words),
        title=title,
        unit=unit,
        environment=carried(os.environ),
        writes=(*map(str, where_nights_are(nights().absolute())), "/tmp", "/var/tmp"),
    )


def _take(steps: Iterable[Step]) -> Iterator[Step]:
    """Take steps, and say what came of them. Yields those that failed."""
    from stagectl.service.manager import done

    for step in map(done, steps):
        if step.fails is None:
            click.echo(step.does)
        else:
            click.echo(f"`{step.shown}` failed: {step.fails}", err=True)
            yield step


def _next(left: Iterable[Step], unit: str, plays: bool) -> None:
    """What comes next."""
    name = unit.removesuffix(".service")
    click.echo("\nNext:")
    for step in left:
        click.echo(f"  {step.shown}")
    if plays:
        click.echo("  nothing now: it is playing, and what has changed counts from its next start")
    else:
        click.echo(f"  systemctl --user start {name}      begins the night")
    click.echo(f"  systemctl --user status {name}     says where it is")
    click.echo(f"  systemctl --user stop {name}       ends the night")
    click.echo(f"  journalctl --user -u {name} -f     shows what presses do, and where the page is")
