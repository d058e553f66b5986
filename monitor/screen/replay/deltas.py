"""Two moments side by side: cursor A, cursor B (or where we stand), and what lies between."""

from dataclasses import dataclass

from monitor.review.decided_log import Decided
from monitor.screen.replay.pages import ScrolledPage
from monitor.screen.view import Row, View
from monitor.words.literal import figure
from monitor.words.palette import ACTION_SYMBOLS, ACTION_WORDS
from rules.channels import CHANNELS, COLUMN_OF, DELIVERED, INTAKE, LINE
from rules.step.from_rig import witness_column
from rules.step.state import HEALTHY, Decision

NAME_CELLS = 24
FIGURE_CELLS = 14
_UNITS = {"degC": "°C", "1": ""}
# What was decided, then what was read; figures of the first are known in every row.
_DECIDED = (
    ("evidence", "evidence", "", 1),
    ("debt, at full flow", "debt_s", "s", 2),
    ("share missing", "missing_share", "", 2),
    ("timing taken back", "retard_deg", "deg", 1),
    ("boost ceiling", "boost_ceiling_kpa", "kPa", 0),
    ("spray asked for", "commanded_ml_min", "mL/min", 0),
)
# And what the witness of the spray should read; the flow's reading stands beside it.
_DUE = {
    DELIVERED: (
        ("spray expected", "expected_ml_min", "mL/min", 0),
        ("spray delivered", "delivered_ml_min", "mL/min", 0),
    ),
    LINE: (("line pressure due", "line_due_kpa", "kPa", 0),),
    INTAKE: (("intake temperature due", "charge_due_c", "°C", 0),),
}
_FINE = {"lambda_ratio": 3, "knock": 1, "timing_deg": 1, "supply_v": 2, "confirmed_retard_deg": 1}
_SHOWN_ABOVE = {"delivered_ml_min"}


@dataclass(frozen=True, slots=True)
class Delta:
    """A quantity at both moments; NaN where it is not known, or there is none."""

    label: str
    unit: str
    decimals: int
    before: float
    after: float

    @property
    def change(self) -> float:
        """After less before; NaN where either is unknown."""
        return self.after - self.before


def deltas(decided: Decided, first: int, second: int) -> list[Delta]:
    """Return every quantity in two rows: what was decided, then each mapped channel's reading.

    A channel that was not healthy has no value, as everywhere.
    """
    one, other, rig = decided.decision(first), decided.decision(second), decided.rig_at(second)
    found = [
        Delta(label, unit, decimals, _finite(one, name), _finite(other, name))
        for label, name, unit, decimals in (*_DECIDED, *_DUE[witness_column(rig)])
    ]
    mapped = {terms.name for terms in rig.channels}
    found += [
        Delta(
            channel.label,
            _UNITS.get(channel.unit, channel.unit),
            _FINE.get(channel.name, 0),
            _reading(one, channel.name),
            _reading(other, channel.name),
        )
        for channel in CHANNELS
        if channel.name in mapped and channel.name not in _SHOWN_ABOVE
    ]
    return found


def _finite(decision: Decision, name: str) -> float:
    return _known(float(getattr(decision, name)))


def _known(value: float) -> float:
    return value if abs(value) < 1e300 else float("nan")


def _reading(decision: Decision, name: str) -> float:
    column = COLUMN_OF[name]
    healthy = decision.health[column] == HEALTHY
    return _known(decision.value[column]) if healthy else float("nan")


class DeltaPage(ScrolledPage):
    """A table of both moments and the change from one to the other."""

    def text(self, view: View, width: int) -> list[Row]:
        """Return the table; without a cursor, how to set one."""
        del width
        room = self._room
        if room.shown is None or room.player is None:
            return []
        title = view.say(" Two moments compared", "strong")
        if not room.cursors:
            how = " Go to the first moment and press a, go to the second and press b."
            return [[title], [], [view.say(how)]]
        here_s = room.player.time_s
        a_s, b_s = (room.cursors.get(letter, here_s) for letter in "ab")
        names = [name if name in room.cursors else "here" for name in ("a", "b")]
        first, second = room.shown.index_at(a_s), room.shown.index_at(b_s)
        heads = [name.upper() if len(name) == 1 else name for name in names]
        hint = "  shift+a and shift+b go there, x clears both"
        rows: list[Row] = [
            [title, view.say(hint, "dim")],
            [],
            _columns(view, "", [*heads, f"{heads[1]} - {heads[0]}"], "", "strong"),
            _columns(
                view,
                "time",
                [f"{figure(a_s, 2)}", f"{figure(b_s, 2)}", _signed(figure(b_s - a_s, 2))],
                "s",
                "ink",
            ),
            _columns(
                view, "action", [_action(room.shown, at) for at in (first, second)], "", "ink"
            ),
        ]
        for delta in deltas(room.shown, first, second):
            units = view.units
            told = [
                units.figure(value, delta.unit, delta.decimals)
                for value in (delta.before, delta.after)
            ]
            # A difference of temperatures has no offset.
            step = "K" if delta.unit == "°C" else delta.unit
            rows.append(
                _columns(
                    view,
                    delta.label,
                    [*told, _signed(units.figure(delta.change, step, delta.decimals))],
                    units.unit(delta.unit),
                    "ink",
                )
            )
        return rows


def _columns(view: View, name: str, figures: list[str], unit: str, role: str) -> Row:
    told = "".join(f"{text:>{FIGURE_CELLS}}" for text in figures)
    return [
        view.say(f" {name:<{NAME_CELLS}}", "dim"),
        view.say(told, role),
        view.say(f" {unit}", "dim"),
    ]


def _action(decided: Decided, index: int) -> str:
    action = int(decided.decision(index).action)
    return f"{ACTION_SYMBOLS[action]} {ACTION_WORDS[action].lower()}"


def _signed(text: str) -> str:
    """Return a figure as the screen shows it, with a plus where it grew."""
    return text if text == "--" or text.startswith("-") or not float(text) else f"+{text}"
