"""How fast the plant runs: whole pulls with a guard in the loop, and beside ``solve_ivp``."""

import gc
import time
from dataclasses import replace
from math import inf
from typing import Any, Final

import numba
import numpy as np
from numba import literal_unroll
from scipy.integrate import solve_ivp

from simulator.plant import Car, Do, Fault, FaultKind, Scenario, Step, kernel
from simulator.plant.constants import Constants
from simulator.plant.state import Rates, State
from simulator.rig import find_rig, load_rig
from tests.bench.speed import best_s
from tests.bench.table import note, show
from tests.kit import yardstick as ys
from tests.kit.batch import run_whole

# 8 s: cruise, spool up, full boost, a shift, lift.
PULL: Final = (Step(Do.CRUISE, 1.0, 2), Step(Do.PULL, 5.5, 2), Step(Do.LIFT, 1.5))
BATCHES: Final = 8
BATCH: Final = 25
# The loosest relative tolerance (SciPy's own is 1e-3) at which each stays within some per cent. The
# implicit ones (LSODA, BDF, Radau) break down where inputs jump, unless begun anew at every step.
METHODS: Final = {"RK23": 1e-3, "RK45": 1e-5}
_LONGEST_S: Final = 0.02  # so that no shift of gear is stepped over

_rates = kernel.rates  # registered with numba by simulator.plant.compiled


_integrate = kernel.integrate
_BEFORE: Final = ys.BEFORE  # as numba needs it: a global of its own


@numba.njit(nogil=True)  # type: ignore[misc, unused-ignore]
def _continuous(
    constants: Any, states: Any, rates: Any, recorded: Any, pulse: Any, valve: Any, due: Any
) -> None:
    """Step the continuous part alone over recorded inputs, by Euler's rule."""
    k, s, d = constants[0], states[0], rates[0]
    for i in range(len(valve)):
        before = recorded[i]
        for name in literal_unroll(_BEFORE):
            s[name] = before[name]
        s.pulse_ml_min = pulse[i]
        s.time_s = i * k.dt_s
        _rates(k, s, d, valve[i], due[i])
        _integrate(s, d, k.dt_s)


class Right:
    """The right-hand side as ``solve_ivp`` wants it, inputs looked up by step."""

    def __init__(self, drive: ys.Recording, *, compiled: bool) -> None:
        self._drive = drive
        self.evaluations = 0
        self._compiled = ys.Rates(drive, passes=1) if compiled else None
        # Objects and plain floats are what an interpreter is quickest with.
        self._k, self._s, self._d = Constants(), State(), Rates()
        for record, values in ((self._k, drive.k), (self._s, drive.start)):
            for name in values.dtype.names:
                setattr(record, name, values[name].tolist())
        self._held = drive.states[list(ys.BEFORE)].tolist()

    def __call__(self, t_s: float, y: Any) -> Any:
        """Return the rates."""
        drive, s = self._drive, self._s
        self.evaluations += 1
        i = min(int(t_s / drive.step_s), len(drive) - 1)
        if self._compiled is not None:
            self._compiled.hold(i)
            return self._compiled(t_s, y)
        for name, value in zip(ys.BEFORE, self._held[i], strict=True):
            setattr(s, name, value)
        for name, value in zip(ys.CONTINUOUS, y.tolist(), strict=True):
            setattr(s, name, value)
        s.pulse_ml_min = float(drive.pulse[i])
        s.time_s = t_s
        kernel.rates(self._k, s, self._d, float(drive.valve[i]), float(drive.due[i]))
        return self._d.flat()


def solve(drive: ys.Recording, method: str, *, compiled: bool) -> tuple[float, int, Any]:
    """Integrate the whole pull in one call; return its time, evaluations, and the states."""
    right = Right(drive, compiled=compiled)
    start = time.process_time()
    found = solve_ivp(
        right,
        (0.0, len(drive) * drive.step_s),
        ys.Rates(drive).y,
        method=method,
        t_eval=drive.times_s * (1.0 - 1e-12),
        rtol=METHODS[method],
        atol=10.0 * ys.tolerances(),
        max_step=_LONGEST_S,
    )
    took_s = time.process_time() - start
    assert found.success, found.message
    return took_s, right.evaluations, found.y.T


