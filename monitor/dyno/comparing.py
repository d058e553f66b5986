"""Which runs can be compared with which, and how far two groups of them differ."""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil, floor, isfinite, nan
from typing import Final

import numpy as np
import numpy.typing as npt

from monitor.dyno.doubts import MOST_BOOST_KPA, cautions_of, doubts_of
from monitor.dyno.groups import Asked, Group, gap, group_of
from monitor.dyno.runs import NARROWEST_RPM, LeftOut, Run
from simulator.dyno.correction import Correction, beyond
from simulator.dyno.curves import Floats, power_kw
from simulator.dyno.gain import Gain, gain, mean_over
from simulator.strict import BadInput

Flags = npt.NDArray[np.bool_]

STEP_RPM: Final = 100.0
# How far apart runs may be and still be compared; all are common practice, no source.
_START_K: Final = 10.0  # intake temperature as a run begins: heat soak
_AMBIENT_K: Final = 15.0


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two groups of runs, and how far they differ.

    Attributes:
        asked: What was to be compared.
        gear: In which gear; None where nothing tells.
        speed_rpm: Engine speeds that both groups go through, in steps of ``STEP_RPM``, (k,).
        groups: The baseline, and the other.
        torque_gain: At each engine speed.
        power_gain: Likewise.
        boost_differs: Where boost differs by so much that no gain of the spray is told, (k,).
        between_rpm: Span of the means.
        means: Of each group's power over that span, one a run, NaN where it doesn't span it.
        mean_gain: How far these differ; None where boost differs within it.
        left_out: Runs that aren't compared.
        doubts: What speaks against the comparison, a sentence each.
        cautions: What such runs do to the engine, a sentence each.
    """

    asked: Asked
    gear: int | None
    speed_rpm: Floats
    groups: tuple[Group, Group]
    torque_gain: tuple[Gain, ...]
    power_gain: tuple[Gain, ...]
    boost_differs: Flags
    between_rpm: tuple[float, float]
    means: tuple[Floats, Floats]
    mean_gain: Gain | None
    left_out: tuple[LeftOut, ...]
    doubts: tuple[str, ...]
    cautions: tuple[str, ...]


def compare_runs(
    asked: Asked,
    read: tuple[Sequence[Run], Sequence[Run]],
    left_out: tuple[Sequence[LeftOut], Sequence[LeftOut]],
) -> Comparison:
    """Compare two groups of runs.

    Args:
        asked: What is to be compared.
        read: The runs of the baseline, and the others.
        left_out: What isn't used already, of each.

    Raises:
        BadInput: Nothing is left that can be compared; says why.
    """
    sieve = _Sieve(asked, [list(runs) for runs in read], left_out)
    sieve.drop(_told_by_log(sieve.groups))
    if asked.by_spray:
        sieve.drop(lambda which, run: _wrong_spray(asked, which, run))
    gear = sieve.one_gear()
    sieve.drop(_repeated())
    sieve.drop(_too_warm(sieve.groups[0], asked))
    sieve.drop(lambda _, run: _not_valid(asked.method, run))
    speed_rpm = _speeds(asked, sieve.groups)
    first, second = (
        group_of(name, runs, asked.method, speed_rpm)
        for name, runs in zip(asked.names, sieve.groups, strict=True)
    )
    groups = (first, second)
    apart_kpa = abs(gap(groups, "boost_kpa"))
    differs = apart_kpa > MOST_BOOST_KPA
    if not asked.by_spray:
        differs = np.zeros(len(speed_rpm), dtype=bool)
    if differs.all():
        raise BadInput(
            f"compare: found boost {np.nanmin(apart_kpa):z.0f} kPa or more apart at every engine "
            f"speed, expected within {MOST_BOOST_KPA:zg} kPa: what differs is not the spray alone"
        )
    between = asked.between_rpm or _common(sieve.groups)
    means = (_means(first, between), _means(second, between))
    inside = (speed_rpm >= between[0]) & (speed_rpm <= between[1])
    return Comparison(
        asked=asked,
        gear=gear,
        speed_rpm=speed_rpm,
        groups=groups,
        torque_gain=_gains(first.torque_nm, second.torque_nm, differs),
        power_gain=_gains(first.power_kw, second.power_kw, differs),
        boost_differs=differs,
        between_rpm=between,
        means=means,
        mean_gain=None if (differs & inside).any() else gain(*means),
        left_out=tuple(sieve.left_out),
        doubts=tuple(doubts_of(asked, groups, speed_rpm, means, between, apart_kpa)),
        cautions=tuple(cautions_of(asked, groups)),
    )


def gear_words(gear: int | None) -> str:
    """Return a gear as people say it."""
    return "unknown gear" if gear is None else f"gear {gear}"


class _Sieve:
    """Two groups of runs, and what is left out of them."""

    def __init__(
        self, asked: Asked, groups: list[list[Run]], left_out: Sequence[Sequence[LeftOut]]
    ) -> None:
        self.groups = groups
        self.left_out = [one for those in left_out for one in those]
        self._names = asked.names
        self._refuse_empty([those[-1].why if those else "none is there" for those in left_out])

    def drop(self, why_not: Callable[[int, Run], str]) -> None:
        """Leave out runs for which there is a reason.

        Raises:
            BadInput: A group has none left.
        """
        reasons = ["", ""]
        for which, runs in enumerate(self.groups):
            kept = []
            for run in runs:
                why = why_not(which, run)
                if why:
                    reasons[which] = why
                    self.left_out.append(LeftOut(run.log, run.start_s, run.end_s, run.from_s, why))
                else:
                    kept.append(run)
            self.groups[which] = kept
        self._refuse_empty(reasons)

    def one_gear(self) -> int | None:
        """Keep the gear that most runs of both groups have; return it.

        Raises:
            BadInput: There is none.
        """
        first, second = (Counter(run.gear.number for run in runs) for runs in self.groups)
        shared = [gear for gear in first if gear in second]
        if not shared:
            told = " and ".join(
                f"{name} in {', '.join(map(gear_words, sorted(count, key=lambda g: g or 0)))}"
                for name, count in zip(self._names, (first, second), strict=True)
            )
            raise BadInput(f"compare: found {told}, expected runs of both in one gear")
        best = max(
            shared,
            key=lambda g: (min(first[g], second[g]), first[g] + second[g], g or 0),
        )
        self.drop(
            lambda _, run: (
                ""
                if run.gear.number == best
                else f"{gear_words(run.gear.number)}, compared is {gear_words(best)}"
            )
        )
        return best

    def _refuse_empty(self, reasons: Sequence[str]) -> None:
        for name, runs, why in zip(self._names, self.groups, reasons, strict=True):
            if not runs:
                raise BadInput(
                    f"compare: found no {name} run that can be compared, expected one ({why})"
                )


def _told_by_log(groups: Sequence[Sequence[Run]]) -> Callable[[int, Run], str]:
    logged = any(run.as_logged for runs in groups for run in runs)
    return lambda _, run: "" if run.as_logged == logged else "logs no torque, as others do"


def _wrong_spray(asked: Asked, which: int, run: Run) -> str:
    if which == 0 and run.sprayed:
        return f"spray flowed, but it is to be {asked.names[0]}"
    if which == 1 and run.sprayed is False:
        return "no spray flowed, but it is to be sprayed"
    return ""


def _repeated() -> Callable[[int, Run], str]:
    """Return what finds a run that was there already: a copy of a log proves nothing."""
    seen: dict[bytes, Run] = {}

    def why(_: int, run: Run) -> str:
        same = seen.setdefault(run.sweep.speed_rpm.tobytes(), run)
        return "" if same is run else f"the same as a run of {same.log}: a copy"

    return why


def _too_warm(baseline: Sequence[Run], asked: Asked) -> Callable[[int, Run], str]:
    """Return what finds runs of another day, or of an engine soaked in heat."""
    start_c, ambient_c = (
        _middle([run.start_intake_c for run in baseline]),
        _middle([run.weather.ambient_c for run in baseline]),
    )
    usual = f"{asked.names[0]} runs"

    def why(_: int, run: Run) -> str:
        looked_at = (
            ("air outside", run.weather.ambient_c, ambient_c, _AMBIENT_K),
            ("intake as it begins", run.start_intake_c, start_c, _START_K),
        )
        for what, own_c, their_c, most_k in looked_at:
            if abs(own_c - their_c) > most_k:
                return (
                    f"{what} {own_c:z.0f} degC, {usual} {their_c:z.0f} degC: more than "
                    f"{most_k:zg} K apart"
                )
        return ""

    return why


def _middle(values: Sequence[float]) -> float:
    """Return the middle one of what is known, of two the lower: a run's own, which so stays."""
    known = sorted(value for value in values if isfinite(value))
    return known[(len(known) - 1) // 2] if known else nan


def _not_valid(method: Correction, run: Run) -> str:
    if method is Correction.NONE:
        return ""
    air = run.weather.air
    if air is None:
        lacking = [
            f"[extra.{field}] or --{option}"
            for field, option, value in zip(
                run.weather._fields,
                ("ambient", "barometer", "humidity"),
                run.weather,
                strict=True,
            )
            if not isfinite(value)
        ]
        raise BadInput(
            f"--correct {method.value}: found no {' and no '.join(lacking)} for {run.log}, "
            "expected the air outside as it was: it is not guessed"
        )
    outside = beyond(method, air)
    return f"{method.value} does not hold there: {outside}" if outside else ""


def _speeds(asked: Asked, groups: Sequence[Sequence[Run]]) -> Floats:
    """Return the engine speeds through which at least one run of each group goes."""
    low = max(min(run.span_rpm[0] for run in runs) for runs in groups)
    high = min(max(run.span_rpm[1] for run in runs) for runs in groups)
    first, last = ceil(low / STEP_RPM), floor(high / STEP_RPM)
    if high - low < NARROWEST_RPM or last - first < 2:
        spans = " and ".join(
            f"{name} {min(r.span_rpm[0] for r in runs):z.0f} to "
            f"{max(r.span_rpm[1] for r in runs):z.0f} rpm"
            for name, runs in zip(asked.names, groups, strict=True)
        )
        raise BadInput(
            f"compare: found {spans}, expected {NARROWEST_RPM:zg} rpm or more that both go through"
        )
    return STEP_RPM * np.arange(first, last + 1, dtype=np.float64)


def _common(groups: Sequence[Sequence[Run]]) -> tuple[float, float]:
    """Return the widest span that every run has; NaN where there is none."""
    runs = [run for group in groups for run in group]
    low = STEP_RPM * ceil(max(run.span_rpm[0] for run in runs) / STEP_RPM)
    high = STEP_RPM * floor(min(run.span_rpm[1] for run in runs) / STEP_RPM)
    return (low, high) if high > low else (nan, nan)


def _gains(before: Floats, after: Floats, differs: Flags) -> tuple[Gain, ...]:
    nothing = Gain(nan, nan, nan)
    return tuple(
        nothing if differs[k] else gain(before[:, k], after[:, k]) for k in range(len(differs))
    )


def _means(group: Group, between: tuple[float, float]) -> Floats:
    """Return each run's mean power over a span, (n,): the area under its curve over the span."""
    low, high = between
    if not isfinite(low):
        return np.full(len(group.runs), nan)
    at_rpm = np.linspace(low, high, 1 + ceil((high - low) / (0.5 * STEP_RPM)))
    means = []
    for run, f in zip(group.runs, group.factors, strict=True):
        torque = f * run.sweep.by_speed({"torque": run.torque_nm}, at_rpm)["torque"]
        means.append(mean_over(at_rpm, power_kw(torque, at_rpm)))
    return np.array(means)
