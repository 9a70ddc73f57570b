"""What a show sends to over MIDI, by its bare text: the same as its models say where it is sound, and never a fault."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stagectl.show.files import Files, KeptFiles
from stagectl.show.load import Show, load_show
from stagectl.show.sent_to import ports_sent_to

SETLISTS = Path(__file__).resolve().parents[2] / "setlists"


def by_the_models(show: Show) -> list[str]:
    """The ports of everything that a checked show sends to."""
    rig = show.rig
    lit = [pedal for pedal in rig.pedals if show.mappings[pedal.mapping].lamps]
    ends = [rig.desk, *rig.devices, *(player.end for player in rig.players), *(pedal.lamps_end for pedal in lit)]
    return list(dict.fromkeys(end.port for end in ends if end is not None and end.port is not None))


@pytest.mark.parametrize("setlist", sorted(SETLISTS.glob("*/setlist.yaml")), ids=lambda path: path.parent.name)
def test_it_is_what_the_models_say(setlist: Path) -> None:
    """Beside the models of the files, which are made another way."""
    files = Files()
    found = ports_sent_to(setlist.parent, files)
    read = dict(files.seen)
    show = load_show(setlist, files)
    assert found == by_the_models(show)
    assert read.items() <= show.files.items()
    assert show.files == load_show(setlist).files
    assert next(iter(show.files)) == str(setlist)


def test_lamps_elsewhere(tmp_path: Path) -> None:
    shutil.copytree(SETLISTS / "nine-songs", show := tmp_path / "show")
    rig = show / "rig.yaml"
    text = rig.read_text()
    assert "keys pedal" in ports_sent_to(show, Files())
    for line, port in (("lamps port: lit", ["lit"]), ("lamps host: 127.0.0.1:9001", [])):
        rig.write_text(text.replace("    port: keys pedal\n", f"    port: keys pedal\n    {line}\n"))
        assert ports_sent_to(show, Files())[4:] == port


def test_files_are_read_once(monkeypatch: pytest.MonkeyPatch) -> None:
    times: list[Path] = []
    read = Files.read

    def counted(self: Files, path: Path, most: int) -> bytes:
        times.append(path)
        return read(self, path, most)

    monkeypatch.setattr(Files, "read", counted)
    files = Files()
    ports_sent_to(SETLISTS / "nine-songs", files)
    load_show(SETLISTS / "nine-songs", files)
    assert len(times) == len(set(times)) >= 6


VALUES = st.recursive(
    st.sampled_from(["", "far", "~", '"1"', "{", "*x", "rig.yaml", "../rig.yaml", "drum-pedal"]),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda some: f"[{', '.join(some)}]"),
        st.dictionaries(st.sampled_from(["port", "mapping", "lamps port", "rig", "name"]), inner, max_size=3).map(
            lambda some: f"{{{', '.join(f'{key}: {value}' for key, value in some.items())}}}"
        ),
    ),
    max_leaves=6,
)


@given(setlist=VALUES, rig=st.dictionaries(st.sampled_from(["desk", "devices", "players", "pedals"]), VALUES))
def test_nothing_that_stands_there_is_a_fault(setlist: str, rig: dict[str, str]) -> None:
    lines = "\n".join(f"{key}: {value}" for key, value in rig.items())
    files = {"setlist.yaml": setlist.encode(), "rig.yaml": lines.encode()}
    for first in (files["setlist.yaml"], b"rig: rig.yaml"):
        found = ports_sent_to(Path("setlist.yaml"), KeptFiles({**files, "setlist.yaml": first}))
        assert all(isinstance(port, str) and port for port in found)
