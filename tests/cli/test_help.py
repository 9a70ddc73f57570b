"""`--help` as people use it: every command has an example, every example is right, and those that need no hardware run.

The examples are read as a shell reads them (`shlex`, POSIX rules), so that a quote that is missing is found here.
"""

from __future__ import annotations

import re
import shlex
import shutil
from collections.abc import Iterator
from glob import glob
from pathlib import Path
from typing import NamedTuple

import click
import mido
import pytest
from click.testing import CliRunner
from midi_files import saved
from needs import loads
from recorded import record_night

from stagectl.cli.main import COMMANDS, main
from stagectl.learn.desk_take import take_text
from stagectl.show.load import load_profile

ROOT = Path(__file__).resolve().parents[2]

HARDWARE = ("run", "ready", "learn", "learn-desk", "desk", "ports")
"""Commands that wait for hardware or a key; their examples are taken apart, and not run, unless they read a take."""

LASTS = {"--follow", "--page"}
"""What goes on until somebody ends it."""

SCRIPT = 30
"""Lines of the demo's script that are played; the whole of it has tests of its own."""


SONGS = 4
"""Songs of the demo that the show of one's own has: those that the script comes to."""


class Example(NamedTuple):
    """One call of the program: the command, and what follows it. `to`: the file that its output goes to."""

    command: str
    arguments: tuple[str, ...]
    to: str | None

    @property
    def runs(self) -> bool:
        return (self.command not in HARDWARE or "--take" in self.arguments) and LASTS.isdisjoint(self.arguments)

    def __str__(self) -> str:
        return " ".join((self.command, *self.arguments))


def said(command: str) -> str:
    """The help of a command, as wide as it needs."""
    found = CliRunner().invoke(main, [command, "--help"], terminal_width=200, max_content_width=200)
    assert found.exit_code == 0, found.output
    return found.output


def examples(command: str) -> Iterator[Example]:
    """The calls that stand below `Example` in the help of a command."""
    below = False
    for line in said(command).splitlines():
        text = line.strip()
        below = (below and bool(text)) or text.startswith(("Example:", "Examples:"))
        if below and text.startswith(("stagectl ", 'eval "$(stagectl ')):
            text = text.removeprefix('eval "$(').removesuffix(')"') if text.startswith("eval") else text
            for call in text.split(" && "):
                program, name, *rest = shlex.split(call)
                assert program == "stagectl"
                to = rest[rest.index(">") + 1] if ">" in rest else None
                yield Example(name, tuple(rest[: rest.index(">")] if to else rest), to)


ALL = {command: list(examples(command)) for command in COMMANDS}


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_an_example_of_its_own(command: str) -> None:
    assert any(one.command == command for one in ALL[command]), said(command)


@pytest.mark.parametrize("example", [one for some in ALL.values() for one in some if not one.runs], ids=str)
def test_what_needs_hardware_is_at_least_right(example: Example) -> None:
    command = main.get_command(click.Context(main), example.command)
    assert command is not None
    command.make_context(example.command, list(example.arguments))


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which the examples make sense: the demo shows, a show of one's own, nights of both, recordings."""
    here = tmp_path_factory.mktemp("stage")
    shutil.copytree(ROOT / "setlists", here / "setlists")
    mine = Path(shutil.copytree(ROOT / "setlists" / "nine-songs", here / "my-show")) / "setlist.yaml"
    # Paper takes its time, song by song.
    mine.write_text("\n  - name: ".join(mine.read_text("utf-8").split("\n  - name: ")[: SONGS + 1]) + "\n", "utf-8")
    script = here / "setlists" / "nine-songs" / "presses.yaml"
    script.write_text("".join(script.read_text().splitlines(keepends=True)[:SCRIPT]))
    night = here / "state" / "nights" / "2026-11-25T19-30-00.night"
    record_night(script.parent, night)
    (here / "tour").mkdir()
    shutil.copy(night, here / "tour" / "one.night")
    presses = [mido.Message("control_change", control=80, value=value) for _ in range(3) for value in (127, 0)]
    (here / "pedal.mid").write_bytes(saved([(at * 480, press) for at, press in enumerate(presses)]))
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(ROOT / "tests" / "learn")
        from hands import Hand
    (here / "heard.txt").write_text("\n".join(take_text(Hand(load_profile("control-change"), 3).everything())))
    return here


def beyond_this_machine(example: Example) -> bool:
    """A service is for systemd; paper needs Pango."""
    if example.command == "service":
        return shutil.which("systemctl") is None
    return any(word.endswith(".pdf") for word in example.arguments) and not loads("weasyprint")


