"""Numbers on the wire that depend on the input's socket and on the mix.

`{first: 16, per input: 1, per mix: 24}` means 16 for input 1 of mix 1, one more for each input, 24 more for each mix.
Where a desk counts in no such way, a table says each number: `{table: [16, 17, 20]}` by input, `{table: [3, 5],
by: mix}` by mix, or a row for each mix: `{table: [[16, 17], [40, 44]]}`.
"""

from typing import Annotated, Any, Final, Literal, Self, TypeAlias, TypeVar

from pydantic import BeforeValidator, Field, model_validator

from stagectl.errors import WireError
from stagectl.show.values import FileModel, OrElse, Typed, Whole, said

NUMBER_MAX: Final = 16_383
ROWS_MAX: Final = 1_024
"""Entries of a table: as many as a rig may have sockets."""

Row: TypeAlias = tuple[int, ...]


class TableText(Typed, frozen=True):
    """A list of numbers, or a list of such lists."""

    def parse(self, typed: Any) -> tuple[int | Row, ...]:
        if not isinstance(typed, list) or not 1 <= len(typed) <= ROWS_MAX:
            raise ValueError(f"{said(typed)} stands where a list of 1 to {ROWS_MAX:,} numbers is needed")
        if any(isinstance(row, list) for row in typed):
            if not all(isinstance(row, list) and 1 <= len(row) <= ROWS_MAX for row in typed):
                raise ValueError("a table holds numbers, or a list of numbers for each mix; not both")
            return tuple(tuple(map(Whole(0, NUMBER_MAX).parse, row)) for row in typed)
        return tuple(map(Whole(0, NUMBER_MAX).parse, typed))

    def schema(self) -> dict[str, Any]:
        number = Whole(0, NUMBER_MAX).schema()
        return {"type": "array", "minItems": 1, "items": {"anyOf": [number, {"type": "array", "items": number}]}}


class Numbering(FileModel):
    """A number that may depend on the input's socket and the mix, both counted from 1."""

    first: Annotated[int, Whole(0, NUMBER_MAX)] | None = Field(None, description="the number for input 1 of mix 1")
    table: Annotated[tuple[int | Row, ...], TableText()] | None = Field(
        None, description="the numbers one by one, in place of `first`; or a list of them for each mix"
    )
    by: Literal["input", "mix"] = Field("input", description="what the entries of a table are for")
    per_input: Annotated[int, Whole(-NUMBER_MAX, NUMBER_MAX)] = Field(
        0, description="how much it grows with each input"
    )
    per_mix: Annotated[int, Whole(-NUMBER_MAX, NUMBER_MAX)] = Field(0, description="how much it grows with each mix")

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if (self.first is None) == (self.table is None):
            raise ValueError("either `first` or `table` is needed")
        both = self.table is not None and isinstance(self.table[0], tuple)
        if (self.per_input and (both or (self.table and self.by == "input"))) or (
            self.per_mix and (both or (self.table and self.by == "mix"))
        ):
            raise ValueError("the table says these numbers already; `per input` and `per mix` would change them")
        return self

    @property
    def rises(self) -> bool:
        """Whether the numbers only grow with inputs and mixes."""
        return self.table is None and self.per_input >= 0 and self.per_mix >= 0

    def at(self, socket: int, mix: int) -> int:
        """The number for an input's socket and a mix. Raises WireError where a table has none."""
        return self._first(socket, mix) + self.per_input * (socket - 1) + self.per_mix * (mix - 1)

    def _first(self, socket: int, mix: int) -> int:
        if self.table is None:
            assert self.first is not None
            return self.first
        row = _entry(self.table, mix if isinstance(self.table[0], tuple) or self.by == "mix" else socket)
        return _entry(row, socket) if isinstance(row, tuple) else row


EntryT = TypeVar("EntryT")


def _entry(table: tuple[EntryT, ...], at: int) -> EntryT:
    if not 1 <= at <= len(table):
        raise WireError(f"the table has entries 1 to {len(table)}, and none for {at}")
    return table[at - 1]


def _bare_number(typed: Any) -> Any:
    return typed if isinstance(typed, dict | Numbering) else {"first": typed}


Number: TypeAlias = Annotated[Numbering, BeforeValidator(_bare_number), OrElse(type="integer")]
