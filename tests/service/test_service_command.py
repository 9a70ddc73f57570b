"""`stagectl service`: what is written and taken away, and what is left alone."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from stagectl.cli.main import main
from stagectl.service import files
from stagectl.service.unit import MARK
from stagectl.where import shipped

ROOT = Path(__file__).resolve().parents[2]
SHOW = str(ROOT / "setlists" / "three-songs")

SYSTEMCTL = """#!/bin/sh
echo "$@" >> "$ASKED"
case " $* " in
  *" $FAILS "*) echo "it is so" >&2; exit 1;;
  *" is-active "*) exit 3;;
esac
"""
"""A service manager's ear: it notes what it was asked, and fails where it is told to. What the real one makes of it is
for `service_night.py`."""


@pytest.fixture
def asked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A user's home, with a service manager that notes what it was asked."""
    programs = tmp_path / "bin"
    programs.mkdir()
    for name in ("systemctl", "loginctl"):
        (programs / name).write_text(SYSTEMCTL)
        (programs / name).chmod(0o755)
    monkeypatch.setenv("PATH", f"{programs}{os.pathsep}{os.environ['PATH']}")
    monkeypatch.setenv("ASKED", str(tmp_path / "asked"))
    monkeypatch.setenv("FAILS", "nothing")
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    for name in ("XDG_CONFIG_HOME", "XDG_STATE_HOME", "STATE_DIRECTORY", "JACK_DEFAULT_SERVER", "TZ"):
        monkeypatch.delenv(name, raising=False)
    return tmp_path / "asked"


def stagectl(*words: str) -> Result:
    return CliRunner().invoke(main, ["service", *words])


def unit(tmp_path: Path, name: str = "stagectl") -> Path:
    return tmp_path / "home" / ".config/systemd/user" / f"{name}.service"


def test_it_is_written_and_made_known_and_taken_away(asked: Path, tmp_path: Path) -> None:
    run = stagectl("install", SHOW, "--page", "0.0.0.0:8480")
    assert run.exit_code == 0, run.output
    assert f"{unit(tmp_path)} is written\n" in run.output and "systemctl --user start stagectl" in run.output
    written = unit(tmp_path).read_text()
    assert f"run {SHOW} --page=0.0.0.0:8480\n" in written and written.startswith(MARK)
    assert f"ReadWritePaths=-{tmp_path}/home/.local/state -/tmp -/var/tmp" in written
    assert asked.read_text().splitlines() == [
        "--user --no-ask-password show --property=Version",
        "--user --no-ask-password daemon-reload",
        "--user --no-ask-password enable stagectl.service",
        "--no-ask-password enable-linger",
        "--user --no-ask-password is-active --quiet stagectl.service",
    ]
    asked.unlink()
    link = unit(tmp_path).parent / "default.target.wants" / "stagectl.service"
    link.parent.mkdir()
    link.symlink_to(unit(tmp_path))
    run = stagectl("remove")
    assert run.exit_code == 0 and not unit(tmp_path).exists() and not link.is_symlink()
    assert [line.split()[2] for line in asked.read_text().splitlines()] == [
        "show", "stop", "disable", "daemon-reload", "reset-failed"
    ]  # fmt: skip


def test_ours_is_written_anew_and_printing_writes_nothing(asked: Path, tmp_path: Path) -> None:
    shown = stagectl("install", SHOW, "--print", "--name", "quiet")
    assert not unit(tmp_path, "stagectl-quiet").exists() and not asked.exists()
    stagectl("install", SHOW, "--name", "quiet")
    assert unit(tmp_path, "stagectl-quiet").read_text() == shown.stdout
    assert "is written anew" in stagectl("install", SHOW, "--name", "stagectl-quiet").output


@pytest.mark.parametrize("words", [("install", SHOW), ("remove",)])
def test_what_is_not_ours_is_left_alone(asked: Path, tmp_path: Path, words: tuple[str, ...]) -> None:
    unit(tmp_path).parent.mkdir(parents=True)
    unit(tmp_path).write_text("[Service]\nExecStart=/bin/true\n")
    run = stagectl(*words)
    assert run.exit_code == 1 and "was not written by `stagectl service install`" in run.output
    assert unit(tmp_path).read_text() == "[Service]\nExecStart=/bin/true\n" and not asked.exists()
    unit(tmp_path).unlink()
    # As of a unit that was masked; and a link whose end is ours is still somebody else's link.
    for end in (Path("/dev/null"), tmp_path / "ours"):
        (tmp_path / "ours").write_text(MARK)
        unit(tmp_path).symlink_to(end)
        run = stagectl(*words)
        assert run.exit_code == 1 and f"is a link to {end}" in run.output
        assert unit(tmp_path).is_symlink() and (tmp_path / "ours").read_text() == MARK
        unit(tmp_path).unlink()


def test_a_service_that_is_not_there_is_named_with_the_nearest(asked: Path) -> None:
    stagectl("install", SHOW, "--name", "quiet")
    run = stagectl("remove", "--name", "quite")
    assert run.exit_code == 1 and "did you mean `stagectl-quiet`?" in run.output


@pytest.mark.parametrize("name", ["", "a/b", "../x", "-x", "a b", "x" * 65, "é"])
def test_names_that_are_none(asked: Path, name: str) -> None:
    run = stagectl("install", SHOW, f"--name={name}")
    assert run.exit_code == 2 and "is no name for a service" in run.output


@pytest.mark.parametrize("name", ["stagectl", "quiet", "pipewire", "stagectl-quiet"])
def test_no_other_programs_unit_can_be_hidden(name: str) -> None:
    assert files.unit_name(name).startswith("stagectl") and files.unit_name(
        files.unit_name(name)[:-8]
    ) == files.unit_name(name)


