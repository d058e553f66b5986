"""The panels of a run's picture: each draws one thing against time."""

from collections.abc import Sequence
from math import isfinite
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from monitor.pictures.simulating import Outcome
from monitor.words.palette import OKABE_ITO
from rules import channels as ch
from rules.step import state as st
from rules.step.from_rig import constants_of
from simulator.plant.truth import TRUTH_NAMES
from simulator.runs import Block

if TYPE_CHECKING:
    from matplotlib.axes import Axes

INK: Final = "#14171A"
_FAINT: Final = "#858C93"
_BLUE: Final = OKABE_ITO["blue"]
_BAND: Final = "#A9D8F3"  # sky blue, lighter
_ORANGE: Final = OKABE_ITO["orange"]
_RED: Final = OKABE_ITO["vermillion"]


class Columns:
    """What a picture needs: columns by row (``row_s``) and by sample (``truth_s``)."""

    def __init__(self, blocks: Sequence[Block]) -> None:
        rows = np.concatenate([block.rows for block in blocks])
        self.decisions = np.concatenate([block.decisions for block in blocks])
        self.truths = np.concatenate([block.truths for block in blocks])
        self.row_s = np.concatenate([block.came_s for block in blocks])
        self.rows = np.where(rows == ch.NOT_SENT, np.nan, rows)
        self.truth_s = self.truths[:, 0]

    def channel(self, column: int) -> Any:
        """Return a channel by its column in a row; NaN where it was not sent."""
        return self.rows[:, column]

    def decided(self, name: str) -> Any:
        """Return a field of the decision by its name."""
        return st.Decision.named(self.decisions)[name]

    def truth(self, name: str) -> Any:
        """Return a column of the truth by its name."""
        return self.truths[:, TRUTH_NAMES.index(name)]


def _line(axis: "Axes", x: Any, y: Any, colour: str, label: str, **more: Any) -> None:
    if np.isfinite(y).any():
        axis.plot(x, y, color=colour, label=label, **{"linewidth": 1.1, **more})


def _level(axis: "Axes", value: float, colour: str, label: str) -> None:
    """Draw a threshold with its name at the right."""
    axis.axhline(value, color=colour, linewidth=0.9, linestyle=(0, (4, 2)), zorder=1.5)
    axis.annotate(
        label,
        (1.0, value),
        xycoords=("axes fraction", "data"),
        xytext=(-3, 1.5),
        textcoords="offset points",
        ha="right",
        va="bottom",
        fontsize=7,
        color=INK,
        bbox={"facecolor": "white", "alpha": 0.7, "edgecolor": "none", "pad": 0.6},
    )


def _headroom(axis: "Axes", low: float, high: float) -> None:
    """Leave room above the lines for the legend."""
    if not (isfinite(low) and isfinite(high)):
        return
    span = max(high - low, 1e-6)
    axis.set_ylim(low - 0.05 * span, high + 0.32 * span)


def _range(*columns: Any) -> tuple[float, float]:
    kept = np.concatenate([column[np.isfinite(column)] for column in columns])
    return (float(kept.min()), float(kept.max())) if len(kept) else (0.0, 1.0)


def flow(axis: "Axes", data: Columns, outcome: Outcome) -> None:
    """Draw the flow: plausible (a band) and expected in it, commanded, delivered, and the truth."""
    least, most = data.decided("least_ml_min"), data.decided("most_ml_min")
    named = "plausible: any car the rig allows for"
    axis.fill_between(data.row_s, least, most, color=_BAND, linewidth=0.0, label=named)
    commanded = data.decided("commanded_ml_min")
    _line(axis, data.row_s, commanded, _FAINT, "commanded", linewidth=0.9, linestyle="--")
    _line(axis, data.row_s, data.decided("expected_ml_min"), INK, "expected", linewidth=0.7)
    flow = data.truth("true_flow_ml_min")
    _line(axis, data.truth_s, flow, _ORANGE, "truth: out of the nozzles", linewidth=1.0)
    delivered = data.channel(ch.DELIVERED)
    _line(axis, data.row_s, delivered, _BLUE, "delivered, as the sensor reads")
    usual = max(_range(most)[1], _range(flow)[1], _range(commanded)[1], 50.0)
    top = min(_range(delivered)[1], 2.2 * usual)  # one spike must not squeeze the rest
    _headroom(axis, 0.0, max(top, usual))
    axis.set_ylabel("spray flow,\nmL/min", fontsize=8.5)


def debt(axis: "Axes", data: Columns, outcome: Outcome) -> None:
    """Draw evidence and debt, each as a share of the limit at which it acts."""
    k = constants_of(outcome.scenario.rig)
    evidence = data.decided("evidence") / k.limit_nats
    debt = data.decided("debt_ml") / k.cut_ml
    _line(axis, data.row_s, evidence, INK, "evidence", linewidth=1.1)
    _line(axis, data.row_s, debt, _RED, "debt", linewidth=1.3)
    _level(axis, 1.0, _FAINT, "limit: evidence pulls timing, debt cuts boost")
    axis.set_ylim(0.0, 1.15 * min(max(_range(evidence, debt)[1], 1.0), 4.0))
    axis.set_ylabel("evidence, debt,\nof their limits", fontsize=8.5)


