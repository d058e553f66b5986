"""A car on a scripted drive, closed loop: what the failsafe does changes what happens next."""

import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import inf, isnan
from typing import Any, Final

from rules.channels import CHANNEL_NAMES, ROW_WIDTH, Sample
from rules.facts import Rig
from simulator.plant.air import ZERO_C_K
from simulator.plant.charge import wall_k
from simulator.plant.charging import NO_CHARGER, cooler_effectiveness, resting_core_c
from simulator.plant.chassis import IDLE_RPM
from simulator.plant.constants import Constants
from simulator.plant.driver import (
    CRUISE_OF_REDLINE,
    DO_IDLE,
    DO_NOTHING,
    DriverStep,
    rpm_per_m_s,
)
from simulator.plant.faults import NEVER_S, FaultNow, heal
from simulator.plant.hydraulics import RESTING_V
from simulator.plant.kernel import MOST_OVERSPEED, RANGES, advance
from simulator.plant.noise import Draw, block_samples, cycle_draws, sample_draws
from simulator.plant.script import Do, Fault, Scenario, Step
from simulator.plant.sizing import peak_kpa, size
from simulator.plant.state import RING, Rates, State
from simulator.plant.truth import Report, report_of, truth_row
from simulator.plant.tuning import put, tune
from simulator.plant.wire import MOST_ROWS, tick
from simulator.strict import BadInput

NO_CEILING_KPA: Final = 1e300  # infinite, but fit for arithmetic
_DO: Final = tuple(Do)


class PlantLeftRange(BadInput):
    """The simulated car's state left what is physical: the drive asks for what the plant can't do.

    The text is one line that says when, what, and what was expected.
    """


@dataclass(frozen=True, slots=True)
class CarMoment:
    """A car as it was at a moment, to go back to: copies of all that changes while it drives."""

    count: int
    block: int
    fault_count: int
    parts: tuple[Any, Any, Any]  # state, rates, faults


