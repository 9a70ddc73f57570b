"""What the unit reads: how the program is started, watched and started again, and what it is kept from.

Only what a user's own service manager can do stands here, and nothing that the show could miss:

- no `PrivateTmp`: what is private there ends with each life of the service, and with it the nights that found no other
  place (`journal/paths.py`); sound servers that have their sockets in /tmp would be out of reach, too. What is on its
  way into a journal lies in /dev/shm, which no setting here hides;
- no `StateDirectory`: the service has the nights in the same place as a shell, where `stagectl log` finds them. Up to
  systemd 253 a user's manager would put them elsewhere;
- no `LimitRTPRIO` or `LimitNICE`: a user's manager cannot raise a limit above what the user has, and a lower one would
  keep a sound server's client from the priority that the server has for it. What the user has is handed on as it is;
- no `PrivateDevices`, `ProtectClock` or `DeviceAllow`, which hide MIDI, sound and keyboards; no `RestrictRealtime`; no
  `MemoryDenyWriteExecute`, since sound libraries make the code for their calls back while they run;
- no `CapabilityBoundingSet`, nor `ProtectKernelModules` or `ProtectKernelLogs`, which bring one: a user's manager may
  not set it, and then starts nothing (systemd 252: 218/CAPABILITIES). Nor `ProtectKernelTunables`, with which it starts
  nothing where it makes a user namespace (226/NAMESPACE). A user's program has no such rights anyway;
- no `PrivateUsers`, which has nothing started where the system has no user namespaces. Managers that can make one do so
  by themselves for what asks for it (`ProtectSystem` and such); the others pass over that.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from stagectl.service.escape import path, sentence, word

MARK: Final = "# Written by `stagectl service install`"
"""How the first line of a unit of ours begins."""

NAME: Final = "stagectl"
"""The unit's name where none is given."""

WATCHDOG_S: Final = 10
"""For so long may the loop stand still before the service manager starts the program anew, s."""

STARTS_S: Final = 180
"""How long the program has until it is ready, s: the biggest show, on the slowest machine."""

STOPS_S: Final = 20
"""How long the end of a night may take, s."""

AGAIN_S: Final = 2
"""From an end that was a failure to the next start, s; and so again for as long as it fails. A disk may be mounted
late, a network may come late, a file may be mended: none of them says so, and nobody may be there to start it then."""

WRONG_USAGE: Final = 2
"""The exit code that no other start helps: the words in the unit are wrong, and a new unit begins anew. A show with
faults (1) may be mended or mounted yet, and what a device or the system fails in (3) may come."""


class Setting(NamedTuple):
    """One line of the unit. `value`: as it stands there."""

    name: str
    value: str


_WATCHED: Final = (
    Setting("Type", "notify"),
    Setting("NotifyAccess", "main"),
    Setting("TimeoutStartSec", f"{STARTS_S}s"),
    Setting("TimeoutStopSec", f"{STOPS_S}s"),
    # Its own processes end with it, once it has told them to.
    Setting("KillMode", "mixed"),
    Setting("WatchdogSec", f"{WATCHDOG_S}s"),
    # A night is meant to be killed at any instant; an abort would only take the time to write a core file.
    Setting("WatchdogSignal", "SIGKILL"),
    Setting("Restart", "on-failure"),
    Setting("RestartSec", f"{AGAIN_S}s"),
    Setting("RestartPreventExitStatus", str(WRONG_USAGE)),
)

_KEPT_FROM: Final = (
    Setting("NoNewPrivileges", "yes"),
    Setting("ProtectSystem", "strict"),
    Setting("ProtectHome", "read-only"),
    Setting("ProtectControlGroups", "yes"),
    Setting("LockPersonality", "yes"),
    Setting("RestrictNamespaces", "yes"),
    Setting("RestrictSUIDSGID", "yes"),
    # Sound servers and the service manager, the network, and the network's interfaces.
    Setting("RestrictAddressFamilies", "AF_UNIX AF_INET AF_INET6 AF_NETLINK"),
    Setting("SystemCallArchitectures", "native"),
    Setting("SystemCallFilter", "@system-service"),
    # What is not allowed fails, as with any other error, and kills nothing.
    Setting("SystemCallErrorNumber", "EPERM"),
)

