"""What a show sends to over MIDI, by the bare text of its rig: before the models are there that would check it.

Nothing is a fault here. Whatever is not as it should be is passed over, and said when the show is loaded.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from stagectl.show.files import Files, setlist_file


def ports_sent_to(setlist: Path, files: Files) -> list[str]:
    """Parts of the names of MIDI ports, each once: of the desk, the devices, the players and the lamps."""
    path = setlist_file(setlist)
    name = _mapping(files.text(path).data).get("rig")
    rig_path = path.parent / name if isinstance(name, str) else None
    if rig_path is None or not files.is_file(rig_path):
        return []
    rig = _mapping(files.text(rig_path).data)
    ends = [_mapping(rig.get("desk")), *_mappings(rig.get("devices")), *_mappings(rig.get("players"))]
    lit = [one for one in _mappings(rig.get("pedals")) if _has_lamps(one.get("mapping"), rig_path.parent, files)]
    ports = [end.get("port") for end in ends]
    ports += [one.get("lamps port", one.get("port")) for one in lit if "lamps host" not in one]
    return list(dict.fromkeys(port.strip() for port in ports if isinstance(port, str) and port.strip()))


def _has_lamps(mapping: object, beside: Path, files: Files) -> bool:
    path = files.named(mapping.strip(), "pedals", beside) if isinstance(mapping, str) else None
    return path is not None and bool(_mapping(files.text(path).data).get("lamps"))


def _mapping(data: Any) -> dict[Any, Any]:
    return data if isinstance(data, dict) else {}


def _mappings(data: Any) -> Iterator[dict[Any, Any]]:
    return map(_mapping, data if isinstance(data, list) else [])
