"""`stagectl explain`: why is this level what it is?"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from stagectl.cli.common import load, presses_of, presses_option, setlist_argument, venue_option
from stagectl.cli.complete import inputs, listeners, offer, sections, songs

if TYPE_CHECKING:
    from stagectl.core.plan import Plan
    from stagectl.core.state import State
    from stagectl.show.compile import Compiled
    from stagectl.show.explain import Line
    from stagectl.show.load import Show


@click.command("explain")
@setlist_argument
@click.option("--listener", required=True, metavar="NAME", shell_complete=offer(listeners), help="Whose mix.")
@click.option(
    "--input",
    "input_",
    required=True,
    metavar="NAME",
    shell_complete=offer(inputs),
    help="An input, `own` or `whole mix`.",
)
@click.option("--song", metavar="NAME", shell_complete=offer(songs), help="In which song; else in the base.")
@click.option("--section", metavar="NAME", shell_complete=offer(sections), help="In which section of the song.")
@venue_option
@presses_option("A press script (.yaml) or a pedal take (.mid) to rehearse first, here or beside the show.")
@click.option("--at", metavar="TIME", help="How far to rehearse it: `1:52`; else to its end.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line.")
def command(
    setlist: Path,
    listener: str,
    input_: str,
    song: str | None,
    section: str | None,
    venue: str | None,
    presses: Path | None,
    at: str | None,
    as_json: bool,
) -> None:
    """Show which layer, nudge or ceiling made one level of one mix what it is, first to last, each with its place.

    With --presses a night is rehearsed first: song and section are then those where it stands, and nudges and treadles
    count as they would if the night went on to the song that is named.

    \b
    Examples:
      stagectl explain setlists/nine-songs --listener singer --input own --song "Goodnight, Harbour"
      stagectl explain setlists/nine-songs --listener singer --input own --presses presses.yaml --at 1:54
    """
    from stagectl.show.explain import Account, moved_to

    if section is not None and song is None:
        raise click.UsageError("--section needs --song, whose section it is.")
    if at is not None and presses is None:
        raise click.UsageError("--at needs --presses, which it is a time of.")
    show, compiled = load(setlist, venue)
    plan = compiled.plan
    send = _send(show, plan, listener, input_)
    stop = 0 if song is None else _stop(plan, song, section)
    until = None if at is None else _time(at)
    state = _rehearsed(show, compiled, presses, until)
    if song is not None or presses is None:
        state = moved_to(plan, state, stop)
    place = _place(plan, state, send, venue, until)
    lines = list(Account(show, plan, venue).lines(send, state))
    for said in _json(place, lines) if as_json else _table(place, lines):
        click.echo(said)


class Place(NamedTuple):
    """What is explained, in names. `at`: how far a night was rehearsed first, ns, where that was said."""

    listener: str
    input: str
    song: str
    section: str | None
    scene: str | None
    venue: str | None
    at: int | None


def _chosen(name: str, known: Sequence[str], what: str, option: str) -> int:
    """The index of a name. One that is not known is wrong usage."""
    from stagectl.errors import nearest

    if name not in known:
        raise click.BadParameter(f"`{name}` is not {what}{nearest(name, known)}", param_hint=option)
    return known.index(name)


def _send(show: Show, plan: Plan, listener: str, input_: str) -> int:
    from stagectl.show.names import OWN, inputs_in

    whose = _chosen(listener, plan.listeners, "a listener of this rig", "--listener")
    columns: dict[str, int | None] = {OWN: plan.own[whose]}
    columns |= {plan.column_name(column): column for column in (plan.whole, *range(plan.whole))}
    if input_ in show.rig.groups and input_ not in columns:
        says = f"`{input_}` is a group; name one of its inputs: {inputs_in(show.rig, input_)}"
        raise click.BadParameter(says, param_hint="--input")
    _chosen(input_, list(columns), "an input of this rig", "--input")
    column = columns[input_]
    if column is None:
        raise click.BadParameter(f"`{listener}` has no `own input` in the rig", param_hint="--input")
    return plan.send(whose, column)


def _stop(plan: Plan, song: str, section: str | None) -> int:
    songs = {stop.name: at for at, stop in enumerate(plan.stops) if stop.section < 0 <= stop.song}
    at = songs[list(songs)[_chosen(song, list(songs), "a song of this setlist", "--song")]]
    if section is None:
        return at
    parts = [stop.name for stop in plan.stops if stop.song == plan.stops[at].song and stop.section >= 0]
    return at + 1 + _chosen(section, parts, f"a section of `{song}`", "--section")


def _rehearsed(show: Show, compiled: Compiled, presses: Path | None, until: int | None) -> State:
    """The state in which the night is, with what feet did until then; at its beginning where they did nothing."""
    from stagectl.core.state import begin
    from stagectl.rehearse.room import Room

    if presses is None:
        return begin(compiled.plan, 0)
    room = Room(show, compiled)
    room.open()
    for press in presses_of(presses, show, compiled):
        if until is None or press.at <= until:
            room.do(press.event, press.at)
    room.wait(until)
    return room.state


def _time(at: str) -> int:
    """A time of the night, ns. One that may be meant otherwise is warned of."""
    from stagectl.errors import Advice
    from stagectl.rehearse.script import NIGHT_S
    from stagectl.show.time_fit import pointed
    from stagectl.show.values import Duration
    from stagectl.term.ink import echo

    try:
        until = Duration(NIGHT_S).parse(at)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--at") from error
    one = pointed(at, NIGHT_S)
    if one is not None:
        echo(str(Advice("--at", 0, one.says + one.hint)), "warning", err=True)
    return until


def _place(plan: Plan, state: State, send: int, venue: str | None, until: int | None) -> Place:
    from stagectl.story.rows import stop_names

    listener, column = divmod(send, plan.width)
    scene = None if state.place.scene is None else plan.scenes[state.place.scene].name
    song, section = stop_names(plan, state.place.stop)
    return Place(plan.listeners[listener], plan.column_name(column), song, section, scene, venue, until)


def _table(place: Place, lines: Sequence[Line]) -> Iterable[str]:
    """A line for each thing that touches the level: what it is, what it does, the level after it, and where it is
    written."""
    from stagectl.core.levels import text
    from stagectl.story.times import clock
    from stagectl.story.words import place as where

    over = f", {place.scene} over it" if place.scene else ""
    at = f", at {place.venue}" if place.venue else ""
    then = "" if place.at is None else f", as the night stands at {clock(place.at).rstrip('0').rstrip('.')}"
    yield f"{place.listener}: {place.input} in {where(place.song, place.section)}{over}{at}{then}"
    rows = [(one.what, one.did, "" if one.level is None else text(one.level), _written(one)) for one in lines]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for what, did, level, written in rows:
        yield f"  {what:<{widths[0]}}  {did:<{widths[1]}}  {level:>{widths[2]}}  {written}".rstrip()


def _written(line: Line) -> str:
    """`setlist.yaml:9`; what stands in no file is the default."""
    if line.file is None:
        return ""
    return f"{Path(line.file).name}:{line.line}" if line.line else "the default"


def _json(place: Place, lines: Sequence[Line]) -> Iterable[str]:
    import json

    from stagectl.core.levels import as_db

    for one in lines:
        level = None if one.level is None else as_db(one.level)
        at = None if place.at is None else round(place.at / 1e9, 6)
        row: dict[str, Any] = {**place._asdict(), "at": at, "what": one.what, "did": one.did, "level": level}
        row |= {"file": one.file, "line": one.line or None}
        yield json.dumps({key: value for key, value in row.items() if value is not None}, ensure_ascii=False)