CARRIED: Final = (
    "STATE_DIRECTORY",
    "XDG_STATE_HOME",
    "JACK_DEFAULT_SERVER",
    "JACK_PROMISCUOUS_SERVER",
    "TZ",
)
"""What goes along from the environment of whoever installs it: where the nights are, which sound server, what time."""


_NOT_IN_A_NAME: Final = frozenset("\"'\\")
_BY_A_SHELL: Final = ("/bin/sh", "-c", 'exec "$0" "$@"')


@dataclass(frozen=True, kw_only=True)
class Service:
    """What is to be started. `command`: the program and its words; `title`: of the show; `unit`: the file's name;
    `environment`: variables that it gets; `writes`: folders that it writes to, where it is kept from others."""

    command: Sequence[str]
    title: str
    unit: str
    environment: Mapping[str, str] = field(default_factory=dict)
    writes: Sequence[str] = ()


def run_words(
    setlist: str, *, venue: str | None, api: str, page: tuple[str, int] | None, control: bool
) -> tuple[str, ...]:
    """The words of `stagectl run` for what was asked for; `page`: host and port."""
    words = ["run", setlist]
    if venue is not None:
        words.append(f"--venue={venue}")
    if api != "auto":
        words.append(f"--midi-api={api}")
    if page is not None:
        host, port = page
        words.append(f"--page={f'[{host}]' if ':' in host else host}:{port}")
    return (*words, "--control") if control else tuple(words)


def carried(environ: Mapping[str, str]) -> dict[str, str]:
    """What of an environment goes along. A program is not to load what happens to lie in the folder it is started in,
    so Python looks nowhere but at its own."""
    return {"PYTHONSAFEPATH": "1"} | {name: environ[name] for name in CARRIED if environ.get(name)}


def text(service: Service) -> str:
    """The unit. Raises ValueError for what cannot be said in one."""
    return "\n".join(_lines(service)) + "\n"


def _lines(service: Service) -> Iterator[str]:
    yield f"{MARK}, which writes it anew; `stagectl service remove` takes it away."
    yield f"# What you change yourself belongs beside it: systemctl --user edit {service.unit}"
    yield "[Unit]"
    yield f"Description=stagectl: {sentence(service.title)}"
    # However often it has failed, it is started again.
    yield "StartLimitIntervalSec=0"
    yield ""
    yield "[Service]"
    yield f"ExecStart={_command(service.command)}"
    for name, value in service.environment.items():
        yield f"Environment={word(f'{name}={value}')}"
    yield ""
    yield "# It says when it is ready, and that its loop runs; where it does not, it is killed and started again, and"
    yield "# takes the night up where it was. After a stop that was asked for, the night is over."
    yield from _said(_WATCHED)
    yield ""
    yield "# What it never needs. Where the user's service manager cannot keep a program from some of it, it goes on."
    yield from _said(_KEPT_FROM)
    # The `-` is for a folder that may be missing; what is missing when it starts, it cannot write to later.
    yield f"ReadWritePaths={' '.join(path(f'-{folder}') for folder in service.writes)}"
    yield ""
    yield "[Install]"
    yield "WantedBy=default.target"


def _command(words: Sequence[str]) -> str:
    """The program has no quotes, backslashes or the like in its own name, systemd asks; a shell finds such a one."""
    if not words[0].isprintable() or set(words[0]) & _NOT_IN_A_NAME:
        words = (*_BY_A_SHELL, *words)
    program, *others = words
    return " ".join([word(program), *(word(one, command=True) for one in others)])


def _said(settings: Iterable[Setting]) -> Iterator[str]:
    return (f"{name}={value}" for name, value in settings)
