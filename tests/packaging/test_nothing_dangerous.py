"""What the program never does, by its syntax tree: text that is run as a program, bytes that become objects by
themselves, a shell, names that somebody else can guess first, YAML that makes objects.

The list is that of the standard library's own manual, "Security Considerations", and of PyYAML's for `yaml.load`.
"""

from __future__ import annotations

import ast
import os
import re
import subprocess
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path
from typing import Final

import pytest
from archives import ROOT

from stagectl.apart.python import runs

SHARED: Final = True
"""The files are taken apart once for all of these tests."""

FORBIDDEN_CALLS = (
    "eval",
    "exec",
    "compile",
    "__import__",
    "os.system",
    "os.popen",
    "tempfile.mktemp",
    "subprocess.getoutput",
    "subprocess.getstatusoutput",
    "yaml.load",
    "yaml.load_all",
    "yaml.unsafe_load",
    "yaml.full_load",
    "logging.config.listen",
    "ssl._create_unverified_context",
)
FORBIDDEN_MODULES = ("pickle", "marshal", "shelve", "dill", "xmlrpc", "telnetlib", "ftplib", "random", "http.server")
"""`random` is for no key and for no core; what has to be random comes from `secrets`, and what repeats from a seed that
is its argument."""

ALLOWED = {
    ("stagectl/desk/faults.py", "random"): "bad wires of the virtual desk, from a seed",
    ("stagectl/learn/watching.py", "__import__"): "a module of the standard library that only one system has",
    ("stagectl/cli/complete.py", "yaml.load"): "by the loader that makes texts alone",
}
"""Where one of them stands all the same, and why that is harmless."""


@cache
def nodes(path: Path) -> list[ast.AST]:
    """The nodes of a file's syntax tree."""
    return list(ast.walk(ast.parse(path.read_text("utf-8"))))


def called(node: ast.AST) -> str:
    """`os.system` for that attribute of that name; an empty text for anything else."""
    if isinstance(node, ast.Name):
        return node.id
    if isinstance(node, ast.Attribute):
        before = called(node.value)
        return f"{before}.{node.attr}" if before else ""
    return ""


def dangers(found: Iterable[ast.AST]) -> Iterator[tuple[int, str]]:
    """What some code does that it should not: the line, and what."""
    for node in found:
        match node:
            case ast.Call(func=func, keywords=keywords):
                if (name := called(func)) in FORBIDDEN_CALLS:
                    yield node.lineno, name
                for word in keywords:
                    if word.arg == "shell" and not (isinstance(word.value, ast.Constant) and word.value.value is False):
                        yield node.lineno, "shell="
            case ast.Import(names=names):
                for one in names:
                    if _forbidden(one.name):
                        yield node.lineno, one.name
            case ast.ImportFrom(module=str() as module, names=names):
                for one in names:
                    whole = f"{module}.{one.name}"
                    if _forbidden(module) or whole in (*FORBIDDEN_CALLS, *FORBIDDEN_MODULES):
                        yield node.lineno, whole


def _forbidden(module: str) -> bool:
    return any(module == one or module.startswith(f"{one}.") for one in FORBIDDEN_MODULES)


FILES = [*sorted((ROOT / "stagectl").rglob("*.py")), *sorted((ROOT / "setlists").rglob("*.py"))]

_WORDS = {name.removeprefix("os.").split(".")[0] for name in (*FORBIDDEN_CALLS, *FORBIDDEN_MODULES)} - {"compile"}
WORDS = re.compile(rf"\b(?:{'|'.join(sorted(_WORDS))}|shell|Popen)\b|(?<!\.)\bcompile\(")
"""A file in which none of these stands is not taken apart."""


@cache
def suspects() -> list[Path]:
    """The files that are taken apart."""
    return [path for path in FILES if WORDS.search(path.read_text("utf-8"))]


