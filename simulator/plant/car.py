"""A car on a scripted drive, closed loop: what the failsafe does changes what happens next."""

import sys
from collections.abc import Callable, Iterator
from math import inf, isnan
from typing import Any, Final

from rules.channels import ROW_WIDTH, Sample
from rules.facts import Rig
from rules.step.vector import Vector
from simulator.plant import layout as at
from simulator.plant.air import ZERO_C_K
from simulator.plant.chassis import IDLE_RPM
from simulator.plant.driver import CRUISE_OF_REDLINE, rpm_per_m_s
from simulator.plant.faults import NEVER_S, heal
from simulator.plant.hydraulics import PICK_UP_ML, RESTING_V
from simulator.plant.kernel import LEAST, MOST, MOST_OVERSPEED, RANGED, advance
from simulator.plant.noise import block_samples, cycle_draws, sample_draws
from simulator.plant.script import KINDS, Do, Fault, Scenario, Step
from simulator.plant.sizing import peak_kpa, size
from simulator.plant.truth import Report, Truth, report_of
from simulator.plant.tuning import put, tune
from simulator.plant.walls import wall_k
from simulator.plant.wire import tick
from simulator.strict import BadInput

_RANGED_WORDS: Final = (  # as ``RANGED``
    ("engine speed", " rpm"),
    ("road speed", " m/s"),
    ("manifold pressure", " kPa absolute"),
    ("charge pipe pressure", " kPa absolute"),
    ("charger energy over its design point", ""),
    ("intercooler temperature", " degC"),
    ("cooling by the spray", " K"),
    ("exhaust temperature", " K"),
    ("spray line pressure", " kPa"),
    ("flow reading", " mL/min"),
)
Decide = Callable[[Sample], tuple[float, float]]

NO_CEILING_KPA: Final = 1e300  # infinite, but fit for arithmetic
_DO: Final = {
    Do.IDLE: at.DO_IDLE,
    Do.CRUISE: at.DO_CRUISE,
    Do.PULL: at.DO_PULL,
    Do.LIFT: at.DO_LIFT,
}


class PlantLeftRange(BadInput):
    """The simulated car's state left what is physical: the drive asks for what the plant can't do.

    The text is one line that says when, what, and what was expected.
    """


