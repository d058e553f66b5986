"""How soon missing spray is handled, and how slow rows may come: reckoned from the rig alone.

What the witness of the spray (the flow sensor, or the line's pressure) will read is worked out in
closed form; evidence, debt and the ladder's thresholds are then the decision code's own, fed with
that reading row by row.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import exp, hypot, inf, sqrt
from typing import Final, Protocol

from rules.channels import BOOST, DELIVERED, INTAKE, LINE
from rules.facts import Rig
from rules.petrol import injector_duty_pct, petrol_kg_s, pull_from_rpm
from rules.step.charge import weigh_charge
from rules.step.command import commanded_flow_ml_min
from rules.step.constants import Constants
from rules.step.evidence import weigh
from rules.step.from_rig import constants_of
from rules.step.health import PAUSES
from rules.step.hydraulics import full_flow_ml_min, line_due_kpa, stalled_kpa
from rules.step.ladder import debt_level
from rules.step.line import FILLS_S, LEAST_COMMAND, weigh_line
from rules.step.state import CUT, NO_ACTION, PULL, UNDER_DELIVERY, WARN, State
from rules.step.step import fresh_state

LONGEST_S: Final = 8.0  # what has led to nothing by then counts as never

# Of twenty cars nineteen are off by less than this share of a tolerance (any value within it is as
# likely as another), and of twenty readings nineteen by less than so many standard deviations.
_OFF: Final = 0.9
_SDS: Final = 1.645
_SETTLED: Final = 8.0  # lags
_SLOWEST_MS: Final = 500
_QUICK_MS: Final = 10  # from one row to the next: no usual log is quicker
_PHASES: Final = 4
SATURATES: Final = 0.5  # of full spray: what is more hardly cools a charge, as in the plant
_DRY_C: Final = 70.0
_SETTLES_S: Final = 10.0
_STEP_S: Final = 0.005
_PULSE_ML: Final = 1.0 / 22.0  # of a small turbine wheel; common practice, no source


@dataclass(frozen=True, slots=True)
class Handled:
    """How long after a fault the engine has each action, s.

    Of twenty such faults nineteen are handled within these times (95th percentile); infinite: more
    than one of them never is.

    Attributes:
        warn_s: The warning.
        pull_s: Timing is pulled.
        cut_s: Boost is cut.
    """

    warn_s: float
    pull_s: float
    cut_s: float


def handled(
    rig: Rig,
    boost_kpa: float,
    due_ml_min: float,
    missing_share: float,
    period_s: float,
    *,
    clog: bool = False,
) -> Handled:
    """Return how soon a loss of spray is handled, at a boost and a command that stand still.

    Where all is missing the pump has stopped, and the line runs down first: what it holds lasts
    the longer the less is due. A smaller share goes at once.

    All of the sensor's delay and lag count (part of them is the valve's, for which no fault waits,
    but no rig can tell how much), evidence and debt, the shortfall that outlasts, the row that
    comes only a period later, the reading held until then, and the controller's reaction. To
    that come errors of the delay and of the reading (gain and noise, both of which go with the
    flow), each at its own 95th percentile: the root of the sum of their squares.

    Args:
        rig: The rig.
        boost_kpa: Boost, gauge.
        due_ml_min: Flow that is due, >= 0.
        missing_share: Share of it that does not arrive, > 0 to 1.
        period_s: Time from one row to the next, > 0.
        clog: A clog takes that share, no weak pump: where the line's pressure must tell, it rises.
    """
    k = constants_of(rig)
    by_flow = k.witness_column == DELIVERED
    sensor, line, charge = rig.flow_sensor, rig.line_sensor, rig.charge_sensor
    lag_s = {DELIVERED: sensor.lag_s, LINE: line.lag_s}.get(k.witness_column, charge.lag_s)
    full_ml_min = full_flow_ml_min(k, boost_kpa)
    run_down_s = 0.0
    if clog:
        lag_s += _fills_s(k, boost_kpa, rig.spray.pump.run_down_s)
    elif missing_share >= 1.0 and due_ml_min > 0.0:
        run_down_s = rig.spray.pump.run_down_s * max(full_ml_min / due_ml_min, 1.0)

    def came_s(late_s: float, high: float) -> tuple[float, float, float]:
        delay_s = sensor.delay_s + late_s if by_flow else 0.0

        def flow_share(at_s: float) -> float:
            since_s = at_s - delay_s
            if since_s <= 0.0:
                return 1.0
            return 1.0 - missing_share * (since_s / run_down_s if since_s < run_down_s else 1.0)

        settled_s = delay_s + run_down_s + _SETTLED * lag_s
        off = 1.0 - high if clog else 1.0 + high
        witness: _Witness = _Gauge(k, boost_kpa, due_ml_min, lag_s, off, flow_share, clog=clog)
        if k.witness_column == INTAKE:
            witness = _Thermistor(k, boost_kpa, lag_s + late_s, 1.0 - high, flow_share)
        elif by_flow:
            witness = _Meter(due_ml_min, sensor.lag_s, 1.0 + high, _PULSE_ML, flow_share)
        return _came_s(k, boost_kpa, due_ml_min, witness, max(_STEP_S, period_s), settled_s)

    usual = came_s(0.0, 0.0)
    late_s = {DELIVERED: sensor.delay_within_s, INTAKE: charge.lag_within_s}
    late = came_s(_OFF * late_s.get(k.witness_column, 0.0), 0.0)
    # Noise averages out over the time in which it is looked at.
    noise, within, lasts_s = {
        DELIVERED: (sensor.noise, sensor.gain_within, 2.0 * sensor.noise_lasts_s),
        LINE: (line.noise, line.gain_within, 2.0 * line.noise_lasts_s),
    }.get(k.witness_column, (sqrt(k.charge_noise_sq), k.drop_within, 2.0 * charge.noise_lasts_s))
    noise *= _SDS * sqrt(lasts_s / (lasts_s + min(usual[1], LONGEST_S)))
    high = came_s(0.0, hypot(_OFF * within, noise))
    after_s = period_s + rig.fault_intervals.reaction_s + (sensor.refresh_s if by_flow else 0.0)
    return Handled(
        *(
            inf if inf in (b, c) else a + hypot(b - a, c - a) + after_s
            for a, b, c in zip(usual, late, high, strict=True)
        )
    )


def frozen_s(rig: Rig, period_s: float) -> float:
    """Return how soon the engine has the action for a witness that freezes under spray, s.

    Readings in coarse steps are given longer. Infinite where nothing is done about blindness.

    Args:
        rig: The rig.
        period_s: Time from one row to the next, > 0.
    """
    k = constants_of(rig)
    if k.on_blind < PULL:
        return inf
    held_s = rig.flow_sensor.refresh_s if k.witness_column == DELIVERED else 0.0
    still_s = max(k.stuck_after_s[k.witness_column], PAUSES * max(held_s, period_s))
    return still_s + rig.ladder.blind_after_s + period_s + rig.fault_intervals.reaction_s


def least_due_ml_min(rig: Rig, boost_kpa: float) -> float:
    """Return the least flow that is due at a boost (kPa gauge) in a pull, mL/min.

    By the rig's own command, at the injector duty where a pull begins to have full boost. What a
    log commands is not known beforehand: full flow then.
    """
    k = constants_of(rig)
    speed_rpm = pull_from_rpm(rig)
    duty_pct = injector_duty_pct(rig, petrol_kg_s(rig, boost_kpa, speed_rpm), speed_rpm)
    return commanded_flow_ml_min(k, boost_kpa, duty_pct, inf, 100.0)


def least_found_share(k: Constants) -> float:
    """Return the least share of the expected flow that is found to be missing, 0 to 1.

    Less may be the gain of an honest sensor; beyond that half of the smallest shortfall looked for
    goes unfound (see ``evidence``). By the line's pressure: where a pump gives so much less, at
    full flow and the highest boost of the table of paid timing. By the charge's temperature: what
    a saturated charge can do without.
    """
    if k.witness_column == DELIVERED:
        return k.gain_within + 0.5 * k.size[0]
    if k.witness_column == INTAKE:
        return SATURATES
    boost_kpa, due_kpa = _line_at_the_top(k)
    back_kpa = boost_kpa + k.check_valve_kpa
    left_kpa = due_kpa * (1.0 - k.line_gain_within - 0.5 * k.size[0])
    return 1.0 - sqrt(max(left_kpa - back_kpa, 0.0) / max(due_kpa - back_kpa, 1.0))


def least_clog_share(k: Constants, low: float = 0.0) -> float:
    """Return the least share that a clog must take for the line's pressure to tell it, 0 to 1.

    Infinite where pump and regulator don't let the pressure rise so far: no clog is told then.
    At full flow and the highest boost of the table of paid timing, where the line reads by the
    share ``low`` less than it should.
    """
    _, due_kpa = _line_at_the_top(k)
    told_kpa = due_kpa * (1.0 + k.line_gain_within + 0.5 * k.size[0]) / (1.0 - low)
    if told_kpa >= min(k.shut_off_kpa, k.regulated_kpa):
        return inf
    return (told_kpa - due_kpa) / (k.shut_off_kpa - due_kpa)


def not_seen(rig: Rig) -> list[str]:
    """Return what a rig without a flow sensor can't see of missing spray, a clause each."""
    k = constants_of(rig)
    if k.witness_column != LINE:
        return []
    clog = least_clog_share(k)
    small = "any clog or closed valve, since the regulator holds the line's pressure"
    if clog < 1.0:
        small = f"a clog that takes less than {100.0 * clog:z.0f} % of full flow"
        worst = least_clog_share(k, k.line_gain_within)
        least = f"less than {100.0 * worst:z.0f} %" if worst < 1.0 else "any"
        small += f"; {least} where the line reads as low as [line_sensor] gain_within allows"
    return [
        f"what is missing while less than {100.0 * LEAST_COMMAND:z.0f} % of full flow is "
        "commanded: the line's pressure hardly depends on it",
        small,
        "a pump that stops while the valve shuts: the pressure they trap may be as due",
        "spray that nobody asked for (a siphon, a valve that hangs), which can fill a cylinder: "
        "no sensor counts what flows",
        "whether the line's pressure reads right: no other channel contradicts it, so a sensor "
        "that fails is acted on as missing spray, or as blindness",
    ]


