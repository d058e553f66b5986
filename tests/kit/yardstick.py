"""A yardstick for the plant's continuous part: the same rates, integrated by SciPy.

The plant steps everything continuous by Euler's rule. Here a drive is recorded step by step: the
state after each, and what the discrete part (driver, spark, spray controller, flow meter, faults)
fed into the rates. Then the same rates are integrated again, with those inputs held over each step,
by ``scipy.integrate.solve_ivp`` at tight tolerance, or by Euler's rule at another step.
"""

from collections.abc import Callable
from dataclasses import dataclass, fields
from math import inf
from typing import Any, Final

import numpy as np
from numpy.lib.recfunctions import repack_fields
from scipy.integrate import solve_ivp

from rules.channels import Sample
from simulator.plant import Car, Scenario
from simulator.plant import state as st
from simulator.plant.constants import Constants
from simulator.plant.state import RING, Continuous, State
from tests.kit.compiled_rates import rates_only

STEP_S: Final = 0.001
CONTINUOUS: Final = Continuous.names()
OF: Final = {name: i for i, name in enumerate(CONTINUOUS)}  # column of a continuous value
# A state without its blocks, which stand at its end.
HEAD: Final = repack_fields(State.dtype()[[one.name for one in fields(State) if not one.metadata]])
# What the discrete part sets before the rates are worked out, and what it sets after.
BEFORE: Final = (
    "gear",
    "next_gear",
    "pedal",
    "brake_m_s2",
    "clutch_open",
    "ceiling_kpa",
    "torque_share",
    "heat_rise_k",
    "primed",
    "aim_noise",
    "pump_drive",
    "pump_left",
    "supply_left",
    "nozzles_left",
    "split_before",
    "split_after",
    "air",
    "siphon",
    "stuck_open",
    "stuck_shut",
    "silent",
    "wrong_mix",
    "drain",
    "bypass_open",
    "retard_ignored",
    "cut_ignored",
    "overboost",
    "orders_late_s",
    "cooler_blocked",
    "petrol_short",
)
AFTER: Final = "pulse_ml_min"
RTOL: Final = 1e-7
# Two evaluations of the rates make what one leaves for the next (the car's acceleration for the
# slosh, the vapour's first guess) consistent with the state at hand.
_PASSES: Final = 2
# Absolute tolerance of each continuous value, next to RTOL.
_ATOL: Final = {"film_kg": 1e-12, "shaft": 1e-9, "opening": 1e-9, "cut": 1e-9}


@dataclass(frozen=True, slots=True)
class Recording:
    """A drive, step by step.

    Attributes:
        k: The car's constants.
        start: Its state before the first step, a record of ``HEAD``.
        states: Its state after each step, (n,) of ``HEAD``; algebraic values are those that the
            step's rates were worked out from.
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

    def of(self, name: str) -> Any:
        """Return a value after each step."""
        return self.states[name]

    def before(self, name: str) -> Any:
        """Return a continuous value before each step, as its rates saw it."""
        return np.concatenate(([self.start[name]], self.states[name][:-1]))

    @property
    def continuous(self) -> Any:
        """Every continuous value after each step, (n, len(CONTINUOUS))."""
        return continuous(self.states)

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
    k, s = car.constants, car.state
    assert k.substeps == 1
    now = head(car.block()[2][1])
    start = now[0].copy()
    states = np.empty(car.samples, HEAD)
    valve, due, pulse = (np.empty(car.samples) for _ in range(3))
    orders = (0.0, inf)
    for i in range(car.samples):
        pulse[i] = now[AFTER][0]
        for sample in car.step(*orders):
            if decide is not None:
                orders = decide(sample)
        states[i] = now[0]
        valve[i] = s.valves[(i - k.actuation_steps) % RING]
        due[i] = s.dues_ml_min[(i - k.actuation_steps) % RING]
    return Recording(k, start, states, valve, due, pulse, k.dt_s)


def head(states: Any) -> Any:
    """Return an array of one state without its blocks, in the same memory."""
    return states.view(np.uint8)[: HEAD.itemsize].view(HEAD).view(np.recarray)


def continuous(states: Any) -> Any:
    """Return the continuous values of states, (n, len(CONTINUOUS)), in the same memory."""
    numbers = states.view(np.float64).reshape(len(states), -1)
    return numbers[:, : len(CONTINUOUS)]


class Rates:
    """The plant's rates as a function of time and continuous state, one step's inputs held.

    Attributes:
        k: The constants.
        s: The state, a record of ``HEAD``.
    """

    def __init__(self, drive: Recording, passes: int = _PASSES) -> None:
        self._drive = drive
        self._passes = passes
        # By its very own dtype, which compiled code knows again at once.
        constants = np.array([drive.k]).view(Constants.dtype())
        states, rates = State().array(), st.Rates().array()
        self._arrays = constants, states, rates
        self.k: Any = constants.view(np.recarray)[0]
        self.s: Any = head(states)[0]
        self._y = continuous(states)[0]
        self._d = continuous(rates)[0]
        self._valve = self._due = 0.0
        self.begin(drive.start)

    def begin(self, state: Any) -> None:
        """Begin at a state, a record of ``HEAD``."""
        head(self._arrays[1])[0] = state

    @property
    def y(self) -> Any:
        """The continuous state."""
        return self._y.copy()

    def hold(self, i: int) -> None:
        """Hold the inputs of step ``i``."""
        drive = self._drive
        for name in BEFORE:
            self.s[name] = drive.states[name][i]
        self.s[AFTER] = drive.pulse[i]
        self._valve, self._due = float(drive.valve[i]), float(drive.due[i])

    def __call__(self, t_s: float, y: Any) -> Any:
        """Return the rates of ``CONTINUOUS``."""
        self.s.time_s = t_s
        self._y[:] = y
        for _ in range(self._passes):
            rates_only(*self._arrays, self._valve, self._due)
        return self._d.copy()


def tolerances() -> Any:
    """Return the absolute tolerance of each continuous value."""
    return np.array([_ATOL.get(name, 1e-6) for name in CONTINUOUS])


def integrate(
    drive: Recording, method: str = "RK45", first: int = 0, last: int = 0, rtol: float = RTOL
) -> Any:
    """Return the continuous state after each step from ``first`` to ``last`` (0: the end).

    The integration begins anew at each step, where inputs jump.
    """
    rates = Rates(drive)
    last = last or len(drive)
    if first > 0:
        rates.begin(drive.states[first - 1])
    y = rates.y
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
    rates.k.dt_s = h
    y = rates.y
    floors = [OF[name] for name in ("road_m_s", "line_kpa", "tank_ml")]
    out = np.empty((len(drive), len(CONTINUOUS)))
    for i in range(len(drive)):
        rates.hold(i)
        for part in range(parts):
            y = y + h * rates((i * parts + part) * h, y)
            y[floors] = np.maximum(y[floors], 0.0)
        out[i] = y
    return out