class Car:
    """One car, one drive, one seed.

    Args:
        rig: The car.
        scenario: The drive and its faults.
        seed: 0 or more; the same seed gives the same samples, bit for bit.
        compiled: Run compiled code, which takes seconds to load or compile and is a hundred times
            as quick afterwards; interpreted and compiled agree bit for bit. None: where it is
            loaded already.
        spare: How many faults may be added while it drives; unused they change no bit.

    Attributes:
        samples: How many samples the drive has.
        count: How many are done.
        state: The state.
        constants: The constants.
        faults: The faults, in the scenario's order, then those added, and where each stands;
            of them the first ``constants.fault_count`` count.
    """

    def __init__(
        self,
        rig: Rig,
        scenario: Scenario,
        seed: int,
        *,
        compiled: bool | None = None,
        spare: int = 0,
    ) -> None:
        self._seed = seed
        self._rate_hz = scenario.rate_hz
        self._name = f"scenario {scenario.name}"
        self.samples = round(scenario.duration_s * scenario.rate_hz + 0.4999)
        self._block = -1
        self.count = 0
        k = size(rig, scenario, seed)
        asked = scenario.peak_boost_kpa
        put(k, tune(rig, None if isnan(asked) else asked))
        k.drive_steps = len(scenario.drive)
        k.fault_count = len(scenario.faults)
        steps = _steps(scenario.drive)
        self.constants = k
        self.state = _start(k, steps[0], scenario)
        faults = [_fault_now(fault) for fault in scenario.faults]
        faults += [FaultNow() for _ in range(spare)]
        self.faults: Sequence[FaultNow] = faults
        # What the kernel runs on: those, or where it is compiled what numpy makes of them.
        self._parts: tuple[Any, ...] = (k, self.state, Rates(), steps, self.faults)
        self._compiled: Any = None
        if compiled or (compiled is None and "simulator.plant.compiled" in sys.modules):
            import numpy as np

            from simulator.plant import compiled as plant_compiled

            self._compiled = plant_compiled
            self._parts = (
                k.array(),
                self.state.array(),
                Rates().array(),
                np.concatenate([step.array() for step in steps]),
                np.concatenate([fault.array() for fault in self.faults or [FaultNow()]]),
            )
            self._name_parts()
        self._row: Any = self._floats(ROW_WIDTH)
        self._out: Any = self._floats(MOST_ROWS * ROW_WIDTH)
        self._draws: Any = None
        self._cycles: Any = None
        self._advance: Any = advance if self._compiled is None else self._compiled.advance_one

    @property
    def finished(self) -> bool:
        """Whether the drive, or its log, is over."""
        return self.count >= self.samples or self.state.unplugged == 2.0

    @property
    def report(self) -> Report:
        """What the run has cost so far."""
        return report_of(self.state)

    def step(
        self, retard_deg: float, boost_ceiling_kpa: float, *, ticks: bool = False
    ) -> list[Sample]:
        """Advance by one sample; return what comes down the wire: one row, none, or a few.

        Args:
            retard_deg: Ignition retard asked for, degrees, >= 0.
            boost_ceiling_kpa: Boost ceiling asked for, kPa gauge (infinite: none).
            ticks: Put in rows that only say that time has passed, where nothing comes for a while.

        Both act once the engine controller has reacted.

        Raises:
            PlantLeftRange: See ``check``.
        """
        number = self._fill()
        rows = self._advance(
            *self._parts,
            self._cycles,
            self._draws,
            number,
            float(retard_deg),
            min(float(boost_ceiling_kpa), NO_CEILING_KPA),
            self._row,
            self._out,
        )
        self.check()
        self.count += 1
        out = self._out
        if ticks and self.state.unplugged != 2.0:
            rows = tick(self.state, float(self.state.time_s), out, rows)
        return [
            Sample(*[float(x) for x in out[i * ROW_WIDTH : (i + 1) * ROW_WIDTH]])
            for i in range(rows)
        ]

    def check(self) -> None:
        """Make sure that the state is still physical.

        Raises:
            PlantLeftRange: It is not; what came since the last check is void.
        """
        left = int(self.state.left_range)
        if left == 0:
            return
        one = RANGES[left - 1]
        most = one.most
        if one.field == "speed_rpm":
            most = MOST_OVERSPEED * self.constants.redline_rpm
        found = float(getattr(self.state, one.field))
        raise PlantLeftRange(
            f"{self._name}: the simulated car left what is physical at "
            f"{float(self.state.time_s):z.3f} s: found {one.what} {found:z.4g}{one.unit}, expected "
            f"{one.least:zg} to {most:zg}{one.unit}"
        )

    def block(self) -> tuple[int, int, tuple[Any, ...]]:
        """Return the next samples whose draws are at hand, as a range, and what the kernel runs on.

        The caller runs them all and adds their number to ``count``.
        """
        first = self._fill()
        last = min(block_samples(self._rate_hz), first + self.samples - self.count)
        return first, last, (*self._parts, self._cycles, self._draws, self._row, self._out)

    def add(self, fault: Fault) -> int:
        """Add a fault to those that may still come, and return its number.

        Raises:
            ValueError: No spare one is left.
        """
        number = int(self.constants.fault_count)
        if number >= len(self.faults):
            raise ValueError(f"found {number} faults already, expected no more than that")
        now, added = self.faults[number], _fault_now(fault)
        for name in FaultNow.names():
            setattr(now, name, getattr(added, name))
        self.constants.fault_count = number + 1
        return number

    def escalate(self, number: int, magnitude: float, ramp_s: float = 0.0) -> None:
        """Let a fault grow (or shrink) from what it is now to another magnitude within a time."""
        fault = self.faults[number]
        ramped = fault.onset_s < NEVER_S and ramp_s > 0.0
        fault.ramp_from = fault.now if ramped else 0.0
        fault.ramp_after_s = self.state.time_s - fault.onset_s if ramped else 0.0
        fault.amount, fault.ramp_s = magnitude, ramp_s

    def clear(self, number: int) -> None:
        """End a fault, or keep it from beginning; what it has done to the car stays done."""
        fault = self.faults[number]
        if fault.onset_s >= NEVER_S:
            fault.at_s = NEVER_S
        else:
            fault.for_s = min(fault.for_s, max(self.state.time_s - fault.onset_s, 0.0))

    def truth(self) -> tuple[float, ...]:
        """Return what is true now, in the order of ``TRUTH_NAMES``."""
        if self._compiled is None:
            return truth_row(self.state)
        # Read all at once: a field at a time takes a compiled car's four times as long.
        return truth_row(State(*self._parts[1].item()))

    def moment(self) -> CarMoment:
        """Return this moment, to go back to."""
        _, state, rates, _, faults = self._parts
        copies = self._copies(state, rates, faults)
        return CarMoment(self.count, self._block, int(self.constants.fault_count), copies)

    def go_back(self, moment: CarMoment) -> None:
        """Be as at a moment of this very car's: the same steps then give the same bits."""
        k, steps = self._parts[0], self._parts[3]
        state, rates, faults = self._copies(*moment.parts)
        self._parts = (k, state, rates, steps, faults)
        if self._compiled is None:
            self.state, self.faults = state, faults
        else:
            self._name_parts()
        self.constants.fault_count = moment.fault_count
        self.count = moment.count
        if moment.block not in (self._block, -1):
            self._draw(moment.block)
        self._block = moment.block

    def _copies(self, state: Any, rates: Any, faults: Any) -> tuple[Any, Any, Any]:
        if self._compiled is not None:
            return state.copy(), rates.copy(), faults.copy()
        copies = [FaultNow.copy_of(fault) for fault in faults]
        return State.copy_of(state), Rates.copy_of(rates), copies

    def _name_parts(self) -> None:
        """Have records to read and write by name, in the memory of the compiled kernel's arrays."""
        import numpy as np

        named: list[Any] = [array.view(np.recarray) for array in self._parts]
        self.constants, self.state, self.faults = named[0][0], named[1][0], named[4]

    def _fill(self) -> int:
        """Have this sample's draws ready; return its number among them."""
        block, number = divmod(self.count, block_samples(self._rate_hz))
        if block != self._block:
            self._block = block
            self._draw(block)
            self.state.cycle_at = 0
        return number

    def _draw(self, block: int) -> None:
        samples = block_samples(self._rate_hz)
        k = self.constants
        most = k.cylinders * k.redline_rpm * MOST_OVERSPEED / 120.0
        draws = sample_draws(self._seed, block, samples)
        cycles = cycle_draws(self._seed, block, samples, self._rate_hz, float(most))
        if self._compiled is None:
            self._draws = [Draw(*row) for row in draws.tolist()]
            self._cycles = cycles.tolist()
        else:
            self._draws = Draw.named(draws)
            self._cycles = cycles

    def _floats(self, length: int) -> Any:
        if self._compiled is None:
            return [0.0] * length
        import numpy as np

        return np.zeros(length)


