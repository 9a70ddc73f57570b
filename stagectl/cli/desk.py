"""`stagectl desk`: the virtual desk as a process of its own, on a real port."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import click

from stagectl.cli.common import api_option
from stagectl.cli.complete import offer, profiles

if TYPE_CHECKING:
    from stagectl.show.profile import ProfileModel

INPUTS_MAX: Final = 1_024
MIXES_MAX: Final = 256
FADER_STEPS_MAX: Final = 65_536


@click.command("desk")
@click.argument("profile", shell_complete=offer(profiles, files=True))
@click.option("--inputs", type=click.IntRange(1, INPUTS_MAX), required=True, help="How many sockets it has.")
@click.option("--mixes", type=click.IntRange(1, MIXES_MAX), required=True, help="How many mixes it has.")
@click.option("--osc", metavar="HOST:PORT", help="Listen for OSC here; port 0 takes any free port.")
@click.option("--midi", metavar="NAME", help="Make a virtual MIDI port of this name (not on Windows).")
@click.option("--fader-steps", type=click.IntRange(2, FADER_STEPS_MAX), help="How many places its faders have.")
@click.option("--faults", metavar="TEXT", default="", help='Of the wire, such as "loss 20%, delay 50 ms, twice 5%".')
@click.option("--seed", type=int, default=0, help="Which packets the faults hit; the same seed, the same ones.")
@api_option
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line.")
def command(
    profile: str,
    inputs: int,
    mixes: int,
    osc: str | None,
    midi: str | None,
    fader_steps: int | None,
    faults: str,
    seed: int,
    api: str,
    as_json: bool,
) -> None:
    """A desk that hears what a rig's desk would hear, and says every level that it is told.

    PROFILE is a desk profile: the path of its file, or the name of one that ships with the program.

    \b
    The line `ready …` says that it listens, and where. On standard input it takes
      levels                 say every level
      move MIX INPUT LEVEL   a hand at the desk moves a level (`whole`: of the mix)
      store N, recall N      keep all levels as the stored scene N, bring it back
      power off, power on    switch it off and on: its levels begin anew, inputs off, whole mixes at 0 dB
    It says every level once more when it is ended, by Ctrl-C or SIGTERM.

    Questions, reports and echoes are those that the profile says under `answers`.

    \b
    Faults, both ways, by chance
      loss 20%        so many packets are lost
      twice 5%        so many come twice
      reorder 10%     so many may be overtaken by the next
      delay 50 ms     each comes late, by as much as that
      slow 300 ms     questions are answered so late

    \b
    Example:
      stagectl desk osc-decibels --inputs 16 --mixes 4 --osc 127.0.0.1:9000
    """
    from stagectl.desk.faults import Faults
    from stagectl.desk.process import run
    from stagectl.desk.say import Sayer
    from stagectl.desk.stand_in import StandIn
    from stagectl.desk.virtual import VirtualDesk
    from stagectl.errors import WireError
    from stagectl.show.load import load_profile

    model = load_profile(profile)
    host, port = _where(model, osc, midi)
    try:
        wrong = Faults.parse(faults)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--faults") from error
    try:
        desk = VirtualDesk(model, inputs, mixes, fader_steps)
    except WireError as error:
        raise click.UsageError(f"{error}; the profile `{model.name}` has no room for it") from error
    run(StandIn(desk, wrong, seed), Sayer(desk, as_json), host=host, port=port, name=midi, api=api)


def _where(profile: ProfileModel, osc: str | None, midi: str | None) -> tuple[str, int]:
    """The host and port to listen at; wrong usage where the profile speaks over the other wire."""
    from stagectl.ports.midi import CLIENT

    given, other = (osc, midi) if profile.over == "osc" else (midi, osc)
    option = "--osc HOST:PORT" if profile.over == "osc" else "--midi NAME"
    if given is None or other is not None:
        wrong = "" if other is None else f" (and no {'--midi' if profile.over == 'osc' else '--osc'})"
        raise click.UsageError(f"the profile `{profile.name}` speaks {profile.over.upper()}: give {option}{wrong}")
    if osc is None:
        if given.strip() == "" or given.lower().startswith(CLIENT):
            raise click.BadParameter(f"ports whose name begins with `{CLIENT}` are never found", param_hint="--midi")
        return "", 0
    host, colon, port = osc.strip().rpartition(":")
    if not colon or not host or not port.isascii() or not port.isdigit() or int(port[:9]) > 65_535:
        raise click.BadParameter(f"`{osc}` is not HOST:PORT, such as `127.0.0.1:9000`", param_hint="--osc")
    return host.strip("[]"), int(port)
