"""What is asked of the user's service manager, and of the one for sessions, by their own commands."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

from stagectl.errors import DeviceError

ANSWERS_S: Final = 30
"""How long one command may take, s: a night that is stopped has `STOPS_S` of `unit.py` to end."""

SYSTEMCTL: Final = ("systemctl", "--user", "--no-ask-password")
LINGER: Final = ("loginctl", "--no-ask-password", "enable-linger")


class Step(NamedTuple):
    """One command, and what it is for. `fails`: why it came to nothing, None where it did what it is for."""

    command: Sequence[str]
    does: str
    fails: str | None = None

    @property
    def shown(self) -> str:
        """The command, as somebody types it."""
        return " ".join(word for word in self.command if word != "--no-ask-password")


def there() -> None:
    """Raises DeviceError where this system is not run by systemd."""
    if sys.platform != "linux" or shutil.which("systemctl") is None:
        raise DeviceError(
            "a service is for Linux with systemd, which is not here; have `stagectl run` started by whatever starts "
            "programs here, and started again when it fails: it takes the night up by itself"
        )


def answers() -> str | None:
    """Why the user's service manager does not answer; None where it does."""
    return _done((*SYSTEMCTL, "show", "--property=Version"))


def install_steps(unit: str) -> Iterator[Step]:
    """What follows when a unit was written."""
    yield Step((*SYSTEMCTL, "daemon-reload"), "the service manager has read it")
    yield Step((*SYSTEMCTL, "enable", unit), "it starts when you log in")
    yield Step(LINGER, "and with the machine, before anybody logs in")


def remove_steps(unit: str) -> Iterator[Step]:
    """What comes before a unit is taken away."""
    yield Step((*SYSTEMCTL, "stop", unit), "it is stopped, and the night is over")
    yield Step((*SYSTEMCTL, "disable", unit), "it is not started any more")


def forgotten(unit: str) -> Iterator[Step]:
    """What comes when it was taken away. That it had failed, where it had, is forgotten as well."""
    yield Step((*SYSTEMCTL, "daemon-reload"), "the service manager has forgotten it")
    yield Step((*SYSTEMCTL, "reset-failed", unit), "")


def is_active(unit: str) -> bool:
    """Whether it runs."""
    return _done((*SYSTEMCTL, "is-active", "--quiet", unit)) is None


def done(step: Step) -> Step:
    """The step, taken."""
    return step._replace(fails=_done(step.command))


def _done(command: Sequence[str]) -> str | None:
    """Why a command failed; None where it did not."""
    try:
        run = subprocess.run(
            command, stdin=subprocess.DEVNULL, capture_output=True, text=True, errors="replace", timeout=ANSWERS_S
        )
    except subprocess.TimeoutExpired:
        return f"no answer within {ANSWERS_S} s"
    except OSError as error:
        return error.strerror or str(error)
    if run.returncode == 0:
        return None
    said = [line for line in run.stderr.splitlines() if line.strip()]
    return said[0].strip() if said else f"exit code {run.returncode}"