def off_pct(values: Any, truth: Any) -> float:
    """Return the worst mean difference over its span of what the rest hangs on, percent."""
    which = [ys.OF[name] for name in ("manifold_kpa", "speed_rpm", "line_kpa")]
    apart = np.abs(values - truth)[:, which].mean(axis=0)
    return float(100.0 * (apart / np.ptp(truth[:, which], axis=0)).max())


def pulls_a_second(scenario: Scenario, *, guarded: bool) -> float:
    """Return pulls a second of one core: the best of several batches."""

    def batch() -> None:
        for seed in range(BATCH):
            run_whole(scenario, seed, guarded=guarded, keep=False)

    batch()
    return BATCH / best_s(batch, BATCHES)


def main() -> None:
    """Measure pulls a second, the continuous part beside solve_ivp, and the interpreted plant."""
    rig = load_rig(find_rig("brindle")).rig
    gc.collect()
    gc.freeze()
    healthy = Scenario("pull", "", rig, PULL)
    stopped = replace(healthy, faults=(Fault(FaultKind.PUMP_STOP, 3.5),))
    note(f"\nbrindle, {healthy.duration_s:.0f} s a pull, steps of 1 ms, 100 samples a second")
    rows = []
    for name, scenario, guarded in (
        ("healthy, guard in the loop (bar: >= 60)", healthy, True),
        ("pump stop, guard in the loop", stopped, True),
        ("pump stop, nothing done: knock to the end", stopped, False),
    ):
        rate = pulls_a_second(scenario, guarded=guarded)
        rows.append((name, f"{rate:.0f}", f"{rate * healthy.duration_s:,.0f}"))
    car = Car(rig, stopped, 1, compiled=False)
    start = time.process_time()
    while not car.finished:
        car.step(0.0, inf)
    interpreted_s = time.process_time() - start
    rows.append(("interpreted, no guard", f"{1 / interpreted_s:.2f}", f"{8 / interpreted_s:.1f}"))
    show(f"Plant, best of {BATCHES} batches of {BATCH}", ("what", "pulls/s", "x real time"), rows)
    _beside_scipy(ys.record(replace(healthy, rate_hz=1000.0)))


def _beside_scipy(drive: ys.Recording) -> None:
    def alone() -> None:
        constants, states, rates = np.array([drive.k]), State().array(), Rates().array()
        ys.head(states)[0] = drive.start
        _continuous(constants, states, rates, drive.states, drive.pulse, drive.valve, drive.due)

    alone()
    own_s = best_s(alone, 20)
    truth = ys.integrate(drive)
    off = off_pct(drive.continuous, truth)
    rows = [
        ("the plant's own steps, compiled", f"{own_s * 1e3:.2f}", len(drive), f"{off:.2f}", "1")
    ]
    for method, rtol in METHODS.items():
        for compiled in (False, True):
            tries = [solve(drive, method, compiled=compiled) for _ in range(3)]
            took_s, evaluations, values = min(tries, key=lambda one: one[0])
            what = "compiled" if compiled else "interpreted"
            rows.append(
                (
                    f"solve_ivp {method} {rtol:g}, {what} right-hand side",
                    f"{took_s * 1e3:.0f}",
                    evaluations,
                    f"{off_pct(values, truth):.2f}",
                    f"{took_s / own_s:.0f}",
                )
            )
    show(
        "The continuous part of one pull, the same inputs (bar: 100 x, interpreted)",
        ("what", "ms", "evaluations", "mean off, % of span", "x"),
        rows,
    )
    note(
        f"solve_ivp: one call over the pull, its relative tolerance as named, steps up to "
        f"{1e3 * _LONGEST_S:.0f} ms; off: worst of boost, engine speed and line, against RK45 "
        f"begun anew every 1 ms at {ys.RTOL:g}."
    )
