"""Judges of pages, from outside: axe-core (accessibility, by WCAG) and html-validate (markup).

Both come from npm, into the folder that STAGECTL_JUDGES names, or `.judges`; `.ci/run` puts them there.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from needs import needs, unavailable

if TYPE_CHECKING:
    from playwright.sync_api import Page

JUDGES: Final = Path(os.environ.get("STAGECTL_JUDGES", Path(__file__).resolve().parents[1] / ".judges"))

TAGS: Final = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa", "best-practice")
"""What axe-core looks at: WCAG 2.2 A and AA, and what it takes for good besides."""

LIMIT_S: Final = 120.0
"""How long a judge may take, s."""


def _judge(name: str) -> Path:
    """A judge's folder."""
    there = JUDGES / "node_modules" / name
    if not there.is_dir():
        unavailable(f"{name} is not in {JUDGES}: npm install --prefix {JUDGES} axe-core html-validate")
    return there


@cache
def _axe() -> str:
    return (_judge("axe-core") / "axe.min.js").read_text("utf-8")


def axe(page: Page, scheme: str = "light") -> list[dict[str, Any]]:
    """What axe-core has against a page as it is, and where; in the dark only its contrast is another."""
    only = {"type": "tag", "values": TAGS} if scheme == "light" else {"type": "rule", "values": ["color-contrast"]}
    if not page.evaluate("'axe' in window"):
        # As an expression: what is evaluated is no script of the page, and its policy lets it be.
        page.evaluate(_axe())
    said = page.evaluate("(only) => axe.run(document, { runOnly: only })", only)
    assert len(said["passes"]) > (10 if scheme == "light" else 0)
    return [{"id": one["id"], "where": [node["html"][:160] for node in one["nodes"]]} for one in said["violations"]]


def html_validate(folder: Path, pages: Mapping[str, str], without: Sequence[str] = ()) -> dict[str, list[str]]:
    """What html-validate has against pages, by their names, by its own recommended rules; all of them at once, since it
    takes long to start. `without`: rules that are matters of taste, or of search engines. `folder`: an empty one."""
    needs("node")
    there = _judge("html-validate")
    rules = {"extends": ["html-validate:recommended"], "rules": dict.fromkeys(without, "off"), "root": True}
    (folder / ".htmlvalidate.json").write_text(json.dumps(rules), "utf-8")
    for name, text in pages.items():
        (folder / name).write_text(text, "utf-8")
    node = shutil.which("node")
    assert node is not None
    run = subprocess.run(
        [node, there / "bin" / "html-validate.mjs", "--formatter", "json", *pages],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        timeout=LIMIT_S,
    )
    assert run.returncode in (0, 1), run.stderr
    told = {Path(one["filePath"]).name: one["messages"] for one in json.loads(run.stdout)}
    # A page with nothing against it is not told of.
    return {name: [f"{one['ruleId']}: {one['message']}" for one in told.get(name, [])] for name in pages}
