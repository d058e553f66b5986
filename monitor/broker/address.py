"""What a person writes for a broker: ``mqtt://host[:port]/topic-prefix?key=value&...``."""

import ssl
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final
from urllib.parse import parse_qsl, unquote, urlsplit

from monitor.broker.login import Login, login_from_environment, login_from_file
from simulator.strict import BadInput, checked_file, clean, unusable

SCHEMES: Final = {"mqtt": 1883, "mqtts": 8883}
LONGEST_TOPIC: Final = 200
# How readings travel, for who sends and who reads; the first is the default.
FORMS: Final = {"form": ("channels", "senml")}
TLS_KEYS: Final = ("ca", "cert", "key")


@dataclass(frozen=True, slots=True)
class Broker:
    """A broker, and what of it is ours.

    Attributes:
        host: Its name or address.
        port: Its port.
        prefix: First part of every topic, without a slash at its ends.
        tls: How to check and encrypt; None for neither.
        login: User and password; None for nobody. Never shown.
        options: The other keys of the address, for whoever asked for it.
    """

    host: str
    port: int
    prefix: str
    tls: ssl.SSLContext | None
    login: Login | None
    options: Mapping[str, str]

    @property
    def name(self) -> str:
        """The broker and prefix as messages call them: no login, no files."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return clean(f"mqtt{'s' * (self.tls is not None)}://{host}:{self.port}/{self.prefix}", 100)

    def topic(self, *parts: str) -> str:
        """Return a topic under the prefix."""
        return "/".join((self.prefix, *parts))


def without_secrets(text: str) -> str:
    """Return an address fit for a message: a login that stands in it by mistake is left out."""
    scheme, _, rest = text.partition("://")
    place, slash, after = rest.partition("/")
    return clean(f"{scheme}://{place.rpartition('@')[2]}{slash}{after.partition('?')[0]}", 100)


def broker_from(text: str, allowed: Mapping[str, tuple[str, ...]] | None = None) -> Broker:
    """Read a broker's address.

    Args:
        text: ``mqtt://`` or ``mqtts://``, a host, perhaps a port, a topic prefix, perhaps keys:
            ``ca``, ``cert``, ``key`` (files, TLS only), ``login`` (a file), and those allowed.
        allowed: Further keys, each with the values it may have (first one: the default).

    Raises:
        BadInput: Anything else, a file that can't be used, or a login in the address itself.
    """
    shown = without_secrets(text)
    try:
        parts = urlsplit(text)
        port = parts.port
    except ValueError:
        raise BadInput(
            f"{shown}: found a port or host that is none, expected mqtt://host:port/prefix"
        ) from None
    scheme = parts.scheme.lower()
    if scheme not in SCHEMES or not parts.hostname:
        raise BadInput(f"{shown}: found no broker, expected mqtt://host[:port]/topic-prefix")
    if "@" in parts.netloc:
        raise BadInput(
            f"{shown}: found a login in the address, expected it in the environment "
            "(FLOWDEBT_MQTT_USER, FLOWDEBT_MQTT_PASSWORD) or in a file (?login=FILE)"
        )
    prefix = _prefix(unquote(parts.path), shown)
    known = {name: values[0] for name, values in (allowed or {}).items()}
    options = {**known}
    files: dict[str, str] = {}
    for name, value in parse_qsl(parts.query, keep_blank_values=True):
        if name in (*TLS_KEYS, "login"):
            files[name] = value
        elif name not in known:
            expected = ", ".join(sorted({*known, *TLS_KEYS, "login"}))
            raise BadInput(f'{shown}: found key "{clean(name, 24)}", expected one of {expected}')
        elif value not in (allowed or {})[name]:
            raise BadInput(
                f'{shown}: {name}: found "{clean(value, 24)}", '
                f"expected {' or '.join((allowed or {})[name])}"
            )
        else:
            options[name] = value
    secure = scheme == "mqtts"
    if not secure and (extra := [name for name in TLS_KEYS if name in files]):
        raise BadInput(f"{shown}: found {extra[0]}, which encryption needs; expected mqtts://")
    login = login_from_file(Path(files["login"])) if "login" in files else login_from_environment()
    return Broker(
        host=parts.hostname,
        port=port or SCHEMES[scheme],
        prefix=prefix,
        tls=_tls(files, shown) if secure else None,
        login=login,
        options=options,
    )


def _prefix(path: str, shown: str) -> str:
    prefix = path.strip("/")
    bad = set(prefix) & set("+#\0") or not prefix.isprintable()
    if not prefix or bad or "//" in prefix or len(prefix.encode()) > LONGEST_TOPIC:
        raise BadInput(
            f'{shown}: found topic prefix "{clean(prefix, 40)}", expected names between slashes, '
            f"without + and #, at most {LONGEST_TOPIC} bytes; one of its own for each car"
        )
    return prefix


def _tls(files: Mapping[str, str], shown: str) -> ssl.SSLContext:
    """Return a context that checks the broker's certificate and name, always."""
    if ("cert" in files) != ("key" in files):
        raise BadInput(f"{shown}: found only one of cert and key, expected both or neither")
    what = files.get("ca", "")
    try:
        for what in files.values():
            checked_file(Path(what))
        what = files.get("ca", "")
        context = ssl.create_default_context(cafile=files.get("ca"))
        if "cert" in files:
            what = files["cert"]
            context.load_cert_chain(files["cert"], files["key"], password=_no_password)
    except (OSError, ValueError) as error:
        if isinstance(error, ssl.SSLError) or not isinstance(error, OSError):
            error = OSError(0, "no certificate")  # the library's words name its own source line
        raise unusable(Path(what), error, "a readable PEM file") from None
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    return context


def _no_password() -> str:
    raise ValueError("an encrypted key")  # else OpenSSL asks for its password on the terminal