def test_what_fails_is_said_and_left_to_do(asked: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FAILS", "enable-linger")
    run = stagectl("install", SHOW)
    assert run.exit_code == 0 and "`loginctl enable-linger` failed: it is so" in run.output
    assert "  loginctl enable-linger\n" in run.output and "  systemctl --user enable" not in run.output


def test_where_no_manager_answers_everything_is_left_to_do(
    asked: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FAILS", "show")
    run = stagectl("install", SHOW)
    assert run.exit_code == 0 and unit(tmp_path).exists() and "does not answer here (it is so)" in run.output
    assert "  systemctl --user daemon-reload\n  systemctl --user enable stagectl.service\n" in run.output
    run = stagectl("remove")
    assert run.exit_code == 0 and not unit(tmp_path).exists() and "if the service runs, it still does" in run.output


def test_elsewhere_it_says_that_it_is_for_systemd(asked: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    run = stagectl("install", SHOW)
    assert run.exit_code == 3 and "for Linux with systemd" in run.output and not unit(tmp_path).exists()
    assert stagectl("install", SHOW, "--print").exit_code == 0


def test_a_show_with_faults_and_a_venue_that_is_none_install_nothing(asked: Path, tmp_path: Path) -> None:
    assert stagectl("install", str(tmp_path / "none")).exit_code == 1
    assert stagectl("install", SHOW, "--venue", "Nowhere").exit_code == 2
    assert stagectl("install", SHOW, "--control").exit_code == 2
    assert not unit(tmp_path).exists()


def test_a_folder_that_cannot_be_written_is_said(asked: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "file"))
    run = stagectl("install", SHOW)
    assert run.exit_code == 3 and "cannot be made" in run.output


def test_the_folder_of_the_nights_is_there_before_the_service_is(asked: Path, tmp_path: Path) -> None:
    """systemd.exec(5), `ReadWritePaths`: a folder that is missing when the service starts is passed over, and what is
    above it may not be written to."""
    state = tmp_path / "home/.local/state"
    assert stagectl("install", SHOW, "--print").exit_code == 0 and not state.exists()
    run = stagectl("install", SHOW)
    assert run.exit_code == 0 and list((state / "stagectl" / "nights").iterdir()) == []
    assert f"ReadWritePaths=-{state} " in unit(tmp_path).read_text()


@pytest.mark.parametrize(
    ("links", "writes"),
    [
        ({"state": "disk/state"}, ["state"]),
        ({"state/stagectl": "disk/all"}, ["state", "disk/all"]),
        ({"state/stagectl/nights": "disk/nights"}, ["state", "disk/nights"]),
        ({"state/stagectl": "disk/all", "disk/all/nights": "other/nights"}, ["state", "disk/all", "other/nights"]),
        ({"state/stagectl/nights": "state/kept"}, ["state"]),
    ],
)
def test_nights_behind_a_link_may_be_written_to(
    asked: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, links: dict[str, str], writes: list[str]
) -> None:
    """systemd.exec(5), `ReadWritePaths`: what lies below a path on the disk, and not what a link in it leads to."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    for link, end in links.items():
        (tmp_path / end).mkdir(parents=True)
        (tmp_path / link).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / link).symlink_to(tmp_path / end)
    assert stagectl("install", SHOW).exit_code == 0
    paths = " ".join(f"-{tmp_path / one}" for one in writes)
    assert f"ReadWritePaths={paths} -/tmp -/var/tmp\n" in unit(tmp_path).read_text()


def test_nights_that_cannot_be_kept_are_said_and_nothing_is_written(
    asked: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "file"))
    run = stagectl("install", SHOW)
    assert run.exit_code == 3 and f"{tmp_path}/file/stagectl/nights, where the nights are kept, cannot be" in run.output
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setattr(
        "stagectl.service.files.os.access", lambda path, how: path != tmp_path / "state/stagectl/nights"
    )
    run = stagectl("install", SHOW)
    assert run.exit_code == 3 and "may not be written to" in run.output
    assert not unit(tmp_path).exists() and not asked.exists()


@pytest.mark.parametrize("named", ["three-songs", "setlists/three-songs"])
def test_a_demo_that_is_named_alone_is_written_as_where_it_is(
    asked: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, named: str
) -> None:
    monkeypatch.chdir(tmp_path)
    assert stagectl("install", named).exit_code == 0
    assert f" run {shipped('setlists') / 'three-songs'}\n" in unit(tmp_path).read_text()
    # A folder of that name is that folder.
    shutil.copytree(SHOW, tmp_path / named)
    assert stagectl("install", named).exit_code == 0
    assert f" run {tmp_path / named}\n" in unit(tmp_path).read_text()


def test_the_command_line_is_read_by_a_shell_as_it_was_meant(tmp_path: Path) -> None:
    """Where there are quotes in the program's own name, a shell starts it: judged by the shell."""
    from stagectl.service.unit import Service, text

    said = text(Service(command=("/the rig's/python", "a b"), title="", unit="stagectl.service"))
    line = next(line for line in said.splitlines() if line.startswith("ExecStart="))
    assert line == 'ExecStart=/bin/sh -c "exec \\"$$0\\" \\"$$@\\"" "/the rig\'s/python" "a b"'
    run = subprocess.run(["/bin/sh", "-c", 'exec "$0" "$@"', "/bin/echo", "a b"], capture_output=True, check=True)
    assert run.stdout == b"a b\n"
