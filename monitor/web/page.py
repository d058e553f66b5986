"""The page and every file it asks for: all from this machine, from installed packages.

The terminal in the page is textual-serve's script; its own page is not used, since it asks for a
font from outside. The font is the one matplotlib brings.
"""

import html
from functools import cache
from pathlib import Path
from typing import Final

import textual_serve

from monitor.pictures.fonts import bundled_font
from monitor.words.caution import CAUTION
from simulator.strict import clean

OWN: Final = Path(__file__).parent
FONT_SIZE: Final = 16
LONGEST_SOURCE: Final = 120
_TYPES: Final = {".css": "text/css", ".js": "text/javascript", ".ttf": "font/ttf"}


@cache
def static_file(name: str) -> tuple[bytes, str] | None:
    """Return a file of the page and its media type, or None where it has no such file."""
    match name:
        case "page.css" | "page.js":
            path = OWN / name
        case "terminal.css":
            path = _library("css/xterm.css")
        case "terminal.js":
            path = _library("js/textual.js")
        case "mono.ttf":
            path = bundled_font("DejaVuSansMono")
        case "braille.ttf":
            path = bundled_font("DejaVuSans")
        case _:
            return None
    return path.read_bytes(), _TYPES[path.suffix]


def _library(name: str) -> Path:
    return Path(textual_serve.__path__[0]) / "static" / name


def page(source: str, host: str) -> str:
    """Return the page.

    Args:
        source: What the guard reads; shown as it is, whatever it holds.
        host: The Host header, checked.
    """
    return _filled(
        "page.html",
        source=clean(source, LONGEST_SOURCE),
        caution=CAUTION,
        websocket=f"ws://{host}/ws",
        font_size=str(FONT_SIZE),
    )


def refused(title: str, why: str) -> str:
    """Return the page that says why there is none."""
    return _filled("refused.html", title=title, why=why)


def policy(host: str) -> str:
    """Return the content security policy: nothing from outside, in no frame.

    The terminal sets styles on what it draws, so inline styles pass; inline scripts don't.
    """
    return (
        "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; "
        f"font-src 'self'; img-src 'self' data:; connect-src 'self' ws://{host}; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )


def _filled(name: str, **values: str) -> str:
    text = (OWN / name).read_text(encoding="utf-8")
    escaped = {key: html.escape(value) for key, value in values.items()}
    return text.format_map(escaped)
