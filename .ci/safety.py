"""Two looks at the checkout that no test can take: do the libraries have known weaknesses, and does a secret lie about?

    .ci/safety.py [TOOLS]

TOOLS is an environment of their own, which is made where it is not there, with `pip-audit` and `detect-secrets` (both
from the package registry). What they find fails. The service that knows of weaknesses may be out of reach: that is
said, and fails nothing. Run it with the Python whose environment has the program and its extras.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tempfile
import venv
from importlib.metadata import PackageNotFoundError, requires, version
from pathlib import Path
from typing import Any, Final

ROOT: Final = Path(__file__).resolve().parents[1]

NEEDS: Final = ("pip-audit>=2.7,<3", "detect-secrets>=1.5,<2")

LIMIT_S: Final = 300.0

NO_SECRETS: Final = (
    r'^KEYS: Final = "1234567890[a-z]{22}"$',
    r'^    "midi stream": lambda: \[bytes\.fromhex\("[0-9A-F]{34}"\)\],$',
)
"""Lines that look like secrets and are none."""


def tool(tools: Path, name: str) -> Path:
    """A program of the tools' environment, which is made where it is missing."""
    path = tools / "bin" / name
    if not path.exists():
        venv.create(tools, with_pip=True)
        subprocess.run([tools / "bin" / "python", "-m", "pip", "install", "-q", *NEEDS], check=True)
    return path


def libraries(name: str = "stagectl", seen: set[str] | None = None) -> list[str]:
    """What the program and all of its extras need, as far as it is installed here: `NAME==VERSION`."""
    seen = set() if seen is None else seen
    found: list[str] = []
    for line in requires(name) or ():
        needed = re.split(r"[^A-Za-z0-9._-]", line, maxsplit=1)[0].lower().replace("_", "-")
        extra = re.search(r"""extra == ["']([\w-]+)["']""", line)
        if needed in seen or (extra is not None and (name != "stagectl" or extra[1] == "test")):
            continue
        seen.add(needed)
        try:
            found += [f"{needed}=={version(needed)}", *libraries(needed, seen)]
        except PackageNotFoundError:
            continue
    return found


def audited(tools: Path, names: list[str]) -> list[dict[str, Any]] | None:
    """What the service says of each; None where it does not say anything."""
    with tempfile.TemporaryDirectory() as folder:
        listed = Path(folder, "libraries.txt")
        listed.write_text("\n".join(names))
        words = ["-r", str(listed), "--no-deps", "--disable-pip", "-f", "json"]
        words += ["--progress-spinner", "off", "--timeout", "10"]
        try:
            run = subprocess.run(
                [tool(tools, "pip-audit"), *words], capture_output=True, text=True, timeout=LIMIT_S, check=False
            )
            said = json.loads(run.stdout)["dependencies"]
        except (subprocess.TimeoutExpired, ValueError, KeyError, TypeError):
            return None
    return None if all("skip_reason" in one for one in said) else said


def weaknesses(tools: Path) -> bool:
    """Whether a library has known ones. One is asked about first: where nothing is known of it, nobody answers."""
    names = libraries()
    said = audited(tools, names[:1]) and audited(tools, names)
    if not said:
        print(f"weaknesses: the service cannot be reached; {len(names)} libraries were not looked up")
        return False
    skipped = [one["name"] for one in said if "skip_reason" in one]
    weak = [one for one in said if one.get("vulns")]
    print(f"weaknesses: {len(said) - len(skipped)} libraries looked up, {len(weak)} with known ones")
    if skipped:
        print(f"    nothing is known of {', '.join(skipped)}")
    for one in weak:
        for known in one["vulns"]:
            mended = ", ".join(known.get("fix_versions") or ()) or "no version yet"
            print(f"    {one['name']} {one['version']}: {known['id']}; mended in {mended}")
    return bool(weak)


def secrets(tools: Path) -> bool:
    """Whether a file that git knows, or may come to know, holds what looks like a secret."""
    listed = ["git", "ls-files", "--cached", "--others", "--exclude-standard"]
    files = subprocess.run(listed, capture_output=True, text=True, cwd=ROOT, check=True).stdout.splitlines()
    there = [name for name in files if (ROOT / name).is_file()]
    words = ["scan", "--no-verify", *(word for line in NO_SECRETS for word in ("--exclude-lines", line)), *there]
    run = subprocess.run([tool(tools, "detect-secrets"), *words], capture_output=True, text=True, cwd=ROOT, check=True)
    found = json.loads(run.stdout)["results"]
    print(f"secrets: {len(there)} files looked at, {len(found)} with what looks like one")
    for name, some in found.items():
        for one in some:
            print(f"    {name}:{one['line_number']}: {one['type']}")
    return bool(found)


if __name__ == "__main__":
    where = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / ".judges" / "safety"
    found = [weaknesses(where), secrets(where)]
    sys.exit(any(found))