def run(
    scenario: Scenario, seed: int | None = None, *, compiled: bool | None = None
) -> Iterator[Sample]:
    """Drive a scenario to its end, row by row, its engine left alone.

    Args:
        scenario: What to drive.
        seed: 0 or more; None takes the scenario's own.
        compiled: As for ``Car``.
    """
    seed = scenario.seed if seed is None else seed
    car = Car(scenario.rig, scenario, seed, compiled=compiled)
    while not car.finished:
        yield from car.step(0.0, inf)


def _steps(drive: tuple[Step, ...]) -> list[DriverStep]:
    steps = []
    ends_s = 0.0
    for i, step in enumerate(drive):
        ends_s += step.for_s
        ahead = next((s for s in drive[i + 1 :] if s.do is not Do.LIFT), None)
        steps.append(
            DriverStep(
                do=_DO.index(step.do),
                ends_s=ends_s,
                gear=step.gear,
                pedal=-1.0 if isnan(step.throttle_pct) else 0.01 * step.throttle_pct,
                ahead=DO_NOTHING if ahead is None else _DO.index(ahead.do),
                ahead_gear=0 if ahead is None else ahead.gear,
            )
        )
    return steps


def _fault_now(fault: Fault) -> FaultNow:
    return FaultNow(
        kind=int(fault.kind),
        channel=CHANNEL_NAMES.index(fault.channel or "delivered_ml_min"),
        at_s=fault.at_s,
        above_kpa=max(fault.above_boost_kpa, -NEVER_S),
        below_kpa=min(fault.below_boost_kpa, NEVER_S),
        above_rpm=max(fault.above_speed_rpm, -NEVER_S),
        gear=fault.gear,
        amount=fault.magnitude,
        ramp_s=fault.ramp_s,
        for_s=min(fault.for_s, NEVER_S),
    )


def _start(k: Constants, first: DriverStep, scenario: Scenario) -> State:
    """Return the state at the start: cruising in the first step's gear, or idling."""
    s = State()
    gear = 0 if first.do == DO_IDLE else first.gear or 2
    s.gear = s.next_gear = gear
    s.clutch_open = 1.0 if gear == 0 else 0.0
    if gear:
        s.road_m_s = CRUISE_OF_REDLINE * k.redline_rpm / rpm_per_m_s(k, gear)
    s.speed_rpm = max(IDLE_RPM, s.road_m_s * rpm_per_m_s(k, gear))
    s.manifold_kpa = 0.4 * k.ambient_kpa
    s.pipe_kpa = k.ambient_kpa
    s.boost_kpa = s.sensed_boost_kpa = s.manifold_kpa - k.ambient_kpa
    s.shaft = 0.02
    s.cut = 1.0
    s.core_c = warm_c = resting_core_c(k)
    if k.charger == NO_CHARGER:
        warm_c = k.ambient_c + cooler_effectiveness(k, 0.0) * (warm_c - k.ambient_c)
    s.dry_c = s.charge_c = s.end_c = warm_c
    s.sensed_intake_c = s.sensed_dry_c = warm_c
    s.wall_c = wall_k(0.2) - ZERO_C_K
    s.exhaust_k = 850.0
    s.exhaust_c = 560.0
    s.lambda_ratio = s.seen_lambda = 1.0
    s.torque_share = 1.0
    s.best_deg = s.spark_deg = 25.0
    s.supply_v = RESTING_V
    s.line_kpa = s.sensed_line_kpa = k.crack_kpa if k.crack_kpa < 1e9 else 0.8 * k.shut_off_kpa
    if k.follows_command > 0.0:
        s.line_kpa = s.sensed_line_kpa = 0.0  # no valve holds any pressure
    s.tank_ml = min(scenario.tank_ml, k.tank_ml)
    s.ceiling_kpa = NO_CEILING_KPA
    s.peak_charge_c = s.peak_boost_kpa = -100.0
    s.ceilings_kpa = [NO_CEILING_KPA] * RING
    heal(s)
    return s


def tuned_kpa(scenario: Scenario) -> float:
    """Return the boost a scenario's car is tuned to, kPa gauge."""
    return peak_kpa(scenario.rig, scenario.peak_boost_kpa)
