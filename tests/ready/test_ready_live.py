"""`stagectl ready` as it is run: with a real desk over UDP, ports that are taken, a night that is played and one that
was killed, things that hang. Judges from outside: `df` for the disk, a C compiler for `struct timex`, `timedatectl`
where systemd runs; from inside, `stagectl check` for its warnings, and the code of `run` for what becomes of a night.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from forked import stagectl
from free_ports import free_port
from lines import Program
from needs import needs, unavailable

from stagectl.archive.gather import Piece, gather
from stagectl.archive.pack import pack
from stagectl.cli.ready import lines
from stagectl.core.events import DeskSaid
from stagectl.errors import Fault, FileFaults
from stagectl.journal.record import begin
from stagectl.journal.schema import APPLICATION_ID, Night
from stagectl.live.broken_off import BrokenOff, broken_off
from stagectl.ready import clock, looks, nights
from stagectl.ready.backups import backups
from stagectl.ready.battery import battery
from stagectl.ready.finding import Finding, fine, wrong
from stagectl.ready.governor import governor
from stagectl.ready.looks import MachineLook, look_around
from stagectl.ready.others import others
from stagectl.ready.proving import MODULE, prove, proven
from stagectl.ready.room import Machine, Room
from stagectl.show.compile import compile_show
from stagectl.show.load import load_show
from stagectl.story.heard import heard
from stagectl.story.rows import Row
from stagectl.story.told import Told
from stagectl.term.styles import WRONG, parts
from stagectl.where import shipped
from stagectl.wire.osc import build, parse

RUN = (sys.executable, "-m", "stagectl")


class Stage:
    """The three songs with ports of their own, a folder for the nights, and what `ready` says of all that."""

    def __init__(self, folder: Path) -> None:
        self.desk_port, self.foot_port = free_port(), free_port()
        self.show = folder / "three-songs"
        shutil.copytree(shipped("setlists") / "three-songs", self.show)
        self.rig = self.show / "rig.yaml"
        text = self.rig.read_text()
        self.rig.write_text(text.replace("9000", str(self.desk_port)).replace("9010", str(self.foot_port)))
        self.state, self.spare = folder / "state", folder / "spare"
        self.spare.mkdir()
        self.environment = {"STATE_DIRECTORY": str(self.state), "TMPDIR": str(self.spare)}

    def ready(self, *more: str) -> tuple[int, dict[str, dict[str, Any]], dict[str, Any]]:
        """The exit code, each finding by what was looked at, and the sum."""
        run = stagectl("ready", str(self.show), "--json", *more, cwd=self.show, **self.environment)
        assert run.stderr == ""
        *found, last = map(json.loads, run.stdout.splitlines())
        assert last["kind"] == "ready" and {one["kind"] for one in found} == {"looked"}
        assert all(bool(one["do"]) is (one["word"] in ("look", "wrong")) for one in found), found
        assert last["wrong"] == sum(one["word"] == "wrong" for one in found)
        assert last["ready"] is (run.returncode == 0) is (last["wrong"] == 0)
        return run.returncode, {one["what"]: one for one in found}, last

    def lies(self) -> dict[str, tuple[int, int]]:
        """Every file and folder of the show and its nights, with its size and when it was changed; but for an index of
        SQLite's that lies there already, into which whoever reads may write ("WAL-mode File Format", 2.0)."""
        paths = [path for folder in (self.show, self.state) for path in (folder, *sorted(folder.rglob("*")))]
        return {
            str(path): (path.stat().st_size, 0 if path.name.endswith("-shm") else path.stat().st_mtime_ns)
            for path in paths
            if path.exists()
        }

    def room(self, folder: Path | None = None) -> Room:
        """The room as a look has it. `folder`: of another show than this one."""
        folder = folder or self.show
        show = load_show(folder)
        return Room(setlist=folder, now=datetime.now().astimezone(), show=show, compiled=compile_show(show, None))

    @contextmanager
    def desk(self) -> Iterator[Program]:
        """A desk that answers."""
        where = f"127.0.0.1:{self.desk_port}"
        program = Program((*RUN, "desk", "osc-decibels", "--inputs", "5", "--mixes", "3", "--osc", where, "--json"))
        try:
            program.line()
            yield program
        finally:
            program.close()

    @contextmanager
    def night(self) -> Iterator[Program]:
        """The daemon, from its line `ready` on."""
        program = Program(
            ["env", *(f"{key}={value}" for key, value in self.environment.items()), *RUN, "run", self.show_]
        )
        try:
            program.until(lambda line: line.startswith("ready"))
            yield program
        finally:
            program.close()

    @property
    def show_(self) -> str:
        return str(self.show)


