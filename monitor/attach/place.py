"""A place in a class of drills: asked for at its endpoint, then attached to as to any guard."""

from monitor.attach.ask import exchange
from monitor.attach.client import ViewerLink
from monitor.attach.drilling import Place
from monitor.attach.endpoint import Endpoint, Kind
from monitor.attach.protocol import Answer, Command, Message
from simulator.strict import BadInput


class PlaceLink(ViewerLink):
    """Talks to a class from a trainee's place, or the instructor's.

    Args:
        endpoint: The class's.
        do: ``join`` or ``instruct``.
        alias: The trainee's, at most 40 characters; a place that nobody has left is refused.
    """

    def __init__(self, endpoint: Endpoint, do: str, alias: str = "") -> None:
        super().__init__(endpoint, Kind.CLASS)
        self._class_endpoint = endpoint
        self._asking = Command(do, who=alias)

    async def __aenter__(self) -> "PlaceLink":
        """Ask for the place, and attach.

        Raises:
            BadInput: The class is gone, or has no such place to give.
        """

        def given(message: Message) -> Place | None:
            if isinstance(message, Answer) and message.do == self._asking.do:
                raise BadInput(message.text)
            return message if isinstance(message, Place) else None

        place = await exchange(self._class_endpoint, self._asking, given, Kind.CLASS)
        self.endpoint = Endpoint(
            self._class_endpoint.pid, place.path, place.port, place.token, place.alias
        )
        await super().__aenter__()
        return self
