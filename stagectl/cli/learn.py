"""`stagectl learn`: a mapping file for a pedal, from what it sends."""

from __future__ import annotations

import os.path
import sys
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from stagectl.cli.common import api_option

if TYPE_CHECKING:
    from collections.abc import Sequence

    from stagectl.learn.listen import Port
    from stagectl.learn.series import Sender
    from stagectl.learn.verdict import Learned, Verdict

Pedal = tuple[str, "Learned"]
"""The port (or track) and what it said."""


NO_PORT: Final = "there was no MIDI port to listen to"


@click.command("learn")
@click.option("--take", type=click.Path(path_type=Path), metavar="FILE", help="Learn from a recording (.mid) instead.")
@click.option("--port", metavar="PART", default="", help="Only the ports, or tracks, whose name holds this.")
@click.option("--name", metavar="NAME", help="The pedal's name in the mapping file.")
@click.option("--keep", type=click.Path(path_type=Path), metavar="FILE", help="Keep what was heard, as a take (.mid).")
@click.option("-o", "--output", type=click.Path(path_type=Path), metavar="FILE", help="The mapping file to write.")
@api_option
def command(take: Path | None, port: str, name: str | None, keep: Path | None, output: Path | None, api: str) -> None:
    """Learn what each control of a pedal sends, by pressing it, and write a mapping file.

    Every MIDI port is listened to until Enter (or until standard input ends). Press each switch three times, short and
    a second apart; rock each treadle from heel to toe and back, twice, and rest at each end. No show and no desk is
    needed. At a terminal it then asks for names and for the file. From a recording, or with no terminal, the names are
    `switch 1`, `treadle 1` and so on, and without -o the file goes to standard output.

    \b
    Examples:
      stagectl learn
      stagectl learn --keep pedal.mid
      stagectl learn --take pedal.mid -o pedal.yaml
    """
    asks = take is None and sys.stdin.isatty() and sys.stdout.isatty()
    _check(name, output, asks)
    _check_kept(keep, take)
    try:
        pedals, code = (_from_take(take, port), 0) if take is not None else _live(api, port, asks, keep)
        if asks:
            _ask_and_write(pedals, name, output)
        else:
            _write(_only(pedals), name, output)
    except (KeyboardInterrupt, click.Abort):
        click.echo("\nNothing was written.", err=True)
        raise SystemExit(1) from None
    if code:
        raise SystemExit(code)


def _check(name: str | None, output: Path | None, asks: bool) -> None:
    """Wrong usage is said before anybody presses anything."""
    if name is not None and (fault := _name_fault(name)):
        raise click.BadParameter(fault, param_hint="--name")
    if output is None:
        return
    if output.suffix != ".yaml":
        raise click.BadParameter("the name of a mapping file ends with `.yaml`", param_hint="-o")
    if fault := _folder_fault(output):
        raise click.BadParameter(fault, param_hint="-o")
    if output.exists() and not asks:
        raise click.BadParameter(f"`{output}` is there already; it is not overwritten unasked", param_hint="-o")


def _check_kept(keep: Path | None, take: Path | None) -> None:
    if keep is None:
        return
    if take is not None:
        raise click.UsageError("--keep keeps what is heard live; with --take there is a recording already")
    if keep.suffix != ".mid":
        raise click.BadParameter("the name of a take ends with `.mid`", param_hint="--keep")
    if fault := _folder_fault(keep):
        raise click.BadParameter(fault, param_hint="--keep")
    if keep.exists():
        raise click.BadParameter(f"`{keep}` is there already; it is not overwritten", param_hint="--keep")


def _folder_fault(path: Path) -> str:
    """Why a file cannot stand in its folder; empty where it can."""
    from stagectl.errors import closest

    folder = path.parent
    if os.path.isdir(folder):
        return ""
    others: list[str] = []
    with suppress(OSError):
        others = [one.name for one in folder.parent.iterdir() if one.is_dir()]
    meant = closest(folder.name, others)
    return f"there is no folder `{folder}`" + (f"; did you mean `{folder.with_name(meant)}`?" if meant else "")


def _name_fault(name: str) -> str:
    from stagectl.show.values import NameText

    try:
        NameText().parse(name)
    except ValueError as error:
        return str(error)
    return ""


# -- listening --------------------------------------------------------------------------------------------


def _from_take(take: Path, part: str) -> list[Pedal]:
    from stagectl.errors import Fault, FileFaults
    from stagectl.learn.analyse import analyse
    from stagectl.learn.take import pedals_of
    from stagectl.learn.watching import line_of

    learned = [(track, analyse(packets)) for track, packets in pedals_of(take) if part.lower() in track.lower()]
    pedals = [(track, one) for track, one in learned if one.verdicts]
    if not pedals:
        raise FileFaults([Fault(str(take), 0, "no control speaks in this take")])
    for track, one in pedals:
        for verdict in one.verdicts:
            click.echo(line_of(track, verdict), err=True)
    return pedals


def _live(api: str, part: str, asks: bool, keep: Path | None) -> tuple[list[Pedal], int]:
    """The pedals that were heard, and the exit code: that of a take that cannot be kept, else 0."""
    from contextlib import ExitStack

    from stagectl.errors import DeviceError, nearest
    from stagectl.learn.listen import Listener, Shows
    from stagectl.learn.watching import InPlace, Lines, enter_pressed
    from stagectl.ports.midi import open_system

    system = open_system(api)
    with ExitStack() as stack:
        stack.callback(system.close)
        shows: Shows = Lines(lambda line: click.echo(line, err=True))
        if asks:
            from rich.console import Console

            shows = stack.enter_context(InPlace(Console()))
        shows.say("Press each switch three times, a second apart; rock each treadle there and back, twice.")
        shows.say("Enter ends it.")
        names = system.inputs()
        ports = Listener(system, shows, part).until(enter_pressed)
    code = 0 if keep is None or not any(port.packets for port in ports) else _keep(keep, ports)
    pedals = [(port.name, port.learned()) for port in ports]
    if not any(one.verdicts for _, one in pedals):
        none = f"no port has `{part}` in its name{nearest(part, names)}" if part and names else NO_PORT
        raise DeviceError("no control spoke" if ports else none)
    return [(port, one) for port, one in pedals if one.verdicts], code