def _fills_s(k: Constants, boost_kpa: float, run_down_s: float) -> float:
    """Return the lag with which a clogged line fills up along the pump's curve, s.

    A line that gives back for ``run_down_s`` through its nozzles takes in, for each kPa, half of
    what full flow makes in that time, over the pressure across them.
    """
    full_ml_min = max(full_flow_ml_min(k, boost_kpa), 1e-9)
    open_kpa = line_due_kpa(k, boost_kpa, full_ml_min, full_ml_min)
    across_kpa = max(open_kpa - boost_kpa - k.check_valve_kpa, 1.0)
    return 0.5 * run_down_s * max(k.shut_off_kpa - open_kpa, 0.0) / across_kpa


def _line_at_the_top(k: Constants) -> tuple[float, float]:
    """Return the highest boost of the table of paid timing, and what the line has at full flow."""
    boost_kpa = k.paid_boost[max(k.n_paid, 1) - 1]
    full_ml_min = max(full_flow_ml_min(k, boost_kpa), 1e-9)
    return boost_kpa, line_due_kpa(k, boost_kpa, full_ml_min, full_ml_min)


def slowest_period_s(rig: Rig, boost_kpa: float) -> float:
    """Return the longest time between rows at which a switched command can be judged, s.

    A command that is switched off and on again between two rows was never seen, and the spray that
    is then missing is the longer the farther the rows are apart: at most so much that timing is not
    pulled for it, with full flow due at a boost (kPa gauge).
    """
    k = constants_of(rig)
    if k.witness_column != DELIVERED:  # a pressure shows the moment of its row alone
        return 1e-3 * _SLOWEST_MS
    full_ml_min = full_flow_ml_min(k, boost_kpa)
    low_ms, high_ms = 1, _SLOWEST_MS
    while high_ms - low_ms > 1:
        middle_ms = (low_ms + high_ms) // 2
        if _pulls_unseen(rig, k, boost_kpa, full_ml_min, 1e-3 * middle_ms):
            high_ms = middle_ms
        else:
            low_ms = middle_ms
    return 1e-3 * low_ms


