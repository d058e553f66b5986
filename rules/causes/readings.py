"""Keeps the numbers of ``signatures`` up to date, decision by decision, in constant memory.

They need no memory but a few sums: short averages (a fifth of a second) of what is, and this
car's own healthy level of the same number (averaged over at most eight healthy seconds), so that a
sensor's gain or a rig's rounded figures don't count as a fault.

This is advice for whoever looks for the fault, no part of any action: exp is allowed here.
"""

from math import inf, nan
from typing import Final

from rules.causes.averages import Average, Level
from rules.causes.signatures import SIGNATURE_NAMES, Signature
from rules.causes.spray_due import line_due_kpa, methanol_due
from rules.channels import (
    BOOST,
    CHANNEL_NAMES,
    COLUMN_OF,
    COMMAND_PCT,
    COMMANDED,
    DELIVERED,
    DRY_INTAKE,
    ENGINE_SPEED,
    INTAKE,
    KNOCK,
    LAMBDA,
    LINE,
    SUPPLY,
    TANK,
)
from rules.facts import CommandKind, Rig
from rules.step.evidence import CALM_NATS
from rules.step.from_rig import constants_of
from rules.step.hydraulics import full_flow_ml_min
from rules.step.state import HEALTHY, IMPLAUSIBLE, STUCK, Decision

_SHORT_S: Final = 0.2
_SETTLED_S: Final = 0.6  # spray under way this long: line and sensors have caught up
_UNCOMMANDED_S: Final = 0.8
_SEEN_WITHIN_S: Final = 1.0  # one damaged sample does not take a channel away
_BIN_KPA: Final = 25.0
_SURELY_DUE_KPA: Final = 15.0  # above the onset, where there is so much
_N_BINS: Final = 20
_HEALTHY_SUPPLY_V: Final = 13.0  # a 12 V system charging, under load; common practice, no source
_LEAST_TANK_ML: Final = 60.0
_LEAST_METHANOL_PCT: Final = 10.0  # below it lambda hardly shows the spray
_N_SHARES: Final = 5  # line pressure has an own level for each fifth of full command
_BEYOND: Final = 1.12  # a flow last seen above this, now beyond what is plausible, is still high
_MEASURE_S: Final = 0.15  # probe and thermistor lag behind a command that stands still
_LEARN_S: Final = 0.3
_SURE_S: Final = 0.1  # of steady running confirm what the engine's sensors said before
_MOST_OFF: Final = 0.35  # a step is no ripple
_LEAST_DUE: Final = 0.03  # of 1/lambda: less drowns in the probe's noise


