"""What ties a log's columns together, and what speaks against a guess: one sentence each.

Injector duty is petrol, petrol goes with air, and air is engine speed times the manifold's
absolute pressure; the flow of spray follows its command, or boost. Columns that are shifted in
time, in a wrong unit, or something else don't keep to that.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final, NamedTuple

import numpy as np

from monitor.commission.columns import Column
from monitor.commission.guessing import AIR_KPA, Guess, Sure, in_base
from monitor.commission.rig_text import ASKED
from rules.channels import label_of_channel
from simulator.strict import Kpa, MlMin

STEP_S: Final = 0.02
MOST_LAG_S: Final = 2.0
MOST_ROWS: Final = 60_000  # of 20 ms: 20 min of a log are looked at
SHIFTED_S: Final = 0.15
LATEST_FLOW_S: Final = 1.0  # a hose, a sensor: no healthy flow follows later (common practice)
_FOLLOWS: Final = 0.8  # correlation
_DEAD_S: Final = 1.0e-3  # an injector's; common practice, no source
_MISSING_S: Final = 0.5
_HELD: Final = (
    0.6  # of a line's pressure in full spray is there at half, if a pump of one speed feeds it
)
_TANK_FALLS: Final = (0.4, 2.5)  # mL for a mL sprayed: a level is coarse, and sways
_GAIN: Final = 0.6  # of what is unexplained at no shift, what is left at the best one


class Lag(NamedTuple):
    """How far one series comes after another, and how alike they are then, and unshifted."""

    late_s: float
    alike: float
    unshifted: float

    @property
    def shifted(self) -> bool:
        """Whether a shift is clearly better than none."""
        gained = 1.0 - self.alike < _GAIN * (1.0 - self.unshifted)
        return abs(self.late_s) > SHIFTED_S and self.alike > _FOLLOWS and gained


class Readings:
    """The columns that were taken for channels, in base units, on one even time axis.

    Args:
        columns: The log's columns.
        guesses: What each is taken for, in the same order.
        time_s: (n,) times, s, rising.
        ambient_kpa: The air outside, absolute.

    Attributes:
        by_channel: Channel to (m,) floats every ``STEP_S``.
        guesses: Channel to the guess.
    """

    def __init__(
        self,
        columns: Sequence[Column],
        guesses: Sequence[Guess],
        time_s: Any,
        ambient_kpa: float = AIR_KPA,
    ) -> None:
        end_s = min(float(time_s[-1]), float(time_s[0]) + MOST_ROWS * STEP_S)
        self.time_s = np.arange(float(time_s[0]), end_s, STEP_S)
        self.ambient_kpa = ambient_kpa
        self.by_channel: dict[str, Any] = {}
        self.raw: dict[str, Any] = {}
        self.guesses: dict[str, Guess] = {}
        for column, guess in zip(columns, guesses, strict=True):
            there = np.isfinite(column.values)
            if not guess.channel or not there.any():
                continue
            even = np.interp(self.time_s, time_s[there], column.values[there])
            self.raw[guess.channel] = even
            self.by_channel[guess.channel] = in_base(guess, even, ambient_kpa)
            self.guesses[guess.channel] = guess

    def get(self, channel: str) -> Any:
        """Return a channel's readings, or None."""
        return self.by_channel.get(channel)


