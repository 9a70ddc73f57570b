"""`stagectl schema`: JSON Schema of a kind of file."""

from __future__ import annotations

import click


@click.command("schema")
@click.argument("kind", type=click.Choice(["rig", "setlist", "mapping", "profile", "script"]))
def command(kind: str) -> None:
    """Print the JSON Schema of a kind of file, so that an editor can complete and check it.

    \b
    Example:
      stagectl schema rig > rig.schema.json
    and as the first line of rig.yaml:
      # yaml-language-server: $schema=rig.schema.json
    """
    import json

    if kind == "script":
        from stagectl.rehearse.script import script_schema

        made = script_schema()
    else:
        from stagectl.show.schema import schema

        made = schema(kind)
    click.echo(json.dumps(made, indent=2, ensure_ascii=False))
