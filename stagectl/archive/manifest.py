"""The manifest of a backup: what is in it, with sums, and what is not."""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Annotated, Any, Final

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError

from stagectl.archive.bounds import FILE_MAX, FILES_MAX, FORMAT

Size = Annotated[int, Field(ge=0, le=FILE_MAX)]
"""Bytes of a file."""

TEXT_MAX: Final = 4_000
"""Characters of a text in a manifest."""


def _one_line(text: str) -> str:
    if any(unicodedata.category(char) == "Cc" for char in text):
        raise ValueError("it holds control characters")
    return text


Line = Annotated[str, Field(max_length=TEXT_MAX), AfterValidator(_one_line)]
"""A text that a terminal shows as it is."""

_STAMP: Final = "%Y-%m-%dT%H:%M:%SZ"


class Model(BaseModel):
    """What a manifest is made of."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class Packed(Model):
    """A file of the backup. `time`: when it was changed last, UTC; of a night, when its last row was written.
    `shipped`: it came with the program, and lay not beside the show."""

    path: Line
    what: Line
    size: Size
    sha256: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
    time: Line
    shipped: bool = False

    @property
    def when(self) -> datetime:
        """Its time. Raises ValueError."""
        return datetime.strptime(self.time, _STAMP).replace(tzinfo=UTC)


class Left(Model):
    """A file that the show plays from, and that is not in the backup. `size`: bytes; None where it was not there."""

    path: Line
    what: Line
    size: Annotated[int, Field(ge=0)] | None


class Manifest(Model):
    """What is in a backup. `when`: the time of its newest file, so that the same content is always the same backup."""

    format: int
    program: Line
    when: Line
    title: Line
    setlist: Line
    files: Annotated[tuple[Packed, ...], Field(max_length=FILES_MAX, strict=False)]
    left: Annotated[tuple[Left, ...], Field(max_length=100 * FILES_MAX, strict=False)] = ()


def stamp(time: datetime) -> str:
    """A time as the manifest says it: ISO 8601, UTC, whole seconds."""
    return time.astimezone(UTC).strftime(_STAMP)


def manifest_text(manifest: Manifest) -> bytes:
    """The file."""
    return (json.dumps(manifest.model_dump(), ensure_ascii=False, indent=1) + "\n").encode()


def read_manifest(raw: bytes) -> Manifest:
    """The manifest that a file is. Raises ValueError, and says why."""
    try:
        said = json.loads(raw.decode(), object_pairs_hook=_no_doubles, parse_constant=_no_constant)
    except RecursionError as error:
        raise ValueError("it is nested too deep") from error
    except ValueError as error:
        raise ValueError(f"it is no JSON: {error}") from error
    layout = said.get("format") if isinstance(said, dict) else None
    if not isinstance(layout, int) or isinstance(layout, bool):
        raise ValueError("it does not say its `format`")
    if layout != FORMAT:
        raise ValueError(f"its format is {layout}, and this version of stagectl reads format {FORMAT}")
    try:
        manifest = Manifest.model_validate(said)
        for file in manifest.files:
            _ = file.when
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False)[0]
        place = ".".join(map(str, first["loc"]))
        raise ValueError(f"`{place}`: {first['msg'][:1].lower()}{first['msg'][1:]}") from error
    if manifest.setlist not in {file.path for file in manifest.files}:
        raise ValueError(f"its setlist `{manifest.setlist}` is none of its files")
    return manifest


def _no_doubles(pairs: Sequence[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key stands twice in one object")
    return found


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is no number of JSON")
