"""The top line: what is being done to the engine, and why. Always there."""

from monitor.screen.picture import Link
from monitor.screen.view import Pane, Row, View
from monitor.screen.witness import witness_of
from monitor.words.literal import figure, fitted, or_nan, shortened
from monitor.words.palette import ACTION_ROLES, ACTION_SYMBOLS, ACTION_WORDS, GONE, UNKNOWN

NOT_JUDGED = "an essential channel is not healthy"


def age(seconds: float) -> str:
    """Return an age in words: tenths at first, then whole seconds, minutes, hours."""
    if seconds < 10.0:
        return f"{seconds:z.1f} s"
    if seconds < 120.0:
        return f"{seconds:z.0f} s"
    if seconds < 7200.0:
        return f"{seconds / 60.0:z.0f} min"
    return f"{seconds / 3600.0:z.0f} h"


class Banner(Pane):
    """Action word and symbol, depth, and the guard's own sentence."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw what is done, and why in one row, or two where there is room: to its end."""
        chips, ways = self.said(view)
        top = view.spread([view.say(" "), *_driven(view), *chips], self.right(view, width), width)
        lines = fitted(ways, width - 2, max(1, min(2, height - 1)))
        return [top, *view.lines(lines)]

    def said(self, view: View) -> tuple[Row, list[str]]:
        """Return the top line, and ways to say the sentence below it, the fullest first."""
        return _said(view)

    def right(self, view: View, width: int) -> Row:
        """Return what stands at the right end of the top line."""
        if view.stopping and view.link is not Link.GONE:
            return [view.say("stopping the guard, 5 s at most ", "strong")]
        if view.picture.hello is None:
            return []
        return [view.say(shortened(f"{view.picture.hello.rig} ", max(8, width // 4)), "dim")]


def _driven(view: View) -> Row:
    """Return how armed outputs and publishing stand: first, so that nothing pushes it out."""
    picture, known = view.picture, view.link in (Link.LIVE, Link.SILENT)
    row: Row = []
    if picture.armed:
        odd = picture.outputs_in_doubt or not known
        role = ("cut" if known else "unknown") if odd else "strong"
        row = [view.say(f" ! {view.driven} " if odd else view.driven, role), view.say("  ")]
    if known and picture.unpublished is not None:
        row += [view.say(" ! NOT PUBLISHED ", "warn"), view.say("  ")]
    return row


def _said(view: View) -> tuple[Row, list[str]]:
    picture = view.picture
    status = view.units.sentence(picture.frame.status) if picture.frame else ""
    before = _past("Before that: ", status) or ["It never told a decision."]
    match view.link:
        case Link.WAITING:
            chips = chip(view, f"{UNKNOWN} WAITING", "for the guard's first word", "unknown")
            return chips, ["Nothing is known of the engine yet."]
        case Link.GONE:
            old = age(picture.silence_s(view.now_s))
            if picture.ended:
                what = f"{picture.what_ended}; this picture is {old} old; q quits"
                at_end = _past("At the end: ", status) or before
                return chip(view, "ENDED", what, "chosen"), at_end
            what = f"nothing watches the engine; this picture is {old} old"
            why = f"{_capital(str(picture.gone_why))}."
            return chip(view, f"{GONE} GUARD GONE", what, "unknown"), [
                *(f"{why} {words}" for words in before),
                why,
            ]
        case Link.HUNG:
            what = f"no word from the guard for {age(picture.silence_s(view.now_s))}"
            return chip(view, f"{UNKNOWN} NO DATA", what, "unknown"), before
        case Link.SILENT:
            silence = f"No data for {age(picture.sample_age_s(view.now_s))}"
            chips = _action(view) if picture.action != 0 else []
            gap = [view.say("  ")] if chips else []
            row = [*chips, *gap, view.say(f" {UNKNOWN} {silence} ", "unknown")]
            return row, _reason_alone(status)
        case Link.LIVE:
            return _action(view), _reason_alone(status)


def _reason_alone(status: str) -> list[str]:
    """Return a status whole, then its reason alone, since what is done stands above; then less."""
    reason = _capital(status.partition(": ")[2])
    less = reason.rpartition(", ")[0]
    return [status, *([reason] if reason else []), *([f"{less}."] if less else [])]


def _past(head: str, status: str) -> list[str]:
    """Return a status of before whole, and what was done alone, since nothing else says that."""
    done, colon, _ = status.partition(": ")
    said = [status, f"{done}."] if colon else [status]
    return [f"{head}{words}" for words in said if words]


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _action(view: View) -> Row:
    picture = view.picture
    action = picture.action
    if action < 0:
        return chip(view, f"{UNKNOWN} ACTION UNKNOWN", "the guard did not say", "unknown")
    if action == 0 and or_nan(picture.decision.all_healthy) == 0.0:
        return chip(view, f"{UNKNOWN} NO ACTION, NOT JUDGED", NOT_JUDGED, "unknown")
    depth = []
    if action == 3:
        depth.append(f"to {view.units.told(or_nan(picture.decision.boost_ceiling_kpa), 'kPa', 0)}")
    if or_nan(picture.decision.retard_deg) > 0.0:
        depth.append(f"{figure(or_nan(picture.decision.retard_deg), 1)} deg taken back")
    if action < 2:
        depth.append("engine left alone")
    if action == 0 and not witness_of(picture).judged(picture):
        depth.append("spray not judged")
    word = f"{ACTION_SYMBOLS[action]} {ACTION_WORDS[action]}"
    return chip(view, word, ", ".join(depth), ACTION_ROLES[action])


def chip(view: View, word: str, rest: str, role: str) -> Row:
    """Return a word on its role's ground, and the rest beside it."""
    return [view.say(f" {word} ", role), view.say("  "), view.say(rest, "strong")]