def test_the_program_does_nothing_dangerous() -> None:
    assert len(FILES) > 300
    found = {(path.relative_to(ROOT).as_posix(), what): line for path in FILES for line, what in dangers(nodes(path))}
    assert found.keys() == ALLOWED.keys(), {at: line for at, line in found.items() if at not in ALLOWED}


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("eval('1')", "eval"),
        ("import os\nos.system('ls')", "os.system"),
        ("from os import system", "os.system"),
        ("import subprocess\nsubprocess.run('ls', shell=True)", "shell="),
        ("import subprocess\nsubprocess.run('ls', shell=bool(1))", "shell="),
        ("import pickle", "pickle"),
        ("from pickle import loads", "pickle.loads"),
        ("import http.server", "http.server"),
        ("import yaml\nyaml.load('a', Loader=yaml.Loader)", "yaml.load"),
        ("import tempfile\ntempfile.mktemp()", "tempfile.mktemp"),
    ],
)
def test_each_of_them_would_be_found(text: str, what: str) -> None:
    assert [found for _, found in dangers(ast.walk(ast.parse(text)))] == [what]
    assert WORDS.search(text)


def test_what_is_alike_and_harmless_is_not() -> None:
    text = (
        "import re, subprocess\nre.compile('a')\nsubprocess.run(['ls'], shell=False)\nimport random_words\nme.eval(1)"
    )
    assert list(dangers(ast.walk(ast.parse(text)))) == []


SCRIPT = re.compile(
    r"\beval\(|\bFunction\(|innerHTML|outerHTML|insertAdjacentHTML|document\.write|\bimport\(|https?://"
)


def test_the_pages_put_no_text_in_as_markup_and_ask_nobody_else() -> None:
    """Names of a show come from strangers, too. (An SVG's own name space is no address that is asked.)"""
    static = ROOT / "stagectl" / "view" / "static"
    found = [
        f"{path.name}:{at}: {line.strip()}"
        for path in sorted(static.iterdir())
        for at, line in enumerate(path.read_text("utf-8").splitlines(), 1)
        if SCRIPT.search(line.replace("http://www.w3.org/2000/svg", ""))
    ]
    assert len(list(static.iterdir())) > 10
    assert found == []


def test_every_child_is_a_list_of_words_and_never_a_line_for_a_shell() -> None:
    """`subprocess` gets a list or a name that holds one, never a text or a template of one."""
    text = (ast.JoinedStr, ast.Constant, ast.BinOp)
    found = [
        f"{path.relative_to(ROOT)}:{node.lineno}"
        for path in suspects()
        for node in nodes(path)
        if isinstance(node, ast.Call)
        and re.fullmatch(r"(subprocess\.)?(run|Popen|call|check_call|check_output)", called(node.func))
        and node.args
        and isinstance(node.args[0], text)
    ]
    assert found == []


def test_paths_of_this_machine_stand_nowhere() -> None:
    home = re.compile(r"(?<![\w/.])/(?:home|Users|root|work)/[a-z]")
    found = [
        f"{path.relative_to(ROOT)}:{at}"
        for folder in ("stagectl", "mappings", "setlists")
        for path in sorted(Path(ROOT, folder).rglob("*"))
        if path.is_file() and path.suffix in (".py", ".yaml", ".js", ".css", ".html", ".svg")
        for at, line in enumerate(path.read_text("utf-8").splitlines(), 1)
        if home.search(line)
    ]
    assert found == []


def test_a_python_that_is_begun_anew_takes_no_library_from_where_a_show_lies(tmp_path: Path) -> None:
    """With `-m` alone, the present folder comes before every library (Python's manual, "Command line and environment",
    `-m` and `-P`)."""
    (tmp_path / "click.py").write_text("raise SystemExit('this was in the folder of a show')\n", "utf-8")
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    told = subprocess.run(
        [*runs("stagectl"), "--version"], cwd=tmp_path, env=env, capture_output=True, text=True, check=False
    )
    assert (told.returncode, told.stderr) == (0, "")
    others = [
        f"{path.relative_to(ROOT)}:{node.lineno}"
        for path in sorted((ROOT / "stagectl").rglob("*.py"))
        for node in nodes(path)
        if isinstance(node, ast.Attribute) and called(node) == "sys.executable"
    ]
    assert [one for one in others if not one.startswith("stagectl/apart/python.py:")] == []