def longest_period_s(rig: Rig) -> float:
    """Return the longest time between rows at which a pump that stops is handled in time, s.

    At the highest boost of the table of paid timing; never longer than a switched command can be
    judged at, which is all that counts where no rows are near enough.
    """
    boost_kpa = max(rig.paid.boost_kpa, default=0.0)
    due_ml_min = least_due_ml_min(rig, boost_kpa)

    def in_time(period_ms: int) -> bool:
        found = handled(rig, boost_kpa, due_ml_min, 1.0, 1e-3 * period_ms)
        return found.pull_s <= rig.fault_intervals.tolerant_s

    slowest_ms = round(1e3 * slowest_period_s(rig, boost_kpa))
    low_ms, high_ms = min(_QUICK_MS, slowest_ms), slowest_ms + 1
    if not in_time(low_ms):
        return 1e-3 * slowest_ms
    while high_ms - low_ms > 1:
        middle_ms = (low_ms + high_ms) // 2
        if in_time(middle_ms):
            low_ms = middle_ms
        else:
            high_ms = middle_ms
    return 1e-3 * low_ms


def _pulls_unseen(
    rig: Rig, k: Constants, boost_kpa: float, due_ml_min: float, period_s: float
) -> bool:
    """Whether spray that was off from one row to the next, unseen, pulls timing."""
    settled_s = 2.0 * period_s + _SETTLED * rig.flow_sensor.lag_s
    for i in range(_PHASES):
        off_s = i * period_s / _PHASES

        def flow_share(at_s: float, off_s: float = off_s) -> float:
            return 0.0 if off_s < at_s <= off_s + period_s else 1.0

        meter = _Meter(due_ml_min, rig.flow_sensor.lag_s, 1.0, 0.0, flow_share)
        if _came_s(k, boost_kpa, due_ml_min, meter, period_s, settled_s)[1] < inf:
            return True
    return False


