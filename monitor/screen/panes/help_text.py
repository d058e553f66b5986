"""The help: every key in words, the signs, and who may look at this screen."""

from typing import Final

from monitor.screen.view import Page, Row, View
from monitor.screen.witness import witness_of
from monitor.words.literal import wrapped

CAUTION: Final = (
    "Whoever drives must not read this screen while driving: a passenger or a dyno operator does."
)
SIGNS: Final = (
    "Evidence: how sure it is that spray is missing (no car this rig allows for would read "
    "{amiss}). It warns ! and pulls timing ▼. In healthy noise it is low, and then no debt is "
    "told.",
    "Debt: how much is missing, in seconds of full flow. Past its limit it cuts boost ▬, once the "
    "evidence has pulled timing.",
    "Plausible, in the plot: whatever the {sensor} of a car this rig allows for may read.",
    "? marks what is not known now; a value shown as -- has no healthy reading behind it.",
)
WITHOUT_FLOW: Final = (
    "No flow is measured in this car: what is missing is reckoned from the {sensor}. Spray is not "
    "judged while none or little is due, and what nobody asked for (a siphon) is never seen; "
    "flowdebt check tells what else."
)
LIVE_SIGNS: Final = (
    "Under the plot ! ▼ ▬ stand where an action was taken, and ? where data ceased.",
    "At the foot: samples a second, age of the newest, lines rejected, samples too late to use; "
    "within the latency 99 of 100 decisions came.",
)


class Help(Page):
    """Takes the middle of the screen; the top line stays."""

    def __init__(self, signs: tuple[str, ...] = SIGNS, *, id: str) -> None:  # noqa: A002  # Textual's
        super().__init__(id=id)
        self._signs = signs
        self._first = 0

    def scroll_rows(self, step: int) -> None:
        """Move on by rows, or back; the next drawing keeps it within what there is."""
        self._first += step

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw caution, keys and signs, as far as there is room, and say where more is."""
        rows = self._all(view, width)
        self._first = min(max(0, self._first), max(0, len(rows) - height))
        shown = rows[self._first : self._first + height]
        if self._first + height < len(rows):
            shown[-1] = [view.say(" ↓ more", "dim")]
        return shown

    def _all(self, view: View, width: int) -> list[Row]:
        inner = max(20, min(width - 2, 100))
        rows = [*view.lines(wrapped(CAUTION, inner, 3), "strong"), []]
        for offer in view.offered:
            for i, line in enumerate(wrapped(offer.help, inner - 12, 2)):
                rows.append(
                    [view.say(f" {'' if i else offer.shown:<12}", "strong"), view.say(line)]
                )
        witness = witness_of(view.picture)
        for sign in (*self._signs, *(() if witness.is_flow else (WITHOUT_FLOW,))):
            said = sign.format(sensor=witness.sensor, amiss=witness.amiss)
            rows += [[], *view.lines(wrapped(said, inner, 4), "dim")]
        return rows
