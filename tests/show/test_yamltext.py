"""What a musician types is what is read: with libyaml and with the reader in Python."""

from __future__ import annotations

import pathlib
import time
import tracemalloc
import unicodedata
from collections.abc import Iterator
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from stagectl.show.slips import slip_in
from stagectl.show.yamltext import BYTES_MAX, DEPTH_MAX, VALUES_MAX, Path, Text, read_text
from stagectl.where import shipped

FILE = "some.yaml"


@pytest.fixture(params=["C", "Python"])
def _reader(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Both readers; the one in Python stands in where libyaml was not built."""
    if request.param == "Python":
        monkeypatch.delattr(yaml, "CSafeLoader", raising=False)
    return str(request.param)


both_readers = pytest.mark.usefixtures("_reader")


def read(text: str | bytes) -> Text:
    return read_text(text.encode() if isinstance(text, str) else text, FILE)


def sound(text: str | bytes) -> Any:
    found = read(text)
    assert found.faults == []
    return found.data


def only_fault(text: str | bytes) -> tuple[int, str]:
    found = read(text)
    assert len(found.faults) == 1, found.faults
    assert found.faults[0].file == FILE
    return found.faults[0].line, found.faults[0].text


# -- text stays text --------------------------------------------------------------------------------------


@both_readers
@pytest.mark.parametrize(
    "typed",
    [
        *("808", "1:30", "no", "on", "off", "Off", "010", "0x10", "1e3", "~x", "null", "true", "yes", "y", "-12", "+3"),
        *(
            "1_000",
            "2024-01-01",
            ".5",
            ".inf",
            "=",
            "<",
            "a:b",
            "a#b",
            "up 3",
            "-7.5 dB",
            "12:30:45",
            "0b1",
            "é",
            "日本",
        ),
    ],
)
def test_a_plain_value_and_a_plain_key_stay_the_text_that_was_typed(typed: str) -> None:
    assert sound(f"key: {typed}\n") == {"key": typed}
    assert sound(f"- {typed}\n") == [typed]
    assert sound(f"{{{typed}: {typed}}}\n") == {typed: typed}


@both_readers
@pytest.mark.parametrize("typed", ["", "~", "# only a comment"])
def test_an_empty_value_is_nothing(typed: str) -> None:
    assert sound(f"key: {typed}\nother: 1\n") == {"key": None, "other": "1"}


@both_readers
@pytest.mark.parametrize("typed", ["''", '""'])
def test_an_empty_text_in_quotes_is_a_text(typed: str) -> None:
    assert sound(f"key: {typed}\n") == {"key": ""}
    assert sound("key: '~'\n") == {"key": "~"}


@both_readers
def test_names_that_look_the_same_are_the_same() -> None:
    composed, apart = unicodedata.normalize("NFC", "café"), unicodedata.normalize("NFD", "café")
    assert composed != apart
    assert sound(f"{apart}: {apart}\n") == {composed: composed}
    assert only_fault(f"{apart}: 1\n{composed}: 2\n") == (
        2,
        f"`{composed}` stands here again; it stands in line 1 already",
    )


# -- the bytes of a file ----------------------------------------------------------------------------------


@both_readers
def test_byte_order_mark_and_line_ends_make_no_difference() -> None:
    text = "a:\n  - 1\n  - {b: 2}\n"
    plain = read(text)
    for other in ("\ufeff" + text, text.replace("\n", "\r\n"), text.replace("\n", "\r")):
        assert read(other) == plain


@both_readers
@pytest.mark.parametrize("nothing", ["", "\n\n", "# only\n# comments\n", "---\n", "---\n...\n", "\ufeff"])
def test_an_empty_file_has_no_data(nothing: str) -> None:
    assert read(nothing) == Text(None, read(nothing).lines, [])


@both_readers
@pytest.mark.parametrize(
    ("raw", "line", "byte"),
    [(b"a: 1\nb: caf\xe9\n", 2, "E9"), ("a: 1".encode("utf-16"), 1, "FF"), (b"\n\n\xc0\x80", 3, "C0")],
)
def test_what_is_not_utf_8_is_refused(raw: bytes, line: int, byte: str) -> None:
    assert only_fault(raw) == (line, f"this is not UTF-8 text (byte {byte}); save the file as UTF-8")


@both_readers
@pytest.mark.parametrize("code", [0x00, 0x07, 0x0C, 0x1B, 0x7F, 0x9B])
def test_a_control_character_is_refused(code: int) -> None:
    assert only_fault(f"a: 1\nb: x{chr(code)}y\n") == (
        2,
        f"the control character U+{code:04X} stands here; take it out",
    )


@both_readers
def test_half_a_character_is_refused() -> None:
    """libyaml refuses the escape; the reader in Python lets it through, and no file name could hold it."""
    assert read('a: "\\ud800"\n').faults[0].line == 1


@both_readers
def test_a_second_document_is_refused_and_the_first_still_read() -> None:
    found = read("a: 1\n---\nb: 2\n")
    assert found.data == {"a": "1"}
    assert [str(fault) for fault in found.faults] == [
        "some.yaml:2: a second document (`---`) begins here; a file holds one"
    ]


@both_readers
@pytest.mark.parametrize(
    ("text", "tag"),
    [
        ("a: !!int 808\n", "!!int"),
        ("a: !!python/object/apply:os.system [x]\n", "!!python/object/apply:os.system"),
        ("a: !mine x\n", "!mine"),
        ("!!map {a: 1}\n", "!!map"),
        ("a: [!!str x]\n", "!!str"),
        ("a: !!binary aGk=\n", "!!binary"),
    ],
)
def test_a_tag_is_refused(text: str, tag: str) -> None:
    assert only_fault(text) == (1, f"the tag `{tag}` is not used here; write the plain value")


# -- keys that stand twice --------------------------------------------------------------------------------


@both_readers
@pytest.mark.parametrize(
    ("text", "first", "again", "kept"),
    [
        ("a: 1\nb: 2\na: 3\n", 1, 3, {"a": "1", "b": "2"}),
        ("a: 1\n'a': 3\n", 1, 2, {"a": "1"}),
        ("x:\n  y:\n    a: 1\n    a:\n      - 2\n", 3, 4, {"x": {"y": {"a": "1"}}}),
        ("{a: 1,\n b: 2,\n a: 3}\n", 1, 3, {"a": "1", "b": "2"}),
        ("- a: 1\n  a: 1\n", 1, 2, [{"a": "1"}]),
    ],
)
def test_a_key_that_stands_twice_names_both_lines(text: str, first: int, again: int, kept: Any) -> None:
    assert only_fault(text) == (again, f"`a` stands here again; it stands in line {first} already")
    assert read(text).data == kept


@both_readers
def test_each_further_one_is_a_fault_of_its_own() -> None:
    assert [fault.line for fault in read("a: 1\na: 2\nb: 1\na: 3\nb: 2\n").faults] == [2, 4, 5]


# -- tabs and other slips ---------------------------------------------------------------------------------

TAB = "a tab stands here; YAML indents with spaces: put two spaces for each tab"


@both_readers
@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("a:\n\tb: 1\n", 2),
        ("a:\n  b: 1\n\tc: 2\n", 3),
        ("a:\n  \tb: 1\n", 2),
        ("a:\n \t- 1\n", 2),
        ("-\ta: 1\n", 1),
        ("a:\n-\tb\n", 2),
        ("a: 1\n\t\nb: 2\n", 2),
        ("\ta: 1\n", 1),
        ("a: one\n\ttwo: 2\n", 2),
    ],
)
def test_a_tab_is_named(text: str, line: int) -> None:
    assert only_fault(text) == (line, TAB)


@both_readers
@pytest.mark.parametrize("text", ["a: {b: 1,\tc: 2}\n", "a: {\n\tb: 1}\n", "a: [1,\t2]\n", "a:\t1\n", "a: 1\t# x\n"])
def test_a_tab_between_parts_is_read_or_named(text: str) -> None:
    """YAML allows these; libyaml reads them, the reader in Python does not."""
    found = read(text)
    assert all(fault.text == TAB for fault in found.faults)
    assert bool(found.faults) == (found.data is None)


NO_BREAK = "a non-breaking space (U+00A0) stands here; put a plain one in its place"


@both_readers
@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("a:\n\u00a0\u00a0b: 1\n  c: 2\n", 2),
        ("a:\n  b: 1\n  \u00a0c: 2\n   d: 3\n", 3),
        ("a:\n  b:\u00a01\n  c: 2\n", 2),
        ("a:\n  b: 1\n  c:\u00a02\n  d: 3\n", 3),
        ("- a: 1\n-\u00a0a: 2\n  b: 3\n", 2),
    ],
)
def test_a_space_that_is_none_is_named(text: str, line: int) -> None:
    assert only_fault(text) == (line, NO_BREAK)
    odd = text.replace("\u00a0", "\u2003")
    assert only_fault(odd) == (line, NO_BREAK.replace("a non-breaking space (U+00A0)", "an odd space (U+2003)"))


SLIPS = {
    "a: b: c\n": (1, "a second `: ` on this line"),
    "song: one\n  levels: two\n": (2, "does not fit under the line above"),
    "a:1\nb: 2\n": (1, "a space is missing here, after `a:`"),
    "a: 1\nb:1\nc: 2\n": (2, "a space is missing here, after `b:`"),
    "a:\n  # one\n\n  b:1\n  # two\n\n  c: 2\n": (4, "a space is missing here, after `b:`"),
    "a:\n  b one\n  c: 2\n": (2, "a `: ` is missing here, between a key and its value"),
    "a:\n  - b\n    c: 2\n": (2, "a `: ` is missing here, between a key and its value"),
    "a: one\n  two\n  three: 3\n": (3, "does not fit under the line above"),
    "a:\n  -name: b\n    c: 2\n": (2, "a space is missing after the `-`"),
    "a:\n  b {c: 1, d: 2}\n": (2, "a `: ` is missing here, before the `{`"),
    "a:\n  - b: 1\n  • b: 2\n": (3, "an entry of a list begins with `- `, and not with `•`"),
    "a:\n  - {b: 1}\n  -- {b: 2}\n": (3, "an entry of a list begins with `- `, and not with `--`"),
    "a:\n  - b: 1\n  --b: 2\n": (3, "an entry of a list begins with `- `, and not with `--`"),
    "a:\n  - {b: 1}\n  {b: 2}\n": (3, "a `- `, or a key with its `: `, is missing here, before the `{`"),
    "a:\n  {b: 1}\n  {b: 2}\n": (3, "a `- `, or a key with its `: `, is missing here, before the `{`"),
    "a:\n  - b: 1\n    [c, d]\n": (3, "a `- `, or a key with its `: `, is missing here, before the `[`"),
    "a:\n  - {b: 1}\n  - {b: 2}}\n": (3, "this `}` closes no bracket"),
    "a:\n  - {b: 1}\n   - {b: 2}\n": (3, "look at the indent"),
    "a:\n  - {b: 1}\n c:\n  - {b: 2}\n": (3, "look at the indent"),
    "a:\n  - - {b: 1}\n  c: 1\n": (3, "this is no entry of the list that begins in line 2"),
    "a:\n  - {b: 1}\nc\nd: 1\n": (3, "a `: ` is missing here, between a key and its value"),
    "a:\n  B:\n    c: 1\n  - name: D\n": (
        2,
        "line 4 begins an entry of a list beside it: write `- name: B` here",
    ),
    "a:\n  - name: D\n  B:\n    c: 1\n": (3, "this is no entry of the list that begins in line 2"),
    "a:\n    - b: 1\n    c: 1\n": (3, "this is no entry of the list that begins in line 2"),
    "a:\n  - b: 1\n   c: 1\n": (3, "look at the indent, and at the `- `"),
    "a:\n  b: 1\n  - c: 1\n": (3, "an entry of a list begins here, beside the key of line 2"),
    "a: {b: one #2, c: 1}\nd: 1\n": (2, "or a comma is missing before this; a text that holds a `#` needs quotes"),
    'a: "b”\nc: 1\n': (1, "the quote that begins here is not closed: `”` is no quote here; write it straight"),
    "a:\n    b: 1\n  c: 2\n": (3, "look at the indent"),
    "a: 'it's'\n": (1, "the quotes"),
    "a:\n  - x\n  y: 1\n": (3, "look at the indent"),
    "- a\nb: 1\n": (2, "look at the indent"),
    "a: - b\n": (1, "put its `- ` on lines of their own"),
    "a: 1\nb: [1, 2\nc: 3\n": (3, "the `[` of line 2 is not closed, or a comma is missing"),
    "a: {b: 1, c: 2\nd: 3\n": (2, "the `{` of line 1 is not closed, or a comma is missing"),
    "a: 1\nb: {c: 1\n": (2, "the `{` of line 2 is not closed: the file ends in it"),
    "a: 1\nb: [1,\n# two\n\n": (2, "the `[` of line 2 is not closed: the file ends in it"),
    "a: [\n  {b: 1, c: [2]},\n  {d: 3,\n": (3, "the `{` of line 3 is not closed: the file ends in it"),
    "a: 1\nb: {c: [1, 2], d:": (2, "the `{` of line 2 is not closed: the file ends in it"),
    "- [x, '[']\n- [[y, z],\n": (2, "the `[` of line 2 is not closed: the file ends in it"),
    "a: 1\nb: 'x\nc: 3\n\n": (2, "the quote that begins here is not closed"),
    'a: "x\n---\n': (1, "the quote that begins here is not closed"),
    'a: "c:\\windows"\n': (1, "use single quotes"),
    'a: "\\xzz"\n': (1, "use single quotes"),
    "a: @x\n": (1, "a text that begins with @ needs quotes"),
    "a: `x\n": (1, "a text that begins with ` needs quotes"),
    "a: *\n": (1, "a text that begins with * or & needs quotes"),
    "a: }\n": (1, "`}` stands where a value is needed"),
    "a: 1\nb\nc: 2\n": (2, "a `: ` is missing here"),
    "a: 1\n...\nb: 2\n": (3, "nothing may follow"),
    "[a]: 1\n": (1, "a key has to be plain text"),
    "? {a: 1}\n: 2\n": (1, "a key has to be plain text"),
}


@both_readers
@pytest.mark.parametrize("text", SLIPS)
def test_a_slip_is_explained(text: str) -> None:
    line, part = SLIPS[text]
    at, says = only_fault(text)
    assert at == line
    assert part in says
    assert read(text).data is None


ENTRIES = ["{b: 1}", "{b: {c: d}}", "[b, c]", "[{b: 1}]", "b", "b: 1", "b: {c: 1}", "-6", "'b': 1", '"b {c"']


@given(st.integers(0, 4), st.integers(0, 3), st.integers(1, 3), st.sampled_from(ENTRIES))
def test_a_sound_row_has_no_slip(indent: int, dashes: int, spaces: int, entry: str) -> None:
    row = " " * indent + ("-" + " " * spaces) * dashes + entry
    assert sound(row + "\n") is not None
    assert slip_in(row) is None


@pytest.mark.parametrize(
    "path", sorted(shipped("setlists").rglob("*.yaml")) + sorted(shipped("mappings").rglob("*.yaml"))
)
def test_no_row_of_what_ships_has_a_slip(path: pathlib.Path) -> None:
    rows = path.read_text("utf-8").splitlines()
    assert [(row, says) for row in rows if (says := slip_in(row)) is not None] == []


# -- repeats ----------------------------------------------------------------------------------------------


@both_readers
def test_aliases_and_merges_repeat_what_was_written() -> None:
    text = (
        "base: &base\n  kick: -6\n  click: off\nfirst: *base\nsecond:\n  <<: *base\n  kick: -3\nthird: {<<: [*base]}\n"
    )
    base = {"kick": "-6", "click": "off"}
    assert sound(text) == {"base": base, "first": base, "second": {"kick": "-3", "click": "off"}, "third": base}
    found = read(text)
    assert found.line(("first", "kick")) == 4
    assert found.line(("second", "kick")) == 7
    assert found.line(("second", "click")) == 6


@both_readers
def test_the_earlier_of_two_merged_mappings_counts() -> None:
    assert sound("a: &a {x: 1}\nb: &b {x: 2, y: 3}\nc:\n  <<: [*a, *b]\n")["c"] == {"x": "1", "y": "3"}


@both_readers
@pytest.mark.parametrize("text", ["a: &x [*x]\n", "a: &x {b: {c: *x}}\n", "&x a: 1\nb: &y {<<: *y}\n"])
def test_an_alias_to_itself_is_refused(text: str) -> None:
    assert "stands inside what it repeats" in only_fault(text)[1]


@both_readers
def test_an_alias_to_nothing_is_refused() -> None:
    line, says = only_fault("a: 1\nb: *kick\n")
    assert line == 2
    assert says.startswith("`*kick` repeats nothing: there is no `&kick` above")
    assert "there is no `&later` above" in only_fault("a: *later\nb: &later 1\n")[1]


@both_readers
def test_a_merge_of_what_is_no_mapping_is_refused() -> None:
    assert only_fault("a: &a [1]\nb:\n  <<: *a\n") == (3, "`<<` takes in a mapping, such as `*name`")


def _bomb(levels: int, width: int = 10) -> str:
    rows = ["a0: &a0 [x, x, x]"]
    rows += [f"a{at}: &a{at} [{', '.join([f'*a{at - 1}'] * width)}]" for at in range(1, levels)]
    return "\n".join(rows) + "\n"


@both_readers
@pytest.mark.parametrize("text", [_bomb(20), _bomb(9).replace("[", "{<<: [").replace("]", "]}").replace("x, x, x", "")])
def test_aliases_that_multiply_are_refused_at_once(text: str) -> None:
    tracemalloc.start()
    began = time.process_time()
    line, says = only_fault(text)
    took, (_, most) = time.process_time() - began, tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert "more than 200,000 values, aliases counted in full" in says or "`<<` takes in" in says
    assert line < 10
    assert took < 2
    assert most < 10_000_000


@both_readers
def test_aliases_do_not_hide_depth() -> None:
    """Each anchor holds the one before: shallow on the page, deep in the data."""
    rows = ["a0: &a0 [x]"] + [f"a{at}: &a{at} [*a{at - 1}]" for at in range(1, 100)]
    line, says = only_fault("\n".join(rows) + "\n")
    assert says == f"values stand more than {DEPTH_MAX} deep in each other"
    # The value of row `a<n>` stands 1 deep, and n + 1 deep in it; rows count from 1.
    assert line == DEPTH_MAX


# -- bounds -----------------------------------------------------------------------------------------------


def _flow(depth: int) -> str:
    return "[" * depth + "x" + "]" * depth + "\n"


def _block(depth: int) -> str:
    return "".join("  " * at + "a:\n" for at in range(depth)) + "  " * depth + "x\n"


@both_readers
@pytest.mark.parametrize("make", [_flow, _block])
def test_the_bound_of_depth(make: Any) -> None:
    assert read(make(DEPTH_MAX)).faults == []
    line, says = only_fault(make(DEPTH_MAX + 1))
    assert says == f"values stand more than {DEPTH_MAX} deep in each other"
    assert line == (1 if make is _flow else DEPTH_MAX + 2)


@both_readers
@pytest.mark.parametrize(
    "text",
    [
        *(
            "[" * 30_000,
            "{a: " * 30_000,
            "- " * 30_000,
            "[" * 30_000 + "]" * 30_000,
            _block(1_500),
            "? " * 30_000,
        ),
        "\n".join(" " * at + "-" for at in range(1_500)),
    ],
)
def test_far_too_deep_is_refused_at_once(text: str) -> None:
    began = time.process_time()
    found = read(text)
    assert time.process_time() - began < 1
    assert found.data is None
    assert len(found.faults) == 1


@both_readers
def test_the_bound_of_values() -> None:
    """The file as a whole is one value, so a list of `n` entries is `n + 1`."""
    wide = "a: &a [" + ", ".join(["x"] * 999) + "]\n"  # 1 mapping + 1 list + 999
    each = 1_000
    left = VALUES_MAX - 1 - each
    aliases = left // each - 1
    rows = [wide, *(f"b{at}: *a\n" for at in range(aliases))]
    spare = left - aliases * each
    assert read("".join(rows) + "c: [" + ", ".join(["x"] * (spare - 1)) + "]\n").faults == []
    line, says = only_fault("".join(rows) + "c: [" + ", ".join(["x"] * spare) + "]\n")
    assert (line, says) == (aliases + 2, "the file comes to more than 200,000 values, aliases counted in full")
    assert only_fault("".join(rows) + "c: *a\nd: *a\ne: *a\n")[0] == aliases + 3


def test_the_bound_of_bytes() -> None:
    begin = b"a: 1\n#"
    assert read(begin + b"x" * (BYTES_MAX - len(begin))).data == {"a": "1"}
    at, says = only_fault(begin + b"x" * (BYTES_MAX - len(begin) + 1))
    assert (at, says) == (0, f"the file has more than {BYTES_MAX:,} bytes, the most that is read")


def test_a_huge_text_is_not_parsed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(yaml, "parse", lambda *_, **__: pytest.fail("this was parsed"))
    assert "the most that is read" in only_fault(b"a: 1\n" * 10_000_000)[1]


# -- a second opinion -------------------------------------------------------------------------------------

texts = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc", "Cn", "Co", "Zl", "Zp")), max_size=12)
# The merge key means something in a value's place of a key only, and is tried above.
data = st.recursive(
    texts,
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(texts.filter(lambda key: key != "<<"), inner, max_size=4)
    ),
    max_leaves=25,
)


def _composed(value: Any) -> Any:
    if isinstance(value, dict):
        return {_composed(key): _composed(one) for key, one in value.items()}
    return [_composed(one) for one in value] if isinstance(value, list) else unicodedata.normalize("NFC", value)


@given(data, st.booleans(), st.sampled_from([20, 80, 1000]))
def test_what_was_dumped_is_read_as_another_reader_reads_it(value: Any, flow: bool, width: int) -> None:
    text = yaml.safe_dump(value, default_flow_style=flow, allow_unicode=True, width=width)
    other = _composed(yaml.load(text, Loader=yaml.BaseLoader))
    found = read(text)
    if not any("again" in fault.text for fault in found.faults):
        assert found.data == other == _composed(value)


def _marks(node: yaml.Node, path: Path = (), line: int | None = None) -> Iterator[tuple[Path, int]]:
    """The line of each value: its key's where it has one."""
    yield path, node.start_mark.line + 1 if line is None else line
    if isinstance(node, yaml.MappingNode):
        for key, value in node.value:
            yield from _marks(value, (*path, unicodedata.normalize("NFC", key.value)), key.start_mark.line + 1)
    if isinstance(node, yaml.SequenceNode):
        for at, value in enumerate(node.value):
            yield from _marks(value, (*path, at))


@given(data, st.booleans(), st.sampled_from([20, 80]))
def test_every_line_is_where_another_reader_finds_it(value: Any, flow: bool, width: int) -> None:
    text = yaml.safe_dump(value, default_flow_style=flow, allow_unicode=True, width=width)
    found = read(text)
    if not found.faults:
        node = yaml.compose(text, Loader=yaml.SafeLoader)
        assert node is not None
        assert found.lines == dict(_marks(node))


# -- places -----------------------------------------------------------------------------------------------


def test_the_line_of_what_does_not_stand_there_is_that_of_what_it_stands_in() -> None:
    found = read("devices:\n  - name: one\n    messages:\n      piano: {program: 1}\n")
    assert found.line(("devices", 0, "messages", "piano", "program")) == 4
    assert found.line(("devices", 0, "messages", "piano", 0, "program")) == 4
    assert found.line(("devices", 0, "messages", "organ")) == 3
    assert found.line(("devices", 0, "port")) == 2
    assert found.line(("elsewhere", 3)) == 1
    assert found.line(()) == 1
