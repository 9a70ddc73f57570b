"""A backup that is not whole, or that could do harm, is refused before anything is written."""

from __future__ import annotations

import io
import json
import os
import random
import stat
import struct
import zipfile
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from stagectl.archive import check as checking
from stagectl.archive.bounds import FILE_MAX, FILES_MAX, FORMAT, MANIFEST, RATIO_FROM, RATIO_MAX
from stagectl.archive.check import FAULTS_MAX, check
from stagectl.archive.unpack import unpack
from stagectl.cli.main import main
from stagectl.errors import FileFaults

from .hostile import NOTHING, Change, listed, manifest, tree, zipped

WHOLE = zipped(("setlist.yaml", NOTHING), ("nights/a.night", bytes(range(256)) * 40))


def kind(mode: int) -> Change:
    def change(entry: zipfile.ZipInfo) -> None:
        entry.external_attr = mode << 16

    return change


def method(number: int) -> Change:
    def change(entry: zipfile.ZipInfo) -> None:
        entry.compress_type = number

    return change


def refused(raw: bytes, folder: Path) -> str:
    """What `restore` says, which has written nothing."""
    (folder / "b.zip").write_bytes(raw)
    before = tree(folder)
    result = CliRunner().invoke(main, ["restore", str(folder / "b.zip"), "-o", str(folder / "new")])
    assert (result.exit_code, result.stdout) == (1, ""), result.output
    assert tree(folder) == before and not (folder / "new").exists()
    assert [path.name for path in folder.iterdir()] == ["b.zip"]
    listing = CliRunner().invoke(main, ["restore", str(folder / "b.zip"), "--list"])
    assert (listing.exit_code, listing.stderr) == (1, result.stderr)
    assert all(line.startswith(f"{folder / 'b.zip'}: ") for line in result.stderr.splitlines())
    return result.stderr


def test_what_is_whole_is_taken(tmp_path: Path) -> None:
    (tmp_path / "b.zip").write_bytes(WHOLE)
    result = CliRunner().invoke(main, ["restore", str(tmp_path / "b.zip"), "-o", str(tmp_path / "new")])
    assert result.exit_code == 0, result.output
    assert tree(tmp_path / "new") == {"setlist.yaml": NOTHING, "nights/a.night": bytes(range(256)) * 40}


PATHS = (
    ("../x", "it leaves the folder"),
    ("a/../../x", "it leaves the folder"),
    ("/tmp/x", "it is an absolute path"),
    ("C:/x", "it begins with a drive letter"),
    ("c:x", "it begins with a drive letter"),
    ("..\\x", "its name has a backslash"),
    ("nul.yaml", "is the name of a device on Windows"),
    ("x\ny", "its name has control characters"),
    ("x.", "Windows allows no dot"),
    ("empty/", "a part of its path has no name"),
)


@pytest.mark.parametrize(("path", "says"), PATHS, ids=[path for path, _ in PATHS])
def test_a_path_that_does_harm(tmp_path: Path, path: str, says: str) -> None:
    assert says in refused(zipped(("setlist.yaml", NOTHING), (path, b"x")), tmp_path)


@pytest.mark.parametrize(
    ("mode", "says"),
    [
        (stat.S_IFLNK | 0o777, "it is a link to another file"),
        (stat.S_IFIFO | 0o644, "it is no plain file"),
        (stat.S_IFDIR | 0o755, "it is no plain file"),
        (stat.S_IFCHR | 0o644, "it is no plain file"),
    ],
)
def test_what_is_no_plain_file(tmp_path: Path, mode: int, says: str) -> None:
    assert says in refused(zipped(("setlist.yaml", NOTHING), ("x", b"/etc/passwd", kind(mode))), tmp_path)


@pytest.mark.filterwarnings("ignore:Duplicate name")
@pytest.mark.parametrize(
    ("one", "other", "says"),
    [
        ("a.yaml", "A.YAML", "by case or accents alone"),
        ("a.yaml", "a.yaml", "it is there twice"),
        ("a", "a/b", "it needs a folder where `a` lies"),
        (MANIFEST.upper(), "x", f"it differs from `{MANIFEST}` by case"),
        (MANIFEST, "x", "it is there twice"),
    ],
)
def test_names_that_clash(tmp_path: Path, one: str, other: str, says: str) -> None:
    assert says in refused(zipped(("setlist.yaml", NOTHING), (one, b"1"), (other, b"2")), tmp_path)


def test_a_bomb_by_its_ratio(tmp_path: Path) -> None:
    bomb = ("x", bytes(RATIO_MAX * RATIO_FROM))
    assert f"more than {RATIO_MAX} times" in refused(zipped(("setlist.yaml", NOTHING), bomb), tmp_path)