class _Witness(Protocol):
    """What feels the spray."""

    def weigh(self, k: Constants, s: State, at_s: float, period_s: float) -> None:
        """Enter what is read at a time, a row after the last, into evidence and debt."""


class _Gauge:
    """The line's pressure after a fault, at times that only go on.

    What passes the nozzles goes with the root of the pressure across them. A clog raises it along
    the pump's curve, while the valve is open, up to where the regulator holds it.
    """

    def __init__(
        self,
        k: Constants,
        boost_kpa: float,
        due_ml_min: float,
        lag_s: float,
        gain: float,
        flow_share: Callable[[float], float],
        *,
        clog: bool,
    ) -> None:
        full_ml_min = max(full_flow_ml_min(k, boost_kpa), 1e-9)
        self._due_kpa = self._reading_kpa = line_due_kpa(k, boost_kpa, due_ml_min, full_ml_min)
        self._back_kpa = boost_kpa + k.check_valve_kpa
        self._lag_s, self._gain = lag_s, gain
        self._flow_share, self._clog = flow_share, clog
        self._open_share = min(due_ml_min / full_ml_min, 1.0)
        self._open_kpa = line_due_kpa(k, boost_kpa, full_ml_min, full_ml_min)
        self._top_kpa = k.shut_off_kpa
        if k.follows_command > 0.0:  # no valve shuts, and a slower pump stalls at less
            self._open_share, self._open_kpa = 1.0, self._due_kpa
            self._top_kpa = stalled_kpa(k, self._due_kpa, due_ml_min)
        self._at_s = 0.0

    def weigh(self, k: Constants, s: State, at_s: float, period_s: float) -> None:
        if s.line_on_s == 0.0:
            s.line_on_s, s.usable[LINE] = FILLS_S, 1.0
            s.line_lagged_kpa = s.line_most_kpa = self._due_kpa
        steps = max(1, round((at_s - self._at_s) / _STEP_S))
        step_s = (at_s - self._at_s) / steps
        kept = exp(-step_s / self._lag_s) if self._lag_s > 0.0 else 0.0
        for i in range(steps):
            share = self._flow_share(self._at_s + (i + 0.5) * step_s)
            kpa = self._back_kpa + share * share * (self._due_kpa - self._back_kpa)
            if self._clog:
                clogged_kpa = share * self._open_kpa + (1.0 - share) * self._top_kpa
                more_kpa = min(clogged_kpa, k.regulated_kpa) - self._open_kpa
                kpa = self._due_kpa + self._open_share * more_kpa
            self._reading_kpa = kpa + (self._reading_kpa - kpa) * kept
        self._at_s = at_s
        s.value[LINE] = self._reading_kpa * self._gain
        weigh_line(k, s, period_s)
        s.evidence = s.line_evidence