@pytest.mark.slow
def test_the_examples_run(stage: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In the order of the commands: what one writes another may read."""
    monkeypatch.chdir(stage)
    monkeypatch.setenv("STATE_DIRECTORY", str(stage / "state"))
    monkeypatch.setenv("TMPDIR", str(stage))
    monkeypatch.setattr("stagectl.journal.paths.spare_nights", lambda: stage / "spare")
    ran = set()
    for example in dict.fromkeys(one for some in ALL.values() for one in some if one.runs):
        if beyond_this_machine(example):
            continue
        given = [name for word in example.arguments for name in (sorted(glob(word)) or [word])]
        if example.command == "restore" and "-o" in given:
            Path(given[given.index("-o") + 1]).rename("put aside")
        found = CliRunner().invoke(main, [example.command, *given])
        assert found.exit_code == 0, f"{example}: {found.output}"
        assert found.output, example
        ran.add(example.command)
        for at, word in enumerate(given[:-1]):
            if word in ("-o", "--output"):
                assert (stage / given[at + 1]).exists(), example
    assert {one for one in {*COMMANDS} - {*HARDWARE} - ran if one != "service" or shutil.which("systemctl")} == set()


# -- the README says what the program has -------------------------------------------------------------------------


class Span(NamedTuple):
    """A piece of code in the README, in the line `line`."""

    line: int
    text: str


def spans() -> list[Span]:
    """What stands between backticks in the README, and the calls in its indented blocks. A piece between backticks may
    go on in the next line (CommonMark 0.31, 6.1)."""
    text = (ROOT / "README.md").read_text("utf-8")
    blocks = re.finditer(r"(?m)^    (?:.*&& )?\.venv/bin/(stagectl .+)$", text)
    found = sorted([*re.finditer(r"`([^`]+)`", text), *blocks], key=lambda one: one.start())
    return [Span(text.count("\n", 0, one.start()) + 1, " ".join(one[1].split())) for one in found]


def options(command: str) -> dict[str, click.Option]:
    """The options of a command, and of those within it, by each of their names."""
    known = main.get_command(click.Context(main), command)
    assert known is not None
    all_ = [known, *(known.commands.values() if isinstance(known, click.Group) else ())]
    return {name: one for each in all_ for one in each.params if isinstance(one, click.Option) for name in one.opts}


OF_OTHERS = ("pip", "systemctl", "ulimit")
"""Programs of others that the README calls."""

CALLS = [span for span in spans() if span.text.startswith("stagectl ")]


@pytest.mark.parametrize("span", CALLS, ids=lambda span: f"{span.line}: {span.text}")
def test_every_call_in_the_readme_is_right(span: Span) -> None:
    """Its command is there; where something is given to it, the command takes that."""
    _, name, *rest = shlex.split(span.text.partition(" > ")[0].replace("…", ""))
    assert name in COMMANDS, f"README.md:{span.line}"
    if rest:
        command = main.get_command(click.Context(main), name)
        assert command is not None
        taken = [word for word in rest if word not in options(name)]
        missing = sum(one.required for one in command.params if isinstance(one, click.Argument)) - len(taken)
        command.make_context(name, [*rest, *["my-show"] * max(0, missing)])


def test_every_option_in_the_readme_is_one_of_the_command_that_it_is_told_of() -> None:
    """That is one of the two which were named last before it, by themselves or in a call: a name may be said beside."""
    named: list[str] = []
    told, wrong = set(), []
    for span in spans():
        words = span.text.removeprefix("stagectl ").split()
        if words[0] in OF_OTHERS:
            continue
        if words[0] in COMMANDS:
            named = [*named[-1:], words[0]]
        for word in words:
            if re.fullmatch(r"--[a-z-]+|-[a-z]", word):
                told.add(word)
                if not any(word in options(command) for command in named):
                    wrong.append(f"README.md:{span.line}: no {word} in {named}")
    assert wrong == []
    assert len(told) > 20


def test_every_command_of_the_program_is_in_its_help_and_in_the_readme() -> None:
    help_ = CliRunner().invoke(main, ["--help"], terminal_width=200).output
    readme = {span.text.split()[1] for span in CALLS}
    assert [name for name in COMMANDS if not re.search(rf"(?m)^  {name} +\S", help_)] == []
    assert [name for name in COMMANDS if name not in readme] == []
    assert readme - COMMANDS.keys() == set()