@pytest.fixture
def stage(tmp_path: Path) -> Stage:
    return Stage(tmp_path)


def levels(desk: Program) -> Any:
    """Every level of a desk."""
    desk.say("levels")
    return json.loads(desk.until(lambda line: '"levels"' in line))["levels"]


@pytest.mark.slow
def test_a_desk_is_read_and_nothing_is_changed(stage: Stage) -> None:
    with stage.desk() as desk:
        desk.say("move 3 whole -6")
        before, lay = levels(desk), stage.lies()
        code, found, last = stage.ready("--page", "127.0.0.1:0")
        assert levels(desk) == before and stage.lies() == lay
        assert (code, last["wrong"]) == (0, 0), found
        assert re.fullmatch(
            rf"at `127.0.0.1:{stage.desk_port}`, answers in [0-9,]+ (ms|s); all 15 levels read in .+",
            found["desk"]["says"],
        )
        for what in ("desk", "whole mixes", "levels", "floor board", "page", "journal", "disk space", "other nights"):
            assert found[what]["word"] == "fine", found[what]
        desk.say("move 1 whole off")
        desk.say("move 3 3 0")
        levels(desk)
        code, found, last = stage.ready()
    assert (code, last["wrong"]) == (3, 2)
    assert "the whole mix of singer is off at the desk" in found["whole mixes"]["says"]
    assert "accordion in the mix of accordionist at 0 dB, ceiling -3 dB" in found["levels"]["says"]
    assert "page" not in found


@pytest.mark.slow
def test_what_is_missing_is_said_within_its_time(stage: Stage) -> None:
    with socket.socket() as page, socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as foot:
        page.bind(("127.0.0.1", 0))
        page.listen(1)
        foot.bind(("0.0.0.0", stage.foot_port))
        code, found, last = stage.ready("--page", "{}:{}".format(*page.getsockname()))
    assert (code, last["says"].partition(",")[0]) == (3, "3 things to see to")
    assert "does not answer" in found["desk"]["says"]
    assert "is taken by another program" in found["floor board"]["says"]
    assert found["page"]["word"] == "wrong"