def boost(axis: "Axes", data: Columns, outcome: Outcome) -> None:
    """Draw boost, kPa gauge, with the ceiling asked for and the limits."""
    boost = data.channel(ch.BOOST)
    _line(axis, data.row_s, boost, _BLUE, "boost")
    true_boost = data.truth("true_boost_kpa")
    if any(span.channel == "boost_kpa" for span in outcome.spans):
        _line(axis, data.truth_s, true_boost, _ORANGE, "truth")
    ceiling = data.decided("boost_ceiling_kpa")
    ceiling = np.where(np.isfinite(ceiling), ceiling, np.nan)
    asked = "ceiling asked for" if outcome.guarded else "ceiling asked for, not done"
    _line(axis, data.row_s, ceiling, _RED, asked, linewidth=2.0)
    rig = outcome.scenario.rig
    _level(axis, rig.paid.dry_limit_kpa, _FAINT, f"dry limit {rig.paid.dry_limit_kpa:z.0f}")
    if isfinite(rig.limits.boost_kpa.above):
        _level(axis, rig.limits.boost_kpa.above, _FAINT, f"limit {rig.limits.boost_kpa.above:z.0f}")
    low, high = _range(true_boost)
    _headroom(axis, low, max(high, rig.paid.dry_limit_kpa))
    axis.set_ylabel("boost, kPa", fontsize=8.5)


def timing(axis: "Axes", data: Columns, outcome: Outcome) -> None:
    """Draw ignition timing, degrees, and what the guard takes back."""
    timing = data.truth("true_timing_deg")
    pulled = data.truth("true_retard_deg")
    without = timing + pulled
    if (pulled > 0.0).any():
        axis.fill_between(
            data.truth_s, timing, without, where=pulled > 0.0, color=_ORANGE, alpha=0.5,
            linewidth=0.0, label="retard the guard asked for",
        )  # fmt: skip
    if not outcome.guarded and len(data.row_s):
        asked = np.interp(data.truth_s, data.row_s, data.decided("retard_deg"))
        without = np.where(asked > 0.0, timing - asked, np.nan)
        _line(axis, data.truth_s, without, _ORANGE, "where the retard asked for would put it")
    _line(axis, data.truth_s, timing, _BLUE, "ignition timing")
    low, high = _range(timing, without)
    _headroom(axis, low, high)
    axis.set_ylabel("timing, deg", fontsize=8.5)


def intake(axis: "Axes", data: Columns, outcome: Outcome) -> None:
    """Draw the intake temperature, degC: as read, dry where it is read, and the charge's own."""
    charge = data.truth("true_charge_c")
    intake, dry = data.channel(ch.INTAKE), data.channel(ch.DRY_INTAKE)
    _line(axis, data.row_s, dry, _FAINT, "dry intake", linestyle="--")
    _line(axis, data.truth_s, charge, _ORANGE, "truth: charge", linewidth=1.0)
    _line(axis, data.row_s, intake, _BLUE, "intake, as the sensor reads")
    low, high = _range(charge)
    limit = outcome.scenario.rig.limits.intake_c.above
    if isfinite(limit) and limit < high + 25.0:
        _level(axis, limit, _FAINT, f"limit {limit:z.0f}")
        high = max(high, limit)
    _headroom(axis, low, high)
    axis.set_ylabel("intake, °C", fontsize=8.5)


def knock(axis: "Axes", data: Columns, outcome: Outcome) -> None:
    """Draw the knock channel as logged, and the true harm so far at the right."""
    knock, harm = data.channel(ch.KNOCK), data.truth("true_harm")
    unit = "deg" if "knock" in {t.name for t in outcome.scenario.rig.channels} else "not logged"
    _line(axis, data.row_s, knock, _BLUE, "knock (retard), as logged")
    top = max(_range(knock)[1] if np.isfinite(knock).any() else 0.0, 2.0)
    _headroom(axis, 0.0, top)
    axis.set_ylabel(f"knock, {unit}", fontsize=8.5)
    right = axis.twinx()
    right.plot(data.truth_s, harm, color=_RED, linewidth=1.6, linestyle=(0, (5, 1)))
    right.set_ylim(0.0, 1.37 * max(_range(harm)[1], 10.0))
    right.set_ylabel("harm (broken line)", fontsize=8.5, labelpad=2.0)
    right.tick_params(labelsize=8)
    right.spines["top"].set_visible(False)


def tank(axis: "Axes", data: Columns, outcome: Outcome) -> None:
    """Draw the tank's level, mL."""
    true_ml, read_ml = data.truth("true_tank_ml"), data.channel(ch.TANK)
    _line(axis, data.row_s, read_ml, _BLUE, "tank, as the sensor reads")
    _line(axis, data.truth_s, true_ml, _ORANGE, "truth")
    low, high = _range(true_ml)
    low, high = low - 60.0, high + 60.0  # it sloshes
    reserve = outcome.scenario.rig.watch.tank_reserve_ml
    if reserve > 0.0 and low < 2.0 * reserve:
        _level(axis, reserve, _FAINT, f"reserve {reserve:z.0f}")
    _headroom(axis, low, high)
    axis.set_ylabel("tank, mL", fontsize=8.5)


def tank_matters(outcome: Outcome, data: Columns) -> bool:
    """Whether the tank runs low, or drains otherwise than through the nozzles."""
    tank_ml = data.truth("true_tank_ml")
    if not len(tank_ml):
        return False
    sprayed_ml = float(np.trapezoid(data.truth("true_flow_ml_min") / 60.0, data.truth_s))
    used_ml = float(tank_ml[0] - tank_ml[-1])
    low = bool((data.decided("level")[:, st.TANK_LOW] > 0.0).any())
    return low or used_ml > 1.2 * sprayed_ml + 20.0
