"""`stagectl ports`: what MIDI there is."""

from __future__ import annotations

import click

from stagectl.cli.common import api_option


@click.command("ports")
@api_option
def command(api: str) -> None:
    """List the MIDI ports that there are, by system: what can be heard, and what can be sent to.

    A rig names a port by any part of its name that no other port shares.
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
    if not answers:
        raise DeviceError(WHY_NONE.get(sys.platform, WHY_NONE["linux"]))
