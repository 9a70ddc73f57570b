"""`stagectl`: finds the command, and turns errors into messages and exit codes.

Exit codes: 0 done, 1 what the user gave has faults, 2 wrong usage, 3 a device or the system failed.
"""

from __future__ import annotations

import errno
import io
import os
import sys
from contextlib import suppress
from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

import click

from stagectl import __version__
from stagectl.errors import DeviceError, FileFaults, JournalError, StagectlError, nearest

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

# Nothing that happens to be installed beside the program has a say in its models, nor is it looked for (a fortieth of
# the start).
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")

FAULTS, SYSTEM = 1, 3

COMMANDS: Final = {
    "run": "Play the night: pedals, desk, players, journal.",
    "ready": "The look before doors: is everything here?",
    "service": "Have systemd start the night, and start it again when it fails.",
    "rehearse": "The same night with no hardware, under a virtual clock.",
    "check": "Load and check a show, and sum it up.",
    "explain": "Why one level is what it is, layer by layer.",
    "learn": "Learn what a pedal sends, and write its mapping.",
    "learn-desk": "Learn how a desk says its levels, and write its profile.",
    "ports": "What MIDI there is, by system.",
    "copy": "Copy a demo show, a mapping or a profile, to make it yours.",
    "replay": "Play a past night's presses again, on the same show or another.",
    "log": "Tell what happened in a night.",
    "keep": "Fold what the nights taught back into the setlist.",
    "backup": "Pack a show, its nights and the desk's levels into one file.",
    "restore": "Bring a show back from such a file, into a new folder.",
    "sheet": "The show on paper: cue sheet, input list, cards, scene map.",
    "report": "One page of a night, to look at.",
    "nights": "List the nights that were kept.",
    "desk": "A virtual desk on a real port.",
    "completion": "A script with which your shell completes what you type.",
    "schema": "JSON Schema of a kind of file, for editors.",
}


class _Commands(click.Group):
    """The commands by name, each imported when it is asked for, so that `--help` stays quick."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in COMMANDS and not args[0].startswith("-") and not ctx.resilient_parsing:
            ctx.fail(f"there is no command `{args[0]}`{nearest(args[0], COMMANDS)}")
        return super().resolve_command(ctx, args)

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        command = import_module(f"stagectl.cli.{cmd_name.replace('-', '_')}").command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        """The commands that begin so; none of them is imported for that."""
        from click.shell_completion import CompletionItem

        found = [CompletionItem(name, help=says) for name, says in COMMANDS.items() if name.startswith(incomplete)]
        return found + (click.Command.shell_complete(self, ctx, incomplete) if incomplete.startswith("-") else [])

    def invoke(self, ctx: click.Context) -> Any:
        for stream in (sys.stdout, sys.stderr):
            # A terminal that cannot show an arrow gets a question mark, not a traceback.
            if isinstance(stream, io.TextIOWrapper):
                stream.reconfigure(errors="replace")
        try:
            done = super().invoke(ctx)
            sys.stdout.flush()
            return done
        except FileFaults as error:
            fail(str(error), FAULTS)
        except DeviceError as error:
            fail(f"stagectl: {error}", SYSTEM)
        except (JournalError, StagectlError) as error:
            fail(f"stagectl: {error}", FAULTS)
        except BrokenPipeError:
            _forget_stdout()
            raise SystemExit(0) from None
        except OSError as error:
            if error.errno not in (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)):
                raise
            _forget_stdout()
            fail(f"stagectl: not all of it could be written: {error.strerror}", SYSTEM)


def fail(message: str, code: int) -> None:
    """Say what is the matter on stderr, and end with the exit code."""
    from stagectl.story.words import plainly
    from stagectl.term.ink import echo

    for line in message.split("\n"):
        # What is at fault may be repeated in it.
        echo(plainly(line), "fault", err=True)
    raise SystemExit(code)


def _forget_stdout() -> None:
    """Nobody reads any more; what is still buffered would fail again when the interpreter ends."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


@click.command(
    cls=_Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Exit codes: 0 done, 1 what you gave has faults, 2 wrong usage, 3 a device or the system failed.",
)
@click.version_option(__version__, message="stagectl %(version)s")
def main() -> None:
    """In-ear monitor mixes that follow the setlist, moved by the players' own feet.

    \b
    Try it with no hardware:
      stagectl rehearse setlists/nine-songs
    """