def _keep(path: Path, ports: Sequence[Port]) -> int:
    """What was heard is kept, whatever can be learned from it. Where it cannot be, that is said, and the mapping comes
    all the same: the exit code of that, else 0."""
    from stagectl.cli.main import FAULTS, SYSTEM
    from stagectl.errors import DeviceError, StagectlError
    from stagectl.learn.keep_take import take_bytes
    from stagectl.story.words import plainly
    from stagectl.term.ink import echo
    from stagectl.whole import write_whole

    try:
        write_whole(path, take_bytes((port.name, port.packets) for port in ports), "take", lambda _: False, force=False)
    except StagectlError as error:
        echo(plainly(f"Not kept: {error}"), "fault", err=True)
        return SYSTEM if isinstance(error, DeviceError) else FAULTS
    click.echo(f"Kept: {path}; `stagectl rehearse SHOW --presses {path}` plays it to a show.", err=True)
    return 0


def _only(pedals: list[Pedal]) -> Pedal:
    """The only pedal; a mapping file is for one."""
    if len(pedals) > 1:
        names = ", ".join(f"`{port}`" for port, _ in pedals)
        raise click.UsageError(f"several pedals spoke, and a mapping is for one; name it with --port: {names}")
    return pedals[0]


# -- with no terminal -------------------------------------------------------------------------------------


def _write(pedal: Pedal, name: str | None, output: Path | None) -> None:
    from stagectl.learn.write import default_names, mapping_text, write_whole

    port, learned = pedal
    text = mapping_text(name or _short(port), port, learned, default_names(learned.verdicts))
    if output is None:
        click.echo(text, nl=False)
        return
    write_whole(output, text)
    click.echo(f"Written: {output}", err=True)


def _short(port: str) -> str:
    """A pedal's name from its port's: what stands before the first colon, as far as a name may be long."""
    from stagectl.show.values import NAME_MAX

    short = "".join(char for char in port.partition(":")[0] if char.isprintable()).strip()[:NAME_MAX].strip()
    return short or "pedal"


# -- at a terminal ----------------------------------------------------------------------------------------


def _ask_and_write(pedals: list[Pedal], name: str | None, output: Path | None) -> None:
    from stagectl.learn.write import file_name, mapping_text

    for port, learned in pedals:
        if len(pedals) > 1 and not click.confirm(f"\nWrite a mapping for `{port}`?", default=True):
            continue
        click.echo(f"\n{port}")
        called = name or _ask_name("Name of the pedal", _short(port), set())
        learned, names = _ask_controls(learned)
        text = mapping_text(called, port, learned, names)
        click.echo("\n" + text)
        path = _ask_and_write_to(output if output is not None else Path(file_name(called)), text)
        click.echo(f"Written: {path}. In the rig: `mapping: {path.stem}`.")


def _ask_name(what: str, default: str, taken: set[str]) -> str:
    while True:
        given = str(click.prompt(what, default=default)).strip()
        fault = _name_fault(given) or (f"`{given}` is the name of another" if given in taken else "")
        if not fault:
            return given
        click.echo(f"  {fault}")


def _ask_controls(learned: Learned) -> tuple[Learned, dict[Sender, str]]:
    """A name for each control, and the way of each treadle."""
    from dataclasses import replace

    from stagectl.learn.write import default_names

    defaults = default_names(learned.verdicts)
    names: dict[Sender, str] = {}
    verdicts: list[Verdict] = []
    for verdict in learned.verdicts:
        click.echo(f"  {verdict.sender}: {verdict.words()}")
        names[verdict.sender] = _ask_name("  Name", defaults[verdict.sender], set(names.values()))
        up = verdict.is_switch or click.confirm("  Does the toe going down make its value larger?", default=True)
        verdicts.append(verdict if up else verdict.turned())
    return replace(learned, verdicts=tuple(verdicts)), names


def _ask_and_write_to(default: Path, text: str) -> Path:
    """Where to write, and the file there: asked until it is written. Nothing that was answered before is lost."""
    from stagectl.errors import FileFaults
    from stagectl.learn.write import write_whole

    while True:
        path = _ask_path(default)
        try:
            write_whole(path, text)
        except FileFaults as error:
            click.echo(f"  {error}")
            continue
        return path


def _ask_path(default: Path) -> Path:
    """A path to write to: asked until it is a new file in a folder, or one that may be overwritten."""
    while True:
        path = Path(str(click.prompt("File", default=str(default))).strip())
        with suppress(RuntimeError):  # There is nobody of that name, whose home `~name` would be.
            path = path.expanduser()
        if path.suffix != ".yaml":
            click.echo("  the name of a mapping file ends with `.yaml`")
        elif os.path.isdir(path):
            click.echo(f"  `{path}` is a folder: name a file in it")
        elif fault := _folder_fault(path):
            click.echo(f"  {fault}")
        elif not os.path.exists(path) or click.confirm(f"  `{path}` is there already. Overwrite it?", default=False):
            return path
