"""The unit, judged by systemd's own programs, and the words in it by what systemd.service(5) says of them."""

from __future__ import annotations

import json
import os
import re
import subprocess
from pathlib import Path

import pytest
from needs import needs

from stagectl.service.escape import path, sentence, word
from stagectl.service.unit import MARK, Service, carried, run_words, text

SERVICE = Service(
    command=("/bin/sh", "-m", "stagectl", *run_words("/a b/100 %", venue='"$X"', api="jack", page=None, control=False)),
    title="A night, 100 %\n[Service]\nUser=root \\",
    unit="stagectl.service",
    environment={"TZ": "Europe/Oslo"},
    writes=("/home/a b/state", "/tmp"),
)


def analyze(tmp_path: Path, said: str, *words: str) -> subprocess.CompletedProcess[str]:
    needs("systemd-analyze")
    unit = tmp_path / "stagectl.service"
    unit.write_text(said)
    command = ["systemd-analyze", *words, str(unit)]
    environment = os.environ | {"XDG_RUNTIME_DIR": str(tmp_path), "HOME": str(tmp_path), "SYSTEMD_COLORS": "0"}
    return subprocess.run(command, capture_output=True, text=True, env=environment, check=False)


def test_systemd_has_nothing_to_say_against_it(tmp_path: Path) -> None:
    verified = analyze(tmp_path, text(SERVICE), "verify", "--user")
    assert (verified.returncode, verified.stderr) == (0, "")


def test_systemd_would_say_what_is_wrong(tmp_path: Path) -> None:
    wrong = text(SERVICE).replace("WatchdogSec=", "WatchdogSecs=")
    assert "'WatchdogSecs' in section" in analyze(tmp_path, wrong, "verify", "--user").stderr


def exposure(tmp_path: Path, said: str) -> float:
    """How open it is: the sum of what each test of systemd's own finds."""
    told = analyze(tmp_path, said, "security", "--offline=true", "--json=short", "--no-pager")
    assert told.returncode == 0, told.stderr
    return sum(float(one["exposure"] or 0) for one in json.loads(told.stdout))


MEASURED = (
    "NoNewPrivileges",
    "ProtectSystem",
    "ProtectHome",
    "ProtectControlGroups",
    "LockPersonality",
    "RestrictNamespaces",
    "RestrictSUIDSGID",
    "RestrictAddressFamilies",
    "SystemCallArchitectures",
    "SystemCallFilter",
)


def test_each_thing_that_it_is_kept_from_counts_by_systemds_own_measure(tmp_path: Path) -> None:
    """Without any one of them it is more open. More than half of what is left is capabilities, which a user's program
    does not have anyway."""
    own = exposure(tmp_path, text(SERVICE))
    without = {
        name: exposure(tmp_path, re.sub(rf"^{name}=.*\n", "", text(SERVICE), flags=re.MULTILINE)) for name in MEASURED
    }
    print(f"{own:.1f}; without one of them {without}")
    assert all(more > own for more in without.values()), without


def test_nothing_that_the_show_gives_it_becomes_a_setting_of_its_own() -> None:
    lines = text(SERVICE).splitlines()
    assert lines[0].startswith(MARK)
    assert [line for line in lines if line.startswith("[")] == ["[Unit]", "[Service]", "[Install]"]
    assert not any(line.endswith("\\") or line.startswith("User=") for line in lines)


@pytest.mark.parametrize(
    "settings", ["PrivateTmp", "StateDirectory", "RuntimeDirectory", "LimitRTPRIO", "PrivateDevices"]
)
def test_what_a_night_would_miss_is_not_set(settings: str) -> None:
    assert f"{settings}=" not in text(SERVICE)


@pytest.mark.parametrize(
    ("meant", "said"),
    [
        ("plain/word-1.2", "plain/word-1.2"),
        ("", '""'),
        ("a b", '"a b"'),
        ("$HOME", '"$$HOME"'),
        ("100 %", '"100 %%"'),
        ('a "b" \\', '"a \\"b\\" \\\\"'),
        ("a\nb", '"a\\x0ab"'),
        ("é", '"é"'),
        ("\u2028", '"\\xe2\\x80\\xa8"'),
    ],
)
def test_words_of_a_command(meant: str, said: str) -> None:
    assert word(meant, command=True) == said


def test_elsewhere_a_dollar_is_one() -> None:
    assert word("$HOME") == '"$HOME"'


@pytest.mark.parametrize("meant", ["a\0b", "\udcff"])
def test_words_that_cannot_be_said(meant: str) -> None:
    with pytest.raises(ValueError, match="NUL"):
        word(meant)


def test_paths_of_a_list() -> None:
    assert [path(one) for one in ("-/a", "/a b%", '/a"b', "/a'b", "/a\\b")] == [
        "-/a",
        '"/a b%%"',
        "'/a\"b'",
        '"/a\'b"',
        '"/a\\b"',
    ]
    for impossible in ("/a'\"b", "/a\nb"):
        with pytest.raises(ValueError):
            path(impossible)


def test_sentences() -> None:
    assert sentence("100 %\nUser=root \\") == "100 %% User=root"


def test_the_words_of_run() -> None:
    words = run_words("/show", venue="-x", api="auto", page=("::1", 8480), control=True)
    assert words == ("run", "/show", "--venue=-x", "--page=[::1]:8480", "--control")


def test_what_goes_along_from_the_environment() -> None:
    environ = {"JACK_DEFAULT_SERVER": "left", "TZ": "", "SECRET": "x", "PATH": "/bin"}
    assert carried(environ) == {"PYTHONSAFEPATH": "1", "JACK_DEFAULT_SERVER": "left"}
