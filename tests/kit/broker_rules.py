"""A rule for the broker in tests, as its plug-in: which topics may be read or written."""

from dataclasses import dataclass, field
from typing import Any

from amqtt.contexts import Action
from amqtt.plugins.base import BaseTopicPlugin


class OnlyThese(BaseTopicPlugin):  # type: ignore[misc]  # the library is not typed
    """Lets clients read, or write, topics that begin so; all where nothing is said."""

    async def topic_filtering(
        self, *, session: Any = None, topic: str | None = None, action: Any = None
    ) -> bool:
        """Return whether a client may do that there."""
        del session
        starts = {
            Action.SUBSCRIBE: self.context.config.may_read,
            Action.PUBLISH: self.context.config.may_write,
        }.get(action)
        return starts is None or (topic or "").startswith(tuple(starts))

    @dataclass
    class Config:
        """First parts of topics."""

        may_read: list[str] | None = field(default=None)
        may_write: list[str] | None = field(default=None)
