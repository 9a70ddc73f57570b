"""JSON Schema of the four kinds of file, for editors that complete YAML."""

from __future__ import annotations

from typing import Any, Final

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from stagectl.show.mapping import MappingModel
from stagectl.show.profile import ProfileModel
from stagectl.show.rig import RigModel
from stagectl.show.setlist import SetlistModel
from stagectl.show.values import Typed

KINDS: Final[dict[str, type[BaseModel]]] = {
    "rig": RigModel,
    "setlist": SetlistModel,
    "mapping": MappingModel,
    "profile": ProfileModel,
}


def schema(kind: str) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of `rig`, `setlist`, `mapping` or `profile`."""
    made = KINDS[kind].model_json_schema(by_alias=True, schema_generator=_AsWritten)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **made}


class _AsWritten(GenerateJsonSchema):
    """Says each default as a user would write it, and not in the units in which it is held."""

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        if "default" in schema:
            schema = schema.copy()
            schema["default"] = _written(schema["default"], schema["schema"])
        return super().default_schema(schema)


def _written(value: Any, schema: Any) -> Any:
    """A value of a core schema, as it stands in a file."""
    if isinstance(value, BaseModel):
        return value.model_dump(by_alias=True, exclude_unset=True)
    kind = getattr(schema.get("function", {}).get("function"), "__self__", None)
    if isinstance(kind, Typed):
        return None if value is None else kind.written(value)
    if "schema" in schema:
        return _written(value, schema["schema"])
    if isinstance(value, list) and "items_schema" in schema:
        return [_written(one, schema["items_schema"]) for one in value]
    return value