@pytest.mark.slow
def test_a_night_that_is_played_and_then_killed(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STATE_DIRECTORY", str(stage.state))
    monkeypatch.setattr("stagectl.journal.paths.spare_nights", lambda: stage.spare)
    room = stage.room()
    assert nights.last_night(room)[0].says.startswith("none of this show is kept yet")
    with stage.desk(), stage.night() as night:
        code, found, last_line = stage.ready()
        assert (code, last_line["wrong"]) == (0, 0), found
        assert found["tonight"]["says"] == f"this show is being played now, by process {night.process.pid}"
        for what in ("desk", "floor board"):
            assert found[what]["word"] == "unknown" and "while this show is played" in found[what]["says"]
        assert not {"other nights", "last night"} & set(found)
        assert "end " not in " ".join(f"{one['says']} {one['do']}" for one in found.values())
        copy = Path(shutil.copytree(stage.show, stage.show.parent / "copy"))
        (other,) = others(stage.room(copy))
        assert (other.word, other.says) == ("wrong", f"process {night.process.pid} drives this desk already")
        night.process.send_signal(signal.SIGKILL)
        night.process.wait(10)
        (path,) = (stage.state / "nights").glob("*.night")
        lay = stage.lies()
        (last,), (other,) = nights.last_night(room), others(room)
        lies = nights.read(path)
        assert stage.lies() == lay
        assert (last.word, other.word) == ("look", "fine") and "takes it up again" in last.says
        real = broken_off(path)
        assert lies is not None and real is not None and not lies.ends
        assert BrokenOff(**{name: value for name, value in vars(lies).items() if name != "ends"}) == real
        with stage.night() as again:
            again.process.send_signal(signal.SIGTERM)
            assert again.process.wait(10) == 0
        lay = stage.lies()
        (last,) = nights.last_night(room)
        assert stage.lies() == lay
    assert last.word == "fine" and "ended" in last.says
    assert broken_off(path) is None


@pytest.mark.slow
def test_a_desk_that_answers_for_half_is_no_all_clear(stage: Stage) -> None:
    """It says -20 dB for every send, and nothing for whole mixes."""
    over = threading.Event()

    def answer(desk: socket.socket) -> None:
        while not over.is_set():
            with suppress(TimeoutError):
                packet, sender = desk.recvfrom(65_536)
                for message in parse(packet):
                    asked = re.fullmatch(r"/ask(/mix/\d/from/\d)", message.address)
                    if asked is not None:
                        desk.sendto(build(asked[1], (-20.0,)), sender)

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as desk:
        desk.bind(("127.0.0.1", stage.desk_port))
        desk.settimeout(0.1)
        thread = threading.Thread(target=answer, args=(desk,))
        thread.start()
        try:
            _, found, _ = stage.ready()
        finally:
            over.set()
            thread.join()
    assert found["desk"]["word"] == "look" and "12 of 15 levels read" in found["desk"]["says"]
    for what, says in (("whole mixes", "has not said whether 3 of 3 are off"), ("levels", "has not said 3 more")):
        assert found[what]["word"] == "look" and says in found[what]["says"], found[what]


def test_a_night_is_as_old_as_the_last_that_came_in(tmp_path: Path) -> None:
    """Three hours after the last press the desk still answers, and then the power goes: read as it lies there, with
    lines that are still on their way and when they have come, it is what `run` finds."""
    path, hour_us = tmp_path / "one.night", 3_600_000_000
    head = Night(setlist="three songs", venue=None, begun_us=0, program="1", zero=7, path="/s")
    recorder = begin(path, head, lambda _: None)
    try:
        recorder.write([Row(10**9, "arrival", song="Slow Tram Home")], 10**6)
        recorder.write([Row(2 * 10**9, "resumed", number=-5)], 2 * 10**6)
        recorder.write([], 3 * hour_us, heard(DeskSaid(send=0, level=-2_000), 3 * hour_us * 1_000, None))
        on_its_way = nights.read(path)
    finally:
        recorder.close()
    kept, real = nights.read(path), broken_off(path)
    assert on_its_way is not None and replace(on_its_way, lived_us=None) == kept and real is not None
    assert (kept.at, kept.wall_us, kept.heard_at, kept.zero) == (real.at, real.wall_us, real.heard_at, real.zero)
    assert (real.zero, kept.ago_s(3 * hour_us)) == (-5, real.ago_s(3 * hour_us))
    last = nights.last_judged(kept, None, 3 * hour_us + 60_000_000)
    assert last.word == "look" and "broken off 1 min ago: `run` takes it up again" in last.says


@pytest.mark.slow
def test_faults_are_told_and_the_machine_is_looked_at_all_the_same(stage: Stage) -> None:
    stage.rig.write_text(stage.rig.read_text().replace("own input: voice", "own input: vioce"))
    code, found, _ = stage.ready()
    assert code == 1
    assert re.search(r"rig\.yaml:\d+: .*did you mean `voice`", found["show"]["says"])
    assert "desk" not in found and found["journal"]["word"] == "fine"


def test_a_venue_that_there_is_not_is_wrong_usage(stage: Stage) -> None:
    wrong = stagectl("ready", stage.show_, "--venue", "nowhere", cwd=stage.show, **stage.environment)
    assert (wrong.returncode, wrong.stdout) == (2, "") and "nowhere" in wrong.stderr


def test_the_lines_for_people() -> None:
    some = [fine("desk", "it answers"), wrong("a long name", "it is gone", "plug it in")]
    assert [line for line, _ in lines(some)] == [
        "fine   desk         it answers",
        "wrong  a long name  it is gone",
        "                    → plug it in",
    ]
    line, kind = list(lines(some))[1]
    assert ("wrong", WRONG) in parts(Told(line, kind))


# -- what hangs -----------------------------------------------------------------------------------------------


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    return Machine(setlist=tmp_path, now=datetime.now().astimezone(), system=tmp_path)


def test_a_look_that_hangs_or_stumbles_holds_up_no_other(machine: Machine) -> None:
    """A pipe that nobody writes into keeps whoever opens it waiting for ever (fifo(7)), as a driver or a mount may."""
    pipe = machine.system / "sys/class/power_supply/BAT0/type"
    pipe.parent.mkdir(parents=True)
    os.mkfifo(pipe)

    def stumbles(_: Machine) -> list[Finding]:
        raise RuntimeError("over its own feet")

    def faults() -> Any:
        raise FileFaults([Fault("setlist.yaml", 4, "it is wrong")])

    some = [
        MachineLook("battery", 0.05, battery),
        MachineLook("a driver", 1.0, stumbles),
        MachineLook("processor", 1.0, governor),
    ]
    found = look_around(machine, faults, some)
    os.close(os.open(pipe, os.O_RDWR | os.O_NONBLOCK))
    assert [(one.what, one.word) for one in found] == [
        ("show", "wrong"),
        ("battery", "wrong"),
        ("a driver", "look"),
        ("processor", "unknown"),
    ]
    assert "within 0.05 s: something hangs" in found[1].says
    assert "RuntimeError: over its own feet" in found[2].says


def test_a_show_that_cannot_be_read_in_time(machine: Machine) -> None:
    for_ever = threading.Event()
    found = look_around(machine, lambda: for_ever.wait(), [], read_s=0.02)  # type: ignore[arg-type, return-value]
    for_ever.set()
    assert [one.word for one in found] == ["wrong"] and "cannot be read within 0.02 s" in found[0].says


def test_all_looks_together_end_within_five_seconds() -> None:
    """What comes before and after them takes some tenths."""
    assert looks.ENDS_S < 4.5 and all(one.within_s <= looks.ENDS_S for one in looks.LOOKS)


# -- files, disk, clock ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["nine-songs", "three-songs"])
def test_it_counts_the_warnings_that_check_counts(name: str) -> None:
    said = stagectl("check", str(shipped("setlists") / name)).stdout.splitlines()[-1]
    number = re.search(r"(\d+) warning", said)
    assert prove(shipped("setlists") / name, None).warnings == (int(number[1]) if number else 0)


def test_the_proof_ends_with_whoever_asked_for_it() -> None:
    command = [sys.executable, "-m", MODULE, str(shipped("setlists") / "three-songs")]
    run = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, check=False)
    assert (run.returncode, run.stdout, run.stderr) == (1, b"", b"")
    found = proven(shipped("setlists") / "three-songs", None, 60)
    assert found is not None and not found.faults and found.proved
    assert proven(shipped("setlists") / "three-songs", None, 0.01) is None