class _Thermistor:
    """The intake temperature after a fault in a warm charge, which half of the spray saturates.

    At times that only go on.
    """

    def __init__(
        self,
        k: Constants,
        boost_kpa: float,
        lag_s: float,
        gain: float,
        flow_share: Callable[[float], float],
    ) -> None:
        self._heat = max(boost_kpa, 0.0) / k.top_boost_kpa
        self._drop_k, self._lag_s = k.drop_k * max(gain, 0.0), lag_s
        self._flow_share = flow_share
        self._hotter_k = self._at_s = 0.0

    def weigh(self, k: Constants, s: State, at_s: float, period_s: float) -> None:
        if s.usable[INTAKE] == 0.0:
            self._settle(k, s, period_s)
        steps = max(1, round((at_s - self._at_s) / _STEP_S))
        step_s = (at_s - self._at_s) / steps
        kept = exp(-step_s / self._lag_s) if self._lag_s > 0.0 else 0.0
        for i in range(steps):
            share = self._flow_share(self._at_s + (i + 0.5) * step_s)
            lost_k = self._drop_k * (1.0 - min(share / (1.0 - SATURATES), 1.0))
            self._hotter_k = lost_k + (self._hotter_k - lost_k) * kept
        self._at_s = at_s
        s.value[INTAKE] = _DRY_C - self._drop_k + self._hotter_k
        weigh_charge(k, s, period_s)
        s.evidence = s.charge_evidence

    def _settle(self, k: Constants, s: State, period_s: float) -> None:
        """Begin as after a long healthy pull."""
        s.usable[INTAKE] = s.core_known = 1.0
        s.value[INTAKE] = _DRY_C - self._drop_k
        if k.dry_column > 0:
            s.usable[k.dry_column], s.value[k.dry_column], s.dry_slow_c = 1.0, _DRY_C, _DRY_C
        s.asked_fast = s.asked_slow = s.asked_lasting = 1.0
        s.heat_fast = s.heat_slow = s.heat_lasting = self._heat
        s.core_c = _DRY_C - k.rise_k * self._heat
        for _ in range(round(_SETTLES_S / period_s)):
            weigh_charge(k, s, period_s)


class _Meter:
    """A flow meter's reading after a fault, mL/min, at times that only go on.

    A wheel that stands gives no more pulses; what it reads then is no more than one pulse's volume
    over the time since the last.
    """

    def __init__(
        self,
        due_ml_min: float,
        lag_s: float,
        gain: float,
        pulse_ml: float,
        flow_share: Callable[[float], float],
    ) -> None:
        self._due_ml_min = self._reading = due_ml_min
        self._lag_s, self._gain, self._pulse_ml = lag_s, gain, pulse_ml
        self._flow_share = flow_share
        self._at_s = self._still_s = 0.0

    def weigh(self, k: Constants, s: State, at_s: float, period_s: float) -> None:
        weigh(k, s, self.read(at_s), period_s)
        s.evidence = s.flow_evidence

    def read(self, at_s: float) -> float:
        steps = max(1, round((at_s - self._at_s) / _STEP_S))
        step_s = (at_s - self._at_s) / steps
        kept = exp(-step_s / self._lag_s) if self._lag_s > 0.0 else 0.0
        for i in range(steps):
            share = self._flow_share(self._at_s + (i + 0.5) * step_s)
            raw = share * self._due_ml_min
            if share > 0.0:
                self._still_s = 0.0
            else:
                self._still_s += step_s
                raw = min(self._due_ml_min, 60.0 * self._pulse_ml / self._still_s)
            self._reading += (raw - self._reading) * (1.0 - kept)
        self._at_s = at_s
        return self._reading * self._gain


def _came_s(
    k: Constants,
    boost_kpa: float,
    due_ml_min: float,
    witness: _Witness,
    period_s: float,
    settled_s: float,
) -> tuple[float, float, float]:
    """Return when warning, pull and cut are decided on, s after the fault; infinite: never.

    The fault comes just after a row; what is read no longer falls after ``settled_s``.
    """
    # While the command stands still, all cars of the bank expect the same.
    k.n_cars, k.middle_car = 1, 0
    s = fresh_state(k)
    s.value[BOOST] = boost_kpa
    s.full_now_ml_min = full_flow_ml_min(k, boost_kpa)
    s.expected_ml_min = due_ml_min
    s.bank_most_ml_min = s.car_ml_min[0] = s.commanded_ml_min = due_ml_min
    came_s = [inf, inf, inf]
    worst = NO_ACTION
    at_s = 0.0
    # A pull made late may still lead to a cut, once the shortfall has outlasted it.
    outlasts_s = min(k.outlasts_s, LONGEST_S)
    while worst < CUT and at_s < LONGEST_S + (outlasts_s if worst == PULL else 0.0):
        at_s += period_s
        before = s.evidence
        witness.weigh(k, s, at_s, period_s)
        asked = debt_level(k, s, period_s)
        if asked > s.level[UNDER_DELIVERY]:
            s.level[UNDER_DELIVERY] = asked
        if asked > worst:
            worst = asked
            for i, level in enumerate((WARN, PULL, CUT)):
                if worst >= level and came_s[i] == inf:
                    came_s[i] = at_s
        judged = s.entry_s == 0.0  # where readings are held, not in every row
        if judged and at_s > settled_s and worst < PULL and s.evidence <= before:
            break
    return came_s[0], came_s[1], came_s[2]
