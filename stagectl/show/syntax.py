"""From what a YAML parser says of a text to a sentence that its author understands."""

from __future__ import annotations

import re
from typing import Final

import yaml

from stagectl.show.slips import NO_COLON, ROW_MAX, odd_space, row_above, slip_above, slip_in

_FIT = "this does not fit what stands before it: look at the indent, the quotes and the brackets"
_LIST = (
    "this is no entry of the list that begins in line {began}, and belongs to none: look at the indent, and at the `- `"
)
_NO_ENTRY = "a key stands here, and line {entry} begins an entry of a list beside it: write `- name: {key}` here"
_NO_KEY = "an entry of a list begins here, beside the key of line {began}: look at the indent, and at the `- `"
_CLOSES = "this `{char}` closes no bracket: all that were opened are closed before it"
_QUOTES = "needs quotes around it"

_MEANINGS: Final = (
    ("nesting depth", "values stand too deep in each other"),
    ("cannot start any token", f"a text that begins with {{char}} {_QUOTES}"),
    ("alphabetic or numeric character", f"a text that begins with * or & {_QUOTES}"),
    ("alphabetical or numeric character", f"a text that begins with * or & {_QUOTES}"),
    ("entries are not allowed", "a list cannot begin here: put its `- ` on lines of their own, under the key"),
    ("document start", "nothing may follow after `...`, the end of the document"),
    ("node content", "`{char}` stands where a value is needed"),
    ("or ']'", "the `[` of line {began} is not closed, or a comma is missing before this"),
    ("or '}'", "the `{{` of line {began} is not closed, or a comma is missing before this"),
    ("escape", "in double quotes `\\` begins a special character; use single quotes"),
    ("expected hex", "in double quotes `\\` begins a special character; use single quotes"),
    ("expected key", _FIT),
    ("block end", _FIT),
    ("block entry", _FIT),
    ("'-' indicator", _FIT),
)
"""What the parsers (libyaml, or the one in Python) say, and what that means. {char}: the character at the place;
{began}: the line in which the bracket stands."""

_WAITS: Final = ("node content", "or ']'", "or '}'")
"""What they say at the end of a file in which a bracket is open. What they wait for there tells nobody where it is."""


def explain(error: yaml.MarkedYAMLError, text: str) -> tuple[int, str]:
    """The line of the fault, and the sentence."""
    mark = error.problem_mark or error.context_mark
    problem, context = str(error.problem), str(error.context)
    if mark is None:
        return 0, f"this is not YAML: {problem}"
    rows = text.splitlines()
    line, row = mark.line + 1, rows[mark.line] if mark.line < len(rows) else ""
    before, char = row[: mark.column], row[mark.column : mark.column + 1]
    began = line if error.context_mark is None else error.context_mark.line + 1
    if line > len(rows):
        line = began
    if not char and any(said in problem for said in _WAITS) and (opened := _open_at_end(text)) is not None:
        at, bracket = opened
        return at, f"the `{bracket}` of line {at} is not closed: the file ends in it"
    if char == "\t" or (not before.strip() and "\t" in row[: len(row) - len(row.lstrip())]):
        return line, "a tab stands here; YAML indents with spaces: put two spaces for each tab"
    for at in (line, row_above(rows, line), began):
        odd = odd_space(rows[at - 1]) if 0 < at <= len(rows) else None
        if odd is not None:
            return at, odd
    if "quoted scalar" in context and "unexpected" in problem:
        return began, "the quote that begins here is not closed" + _curly(rows[began - 1])
    if "expected ':'" in problem:
        return began, slip_in(rows[began - 1], in_brackets=False) or NO_COLON
    if "mapping values are not allowed" in problem:
        return _no_mapping(rows, line, before)
    for said, meaning in _MEANINGS:
        if said in problem:
            if meaning == _FIT:
                return _no_fit(error, rows, line)
            return line, meaning.format(char=char or "nothing", began=began) + _comment(problem, rows, began)
    return line, f"this is not YAML: {problem}"


def _no_mapping(rows: list[str], line: int, before: str) -> tuple[int, str]:
    """Why there cannot be a `: ` in a line. `before`: what stands in front of it."""
    slip = slip_in(rows[line - 1])
    if slip is not None:
        return line, slip
    if ": " in before:
        return line, "a second `: ` on this line; put quotes around a text that holds a colon"
    hint = "is it indented too far, or does the line above lack the space after its colon?"
    return slip_above(rows, line) or (line, f"this does not fit under the line above: {hint}")


def _no_fit(error: yaml.MarkedYAMLError, rows: list[str], line: int) -> tuple[int, str]:
    """Why a line does not go on with what stands before it: a list with what is no entry, or the reverse."""
    slip = slip_in(rows[line - 1], in_brackets=False) if line <= len(rows) else None
    if slip is not None:
        return line, slip
    began, here = error.context_mark, error.problem_mark
    if began is None or here is None or line > len(rows):
        return line, _FIT
    closes = rows[line - 1][here.column : here.column + 1]
    if closes and closes in "]}":
        return line, _CLOSES.format(char=closes)
    if "block collection" in str(error.context):
        return line, _LIST.format(began=began.line + 1)
    if began.column == here.column and rows[line - 1][here.column :].startswith("- "):
        key, nothing, behind = rows[began.line].strip().partition(":")
        if nothing and not behind:
            # It was meant to be an entry, more likely than the reverse.
            return began.line + 1, _NO_ENTRY.format(entry=line, key=key[:NAME_SHOWN])
        return line, _NO_KEY.format(began=began.line + 1)
    return slip_above(rows, line) or (line, _FIT)


def _comment(problem: str, rows: list[str], began: int) -> str:
    """A hint where a `#` was meant to be a part of a text, and has taken the end of a bracket away."""
    taken = "or '" in problem and re.search(r" #\w.*[\]}]", rows[began - 1][:ROW_MAX])
    return "; a text that holds a `#` needs quotes around it" if taken else ""


NAME_SHOWN: Final = 40
"""Characters of a key that is repeated as a name."""

_CURLY: Final = "“”„‟‘’‚‛«»"


def _curly(row: str) -> str:
    """A hint where a quote was meant to be closed by a sign that is none to YAML."""
    sign = next((char for char in row if char in _CURLY), None)
    return "" if sign is None else f": `{sign}` is no quote here; write it straight"


def _open_at_end(text: str) -> tuple[int, str] | None:
    """The line and the kind of the bracket that is open where a text ends, the innermost one; None where none is."""
    opened: list[tuple[int, str]] = []
    for token in yaml.scan(text, Loader=getattr(yaml, "CSafeLoader", yaml.SafeLoader)):
        if isinstance(token, yaml.FlowSequenceStartToken | yaml.FlowMappingStartToken):
            opened.append((token.start_mark.line + 1, "[" if isinstance(token, yaml.FlowSequenceStartToken) else "{"))
        elif isinstance(token, yaml.FlowSequenceEndToken | yaml.FlowMappingEndToken):
            opened.pop()
    return opened[-1] if opened else None