def test_bounds_of_sizes_and_numbers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    many = zipped(("setlist.yaml", NOTHING), *((f"{at}", b"") for at in range(FILES_MAX - 1)))
    assert f"it has {FILES_MAX + 1:,} files, and {FILES_MAX:,} are allowed" in refused(many, tmp_path)
    with zipfile.ZipFile(io.BytesIO(WHOLE)) as found:
        sizes = [entry.file_size for entry in found.infolist()]
    exact = {
        "FILE_MAX": max(sizes),
        "TOTAL_MAX": sum(sizes),
        "ZIP_MAX": len(WHOLE),
        "DIRECTORY_MAX": len(WHOLE) - WHOLE.index(b"PK\1\2") - len(b"PK\5\6") - 18,
    }
    for name, least in exact.items():
        with monkeypatch.context() as patch:
            patch.setattr(checking, name, least)
            assert len(check(io.BytesIO(WHOLE), "b.zip").entries) == 2
            patch.setattr(checking, name, least - 1)
            with pytest.raises(FileFaults, match=r"allowed|has up to"):
                check(io.BytesIO(WHOLE), "b.zip")


def test_a_size_that_is_declared_beyond_every_bound(tmp_path: Path) -> None:
    """The list of files says a size; the file behind it is small."""
    raw = bytearray(WHOLE)
    at = raw.index(b"nights/a.night", raw.index(b"PK\1\2")) - 46
    raw[at + 24 : at + 28] = struct.pack("<I", FILE_MAX + 1)
    assert f"it has {FILE_MAX + 1:,} bytes, and {FILE_MAX:,} are allowed" in refused(bytes(raw), tmp_path)


@pytest.mark.parametrize("off", [-1, 1, 9_000])
def test_a_size_that_is_not_the_real_one(tmp_path: Path, off: int) -> None:
    """Declared against real, with a manifest that tells the same lie."""
    content = bytes(range(256)) * 40
    lie = manifest(listed("setlist.yaml", NOTHING), listed("a", content, size=len(content) + off))
    raw = bytearray(zipped(("setlist.yaml", NOTHING), ("a", content), said=lie))
    for signature, field in ((b"PK\3\4", 22), (b"PK\1\2", 24)):
        at = raw.index(signature)
        while raw[at + (30 if field == 22 else 46) :][:1] != b"a":
            at = raw.index(signature, at + 1)
        raw[at + field : at + field + 4] = struct.pack("<I", len(content) + off)
    assert "`a`: it is damaged" in refused(bytes(raw), tmp_path)


def test_what_the_manifest_and_the_zip_say_of_each_other(tmp_path: Path) -> None:
    setlist = listed("setlist.yaml", NOTHING)
    file = ("setlist.yaml", NOTHING)
    missing = zipped(file, said=manifest(setlist, listed("rig.yaml", b"")))
    assert "`rig.yaml`: the manifest lists it, and it is not there" in refused(missing, tmp_path)
    more = zipped(file, ("rig.yaml", b""), said=manifest(setlist))
    assert "`rig.yaml`: it is there, and the manifest does not list it" in refused(more, tmp_path)
    twice = zipped(file, said=manifest(setlist, setlist))
    assert "`setlist.yaml`: the manifest lists it twice" in refused(twice, tmp_path)
    size = zipped(file, said=manifest(listed("setlist.yaml", NOTHING, size=3)))
    assert "it has 13 bytes, and 3 by the manifest" in refused(size, tmp_path)
    other = zipped(file, said=manifest(listed("setlist.yaml", NOTHING, sha256="0" * 64)))
    assert "it is not what was backed up: its SHA-256 is" in refused(other, tmp_path)


@pytest.mark.parametrize(
    ("said", "says"),
    [
        (b"{", "it is no JSON"),
        (b"\xff", "it is no JSON"),
        (b"[" * 20_000, "it is nested too deep"),
        (b"[]", "it does not say its `format`"),
        (manifest(listed("setlist.yaml", NOTHING), format=True), "it does not say its `format`"),
        (
            manifest(listed("setlist.yaml", NOTHING), format=FORMAT + 1),
            f"its format is {FORMAT + 1}, and this version of stagectl reads format {FORMAT}",
        ),
        (manifest(listed("setlist.yaml", NOTHING), more=1), "`more`: extra inputs are not permitted"),
        (manifest(listed("setlist.yaml", NOTHING), setlist="x.yaml"), "its setlist `x.yaml` is none of its files"),
        (
            manifest(listed("setlist.yaml", NOTHING), title="\x1b[2J"),
            "`title`: value error, it holds control characters",
        ),
        (manifest(listed("setlist.yaml", NOTHING), program="x" * 4_001), "`program`"),
        (manifest(listed("setlist.yaml", NOTHING, size="13")), "`files.0.size`"),
        (manifest(listed("setlist.yaml", NOTHING, size=-1)), "`files.0.size`"),
        (manifest(listed("setlist.yaml", NOTHING, sha256="A" * 64)), "`files.0.sha256`"),
        (manifest(listed("setlist.yaml", NOTHING, time="now")), "does not match format"),
        (manifest(listed("setlist.yaml", NOTHING))[:-1] + b', "format": 1}', "a key stands twice"),
        (manifest(listed("setlist.yaml", NOTHING), title=1).replace(b": 1,", b": NaN,", 1), "NaN is no number of JSON"),
    ],
)
def test_a_manifest_that_is_none(tmp_path: Path, said: bytes, says: str) -> None:
    assert says in refused(zipped(("setlist.yaml", NOTHING), said=said), tmp_path)


