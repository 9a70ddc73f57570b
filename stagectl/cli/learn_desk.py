"""`stagectl learn-desk`: a desk profile, from what the desk says while its faders are moved."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from stagectl.cli.common import api_option

if TYPE_CHECKING:
    from stagectl.learn.desk_analyse import LearnedDesk
    from stagectl.learn.desk_live import Session
    from stagectl.learn.desk_moves import Part

Link = tuple[str, "list[Part]", "LearnedDesk"]
"""A port, a host or a track; what it said during each move; and the verdict."""


@click.command("learn-desk")
@click.option("--take", type=click.Path(path_type=Path), metavar="FILE", help="Learn from a recording instead.")
@click.option("--osc", type=click.IntRange(0, 65_535), metavar="PORT", help="Listen for OSC at this UDP port.")
@click.option("--port", metavar="PART", default="", help="Only the ports, hosts or tracks whose name holds this.")
@click.option("--name", metavar="NAME", default="learned desk", show_default=True, help="The desk's name.")
@click.option("-o", "--output", type=click.Path(path_type=Path), metavar="FILE", help="The desk profile to write.")
@click.option("--keep", type=click.Path(path_type=Path), metavar="FILE", help="Keep what was heard, for --take.")
@api_option
def command(
    take: Path | None, osc: int | None, port: str, name: str, output: Path | None, keep: Path | None, api: str
) -> None:
    """Learn how a desk says its send levels, by moving some of them, and write a desk profile.

    It asks for a few moves: one send from the bottom to the top and to some marks of its scale, then another input,
    another mix, and one more of each. Every MIDI port is listened to, or a UDP port for OSC; a desk that reports only
    to whom it was told of has to be told first. It tells the kind of message, how inputs and mixes are counted and
    which value is which level, says how sure it is and what contradicts, and names what the desk sends anyway. The
    profile says that the desk reports hands, since that is how it was heard. Stored scenes, and whether it can be asked
    for a level, are not learned. Without -o the profile goes to standard output.

    A recording is a Standard MIDI File (.mid) with a marker `move: …` where each move begins, or a text with a line
    for each packet (seconds, bytes in hexadecimal) below a line for its move:

    \b
      # move: nothing
      # move: input 1 mix 1 bottom to top
      0.000 B0 10 00
      0.021 B0 10 01
      # move: input 1 mix 1 at -10 dB
      # move: input 2 mix 1
      # move: whole mix 1 bottom to top

    \b
    Examples:
      stagectl learn-desk -o my-show/my-desk.yaml
      stagectl learn-desk --osc 9001 --keep heard.txt
      stagectl learn-desk --take heard.txt -o my-show/my-desk.yaml
    """
    try:
        overwrite = _check(name, output, keep, take)
        links = _from_take(take, port) if take is not None else _live(api, osc, port, keep)
        _write(_best(links), name, output, overwrite)
    except (KeyboardInterrupt, click.Abort):
        was_kept = keep is not None and keep.exists()
        click.echo("\nNo profile was written." if was_kept else "\nNothing was written.", err=True)
        raise SystemExit(1) from None


def _check(name: str, output: Path | None, keep: Path | None, take: Path | None) -> bool:
    """Wrong usage is said before anybody moves anything. Gives whether the profile may be overwritten; at a terminal it
    is asked for."""
    from stagectl.learn.desk_take import MIDI_SUFFIXES
    from stagectl.show.values import NameText

    try:
        NameText().parse(name)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--name") from error
    if keep is not None and take is not None:
        raise click.UsageError("--keep keeps what is heard live; with --take there is a recording already")
    if output is not None and output.suffix != ".yaml":
        raise click.BadParameter("the name of a desk profile ends with `.yaml`", param_hint="-o")
    if keep is not None and keep.suffix.lower() in MIDI_SUFFIXES:
        says = f"what is kept is a text, and `{keep.suffix}` is the end of a MIDI file's name; take `{keep.stem}.txt`"
        raise click.BadParameter(says, param_hint="--keep")
    for path, hint in ((output, "-o"), (keep, "--keep")):
        if path is not None and not path.parent.is_dir():
            raise click.BadParameter(f"there is no folder `{path.parent}`", param_hint=hint)
    if output is not None and output.exists() and sys.stdin.isatty() and sys.stderr.isatty():
        return click.confirm(f"`{output}` is there already. Overwrite it in the end?", err=True, abort=True)
    for path, hint in ((output, "-o"), (keep, "--keep")):
        if path is not None and path.exists():
            raise click.BadParameter(f"`{path}` is there already; it is not overwritten unasked", param_hint=hint)
    return False


# -- listening --------------------------------------------------------------------------------------------


def _from_take(take: Path, part: str) -> list[Link]:
    from stagectl.errors import Fault, FileFaults
    from stagectl.learn.desk_analyse import analyse
    from stagectl.learn.desk_take import links_of

    links = [(link, parts, analyse(parts)) for link, parts in links_of(take) if part.lower() in link.lower()]
    if not any(learned.heard for _, _, learned in links):
        raise FileFaults([Fault(str(take), 0, "nothing was said in this recording")])
    return links


def _live(api: str, osc: int | None, part: str, keep: Path | None) -> list[Link]:
    from stagectl.errors import DeviceError
    from stagectl.learn.desk_analyse import analyse
    from stagectl.learn.desk_live import Session

    session = Session()
    try:
        _ask(session, api, osc, part)
    finally:
        # Whoever ends it in the middle has moved what was asked for until then.
        links = [(link, parts, analyse(parts)) for link, parts in session.links() if part.lower() in link.lower()]
        if keep is not None and links and any(move.spot for move in session.moves):
            _keep(links, keep)
    if not links:
        raise DeviceError("the desk said nothing")
    return links


def _ask(session: Session, api: str, osc: int | None, part: str) -> None:
    """Ask for the moves, with the ports open."""
    import asyncio

    from stagectl.learn.desk_live import over_midi, over_osc
    from stagectl.ports.midi import open_system

    def say(line: str) -> None:
        click.echo(line, err=True)

    if osc is not None:
        asyncio.run(over_osc(session, "0.0.0.0", osc, say))
        return
    system = open_system(api)
    try:
        asyncio.run(over_midi(session, system, part, say))
    finally:
        system.close()


def _keep(links: list[Link], keep: Path) -> None:
    from stagectl.learn.desk_take import take_text
    from stagectl.learn.write import write_whole

    port, parts, _ = _likeliest(links)
    write_whole(keep, "\n".join(take_text(parts)) + "\n")
    click.echo(f"Kept: {keep}, what `{port}` said.", err=True)


def _likeliest(links: list[Link]) -> Link:
    """The link that a desk was learned on, or that said the most."""
    usable = [link for link in links if not link[2].cannot]
    return max(usable or links, key=lambda link: (link[2].send is not None, link[2].heard))


def _best(links: list[Link]) -> Link:
    """The link on which a desk was learned. Raises FileFaults where there is none, with what was found; several are
    wrong usage."""
    from stagectl.errors import Fault, FileFaults
    from stagectl.learn.desk_write import summary, verdicts

    usable = [link for link in links if not link[2].cannot]
    port, _, learned = best = _likeliest(links)
    for line in (*verdicts(learned), *summary(learned)):
        click.echo(f"{port}: {line}", err=True)
    if not usable:
        raise FileFaults([Fault(port, 0, f"no profile can be written: {why}") for why in learned.cannot])
    if len(usable) > 1:
        names = ", ".join(f"`{link}`" for link, _, _ in usable)
        raise click.UsageError(f"a desk was learned on several ports; name one with --port: {names}")
    return best


# -- writing ----------------------------------------------------------------------------------------------


def _write(link: Link, name: str, output: Path | None, overwrite: bool) -> None:
    from stagectl.errors import Fault, FileFaults
    from stagectl.learn.desk_write import profile_text, prove
    from stagectl.learn.write import write_whole

    port, parts, learned = link
    try:
        proof = prove(profile_text(name, port, learned), parts)
    except ValueError as error:
        raise FileFaults([Fault(port, 0, str(error))]) from error
    text = profile_text(name, port, learned, proof)
    click.echo(f"{port}: {proof}", err=True)
    if output is None:
        click.echo(text, nl=False)
        return
    if output.exists() and not overwrite:
        click.echo(text, nl=False)
        raise FileFaults([Fault(str(output), 0, "has come meanwhile; it is not overwritten unasked")])
    write_whole(output, text)
    click.echo(f"Written: {output}. In the rig: `profile: {output.stem}`.", err=True)
