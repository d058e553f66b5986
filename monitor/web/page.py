"""The page and every file it asks for: all from this machine, from installed packages.

The terminal in the page is textual-serve's script; its own page is not used, since it asks for a
font from outside. The font is the one matplotlib brings.
"""

import html
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Final

from monitor.commands.parameters import CAUTION
from simulator.strict import clean

OWN: Final = Path(__file__).parent
FONT_SIZE: Final = 16
LONGEST_SOURCE: Final = 120
_FILES: Final = {
    "page.css": ("", "page.css", "text/css"),
    "page.js": ("", "page.js", "text/javascript"),
    "terminal.css": ("textual_serve", "static/css/xterm.css", "text/css"),
    "terminal.js": ("textual_serve", "static/js/textual.js", "text/javascript"),
    "mono.ttf": ("matplotlib", "mpl-data/fonts/ttf/DejaVuSansMono.ttf", "font/ttf"),
    "braille.ttf": ("matplotlib", "mpl-data/fonts/ttf/DejaVuSans.ttf", "font/ttf"),
}


@cache
def static_file(name: str) -> tuple[bytes, str] | None:
    """Return a file of the page and its media type, or None where it has no such file."""
    if name not in _FILES:
        return None
    package, path, kind = _FILES[name]
    folder = OWN
    if package:
        spec = find_spec(package)  # found, not imported: matplotlib is heavy
        if spec is None or spec.origin is None:  # pragma: no cover (both are dependencies)
            return None
        folder = Path(spec.origin).parent
    return (folder / path).read_bytes(), kind


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
