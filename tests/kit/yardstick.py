"""A yardstick for the plant's continuous part: the same rates, integrated by SciPy.

The plant steps everything continuous by Euler's rule. Here a drive is recorded step by step: the
state after each, and what the discrete part (driver, spark, spray controller, flow meter, faults)
fed into the rates. Then the same rates are integrated again, with those inputs held over each step,
by ``scipy.integrate.solve_ivp`` at tight tolerance, or by Euler's rule at another step.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import inf
from typing import Any, Final

import numpy as np
from scipy.integrate import solve_ivp

from rules.channels import Sample
from simulator.plant import Car, Scenario
from simulator.plant import layout as at
from simulator.plant.compiled import rates_only
from simulator.plant.kernel import CONTINUOUS

STEP_S: Final = 0.001
OF: Final = {offset: i for i, offset in enumerate(CONTINUOUS)}  # column of a continuous value
CONTINUOUS_AT: Final = np.array(CONTINUOUS)
EFFECTS: Final = tuple(range(at.X_PUMP_DRIVE, at.X_LEAN + 1))
# What the discrete part sets before the rates are worked out, and what it sets after.
BEFORE: Final = np.array(
    (
        at.S_GEAR,
        at.S_NEXT_GEAR,
        at.S_PEDAL,
        at.S_BRAKE_M_S2,
        at.S_CLUTCH_OPEN,
        at.S_CEILING_KPA,
        at.S_TORQUE_SHARE,
        at.S_HEAT_RISE_K,
        at.S_PRIMED,
        at.N_AIM,
        *EFFECTS,
    )
)
AFTER: Final = at.S_PULSE_READING
RTOL: Final = 1e-7
# Two evaluations of the rates make what one leaves for the next (the car's acceleration for the
# slosh, the vapour's first guess) consistent with the state at hand.
_PASSES: Final = 2
# Absolute tolerance of each continuous value, next to RTOL.
_ATOL: Final = {at.S_FILM_KG: 1e-12, at.S_SHAFT: 1e-9, at.S_OPEN: 1e-9, at.S_CUT: 1e-9}


@dataclass(frozen=True, slots=True)
class Recording:
    """A drive, step by step.

    Attributes:
        k: The car's constants.
        start: Its state before the first step.
        states: Its state after each step, (n, S_HELD); algebraic values are those that the step's
            rates were worked out from.
        valve: Valve opening the rates were given, by step.
        due: Healthy flow they were given.
        pulse: Flow meter's reading they were given.
        step_s: The step.
    """

    k: Any
    start: Any
    states: Any
    valve: Any
    due: Any
    pulse: Any
    step_s: float

    def __len__(self) -> int:
        """Return how many steps it has."""
        return len(self.states)

    def of(self, offset: int) -> Any:
        """Return a value after each step."""
        return self.states[:, offset]

    def before(self, offset: int) -> Any:
        """Return a continuous value before each step, as its rates saw it."""
        return np.concatenate(([self.start[offset]], self.states[:-1, offset]))

    @property
    def times_s(self) -> Any:
        """Time after each step."""
        return self.step_s * np.arange(1, len(self) + 1)


def record(
    scenario: Scenario,
    seed: int = 3,
    decide: Callable[[Sample], tuple[float, float]] | None = None,
) -> Recording:
    """Drive a scenario that has one step to the sample, and note every step."""
    car = Car(scenario.rig, scenario, seed, compiled=True)
    k: Any = car.constants
    s: Any = car.state
    assert k[at.K_SUBSTEPS] == 1.0
    act = int(k[at.K_ACTUATION_STEPS])
    start = s.copy()
    states = np.empty((car.samples, at.S_HELD))
    valve, due, pulse = (np.empty(car.samples) for _ in range(3))
    orders = (0.0, inf)
    for i in range(car.samples):
        pulse[i] = s[AFTER]
        for sample in car.step(*orders):
            if decide is not None:
                orders = decide(sample)
        states[i] = s[: at.S_HELD]
        valve[i] = s[at.S_ACTUATION + (i - act) % at.RING]
        due[i] = s[at.S_DUES + (i - act) % at.RING]
    return Recording(k, start, states, valve, due, pulse, float(k[at.K_DT_S]))


class Rates:
    """The plant's rates as a function of time and continuous state, one step's inputs held."""

    def __init__(
        self, drive: Recording, rates: Callable[..., Any] = rates_only, passes: int = _PASSES
    ) -> None:
        self._drive = drive
        self._rates = rates
        self._passes = passes
        self.k = drive.k.copy()
        self.s = drive.start.copy()
        self.d = np.zeros(at.S_HELD)
        self._valve = self._due = 0.0

    def hold(self, i: int) -> None:
        """Hold the inputs of step ``i``."""
        drive = self._drive
        self.s[BEFORE] = drive.states[i, BEFORE]
        self.s[AFTER] = drive.pulse[i]
        self._valve, self._due = float(drive.valve[i]), float(drive.due[i])

    def __call__(self, t_s: float, y: Any) -> Any:
        """Return the rates of ``CONTINUOUS``."""
        s = self.s
        s[at.S_TIME_S] = t_s
        s[CONTINUOUS_AT] = y
        for _ in range(self._passes):
            self._rates(self.k, s, self.d, self._valve, self._due)
        return self.d[CONTINUOUS_AT]


def tolerances() -> Any:
    """Return the absolute tolerance of each continuous value."""
    return np.array([_ATOL.get(offset, 1e-6) for offset in CONTINUOUS])


def integrate(
    drive: Recording, method: str = "RK45", first: int = 0, last: int = 0, rtol: float = RTOL
) -> Any:
    """Return the continuous state after each step from ``first`` to ``last`` (0: the end).

    The integration begins anew at each step, where inputs jump.
    """
    rates = Rates(drive)
    last = last or len(drive)
    before = drive.start if first == 0 else drive.states[first - 1]
    rates.s[: at.S_HELD] = before[: at.S_HELD]
    y = before[CONTINUOUS_AT]
    out = np.empty((last - first, len(CONTINUOUS)))
    atol = tolerances()
    h = drive.step_s
    for i in range(first, last):
        rates.hold(i)
        found = solve_ivp(
            rates, (i * h, (i + 1) * h), y, method=method, rtol=rtol, atol=atol, first_step=0.99 * h
        )
        assert found.success, found.message
        y = found.y[:, -1]
        out[i - first] = y
    return out


def euler(drive: Recording, parts: int = 1) -> Any:
    """Return the continuous state after each step, by Euler's rule in so many parts of a step."""
    rates = Rates(drive, passes=1)
    h = drive.step_s / parts
    rates.k[at.K_DT_S] = h
    y = drive.start[CONTINUOUS_AT]
    floors = [OF[offset] for offset in (at.S_ROAD_M_S, at.S_LINE_KPA, at.S_TANK_ML)]
    out = np.empty((len(drive), len(CONTINUOUS)))
    for i in range(len(drive)):
        rates.hold(i)
        for part in range(parts):
            y = y + h * rates((i * parts + part) * h, y)
            y[floors] = np.maximum(y[floors], 0.0)
        out[i] = y
    return out