class Car:
    """One car, one drive, one seed.

    Args:
        rig: The car.
        scenario: The drive and its faults.
        seed: 0 or more; the same seed gives the same samples, bit for bit.
        compiled: Run compiled code, which takes seconds to load or compile and is a hundred times
            as quick afterwards; interpreted and compiled agree bit for bit. None: where it is
            loaded already.

    Attributes:
        samples: How many samples the drive has.
        count: How many are done.
        delay_s: This car's transport delay from command to flow reading.
        lag_s: This car's lag of the flow reading.
        flow_gain: This car's flow reading over the true flow.
    """

    def __init__(
        self, rig: Rig, scenario: Scenario, seed: int, *, compiled: bool | None = None
    ) -> None:
        self._seed = seed
        self._rate_hz = scenario.rate_hz
        self._name = f"scenario {scenario.name}"
        self.samples = round(scenario.duration_s * scenario.rate_hz + 0.4999)
        self._block = -1
        self.count = 0
        self._faults_script = scenario.faults
        k = size(rig, scenario, seed)
        asked = scenario.peak_boost_kpa
        put(k, tune(rig, None if isnan(asked) else asked))
        k[at.K_N_STEPS] = float(len(scenario.drive))
        k[at.K_N_FAULTS] = float(len(scenario.faults))
        steps = _steps(scenario.drive)
        s = _start(k, steps, scenario)
        vectors = (k, s, [0.0] * at.S_HELD, steps, _faults(scenario.faults))
        self._compiled: Any = None
        if compiled or (compiled is None and "simulator.plant.compiled" in sys.modules):
            import numpy as np

            from simulator.plant import compiled as plant_compiled

            self._compiled = plant_compiled
            vectors = tuple(np.array(v, dtype=np.float64) for v in vectors)  # type: ignore[assignment]
        self._k: Any = vectors[0]
        self._s: Any = vectors[1]
        self._d: Any = vectors[2]
        self._steps: Any = vectors[3]
        self._faults: Any = vectors[4]
        self._row: Any = self._vector(ROW_WIDTH)
        self._out: Any = self._vector(at.MOST_ROWS * ROW_WIDTH)
        self._draws: Any = None
        self._cycles: Any = None
        dt_s = k[at.K_DT_S]
        self.delay_s = (k[at.K_ACTUATION_STEPS] + k[at.K_SENSOR_STEPS]) * dt_s
        self.lag_s = k[at.K_SENSOR_LAG_S] + 0.021
        self.flow_gain = k[at.K_FLOW_GAIN]
        self._advance: Any = advance if self._compiled is None else self._compiled.advance_one

    @property
    def finished(self) -> bool:
        """Whether the drive, or its log, is over."""
        return self.count >= self.samples or self._s[at.S_UNPLUGGED] == 2.0

    @property
    def state(self) -> Vector:
        """The state, in the layout of ``simulator.plant.layout``."""
        state: Vector = self._s
        return state

    @property
    def constants(self) -> Vector:
        """The constants, likewise."""
        constants: Vector = self._k
        return constants

    @property
    def report(self) -> Report:
        """What the run has cost so far."""
        return report_of(self._s)

    @property
    def truth(self) -> Truth:
        """What is really happening."""
        s = self._s
        ceiling_kpa = float(s[at.S_CEILING_KPA])
        return Truth(
            time_s=float(s[at.S_TIME_S]),
            flow_ml_min=float(s[at.S_NOZZLE]),
            missing=float(s[at.S_MISSING]),
            boost_kpa=float(s[at.S_BOOST_KPA]),
            line_kpa=float(s[at.S_LINE_KPA]),
            tank_ml=float(s[at.S_TANK_ML]),
            charge_c=float(s[at.S_CHARGE_C]),
            harm=float(s[at.S_HARM]),
            knocks=int(s[at.S_KNOCKS]),
            heavy_knocks=int(s[at.S_HEAVY_KNOCKS]),
            retard_deg=float(s[at.S_RETARD_DEG]),
            ceiling_kpa=inf if ceiling_kpa >= NO_CEILING_KPA else ceiling_kpa,
            faults=self._active(),
        )

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
            self._k,
            self._s,
            self._d,
            self._steps,
            self._faults,
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
        if ticks and self._s[at.S_UNPLUGGED] != 2.0:
            rows = tick(self._s, float(self._s[at.S_TIME_S]), out, rows)
        return [
            Sample(*[float(x) for x in out[i * ROW_WIDTH : (i + 1) * ROW_WIDTH]])
            for i in range(rows)
        ]

    def check(self) -> None:
        """Make sure that the state is still physical.

        Raises:
            PlantLeftRange: It is not; what came since the last check is void.
        """
        left = int(self._s[at.S_LEFT_RANGE])
        if left == 0:
            return
        most = MOST[left - 1]
        if RANGED[left - 1] == at.S_SPEED_RPM:
            most = MOST_OVERSPEED * self._k[at.K_REDLINE_RPM]
        what, unit = _RANGED_WORDS[left - 1]
        found = float(self._s[RANGED[left - 1]])
        raise PlantLeftRange(
            f"{self._name}: the simulated car left what is physical at "
            f"{float(self._s[at.S_TIME_S]):z.3f} s: found {what} {found:z.4g}{unit}, expected "
            f"{LEAST[left - 1]:zg} to {most:zg}{unit}"
        )

    def block(self) -> tuple[int, int, tuple[Any, ...]]:
        """Return the next samples whose draws are at hand, as a range, and the vectors to run them.

        The caller runs them all and adds their number to ``count``.
        """
        first = self._fill()
        last = min(block_samples(self._rate_hz), first + self.samples - self.count)
        vectors = (self._k, self._s, self._d, self._steps, self._faults, self._cycles)
        return first, last, (*vectors, self._draws, self._row, self._out)

    def _active(self) -> tuple[str, ...]:
        names = [
            fault.kind.word
            for i, fault in enumerate(self._faults_script)
            if self._faults[i * at.FAULT_WIDTH + at.F_NOW] != 0.0
        ]
        s = self._s
        starved = s[at.S_AIR_SHARE] > 0.3 and s[at.X_AIR] == 0.0  # slosh bares the pick-up early
        if (starved or s[at.S_TANK_ML] < PICK_UP_ML) and "empty_tank" not in names:
            names.append("empty_tank")
        return tuple(names)

    def _fill(self) -> int:
        """Have this sample's draws ready; return its number among them."""
        samples = block_samples(self._rate_hz)
        block, number = divmod(self.count, samples)
        if block != self._block:
            self._block = block
            k = self._k
            most = k[at.K_CYLINDERS] * k[at.K_REDLINE_RPM] * MOST_OVERSPEED / 120.0
            draws = sample_draws(self._seed, block, samples)
            cycles = cycle_draws(self._seed, block, samples, self._rate_hz, float(most))
            if self._compiled is None:
                draws, cycles = draws.tolist(), cycles.tolist()
            self._draws, self._cycles = draws, cycles
            self._s[at.S_CYCLE_AT] = 0.0
        return number

    def _vector(self, length: int) -> Any:
        if self._compiled is None:
            return [0.0] * length
        import numpy as np

        return np.zeros(length)


