"""What a desk says of itself: how its levels are asked for, and whether it reports what hands at it do."""

from collections.abc import Iterator
from typing import Annotated, Final

from pydantic import Field, ValidationInfo, field_validator

from stagectl.show.messages import Say, SayList
from stagectl.show.places import AnyQuestion, AskByOsc
from stagectl.show.values import Duration, FileModel, Flag

RENEW_MAX_S: Final = 3_600
RENEW_MIN_NS: Final = 500_000_000
"""A subscription that had to be renewed more often would fill a slow link by itself."""

MESSAGES_MAX: Final = 16


class AnswersModel(FileModel):
    """What a desk says of itself. With nothing of it a desk is only spoken to."""

    ask: AnyQuestion | None = Field(None, description="the question for one level, answered by the level's own message")
    ask_whole_mix: AnyQuestion | None = Field(None, description="the question for the level of a whole mix")
    ask_all: SayList | None = Field(None, description="messages after which the desk says all levels")
    reports: Flag = Field(False, description="whether it reports what hands at the desk change")
    echoes: Flag = Field(False, description="whether it says back what it is told")
    subscribe: SayList | None = Field(None, description="messages after which the desk reports what changes")
    renew: Annotated[int, Duration(RENEW_MAX_S)] | None = Field(
        None, description="how often the subscription has to be said again; once where left out"
    )

    @field_validator("ask_all", "subscribe")
    @classmethod
    def _few(cls, messages: list[Say] | None) -> list[Say] | None:
        if messages is not None and len(messages) > MESSAGES_MAX:
            raise ValueError(f"{len(messages)} messages are too many; {MESSAGES_MAX} at most")
        return messages

    @field_validator("subscribe")
    @classmethod
    def _for_reports(cls, messages: list[Say] | None, info: ValidationInfo) -> list[Say] | None:
        if messages is not None and info.data.get("reports") is False:
            raise ValueError("this asks for reports, but the file does not say `reports: yes`")
        return messages

    @field_validator("renew")
    @classmethod
    def _of_a_subscription(cls, renew: int | None, info: ValidationInfo) -> int | None:
        if renew is not None and info.data.get("subscribe", ()) is None:
            raise ValueError("this says how often `subscribe` is said again, but there is no `subscribe`")
        if renew is not None and renew < RENEW_MIN_NS:
            raise ValueError(f"a subscription is not said again more often than every {RENEW_MIN_NS / 1e9:g} s")
        return renew

    @property
    def can_read(self) -> bool:
        """Whether levels can be asked for."""
        return self.ask is not None or self.ask_all is not None

    def wrong_wire(self, over: str) -> Iterator[tuple[str | int, ...]]:
        """The places of what is said over the other wire than `midi` or `osc`."""
        for key, question in (("ask", self.ask), ("ask whole mix", self.ask_whole_mix)):
            if question is not None and isinstance(question, AskByOsc) != (over == "osc"):
                yield (key,)
        for key, messages in (("ask all", self.ask_all), ("subscribe", self.subscribe)):
            for at, message in enumerate(messages or ()):
                if message.is_osc != (over == "osc"):
                    yield key, at


NO_ANSWERS: Final = AnswersModel.model_construct()
"""Of a desk that is only spoken to. Nothing is checked in it, so its model need not be put together."""
