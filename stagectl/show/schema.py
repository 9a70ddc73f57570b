"""JSON Schema of the four kinds of file, for editors that complete YAML."""

from __future__ import annotations

from typing import Any, Final

from pydantic import BaseModel

from stagectl.show.mapping import MappingModel
from stagectl.show.profile import ProfileModel
from stagectl.show.rig import RigModel
from stagectl.show.setlist import SetlistModel

KINDS: Final[dict[str, type[BaseModel]]] = {
    "rig": RigModel,
    "setlist": SetlistModel,
    "mapping": MappingModel,
    "profile": ProfileModel,
}


def schema(kind: str) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of `rig`, `setlist`, `mapping` or `profile`."""
    made = KINDS[kind].model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **made}
