"""Who may come in: a token, and the names and places a request may come from.

A page anywhere can make a browser on this machine ask a loopback server. Three things keep it out:
the token in the address printed, which no page can guess; the Host header, which tells a name that
was pointed at this machine from this machine's own; and the Origin header, which tells whose page
opens a websocket. All three are checked before anything else is done with a request.

Cookies know no ports: another server on this machine's loopback that the same browser visits is
sent ours too. Whoever runs servers as this user could read the token anyway; other users' servers
on a shared machine are a reason to close the browser's session afterwards.
"""

import hmac
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Final

OWN_NAMES: Final = ("127.0.0.1", "localhost", "[::1]")
LONGEST_HEADER: Final = 255
TOKEN_BYTES: Final = 32


class Refusal(Enum):
    """Why a request is refused; the value is what its sender is told."""

    HOST = "This server answers to 127.0.0.1 and localhost only."
    ORIGIN = "Only this server's own page may do this."
    TOKEN = "Open the whole address that flowdebt printed, with its token; cookies must be allowed."


@dataclass(frozen=True, slots=True)
class Admission:
    """The token of one server, and the check of every request.

    Attributes:
        port: Port the server listens on; part of the cookie's name, so that two don't mix.
        token: What the address printed holds.
    """

    port: int
    token: str = field(default_factory=lambda: secrets.token_urlsafe(TOKEN_BYTES), repr=False)

    @property
    def cookie(self) -> str:
        """Name of the cookie that stands for the token after the first page."""
        return f"flowdebt_{self.port}"

    @property
    def address(self) -> str:
        """The address to open."""
        return f"http://127.0.0.1:{self.port}/?token={self.token}"

    def refuse(
        self,
        headers: Mapping[str, str],
        query: Mapping[str, str],
        cookies: Mapping[str, str],
        *,
        websocket: bool,
    ) -> Refusal | None:
        """Return why a request is refused, or None if it may pass.

        Args:
            headers: Its headers; the mapping must not mind upper and lower case.
            query: Its query.
            cookies: Its cookies.
            websocket: Whether it asks for a websocket, which no page but ours may open.
        """
        host = headers.get("Host", "")
        if len(host) > LONGEST_HEADER or _name(host) not in OWN_NAMES:
            return Refusal.HOST
        origin = headers.get("Origin")
        if origin is None:
            if websocket:
                return Refusal.ORIGIN
        elif origin.lower() != f"http://{host.lower()}":
            return Refusal.ORIGIN
        # A token in the address must be right, whatever cookie comes with it.
        said = query["token"] if "token" in query else cookies.get(self.cookie, "")
        if not self.knows(said):
            return Refusal.TOKEN
        return None

    def knows(self, said: str) -> bool:
        """Whether a text is the token; takes equally long wherever it differs."""
        return hmac.compare_digest(said.encode("utf-8", "replace"), self.token.encode())


def _name(host: str) -> str:
    """Return the name in a Host header. Its port may be a tunnel's; it can't be another site's."""
    name, colon, port = host.lower().rpartition(":")
    if not colon or host.endswith("]"):
        return host.lower()
    return name if port.isascii() and port.isdigit() else ""