def lag(of: Any, behind: Any) -> Lag:
    """Return how late ``of`` comes after ``behind``: where they are most alike.

    Args:
        of: (n,) floats every ``STEP_S``.
        behind: As many.
    """
    most = min(round(MOST_LAG_S / STEP_S), len(of) // 4)
    if most < 1 or of.std() == 0.0 or behind.std() == 0.0:
        return Lag(0.0, 0.0, 0.0)
    a, b = of - of.mean(), behind - behind.mean()
    n = len(a)
    padded = 1 << (2 * n - 1).bit_length()
    product = np.fft.rfft(a, padded) * np.conj(np.fft.rfft(b, padded))
    together = np.fft.irfft(product, padded)
    steps = np.arange(-most, most + 1)
    # What overlaps, squared: behind each step of the one, before each of the other.
    of_a = np.concatenate(([0.0], np.cumsum(a * a)))
    of_b = np.concatenate(([0.0], np.cumsum(b * b)))
    late, early = np.clip(steps, 0, None), np.clip(-steps, 0, None)
    sizes = (of_a[n - early] - of_a[late]) * (of_b[n - late] - of_b[early])
    found = together[steps] / np.sqrt(np.maximum(sizes, 1e-300))
    best = int(np.argmax(found))
    return Lag((best - most) * STEP_S, float(found[best]), float(found[most]))


def air_zero_kpa(duty: Any, speed_rpm: Any, pressure: Any) -> tuple[float, float] | None:
    """Return how far below a pressure's nought injector duty says vacuum is, and how sure that is.

    Petrol a turn goes with the manifold's absolute pressure (speed-density), so that duty over
    speed is a straight line in the pressure which meets nought at vacuum, as far as dead time and
    mixture let it. None where the log doesn't tell.

    Args:
        duty: (n,) injector duty, %.
        speed_rpm: (n,) engine speed.
        pressure: (n,) the manifold's pressure, in whatever unit.
    """
    runs = (speed_rpm > 500.0) & (duty > 0.03 * float(np.max(duty)))
    if runs.sum() < 100 or np.ptp(pressure[runs]) == 0.0:
        return None
    a_turn, x = duty[runs] / speed_rpm[runs] - 100.0 * _DEAD_S / 120.0, pressure[runs]
    slope, at_nought = np.polyfit(x, a_turn, 1)
    alike = float(np.corrcoef(x, a_turn)[0, 1]) if a_turn.std() > 0.0 else 0.0
    if alike < _FOLLOWS or slope <= 0.0:
        return None
    return float(at_nought / slope), alike


def pressure_by_duty(readings: Readings) -> tuple[str, bool] | None:
    """Return the unit, and whether absolute, that injector duty speaks for; None where it can't.

    A gauge pressure's vacuum lies one atmosphere below its nought, whatever the unit; that of an
    absolute one is its nought, which says nothing of the unit (empty then).
    """
    duty, speed = readings.get("injector_duty_pct"), readings.get("engine_speed_rpm")
    raw = readings.raw.get("boost_kpa")
    if duty is None or speed is None or raw is None:
        return None
    found = air_zero_kpa(duty, speed, raw)
    if found is None:
        return None
    zero, low, high = found[0], float(np.min(raw)), float(np.max(raw))
    if abs(zero) < 0.2 * (high - low) and low > 0.0:
        return "", True
    for unit in ("kPa", "psi", "bar", "mbar"):
        factor = Kpa.linear(unit)[0]
        # What idles is below the air outside, and no engine is boosted that much.
        if 0.6 < zero * factor / readings.ambient_kpa < 1.6 and low * factor < 10.0:
            return (unit, False) if high * factor < 450.0 else None
    return None


def doubts(readings: Readings) -> list[str]:
    """Return a sentence for each thing that speaks against the guesses."""
    return [*_of_air(readings), *_of_flow(readings), *_of_line(readings)]


def _of_air(readings: Readings) -> list[str]:
    speed, boost = readings.get("engine_speed_rpm"), readings.get("boost_kpa")
    duty = readings.get("injector_duty_pct")
    if speed is None or boost is None or duty is None or np.ptp(boost) < 20.0:
        return []
    air = np.clip(boost + readings.ambient_kpa, 0.0, None)
    names = {
        channel: f'"{readings.guesses[channel].header}"'
        for channel in ("engine_speed_rpm", "boost_kpa", "injector_duty_pct")
    }
    together = lag(duty, speed * air)
    told = []
    if together.shifted or together.alike < _FOLLOWS:
        by_boost = _best_shift(duty, speed, air)
        by_speed = _best_shift(duty, air, speed)
        both = Lag(together.late_s, together.alike, together.unshifted)
        _, late_s, who = max(
            (by_boost.alike, -by_boost.late_s, "boost_kpa"),
            (by_speed.alike, -by_speed.late_s, "engine_speed_rpm"),
            (both.alike, both.late_s, "injector_duty_pct"),
        )
        best = max(by_boost.alike, by_speed.alike, both.alike)
        if best > _FOLLOWS and abs(late_s) > SHIFTED_S:
            told.append(
                f"{names[who]} seems {abs(late_s):z.1f} s {'late' if late_s > 0.0 else 'early'} "
                "against the other two of engine speed, boost and injector duty: let one device "
                f"log all three{'' if who == 'boost_kpa' else '; leave this column out until then'}"
            )
        else:
            told.append(
                f"{names['injector_duty_pct']} does not go with engine speed times manifold "
                f"pressure ({names['engine_speed_rpm']}, {names['boost_kpa']}): is one of them "
                "another column, or in another unit?"
            )
    spoken = pressure_by_duty(readings)
    guess = readings.guesses["boost_kpa"]
    if spoken is not None and not told:
        unit, absolute = spoken
        if absolute != guess.absolute or (unit and _differ(unit, guess.unit)):
            what = f"{'absolute' if absolute else 'gauge'} {unit}".strip()
            now = f"{'absolute' if guess.absolute else 'gauge'} {guess.unit}"
            told.append(
                f"{names['boost_kpa']} is taken for {now}, but engine speed and injector duty "
                f"speak for {what}"
            )
    return told


def _differ(unit: str, other: str) -> bool:
    return bool(abs(Kpa.linear(unit)[0] / Kpa.linear(other)[0] - 1.0) > 0.05)


def _best_shift(duty: Any, fixed: Any, moved: Any) -> Lag:
    """Return the best shift of one factor of the air, the other one left where it is."""
    most = round(MOST_LAG_S / STEP_S)
    found = []
    for step in range(-most, most + 1, 2):
        product = fixed * np.roll(moved, step)
        inner = slice(most, -most) if len(duty) > 4 * most else slice(None)
        a, b = duty[inner], product[inner]
        found.append(float(np.corrcoef(a, b)[0, 1]) if a.std() > 0 and b.std() > 0 else 0.0)
    best = int(np.argmax(found))
    return Lag((2 * best - most) * STEP_S, found[best], found[most // 2])


def _of_flow(readings: Readings) -> list[str]:
    flow = readings.get("delivered_ml_min")
    if flow is None or float(np.max(flow)) <= 0.0:
        return []
    name = f'"{readings.guesses["delivered_ml_min"].header}"'
    told = []
    for channel in ("commanded_ml_min", "command_pct", "boost_kpa"):
        leads = readings.get(channel)
        if leads is None or np.ptp(leads) == 0.0:
            continue
        label = label_of_channel(channel)
        behind = lag(flow, np.clip(leads, 0.0, None))
        if behind.alike < 0.5:
            told.append(
                f"{name} does not follow the {label}: another column, or no healthy spray in this "
                "log?"
            )
        elif behind.late_s < -0.1 or behind.late_s > LATEST_FLOW_S:
            word = "before" if behind.late_s < 0.0 else "after"
            told.append(
                f"{name} moves {abs(behind.late_s):z.1f} s {word} the {label}, as no spray does: "
                "let one device log both before anything is fitted"
            )
        break
    asked = readings.get("commanded_ml_min")
    if asked is None or not (asked > 0.0).any() or told:
        return told
    ratio = full_flow(flow) / full_flow(asked)
    if not 0.5 < ratio < 1.7:
        told.append(
            f"{name} reads {ratio:z.2g} times the commanded flow: is one of them in another unit?"
        )
    step = max(0, round(lag(flow, asked).late_s / STEP_S))
    due = _steady(asked)[: len(asked) - step] * ratio
    missing_s = STEP_S * float(np.count_nonzero(flow[step:] < 0.6 * due))
    if missing_s > _MISSING_S:
        told.append(
            f"{name} reads less than 60 % of what it mostly does at such a command, for "
            f"{missing_s:z.1f} s: was the spray healthy?"
        )
    return told


def line_follows_kpa(readings: Readings) -> tuple[float, float] | None:
    """Return what the line has at half the command and in full, kPa, where it follows that.

    None: it doesn't, or this log can't tell.
    """
    line, asked = readings.get("line_kpa"), readings.get("commanded_ml_min")
    asked = readings.get("command_pct") if asked is None else asked
    if line is None or asked is None or float(np.max(asked)) <= 0.0:
        return None
    share = asked / full_flow(asked)
    least = _steady(share)  # nothing of a pump that only just starts, or of spray that ends
    half, full = (least > 0.2) & (share > 0.4) & (share < 0.7), least > 0.9
    if STEP_S * min(half.sum(), full.sum()) < _MISSING_S:
        return None
    half_kpa, full_kpa = float(np.median(line[half])), float(np.median(line[full]))
    return (half_kpa, full_kpa) if half_kpa <= _HELD * full_kpa else None


def _of_line(readings: Readings) -> list[str]:
    found = line_follows_kpa(readings)
    if found is None:
        return []
    return [
        f'"{readings.guesses["line_kpa"].header}" reads {found[0]:z.0f} kPa at half the command, '
        f"{found[1]:z.0f} kPa in full: taken for a pump whose speed follows the command "
        "([spray.pump] follows_command)"
    ]


def full_flow(flow: Any) -> float:
    """Return the flow in full spray: the middle of what is near the most."""
    near = flow[flow > 0.85 * float(np.quantile(flow[flow > 0.0], 0.97))]
    return float(np.median(near))


def _steady(asked: Any) -> Any:
    """Return the least that was asked for within the last half second: what must have arrived."""
    least = asked.copy()
    for step in range(1, round(0.5 / STEP_S)):
        least[step:] = np.minimum(least[step:], asked[:-step])
    return least


def tank_fall(readings: Readings) -> float | None:
    """Return how far a tank falls for a mL that is sprayed, mL; None where the log doesn't tell."""
    flow, tank = readings.get("delivered_ml_min"), readings.get("tank_ml")
    flow = readings.get("commanded_ml_min") if flow is None else flow
    if flow is None or tank is None or np.ptp(tank) == 0.0:
        return None
    sprayed_ml = np.cumsum(flow) * STEP_S / 60.0
    if sprayed_ml[-1] <= 0.0 or abs(np.corrcoef(sprayed_ml, tank)[0, 1]) < _FOLLOWS:
        return None
    return -float(np.polyfit(sprayed_ml, tank, 1)[0])


def better_default(guess: Guess, readings: Readings) -> Guess:
    """Return a guess in doubt with what injector duty, the tank or the other flow speaks for."""
    # Where two flows agree it is the tank that lies.
    single = guess.channel in _FLOWS and _FLOWS[guess.channel] not in readings.guesses
    falls = tank_fall(readings) if single or guess.channel == "tank_ml" else None
    written = guess.sure is not Sure.ASK and guess.why != ASKED
    if falls is not None and written and not _TANK_FALLS[0] < falls < _TANK_FALLS[1]:
        why = f"the tank falls {falls:z.2g} mL for a mL of spray: is one of them in another unit?"
        why = "the tank fills while it sprays: another column?" if falls < 0.0 else why
        return replace(guess, sure=Sure.ASK, asked="unit", why=why)
    if guess.channel in _FLOWS and guess.asked in {"", "unit"} and guess.why != ASKED:
        return _flow_by_other(guess, readings)
    spoken = pressure_by_duty(readings) if guess.channel == "boost_kpa" else None
    if spoken is None or guess.asked == "column" or guess.why == ASKED:
        return guess
    unit, absolute = spoken
    agrees = absolute == guess.absolute and not (unit and _differ(unit, guess.unit))
    if agrees and guess.sure is not Sure.ASK:
        return guess
    why = f"{guess.why}; injector duty speaks for {'absolute' if absolute else 'gauge'} {unit}"
    asked = guess.asked or ("absolute" if absolute != guess.absolute else "unit")
    return replace(
        guess,
        unit=unit or guess.unit,
        absolute=absolute,
        why=why.rstrip(),
        sure=Sure.ASK,
        asked=asked,
    )


_FLOWS: Final = {
    "commanded_ml_min": "delivered_ml_min",
    "delivered_ml_min": "commanded_ml_min",
}


def _flow_by_other(guess: Guess, readings: Readings) -> Guess:
    """Return a flow's guess as the other flow speaks for it: no value of a flow tells its unit.

    A unit that nobody wrote is taken from the other where one alone agrees. One that is written is
    sure where both agree, and in doubt where they don't.
    """
    other = readings.guesses.get(_FLOWS[guess.channel])
    if other is None or other.sure is Sure.ASK or guess.header in _FLOWS:
        single = guess.sure is Sure.SURE and guess.header not in _FLOWS
        why = f"{guess.why}; no other flow to compare"
        return replace(guess, sure=Sure.LIKELY, why=why) if single else guess
    theirs, raw = readings.by_channel[other.channel], readings.raw[guess.channel]
    if not ((theirs > 0.0).any() and (raw > 0.0).any()):
        return guess
    ratio = full_flow(theirs) / full_flow(raw)
    near = [unit for unit in FLOW_UNITS if 0.8 < ratio / MlMin.linear(unit)[0] < 1.25]
    label = label_of_channel(other.channel)
    if guess.asked == "unit" and len(near) == 1:
        why = f"no unit written, but {near[0]} agrees with the {label}"
        return replace(guess, unit=near[0], sure=Sure.LIKELY, asked="", why=why)
    factor = MlMin.linear(guess.unit)[0]
    if guess.sure is Sure.ASK or 0.5 < ratio / factor < 1.7:
        alone = len(near) == 1  # a US gallon an hour is 1.05 mL/s
        return guess if alone else replace(guess, sure=min(guess.sure, Sure.LIKELY))
    why = f"says {guess.unit}, but is {factor / ratio:z.2g} times the {label}"
    return replace(guess, sure=Sure.ASK, asked="unit", why=why)


FLOW_UNITS: Final = ("mL/min", "L/h", "gal/h", "L/min", "mL/s")
