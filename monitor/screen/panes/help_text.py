"""The help: every key in words, the signs, and who may look at this screen."""

from typing import Final

from monitor.screen.literal import wrapped
from monitor.screen.view import Page, Row, View

CAUTION: Final = (
    "Whoever drives must not read this screen while driving: a passenger or a dyno operator does."
)
_SIGNS: Final = (
    "Debt is commanded spray that did not arrive, beyond the allowance. Each threshold takes one "
    "action: warn !, pull timing ▼, cut boost ■.",
    "? marks what is not known now; a value shown as -- has no healthy reading behind it.",
)


class Help(Page):
    """Takes the middle of the screen; the top line stays."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw caution, keys and signs."""
        del height
        inner = max(20, min(width - 2, 100))
        rows: list[Row] = [
            [view.say(" "), view.say(line, "strong")] for line in wrapped(CAUTION, inner, 3)
        ]
        rows.append([])
        for offer in view.offered:
            for i, line in enumerate(wrapped(offer.help, inner - 12, 2)):
                rows.append(
                    [view.say(f" {'' if i else offer.shown:<12}", "strong"), view.say(line)]
                )
        for sign in _SIGNS:
            rows.append([])
            rows += [[view.say(" "), view.say(line, "dim")] for line in wrapped(sign, inner, 4)]
        return rows
