"""What shells offer while a command is typed: asked through click's own class, and in a real bash, zsh and fish.

The shells are the judges from outside: what they make of a name with a space or a comma has to be one word.
"""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.shell_completion import BashComplete
from hypothesis import given
from hypothesis import strategies as st
from needs import needs

from stagectl.cli.completion import ASKS, HOW, script
from stagectl.cli.main import COMMANDS, main
from stagectl.journal.record import begin
from stagectl.journal.schema import Night
from stagectl.story.rows import Row

ROOT = Path(__file__).resolve().parents[2]
DEMO = str(ROOT / "setlists" / "nine-songs")
NIGHT = "2026-11-25T19-30-00"
WALL_US = 1_795_635_000_000_000


def offered(line: str, *, files: bool = False) -> list[str]:
    """What is offered for the last word of a line."""
    *words, last = shlex.split(line + "''" if line.endswith(" ") else line)
    found = BashComplete(main, {}, "stagectl", ASKS).get_completions(words, last)
    return [one.type if files else one.value for one in found if files or one.type == "plain"]


@pytest.fixture
def night(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A night in the folder of the nights, of three rows."""
    path = tmp_path / "nights" / f"{NIGHT}.night"
    path.parent.mkdir()
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    monkeypatch.setattr("stagectl.journal.paths.spare_nights", lambda: tmp_path / "spare")
    press = Row(1, "press", press=1, who="singer", what="next", pedal="vocal pedal", control="left", gesture="press")
    change = Row(1, "change", press=1, listener="singer", input="kick", before=0, after=100, who="singer")
    arrival = Row(1, "arrival", press=1, song="Slow Tram Home")
    recorder = begin(path, Night(setlist="x", venue=None, begun_us=WALL_US, program="test"), lambda _: None)
    recorder.write([press, arrival, change], WALL_US + 1)
    recorder.go()
    recorder.close()
    return path


@pytest.mark.parametrize(
    ("line", "names"),
    [
        ("re", [name for name in COMMANDS if name.startswith("re")]),
        (f"check {DEMO} --venue ", ["Tidewater Hall", "The Brick Cellar"]),
        (f"check {DEMO}/setlist.yaml --venue t", ["Tidewater Hall", "The Brick Cellar"]),
        (f"run {DEMO} --fresh --venue tide", ["Tidewater Hall"]),
        (f"explain {DEMO} --listener ", ["singer", "drummer", "bassist", "guitarist", "keys player"]),
        (f"explain {DEMO} --listener singer --input k", ["kick", "keys", "keys vocal"]),
        (f"explain {DEMO} --input o", ["own", "overheads"]),
        (f"explain {DEMO} --song Goodn", ["Goodnight, Harbour"]),
        (f"explain {DEMO} --song 'Nobody Rows Alone' --section ", ["organ break", "out"]),
        ("desk osc", ["osc-decibels", "osc-travel"]),
        ("completion ", ["bash", "zsh", "fish"]),
        ("check --ven", ["--venue"]),
        ("explain setlists/none --listener ", []),
        ("explain --listener ", []),
    ],
)
def test_names_come_from_the_setlist_on_the_line(line: str, names: list[str]) -> None:
    assert offered(line) == names


@pytest.mark.parametrize(
    ("line", "names"),
    [
        ("log --listener ", ["singer"]),
        ("log --song s", ["Slow Tram Home"]),
        (f"log --journal {NIGHT} --pedal ", ["vocal pedal"]),
        ("log --journal none --pedal ", []),
        ("log --journal ", [NIGHT]),
        ("report 2026", [NIGHT]),
        ("replay ", [NIGHT]),
        (f"keep {DEMO} {NIGHT} 20", [NIGHT]),
    ],
)
@pytest.mark.usefixtures("night")
def test_names_come_from_the_night_on_the_line(line: str, names: list[str]) -> None:
    assert offered(line) == names


def test_paths_are_as_they_were_typed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, night: Path) -> None:
    """A shell asks before it has put anything in the place of `~` or `$HOME`; what is called so itself comes first."""
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)
    for folder in ("home/my show", "~/one"):
        (tmp_path / folder).mkdir(parents=True)
        (tmp_path / folder / "setlist.yaml").write_text(f"venues: {{{folder[:4]}: }}\nrig: rig.yaml\n")
    night.rename(tmp_path / "home" / "a.night")
    for written in ("~", "$HOME", "${HOME}"):
        assert offered(f"check '{written}/my show' --venue ") == ["home"]
        assert offered(f"log --journal {written}/a.night --pedal ") == ["vocal pedal"]
    assert offered("check '~/one' --venue ") == ["~/on"]
    assert offered("check --venue=x '~nobody-of-that-name/one' --venue ") == []


@pytest.mark.usefixtures("night")
def test_a_journal_may_be_any_file() -> None:
    """The kind `file` comes first: click's script for bash forgets what came before it."""
    assert offered("report ", files=True) == ["file", "plain"]


def test_to_look_for_names_writes_nothing(night: Path) -> None:
    before = {path: path.read_bytes() for path in night.parent.iterdir()}
    assert offered("log --pedal ") == ["vocal pedal"]
    assert {path: path.read_bytes() for path in night.parent.iterdir() if path in before} == before


@given(
    setlist=st.binary(max_size=80) | st.text(max_size=80).map(str.encode) | st.just(b"rig: rig.yaml\nsongs: [{}, 3]\n"),
    option=st.sampled_from(["--listener", "--input", "--song", "--section", "--venue"]),
    song=st.text(st.characters(exclude_categories=["Cs"]), max_size=4),
    begins=st.text(max_size=3),
)
def test_whatever_is_in_the_files_there_is_no_traceback(
    setlist: bytes, option: str, song: str, begins: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.getbasetemp() / "broken"
    folder.mkdir(exist_ok=True)
    (folder / "setlist.yaml").write_bytes(setlist)
    words = ["explain", str(folder), "--song", song, option]
    found = BashComplete(main, {}, "stagectl", ASKS).get_completions(words, begins)
    assert all(one.value.isprintable() for one in found)


def test_a_long_journal_is_not_waited_for(night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is offered where the time is over; what would be is known from the tests above."""
    from stagectl.cli import complete

    monkeypatch.setattr(complete, "READ_S", -1.0)
    monkeypatch.setattr(complete, "LOOKED", 1)
    assert night.exists()
    assert offered("log --pedal ") == []


# -- in the shells ----------------------------------------------------------------------------------------


def shell(*command: str, home: Path) -> str:
    env = {**os.environ, "HOME": str(home), "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}"}
    run = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, env=env, check=False)
    assert (run.returncode, run.stderr) == (0, ""), run.stderr
    return run.stdout


def test_the_scripts_say_how_to_install_them() -> None:
    for name in HOW:
        text = script(name)
        assert f"stagectl completion {name}" in text
        assert "stagectl_completion" in text
    assert script("zsh").startswith("#compdef stagectl\n")
    # What is changed in click's scripts is still there to be changed.
    assert "printf -v value %q" in script("bash") and "value=${completion#*,}" in script("bash")
    assert "${#words[@]} - 1" in script("bash") and 'compadd -U -i "$IPREFIX"' in script("zsh")
    assert 'string split --max 1 "," ' in script("fish") and 'echo "$begun$metadata[2]"' in script("fish")


@pytest.mark.parametrize("begun", ["", "'", '"'])
@pytest.mark.parametrize("name", ['Café "Zum Anker" & Moby\'s $HOME `id`', "Café 1\\2\\\\3 \\", "Café,"])
def test_bash_takes_any_name_back_as_it_was(tmp_path: Path, begun: str, name: str) -> None:
    """What it puts into the line, with the quote that it was begun with and its end, is that name again."""
    needs("bash")
    (tmp_path / "stagectl.bash").write_text(script("bash"))
    (tmp_path / "stagectl").write_text(f"#!/bin/sh\nprintf '%s\\n' {shlex.quote('plain,' + name)}\n")
    (tmp_path / "stagectl").chmod(0o755)
    ask = (
        f"source {tmp_path}/stagectl.bash; "
        f"COMP_WORDS=(stagectl run x --venue {shlex.quote(begun + 'Caf')}); COMP_CWORD=4; "
        f'_stagectl_completion {tmp_path}/stagectl; printf "%s" "${{COMPREPLY[0]}}"'
    )
    offered = shell("bash", "--norc", "-c", ask, home=tmp_path)
    assert shell("bash", "--norc", "-c", f"printf %s {begun}{offered}{begun}", home=tmp_path) == name


def test_bash_makes_one_word_of_a_name(tmp_path: Path) -> None:
    needs("bash")
    if shutil.which("stagectl", path=str(Path(sys.executable).parent)) is None:
        pytest.skip("not installed here: stagectl")
    (tmp_path / "stagectl.bash").write_text(script("bash"))
    ask = (
        f"source {tmp_path}/stagectl.bash; compopt() {{ :; }}; "
        'ask() { COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); COMPREPLY=(); _stagectl_completion stagectl; '
        "printf '%s\\n' \"${COMPREPLY[@]}\"; }; "
        "ask stagectl explain setlists/nine-songs --song Goodn; "
        "ask stagectl explain setlists/nine-songs --song '\"Slow T'"
    )
    bare, quoted = shell("bash", "--norc", "-c", ask, home=tmp_path).splitlines()
    assert shlex.split(bare) == ["Goodnight, Harbour"]
    # The quote that was begun is the shell's own to close.
    assert quoted == "Slow Tram Home"


@pytest.mark.parametrize(
    ("words", "names"),
    [
        (["--venue", "=", "Ti"], ["Tidewater\\ Hall"]),
        (["--venue", "="], ["Tidewater\\ Hall", "The\\ Brick\\ Cellar"]),
        (["--song", "=", '"Goodn'], ["Goodnight, Harbour"]),
        (["--song", "=", "Goodnight,\\ Harbour", "--listener", "=", "ba"], ["bassist"]),
        (["--song", "=", "Goodnight,\\ Harbour", "--listener", "ba"], ["bassist"]),
    ],
)
def test_bash_takes_a_value_apart_from_its_option(tmp_path: Path, words: list[str], names: list[str]) -> None:
    """At the sign between them, as it does where nobody has changed its `COMP_WORDBREAKS`."""
    needs("bash")
    if shutil.which("stagectl", path=str(Path(sys.executable).parent)) is None:
        pytest.skip("not installed here: stagectl")
    (tmp_path / "stagectl.bash").write_text(script("bash"))
    line = ["stagectl", "explain", "setlists/nine-songs", *words]
    ask = (
        f"source {tmp_path}/stagectl.bash; COMP_WORDS=({shlex.join(line)}); COMP_CWORD={len(line) - 1}; "
        "_stagectl_completion stagectl; printf '%s\n' \"${COMPREPLY[@]}\""
    )
    assert shell("bash", "--norc", "-c", ask, home=tmp_path).splitlines() == names


def test_zsh_reads_its_script(tmp_path: Path) -> None:
    if shutil.which("zsh") is None:
        pytest.skip("not installed here: zsh")
    (tmp_path / "_stagectl").write_text(script("zsh"))
    assert shell("zsh", "-f", "-n", str(tmp_path / "_stagectl"), home=tmp_path) == ""


def test_fish_makes_one_word_of_a_name(tmp_path: Path) -> None:
    if shutil.which("fish") is None:
        pytest.skip("not installed here: fish")
    (tmp_path / "stagectl.fish").write_text(script("fish"))
    ask = f'source {tmp_path}/stagectl.fish; complete -C "stagectl explain setlists/nine-songs --song Goodn"'
    assert shell("fish", "--no-config", "-c", ask, home=tmp_path) == "Goodnight, Harbour\n"
    joined = ask.replace("--song Goodn", "--song=Goodn")
    assert shell("fish", "--no-config", "-c", joined, home=tmp_path) == "--song=Goodnight, Harbour\n"