def test_what_is_no_backup(tmp_path: Path) -> None:
    empty = io.BytesIO()
    zipfile.ZipFile(empty, "w").close()
    for raw, says in (
        (b"", "no zip ends where it ends"),
        (b"x" * 500, "no zip ends where it ends"),
        (empty.getvalue(), f"it has no `{MANIFEST}`"),
        (WHOLE + b"more", "no zip ends where it ends"),
        (b"before" + WHOLE, "its list of files is not where it is said to be"),
        (WHOLE[:-2] + b"\1\0x", "no zip ends where it ends"),
        (WHOLE[:200] + WHOLE[300:], "its list of files is not where it is said to be"),
    ):
        assert says in refused(raw, tmp_path)
        (tmp_path / "b.zip").unlink()


def test_what_is_packed_or_kept_from_reading_otherwise(tmp_path: Path) -> None:
    for number in (zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA):
        says = refused(zipped(("setlist.yaml", NOTHING, method(number))), tmp_path)
        assert f"it is packed by method {number}, and 0 (not at all) and 8 (deflate) are read" in says
        (tmp_path / "b.zip").unlink()
    raw = bytearray(WHOLE)
    raw[raw.index(b"PK\1\2") + 8] |= 1
    assert "it is encrypted" in refused(bytes(raw), tmp_path)


def test_all_faults_are_told_up_to_a_bound(tmp_path: Path) -> None:
    bad = [(f"{at}?", b"") for at in range(FAULTS_MAX + 5)]
    lines = refused(zipped(("setlist.yaml", NOTHING), *bad), tmp_path).splitlines()
    assert len(lines) == FAULTS_MAX + 1 and lines[-1].endswith("and 5 more")


@given(st.integers(0, len(WHOLE) - 1), st.integers(1, 255), st.integers(0, 2**32))
def test_a_byte_that_is_damaged_loses_nothing_unseen(at: int, by: int, seed: int) -> None:
    """Either what comes out is what went in, or it is refused. Sometimes a few more bytes are damaged."""
    raw = bytearray(WHOLE)
    raw[at] ^= by
    chance = random.Random(seed)
    for _ in range(chance.choice((0, 0, 3))):
        raw[chance.randrange(len(raw))] = chance.randrange(256)
    try:
        found = check(io.BytesIO(bytes(raw)), "b.zip")
    except FileFaults:
        return
    assert {path: b"".join(checking.chunks(found, path)) for path in found.entries} == {
        "setlist.yaml": NOTHING,
        "nights/a.night": bytes(range(256)) * 40,
    }


def test_a_backup_that_changes_while_it_is_read_leaves_nothing(tmp_path: Path) -> None:
    file = io.BytesIO(zipped(("setlist.yaml", NOTHING), ("a", b"stored", method(zipfile.ZIP_STORED))))
    found = check(file, "b.zip")
    file.seek(file.getvalue().index(b"stored"))
    file.write(b"STORED")
    with pytest.raises(FileFaults, match="it was changed while it was read"):
        unpack(found, "b.zip", tmp_path / "new")
    assert tree(tmp_path) == {} and list(tmp_path.iterdir()) == []


def test_where_it_is_not_restored_to(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "b.zip").write_bytes(WHOLE)
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "mine.txt").write_text("mine")
    (tmp_path / "empty").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "empty")
    monkeypatch.chdir(tmp_path / "empty")
    before = tree(tmp_path)
    for where, says in (
        ("full", "it is not empty, and nothing that is there is written over"),
        ("b.zip", "it is a file"),
        ("none/new", "there is no folder"),
        ("link", "it is a link"),
        ("empty", "it is the folder that you are in"),
    ):
        result = CliRunner().invoke(main, ["restore", str(tmp_path / "b.zip"), "-o", str(tmp_path / where)])
        assert result.exit_code == 1 and says in result.stderr
    assert tree(tmp_path) == before
    monkeypatch.chdir(tmp_path)
    assert CliRunner().invoke(main, ["restore", "b.zip", "-o", "empty"]).exit_code == 0
    assert sorted(tree(tmp_path / "empty")) == ["nights/a.night", "setlist.yaml"]
    missing = CliRunner().invoke(main, ["restore", "a.zip"])
    assert (missing.exit_code, missing.stderr) == (1, "a.zip: there is no such file; did you mean `b.zip`?\n")


def test_every_manifest_of_ours_is_read_by_any_reader_of_json() -> None:
    with zipfile.ZipFile(io.BytesIO(WHOLE)) as found:
        assert json.loads(found.read(MANIFEST))["format"] == FORMAT


def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "b.zip")
    result = CliRunner().invoke(main, ["restore", str(tmp_path / "b.zip"), "--list"])
    assert (result.exit_code, result.output) == (1, f"{tmp_path / 'b.zip'}: it is a named pipe, and no file\n")
