"""From what a YAML parser says of a text to a sentence that its author understands."""

from __future__ import annotations

from typing import Final

import yaml

_FIT = "this does not fit what stands before it: look at the indent, the quotes and the brackets"
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
    if "quoted scalar" in context and "unexpected" in problem:
        return began, "the quote that begins here is not closed"
    if "expected ':'" in problem:
        return began, "a `: ` is missing here, between a key and its value"
    if "mapping values are not allowed" in problem:
        if ": " in before:
            return line, "a second `: ` on this line; put quotes around a text that holds a colon"
        hint = "is it indented too far, or does the line above lack the space after its colon?"
        return line, f"this does not fit under the line above: {hint}"
    for said, meaning in _MEANINGS:
        if said in problem:
            return line, meaning.format(char=char or "nothing", began=began)
    return line, f"this is not YAML: {problem}"


def _open_at_end(text: str) -> tuple[int, str] | None:
    """The line and the kind of the bracket that is open where a text ends, the innermost one; None where none is."""
    opened: list[tuple[int, str]] = []
    for token in yaml.scan(text, Loader=getattr(yaml, "CSafeLoader", yaml.SafeLoader)):
        if isinstance(token, yaml.FlowSequenceStartToken | yaml.FlowMappingStartToken):
            opened.append((token.start_mark.line + 1, "[" if isinstance(token, yaml.FlowSequenceStartToken) else "{"))
        elif isinstance(token, yaml.FlowSequenceEndToken | yaml.FlowMappingEndToken):
            opened.pop()
    return opened[-1] if opened else None
