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
from typing import TYPE_CHECKING, Any, Final, Literal

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


AXE: Final = """async (only) => {
  const { violations, passes } = await axe.run(document, { runOnly: only, resultTypes: ["violations"] });
  const { backgroundColor } = getComputedStyle(document.documentElement);
  const against = violations.map(({ id, nodes }) => ({ id, where: nodes.map((node) => node.html.slice(0, 160)) }));
  return [backgroundColor, passes.length, against];
}"""
"""What is right is counted by rules; where each of it stands would take longer to find than what is wrong."""

LIGHTS: Final[tuple[tuple[Literal["light", "dark"], dict[str, Any], int], ...]] = (
    ("light", {"type": "tag", "values": TAGS}, 10),
    ("dark", {"type": "rule", "values": ["color-contrast"]}, 0),
)
"""What axe-core looks at in each light, and how many rules are met by more than that."""


def axe(page: Page) -> list[dict[str, Any]]:
    """What axe-core has against a page as it is, in light and in the dark, and where; in the dark only its contrast is
    another. The page is light in the end."""
    if not page.evaluate("'axe' in window"):
        # As an expression: what is evaluated is no script of the page, and its policy lets it be.
        page.evaluate(_axe())
    found, grounds = [], []
    for light, only, least in LIGHTS:
        page.emulate_media(color_scheme=light)
        ground, passes, violations = page.evaluate(AXE, only)
        assert passes > least
        grounds.append(ground)
        found += [{**one, "light": light} for one in violations]
    assert grounds[0] != grounds[1]
    page.emulate_media(color_scheme="light")
    return found


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