class Readings:
    """Keeps every signature's number up to date, in constant memory.

    Args:
        rig: The rig whose guard makes the decisions.

    Attributes:
        x: Newest number of each signature, by its name; NaN before it was seen.
    """

    def __init__(self, rig: Rig) -> None:
        self.change(rig)
        self.x: dict[str, float] = dict.fromkeys(SIGNATURE_NAMES, nan)
        self._clock_s = nan
        self._seen_s = dict.fromkeys(CHANNEL_NAMES, -1e9)
        self._a = {
            name: Average(lag_s)
            for name, lag_s in (
                ("delivered", _SHORT_S),
                ("expected", _SHORT_S),
                ("line", _SHORT_S),
                ("line_due", _SHORT_S),
                ("quick", 0.12),
                ("above", 0.3),
                ("below", 0.3),
                ("supply", 0.15),
                ("boost", 0.5),
                ("intake", 0.15),
                ("drop", 0.15),
                ("lambda", 0.2),
                ("due", 0.2),
                ("knock", 0.15),
                ("command", _SHORT_S),
                ("command_due", _SHORT_S),
                ("uncommanded", 0.4),
                ("tank", 0.4),
                ("tank_slow", 1.6),
                ("used", 0.4),
                ("used_slow", 1.6),
            )
        }
        self._own = {name: Level() for name in ("flow", "ripple", "supply", "change")}
        self._bins = {
            name: [Level() for _ in range(_N_BINS)]
            for name in ("intake", "drop", "lambda", "knock")
        }
        self._line_own = [Level() for _ in range(_N_SHARES)]
        self._pending: dict[str, float] = {}
        self._waiting: dict[str, float] = {}
        self._pending_s = 0.0
        self._steady_s = 0.0
        self._spraying_s = 0.0
        self._idle_s = 0.0
        self._before = nan
        self._still_s = 0.0
        self._fall_from = nan
        self._fall_s = 0.0
        self._used_ml = 0.0

    def change(self, rig: Rig) -> None:
        """Read by another rig from now on, as ``Guard.change`` judges by it."""
        self._rig = rig
        self._k = constants_of(rig)
        self._floor = rig.flow_sensor.floor_ml_min
        self._gate = 4.0 * rig.flow_sensor.floor_ml_min
        self._logged = rig.command.kind in (CommandKind.LOG_FLOW, CommandKind.LOG_PERCENT)
        self._methanol = rig.spray.methanol_mass_pct >= _LEAST_METHANOL_PCT
        names = {terms.name for terms in rig.channels}
        self._by_percent = rig.command.kind is CommandKind.LOG_PERCENT or (
            "commanded_ml_min" not in names and "command_pct" in names
        )
        by_flow = self._k.witness_column == DELIVERED
        self._witness = ("delivered", "expected") if by_flow else ("line", "line_due")
        self._by_charge = self._k.witness_column == INTAKE
        self._least_tank_ml = max(_LEAST_TANK_ML, 0.02 * rig.spray.tank_ml)
        self._lag_s = max(rig.flow_sensor.lag_s, 0.01)

    def available(self, signature: Signature, without: tuple[str, ...] = ()) -> bool:
        """Whether a signature has a reading from channels that are healthy now.

        Args:
            signature: The signature.
            without: Channels to take as missing.
        """
        known = self.x[signature.name] == self.x[signature.name]
        return known and not self._lacking(signature, without)

    def missing(self, signature: Signature, without: tuple[str, ...] = ()) -> tuple[str, ...]:
        """Return the channels for want of which a signature has no reading.

        Where all are there but were not seen under healthy spray yet, all of them.
        """
        return self._lacking(signature, without) or self.channels_of(signature)

    def _lacking(self, signature: Signature, without: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(
            name
            for name in self.channels_of(signature)
            if name in without or self._clock_s - self._seen_s[name] > _SEEN_WITHIN_S
        )

    def channels_of(self, signature: Signature) -> tuple[str, ...]:
        """Return the channels a signature needs on this rig."""
        if signature.name == "command" and self._by_percent:
            return ("command_pct",)
        return signature.channels

    def take(self, d: Decision) -> None:
        """Take a decision into account; one no newer than the last changes nothing.

        Time is the guard's own, which goes on where the device's clock starts again.
        """
        if d.late != 0.0 or d.clock_s <= self._clock_s:
            return
        dt_s = min(d.clock_s - self._clock_s, 0.5) if self._clock_s == self._clock_s else 0.0
        self._clock_s = d.clock_s
        for name in CHANNEL_NAMES:
            if d.health[COLUMN_OF[name]] == HEALTHY:
                self._seen_s[name] = d.clock_s
        # A line that comes off takes the reading past what is plausible within a tenth of a second;
        # the last good value, held since, was on its way up there.
        beyond = d.health[DELIVERED] == IMPLAUSIBLE and (
            self.x["flow"] > _BEYOND
            or d.value[DELIVERED] > _BEYOND * max(d.expected_ml_min, self._gate)
        )
        if d.health[DELIVERED] == STUCK or beyond:
            self._seen_s["delivered_ml_min"] = d.clock_s
        if d.health[BOOST] != HEALTHY:
            return
        spraying = d.expected_ml_min > self._gate
        self._spraying_s = self._spraying_s + dt_s if spraying else 0.0
        idle = d.expected_ml_min < 0.5 * self._floor
        self._idle_s = self._idle_s + dt_s if idle else 0.0
        # Lags stop mattering once the command stands still.
        moving = abs(d.commanded_ml_min - d.expected_ml_min)
        level = abs(self._a["boost"].take(d.boost_kpa, dt_s) - d.boost_kpa) < 12.0
        steady = level and moving < 0.12 * d.expected_ml_min + 0.5 * self._floor
        settled = self._spraying_s > _SETTLED_S
        flow = d.health[DELIVERED] in (HEALTHY, STUCK)
        if flow:
            self._stillness(d, dt_s)
            self._fall(d, dt_s)
            self._flow(d, dt_s, settled and steady)
        elif beyond and settled:
            least = d.value[DELIVERED] / d.expected_ml_min
            self.x["flow"] = self.x["flow"] if self.x["flow"] > least else least
        self._command(d, dt_s)
        healthy = (
            settled
            and steady
            and d.action == 0.0
            and d.evidence < CALM_NATS
            and d.all_healthy == 1.0
            and not self.x["command"] < 0.5
            and self._arrives(d)
        )
        if flow:
            self._own_flow(d, dt_s, settled and steady, healthy)
        self._pump(d, dt_s, settled and steady, healthy)
        self._tank(d, dt_s, settled and steady)
        self._steady_s = self._steady_s + dt_s if settled and steady else 0.0
        if self._steady_s > _MEASURE_S:
            self._engine(d, dt_s, healthy and self._steady_s > _LEARN_S)
        else:
            self._pending.clear()
            self._waiting.clear()
            self._pending_s = 0.0
            for name in ("intake", "drop", "lambda", "due", "knock"):
                self._a[name].value = nan

    def _arrives(self, d: Decision) -> bool:
        """Whether the witness reads about as it should."""
        if self._by_charge:
            return d.charge_due_c == d.charge_due_c and d.charge_wrong == 0.0
        return abs(self._ratio(*self._witness) - 1.0) < 0.15

    def _ratio(self, over: str, under: str) -> float:
        below = self._a[under].value
        return self._a[over].value / below if below > 0.0 else nan

    def _stillness(self, d: Decision, dt_s: float) -> None:
        change = self._own["change"]
        if d.value[DELIVERED] != self._before:
            if 0.0 < self._still_s < 0.3:
                change.learn(self._still_s + dt_s, self._still_s + dt_s)
            self._still_s = 0.0
        else:
            self._still_s += dt_s
        usual_s = min(max(0.05, change.mean), 0.3)
        alive = d.value[DELIVERED] <= 2.0 * self._floor
        self.x["still"] = 0.0 if alive else self._still_s / usual_s

    def _fall(self, d: Decision, dt_s: float) -> None:
        """Watch for a reading that falls further in a sample than the sensor's lag lets it."""
        now = d.value[DELIVERED]
        if self.x["abrupt"] != self.x["abrupt"]:
            self.x["abrupt"] = 0.0
        before = self._before
        self._before = now
        if self._fall_from == self._fall_from:
            self._fall_s += dt_s
            if now > 0.7 * self._fall_from:
                self._fall_from = nan
            elif self._fall_s > 0.12:
                self.x["abrupt"] = 1.0
                self._fall_from = nan
        elif before > self._gate and dt_s < 0.5 * self._lag_s:
            allowed = before * (2.5 * dt_s / self._lag_s + 0.1) + self._floor
            if before - now > allowed:
                self._fall_from = before
                self._fall_s = 0.0
        if d.expected_ml_min > self._gate and now > 0.85 * d.expected_ml_min:
            self.x["abrupt"] = 0.0

    def _flow(self, d: Decision, dt_s: float, settled: bool) -> None:
        delivered = d.value[DELIVERED]
        a = self._a
        if d.expected_ml_min > self._gate and (settled or self._spraying_s <= _SETTLED_S):
            a["delivered"].take(delivered, dt_s)
            a["expected"].take(d.expected_ml_min, dt_s)
        if self._idle_s > _UNCOMMANDED_S:
            self.x["uncommanded"] = a["uncommanded"].take(delivered, dt_s) / self._floor
        if not settled:
            a["quick"].value = nan
            return
        quick = a["quick"].take(delivered, dt_s)
        scale = max(quick, 0.15 * d.expected_ml_min)
        off = min(max((delivered - quick) / scale, -_MOST_OFF), _MOST_OFF)
        # A fall or a rise lies on one side; what ripples lies on both.
        a["above"].take(max(off, 0.0) ** 2, dt_s)
        a["below"].take(min(off, 0.0) ** 2, dt_s)

    def _own_flow(self, d: Decision, dt_s: float, settled: bool, healthy: bool) -> None:
        ratio = self._ratio("delivered", "expected")
        own = self._own["flow"]
        spread = self._own["ripple"]
        square = 2.0 * min(self._a["above"].value, self._a["below"].value)
        if healthy:
            own.learn(ratio, dt_s, 0.06)
            spread.learn(square, dt_s)
        if settled:
            self.x["flow"] = ratio / (own.mean if own.known else 1.0)
        if settled and square == square:
            usual = max(spread.mean, 4e-4) if spread.known else 2.5e-3
            self.x["ripple"] = (square / usual) ** 0.5

    def _command(self, d: Decision, dt_s: float) -> None:
        if self._logged:
            # The log is the law here, so only boost can say that something was due.
            onset_kpa, top_kpa = self._rig.command.start_boost_kpa, self._rig.paid.boost_kpa[-1]
            if d.boost_kpa > onset_kpa + min(_SURELY_DUE_KPA, 0.5 * (top_kpa - onset_kpa)):
                commanded = 1.0 if d.commanded_ml_min > 0.5 * self._floor else 0.0
                self.x["command"] = self._a["command"].take(commanded, dt_s)
            return
        if self._by_percent:
            health, commanded = d.health[COMMAND_PCT], 0.01 * d.value[COMMAND_PCT]
            commanded *= full_flow_ml_min(self._k, d.boost_kpa)
        else:
            health, commanded = d.health[COMMANDED], d.value[COMMANDED]
        if health == HEALTHY and d.commanded_ml_min > self._gate:
            self._a["command"].take(commanded, dt_s)
            self._a["command_due"].take(d.commanded_ml_min, dt_s)
            self.x["command"] = self._ratio("command", "command_due")

    def _pump(self, d: Decision, dt_s: float, settled: bool, healthy: bool) -> None:
        if settled and d.health[SUPPLY] == HEALTHY:
            supply_v = self._a["supply"].take(d.value[SUPPLY], dt_s)
            own = self._own["supply"]
            if healthy:
                own.learn(supply_v, dt_s, 0.04 * supply_v)
            if own.known:
                self.x["supply"] = supply_v / own.mean
            elif supply_v < 18.0:
                self.x["supply"] = supply_v / _HEALTHY_SUPPLY_V
        if not settled or d.health[LINE] != HEALTHY:
            return
        due_kpa = line_due_kpa(self._k, d)
        if due_kpa != due_kpa:
            return
        self._a["line"].take(d.value[LINE], dt_s)
        self._a["line_due"].take(due_kpa, dt_s)
        ratio = self._ratio("line", "line_due")
        share = d.commanded_ml_min / full_flow_ml_min(self._k, d.boost_kpa)
        own = self._line_own[min(int(share * _N_SHARES), _N_SHARES - 1)]
        if healthy and abs(ratio - 1.0) < 0.25:
            own.learn(ratio, dt_s, 0.012)
        if own.known:
            self.x["line"] = ratio / own.mean
        elif not any(level.known for level in self._line_own):
            # Without any level of this car's the rig's figures must do, and they are rounded.
            self.x["line"] = 1.0 + 0.4 * (ratio - 1.0)

    def _tank(self, d: Decision, dt_s: float, settled: bool) -> None:
        if d.health[TANK] != HEALTHY:
            return
        a = self._a
        tank = a["tank"].take(d.value[TANK], dt_s)
        slow = a["tank_slow"].take(d.value[TANK], dt_s)
        self.x["tank"] = tank / self._least_tank_ml
        self._used_ml += d.value[DELIVERED] / 60.0 * dt_s
        used = a["used"].take(self._used_ml, dt_s) - a["used_slow"].take(self._used_ml, dt_s)
        # Two averages of a ramp lie apart by the ramp times the difference of their lags.
        # Only in steady spray: fluid swings when the driver's foot moves.
        if not settled or d.health[DELIVERED] == IMPLAUSIBLE:
            return
        self.x["tank_rate"] = ((slow - tank) - used) / (a["tank_slow"].lag_s - a["tank"].lag_s)

    def _engine(self, d: Decision, dt_s: float, healthy: bool) -> None:
        above_kpa = d.boost_kpa - min(self._rig.command.start_boost_kpa, 0.0)
        i = min(max(int(above_kpa / _BIN_KPA), 0), _N_BINS - 1)
        a = self._a
        if d.health[INTAKE] == HEALTHY:
            intake_c = a["intake"].take(d.value[INTAKE], dt_s)
            # Any intake warms in a pull as the intercooler soaks, so its level follows.
            self._against_own("cooling", "intake", i, intake_c, healthy, dt_s, inf)
            if d.health[DRY_INTAKE] == HEALTHY:
                drop_k = a["drop"].take(d.value[DRY_INTAKE] - d.value[INTAKE], dt_s)
                self._against_own("drop", "drop", i, drop_k, healthy, dt_s, 2.0)
        if d.health[LAMBDA] == HEALTHY and self._methanol:
            self._mixture(d, dt_s, i, healthy)
        if d.health[KNOCK] == HEALTHY:
            knock = a["knock"].take(d.value[KNOCK], dt_s)
            self._against_own("knock", "knock", i, knock, healthy, dt_s, 0.6)
        self._pending_s += dt_s
        if self._pending_s >= _SURE_S:
            # A lifted foot leans the mixture before boost shows it: only what steady running
            # has outlived by a while counts.
            self.x.update(self._waiting)
            self._waiting = dict(self._pending)
            self._pending_s = 0.0

    def _mixture(self, d: Decision, dt_s: float, i: int, healthy: bool) -> None:
        """Set which share of the methanol due is missing from the mixture.

        1/lambda is what the petrol needs of the air plus what the methanol needs; the first is this
        car's own at each boost, the second follows from spray due and air (speed-density).
        """
        if d.health[ENGINE_SPEED] != HEALTHY or d.value[ENGINE_SPEED] < 500.0:
            return
        due = self._a["due"].take(methanol_due(self._rig, d), dt_s)
        petrol = 1.0 / self._a["lambda"].take(d.value[LAMBDA], dt_s) - due
        level = self._bins["lambda"][i]
        if level.known and due > _LEAST_DUE:
            self._pending["mixture"] = (level.mean - petrol) / due
        if healthy:
            level.learn(petrol, dt_s, 0.1 * due)

    def _against_own(
        self,
        signature: str,
        quantity: str,
        i: int,
        now: float,
        healthy: bool,
        dt_s: float,
        near: float,
    ) -> None:
        """Note how far a quantity is from its own healthy level at this boost."""
        levels = self._bins[quantity]
        if levels[i].known:
            self._pending[signature] = now - levels[i].mean
        if healthy:
            levels[i].learn(now, dt_s, near)