def run(
    scenario: Scenario,
    seed: int | None = None,
    decide: Decide | None = None,
    *,
    compiled: bool | None = None,
) -> Iterator[Sample]:
    """Drive a scenario to its end, row by row.

    Args:
        scenario: What to drive.
        seed: 0 or more; None takes the scenario's own.
        decide: Called with each row; returns the retard (degrees) and the boost ceiling (kPa
            gauge, infinite: none) to ask for from then on. None: the engine is left alone.
        compiled: As for ``Car``.
    """
    seed = scenario.seed if seed is None else seed
    car = Car(scenario.rig, scenario, seed, compiled=compiled)
    retard_deg, ceiling_kpa = 0.0, inf
    while not car.finished:
        for sample in car.step(retard_deg, ceiling_kpa):
            yield sample
            if decide is not None:
                retard_deg, ceiling_kpa = decide(sample)


def _steps(drive: tuple[Step, ...]) -> list[float]:
    rows: list[float] = []
    ends_s = 0.0
    for i, step in enumerate(drive):
        ends_s += step.for_s
        ahead = next((s for s in drive[i + 1 :] if s.do is not Do.LIFT), None)
        pedal = -1.0 if isnan(step.throttle_pct) else 0.01 * step.throttle_pct
        row = [0.0] * at.STEP_WIDTH
        row[at.P_DO] = _DO[step.do]
        row[at.P_ENDS_S] = ends_s
        row[at.P_GEAR] = float(step.gear)
        row[at.P_PEDAL] = pedal
        row[at.P_AHEAD] = at.DO_NOTHING if ahead is None else _DO[ahead.do]
        row[at.P_AHEAD_GEAR] = 0.0 if ahead is None else float(ahead.gear)
        rows += row
    return rows