def test_a_backup_is_compared_by_what_it_holds(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(stage.show)

    def said() -> Finding:
        (found,) = backups(stage.room())
        return found

    assert said().word == "look" and "there is none" in said().says
    pack(gather(load_show(stage.show)), stage.show.parent / "kept.zip")
    (stage.show.parent / "other.zip").write_bytes(b"PK, or not")
    # A copy has other times: it counts what is in it.
    os.utime(stage.rig, (0, 0))
    assert said() == fine("backup", "kept.zip has every file as it is now")
    stage.rig.write_text(stage.rig.read_text() + "# edited\n")
    assert (said().word, said().says) == ("look", "edited since kept.zip: rig.yaml")


def hurt(path: Path, name: str) -> None:
    """Change bytes of a file in a zip, some way into what is packed of it."""
    with zipfile.ZipFile(path) as found:
        at = found.getinfo(name).header_offset + 30 + len(name)
    raw = bytearray(path.read_bytes())
    raw[at : at + 24] = bytes(byte ^ 0xFF for byte in raw[at : at + 24])
    path.write_bytes(raw)


def test_a_backup_that_cannot_be_restored_is_none(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """The judge is `restore`. One that is damaged hides none that is whole, whichever comes first by name; a damaged
    night in it is left out of what is restored, and is nobody's loss here."""
    monkeypatch.chdir(stage.show)
    above = stage.show.parent
    journal = begin(above / "one.night", Night(setlist="three songs", begun_us=0, program="1"), lambda _: None)
    journal.close()
    night = Piece("nights/one.night", "night", journal.path, datetime.now().astimezone(), journal.path)
    pack(gather(load_show(stage.show), [night]), above / "m.zip")
    sound = fine("backup", "m.zip has every file as it is now")
    assert backups(stage.room()) == [sound]
    for name, hurts in (("a.zip", "manifest.json"), ("b.zip", "setlist.yaml"), ("z.zip", "rig.yaml")):
        shutil.copy(above / "m.zip", above / name)
        hurt(above / name, hurts)
        assert backups(stage.room()) == [sound]
        assert stagectl("restore", str(above / name), "--list").returncode == 1
    hurt(above / "m.zip", "nights/one.night")
    assert backups(stage.room()) == [sound]
    for name in ("m.zip", "b.zip"):
        (above / name).unlink()
    (found,) = backups(stage.room())
    assert found.word == "look" and found.says.startswith("z.zip cannot be restored: `rig.yaml`: it is damaged")
    (above / "z.zip").unlink()
    assert "there is none" in backups(stage.room())[0].says


def test_the_room_on_the_disk_is_what_df_says(tmp_path: Path) -> None:
    needs("df")
    for _ in range(20):
        before, free, after = _df(tmp_path), shutil.disk_usage(tmp_path).free, _df(tmp_path)
        if before == after:
            break
    assert min(before, after) <= free <= max(before, after)


def _df(folder: Path) -> int:
    run = subprocess.run(["df", "--output=avail", "-B1", str(folder)], capture_output=True, text=True, check=True)
    return int(run.stdout.split()[-1])


def test_where_nights_can_be_kept(tmp_path: Path) -> None:
    before = tmp_path.stat().st_mtime_ns
    assert nights.writable(tmp_path).says == f"{tmp_path} can be written to"
    assert nights.writable(tmp_path / "state" / "nights").says.endswith("can be made")
    assert tmp_path.stat().st_mtime_ns == before and not list(tmp_path.iterdir())
    file = tmp_path / "file"
    file.touch()
    assert "is no folder" in nights.writable(file / "nights").says
    if os.getuid() == 0:
        os.seteuid(65_534)
    try:
        found = nights.writable(Path("/usr/nights"))
    finally:
        if os.getuid() == 0:
            os.seteuid(0)
    assert found.word == "wrong" and "nothing can be written into /usr" in found.says


def test_nights_that_cannot_be_read_or_are_of_an_earlier_layout(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """The last of all is told where it is damaged, as `run` tells it; one of an earlier layout is nobody's."""
    monkeypatch.setenv("STATE_DIRECTORY", str(stage.state))
    monkeypatch.setattr("stagectl.journal.paths.spare_nights", lambda: stage.spare)
    folder = stage.state / "nights"
    folder.mkdir(parents=True)
    with sqlite3.connect(folder / "2026-11-25T19-30-00.night") as old:
        old.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        old.execute("PRAGMA user_version = 1")
        old.execute("CREATE TABLE night (setlist TEXT)")
    old.close()
    (found,) = nights.last_night(stage.room())
    assert found.says.startswith("none of this show is kept yet")
    header = (folder / "2026-11-25T19-30-00.night").read_bytes()[:100]
    (folder / "2026-11-26T19-30-00.night").write_bytes(header + b"damaged" * 100)
    (found,) = nights.last_night(stage.room())
    assert found.word == "look" and "2026-11-26T19-30-00.night cannot be read: the file is damaged" in found.says


def test_struct_timex_is_laid_out_as_the_compiler_lays_it_out(tmp_path: Path) -> None:
    needs("cc")
    source = tmp_path / "timex.c"
    names = ("modes", "offset", "maxerror", "status", "constant", "tick")
    marks, fields = " ".join(["%zu"] * len(names)), ", ".join(f"offsetof(struct timex, {name})" for name in names)
    heads = "".join(f"#include <{head}>\n" for head in ("stddef.h", "stdio.h", "sys/timex.h"))
    source.write_text(f'{heads}int main(void) {{ printf("{marks}\\n", {fields}); return 0; }}\n')
    built = subprocess.run(["cc", str(source), "-o", str(tmp_path / "timex")], capture_output=True, check=False)
    if built.returncode:
        unavailable("no C headers here")
    run = subprocess.run([str(tmp_path / "timex")], capture_output=True, text=True, check=True)
    assert [getattr(clock._Timex, name).offset for name in names] == list(map(int, run.stdout.split()))


def test_the_kernels_clock_is_read_and_not_touched() -> None:
    if not sys.platform.startswith("linux"):
        unavailable("only Linux has adjtimex")
    needs("timedatectl")
    before = clock.kernel()
    assert before is not None and before.error_us >= 0
    said = subprocess.run(
        ["timedatectl", "show", "-p", "NTPSynchronized", "--value"], capture_output=True, text=True, check=False
    )
    if said.returncode:
        pytest.skip("no systemd runs here that would say whether the clock is kept in step")
    assert before.kept is (said.stdout.strip() == "yes")
