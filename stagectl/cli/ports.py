"""`stagectl ports`: what MIDI there is."""

from __future__ import annotations

import click

from stagectl.cli.common import api_option


@click.command("ports")
@api_option
def command(api: str) -> None:
    """List the MIDI ports that there are, by system: what can be heard, and what can be sent to.

    A rig names a port by any part of its name that no other port shares. What the pedals of the last night said that
    was counted instead of recorded (clock, half messages, floods) is shown below.

    \b
    Example: what the rig may name
      stagectl ports
    """
    import sys

    from stagectl.errors import DeviceError
    from stagectl.ports.midi import WHY_NONE, MidiSystem, systems

    answers = 0
    for name in systems() if api == "auto" else [api]:
        try:
            system = MidiSystem(name)
        except DeviceError as error:
            click.echo(f"{name}: {error}")
            continue
        answers += 1
        click.echo(f"{name}:")
        for title, ports in (("can be heard", system.inputs()), ("can be sent to", system.outputs())):
            click.echo(f"  {title}:" + ("" if ports else " nothing"))
            for port in ports:
                click.echo(f"    {port}")
        system.close()
    for line in _counted():
        click.echo(line)
    if not answers:
        raise DeviceError(WHY_NONE.get(sys.platform, WHY_NONE["linux"]))


def _counted() -> list[str]:
    """What was counted in the last night, if there was one and anything was."""
    from contextlib import closing, suppress

    from stagectl.errors import JournalError
    from stagectl.journal.paths import folders, latest
    from stagectl.journal.read import open_read, rows

    path = latest(*folders())
    counts: dict[tuple[str, str], int] = {}
    with suppress(JournalError):
        if path is not None:
            with closing(open_read(path)) as connection:
                for _, _, row in rows(connection):
                    if row.kind == "count":
                        counts[str(row.who), str(row.what)] = row.number or 0
    lines = [f"  {who}: {number:,} of: {what}" for (who, what), number in counts.items() if number]
    return ["counted in the last night:", *lines] if lines else []