def _faults(faults: tuple[Fault, ...]) -> list[float]:
    from rules.channels import CHANNEL_NAMES

    rows: list[float] = []
    for fault in faults:
        row = [0.0] * at.FAULT_WIDTH
        row[at.F_KIND] = float(KINDS.index(fault.kind))
        row[at.F_CHANNEL] = float(CHANNEL_NAMES.index(fault.channel or "delivered_ml_min"))
        row[at.F_AT_S] = fault.at_s
        row[at.F_ABOVE_KPA] = max(fault.above_boost_kpa, -NEVER_S)
        row[at.F_BELOW_KPA] = min(fault.below_boost_kpa, NEVER_S)
        row[at.F_ABOVE_RPM] = max(fault.above_speed_rpm, -NEVER_S)
        row[at.F_GEAR] = float(fault.gear)
        row[at.F_AMOUNT] = fault.magnitude
        row[at.F_RAMP_S] = fault.ramp_s
        row[at.F_FOR_S] = min(fault.for_s, NEVER_S)
        row[at.F_ONSET_S] = NEVER_S
        rows += row
    return rows or [0.0]


def _start(k: list[float], steps: list[float], scenario: Scenario) -> list[float]:
    """Return the state at the start: cruising in the first step's gear, or idling."""
    s = [0.0] * at.N_S
    gear = 0.0
    if steps[at.P_DO] != at.DO_IDLE:
        gear = steps[at.P_GEAR] or 2.0
    s[at.S_ENGAGED] = -1.0
    s[at.S_GEAR] = s[at.S_NEXT_GEAR] = gear
    s[at.S_CLUTCH_OPEN] = 1.0 if gear == 0.0 else 0.0
    if gear:
        s[at.S_ROAD_M_S] = CRUISE_OF_REDLINE * k[at.K_REDLINE_RPM] / rpm_per_m_s(k, gear)
    s[at.S_SPEED_RPM] = max(IDLE_RPM, s[at.S_ROAD_M_S] * rpm_per_m_s(k, gear))
    ambient_kpa = k[at.K_AMBIENT_KPA]
    s[at.S_MANIFOLD_KPA] = 0.4 * ambient_kpa
    s[at.S_PIPE_KPA] = ambient_kpa
    s[at.S_BOOST_KPA] = s[at.S_SENSED_BOOST] = s[at.S_MANIFOLD_KPA] - ambient_kpa
    s[at.S_SHAFT] = 0.02
    s[at.S_CUT] = 1.0
    warm_c = k[at.K_AMBIENT_C] + 4.0
    for offset in (
        at.S_CORE_C,
        at.S_DRY_C,
        at.S_CHARGE_C,
        at.S_END_C,
        at.S_SENSED_INTAKE,
        at.S_SENSED_DRY,
    ):
        s[offset] = warm_c
    s[at.S_WALL_C] = wall_k(0.2) - ZERO_C_K
    s[at.S_EXHAUST_K] = 850.0
    s[at.S_HOT_C] = 560.0
    s[at.S_LAMBDA] = s[at.S_SEEN_LAMBDA] = 1.0
    s[at.S_TORQUE_SHARE] = 1.0
    s[at.S_BEST_DEG] = s[at.S_SPARK_DEG] = 25.0
    s[at.S_PUMP] = 0.0
    s[at.S_SUPPLY_V] = RESTING_V
    trapped_kpa = k[at.K_CRACK_KPA] if k[at.K_CRACK_KPA] < 1e9 else 0.8 * k[at.K_SHUT_OFF_KPA]
    s[at.S_LINE_KPA] = s[at.S_SENSED_LINE] = trapped_kpa
    s[at.S_TANK_ML] = min(scenario.tank_ml, k[at.K_TANK_ML])
    s[at.S_CEILING_KPA] = NO_CEILING_KPA
    s[at.S_PEAK_CHARGE_C] = s[at.S_PEAK_BOOST_KPA] = -100.0
    s[at.S_CEILINGS : at.S_CEILINGS + at.RING] = [NO_CEILING_KPA] * at.RING
    heal(s)
    return s


def tuned_kpa(scenario: Scenario) -> float:
    """Return the boost a scenario's car is tuned to, kPa gauge."""
    return peak_kpa(scenario.rig, scenario.peak_boost_kpa)
