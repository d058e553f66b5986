"""Which fault is it: how often the ranking names the cause, and what it takes for what.

``python -m tests.bench causes`` prints the confusion matrix over evaluation seeds: one rig with
most channels at length, the other shipped rigs in short, and what faults without a name of their
own are taken for. ``python -m tests.bench.causes`` prints how the signatures looked over tuning
seeds, from which the table in ``rules.causes.ranking`` was rounded. The ranges of seeds can't meet.
"""

import time
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from math import inf
from typing import Final

from rules.causes.known import CAUSE_NAMES, NONE_OF_THESE
from rules.causes.ranking import CauseRanker
from rules.causes.readings import Readings
from rules.causes.signatures import SIGNATURES
from rules.facts import Rig
from rules.guard import Guard
from simulator.plant import Car, Do, Fault, FaultKind, Scenario, Step
from simulator.plant.noise import generator
from simulator.proof.proportions import wilson
from simulator.rig import find_rig, load_rig
from tests.bench.table import note, show

TUNING_SEEDS: Final = range(1_000_000)
EVALUATION_SEEDS: Final = range(2_000_000, 3_000_000)
RUNS: Final = 200
RUNS_ELSEWHERE: Final = 50
RUNS_OTHERS: Final = 30
# Line pressure shows some causes a third of a second before the flow; telling them takes as long.
AFTER_SYMPTOM_S: Final = 1.9
AFTER_ONSET_S: Final = 3.0  # where nothing was done about it
_STREAM: Final = 77  # none of the plant's

VARIANTS: Final[dict[str, tuple[str, ...]]] = {
    "all channels": (),
    "without line pressure": ("line_kpa",),
    "boost, command and flow alone": (
        "line_kpa",
        "supply_v",
        "tank_ml",
        "lambda_ratio",
        "knock",
        "intake_c",
    ),
}


@dataclass(frozen=True, slots=True)
class Case:
    """One way a cause shows: kind of fault, and the least and most of magnitude and ramp."""

    kind: FaultKind
    magnitude: tuple[float, float] = (1.0, 1.0)
    ramp_s: tuple[float, float] = (0.0, 0.0)
    onset_s: tuple[float, float] = (3.2, 4.5)  # full boost from about 2.7 s
    to_the_end: bool = False


# What a cause does in life ranges from a nuisance to a total loss; each of these is far enough gone
# to matter to the engine.
CASES: Final[dict[str, tuple[Case, ...]]] = {
    "nothing_wrong": (),
    "pump": (
        Case(FaultKind.PUMP_STOP),
        Case(FaultKind.PUMP_FADE, (0.35, 0.8), (0.0, 1.0)),
        Case(FaultKind.PUMP_FADE, (0.35, 0.8), (0.0, 1.0)),
    ),
    "supply_low": (Case(FaultKind.SUPPLY_LOW, (0.2, 0.45), (0.0, 0.5)),),
    "clog": (Case(FaultKind.CLOGGED_NOZZLE, (0.25, 0.9), (0.0, 1.0)),),
    "split_before_sensor": (Case(FaultKind.SPLIT_BEFORE_SENSOR, (0.55, 1.0)),),
    "split_after_sensor": (Case(FaultKind.SPLIT_AFTER_SENSOR, (0.3, 1.0)),),
    "air_or_empty": (
        Case(FaultKind.AIR, (0.2, 0.5), (0.0, 0.5)),
        Case(FaultKind.EMPTY_TANK, (1.0, 1.0), (0.5, 1.5)),
    ),
    "valve_or_siphon": (
        Case(FaultKind.SIPHON, (0.3, 1.0), onset_s=(0.1, 0.4), to_the_end=True),
        Case(FaultKind.VALVE_STUCK_OPEN, (0.7, 1.0), onset_s=(1.0, 4.5), to_the_end=True),
    ),
    "controller_silent": (Case(FaultKind.CONTROLLER_SILENT),),
    "sensor_drift": (Case(FaultKind.SENSOR_GAIN, (-0.6, -0.2), (0.1, 1.5)),),
    "sensor_stuck": (Case(FaultKind.SENSOR_STUCK),),
    "sensor_dead": (Case(FaultKind.SENSOR_SHORT),),
    # Later than the others: without healthy spray seen at this boost nobody could tell the mix.
    "wrong_mix": (Case(FaultKind.WRONG_MIX, (0.5, 1.0), onset_s=(4.2, 5.2)),),
}


# Faults the ranking has no name for. The bench shows what they are taken for.
OTHERS: Final[dict[str, Case]] = {
    "valve stuck shut": Case(FaultKind.VALVE_STUCK_SHUT, (0.5, 1.0)),
    "regulator stuck": Case(FaultKind.REGULATOR_STUCK, (0.6, 0.9)),
    "petrol short": Case(FaultKind.PETROL_SHORT, (0.1, 0.25)),
    "cooler blocked": Case(FaultKind.COOLER_BLOCKED, (0.7, 1.0), onset_s=(0.1, 1.0)),
    "overboost": Case(FaultKind.OVERBOOST, (0.15, 0.3)),
    "flow sensor open": Case(FaultKind.SENSOR_OPEN),
    "flow sensor loose": Case(FaultKind.SENSOR_INTERMITTENT, (0.3, 0.7)),
    "flow reads high": Case(FaultKind.SENSOR_GAIN, (0.2, 0.5)),
    "flow noisy": Case(FaultKind.SENSOR_NOISE, (0.03, 0.1)),
    "flow spikes": Case(FaultKind.SENSOR_SPIKES, (0.05, 0.3)),
}


@dataclass(frozen=True, slots=True)
class Place:
    """A rig on which the bench runs.

    Attributes:
        rig: Name of a shipped rig.
        later_s: Its boost comes that much later than brindle's, and so do the faults.
        least: Least magnitude of a cause where a pump with more reserve hides a smaller one.
    """

    rig: str
    later_s: float = 0.0
    least: Mapping[str, float] = field(default_factory=dict)


_RESERVE: Final = {"split_before_sensor": 0.8, "supply_low": 0.3}
BRINDLE: Final = Place("brindle")
ELSEWHERE: Final = (
    Place("tarnwick", 0.0, _RESERVE),
    Place("ullesby", 0.0, _RESERVE),
    Place("wexmoor", 0.5, _RESERVE),
    Place("quarrick", 0.0, _RESERVE),
)


def rig_of(place: Place) -> Rig:
    """Return the shipped rig of a place."""
    return load_rig(find_rig(place.rig)).rig


def brindle() -> Rig:
    """Return the shipped rig whose log has most channels."""
    return rig_of(BRINDLE)


def scenario_of(rig: Rig, cause: str, seed: int, place: Place = BRINDLE) -> tuple[Scenario, bool]:
    """Return a short drive with one pull and the cause somewhere in it; whether to see the end."""
    draw = generator(seed, _STREAM).uniform(0.0, 1.0, 6).tolist()
    gear = 3 if draw[0] < 0.5 else 4
    drive = (
        Step(Do.CRUISE, 1.2, gear),
        Step(Do.PULL, 6.0, gear, 70.0 + 30.0 * draw[1]),
        Step(Do.LIFT, 2.0),
    )
    cases = (OTHERS[cause],) if cause in OTHERS else CASES[cause]
    if not cases:
        return Scenario(cause, "Nothing.", rig, drive), True
    case = cases[int(draw[2] * len(cases))]
    low, high = case.magnitude
    fault = Fault(
        case.kind,
        _between(case.onset_s, draw[3]) + place.later_s,
        magnitude=_between((max(low, place.least.get(cause, low)), high), draw[4]),
        ramp_s=_between(case.ramp_s, draw[5]),
    )
    return Scenario(cause, "Nothing.", rig, drive, (fault,)), case.to_the_end


def _between(span: tuple[float, float], share: float) -> float:
    return span[0] + share * (span[1] - span[0])


def watch(
    rig: Rig, cause: str, seed: int, *judges: CauseRanker | Readings, place: Place = BRINDLE
) -> float:
    """Drive one run, closed loop, until 1.9 s after the symptom; return when that was, s."""
    scenario, to_the_end = scenario_of(rig, cause, seed, place)
    onset_s = scenario.faults[0].at_s if scenario.faults else inf
    until_s = inf if to_the_end else onset_s + AFTER_ONSET_S
    car = Car(rig, scenario, seed)
    guard = Guard(rig)
    retard_deg, ceiling_kpa = 0.0, inf
    seen = False
    while not car.finished and car.state.time_s < until_s:
        (sample,) = car.step(retard_deg, ceiling_kpa)
        decision = guard.step(sample)
        retard_deg, ceiling_kpa = decision.retard_deg, decision.boost_ceiling_kpa
        for judge in judges:
            if isinstance(judge, CauseRanker):
                judge.feed(decision)
            else:
                judge.take(decision)
        if not seen and not to_the_end and decision.action > 0.0 and decision.time_s > onset_s:
            seen = True
            until_s = min(until_s, decision.time_s + AFTER_SYMPTOM_S)
    return float(car.state.time_s)


def seeds(of: range, cause: str, runs: int) -> Iterator[int]:
    """Yield a cause's seeds, no two causes sharing one."""
    first = of.start + 10_000 * [*CASES, *OTHERS].index(cause)
    yield from range(first, first + runs)


def _recall(hits: int, runs: int) -> str:
    low, high = wilson(hits, runs)
    return f"{100.0 * hits / runs:.1f} % ({100.0 * low:.0f}-{100.0 * high:.0f})"


def main(runs: int = RUNS, of: range = EVALUATION_SEEDS) -> None:
    """Print the confusion matrices over evaluation seeds; fewer runs, the same share elsewhere."""
    _load()
    start_s = time.process_time()
    _judge(BRINDLE, VARIANTS, runs, of)
    for place in ELSEWHERE:
        elsewhere = max(1, runs * RUNS_ELSEWHERE // RUNS)
        _judge(place, {f"{place.rig}, its channels": ()}, elsewhere, of)
    _show_others(max(1, runs * RUNS_OTHERS // RUNS), of)
    note(f"\n{runs} runs a cause, {time.process_time() - start_s:.0f} s of one core")


def _load() -> None:
    """Have every car run compiled from now on."""
    from simulator.plant import compiled

    note(f"plant {compiled.fingerprint()}, compiled")


def _judge(place: Place, variants: Mapping[str, tuple[str, ...]], runs: int, of: range) -> None:
    rig = rig_of(place)
    names = (*CAUSE_NAMES[:-1], NONE_OF_THESE)
    counts = {variant: {true: dict.fromkeys(names, 0) for true in CASES} for variant in variants}
    second = {variant: dict.fromkeys(CASES, 0) for variant in variants}
    told = {variant: dict.fromkeys(CASES, 0) for variant in variants}
    belief = {variant: [[0.0, 0.0, 0.0] for _ in range(5)] for variant in variants}
    for true in CASES:
        for seed in seeds(of, true, runs):
            ranker = CauseRanker(rig)
            watch(rig, true, seed, ranker, place=place)
            for variant, without in variants.items():
                ranked = ranker.rank(without)
                top = ranked[0]
                counts[variant][true][top.name] += 1
                second[variant][true] += true in (top.name, ranked[1].name)
                grouped = {name for doubt in top.cannot_tell for name in doubt.causes}
                told[variant][true] += true == top.name or true in grouped
                bucket = belief[variant][min(int(top.likelihood * 5.0), 4)]
                bucket[0] += 1.0
                bucket[1] += top.likelihood
                bucket[2] += top.name == true
    for variant in variants:
        _show(variant, counts[variant], second[variant], told[variant], runs)
        rows = [
            (
                f"{20 * i}-{20 * i + 20} %",
                int(n),
                f"{100 * said / n:.0f} %",
                f"{100 * hit / n:.0f} %",
            )
            for i, (n, said, hit) in enumerate(belief[variant])
            if n
        ]
        show(
            f"Is a likelihood to be believed: {variant}",
            ("likelihood of the top cause", "runs", "said", "was so"),
            rows,
        )


def _show_others(runs: int, of: range) -> None:
    rig = rig_of(BRINDLE)
    rows = []
    for other in OTHERS:
        first: Counter[str] = Counter()
        second: Counter[str] = Counter()
        likelihood = 0.0
        for seed in seeds(of, other, runs):
            ranker = CauseRanker(rig)
            watch(rig, other, seed, ranker)
            ranked = ranker.rank()
            first[ranked[0].name] += 1
            second[ranked[1].name] += 1
            likelihood += ranked[0].likelihood
        rows.append((other, _said(first), f"{100.0 * likelihood / runs:.0f} %", _said(second)))
    show(
        "Other faults, and what they are taken for: all channels",
        ("fault", "said (runs)", "mean likelihood", "said second (runs)"),
        rows,
    )


def _said(counts: Counter[str]) -> str:
    return ", ".join(f"{name} {count}" for name, count in counts.most_common(3))


def _show(
    variant: str,
    counts: dict[str, dict[str, int]],
    second: dict[str, int],
    told: dict[str, int],
    runs: int,
) -> None:
    rows = []
    for true, row in counts.items():
        rows.append(
            (
                true,
                *(row[name] or "" for name in row),
                _recall(row[true], runs),
                _recall(second[true], runs),
                _recall(told[true], runs),
            )
        )
    n = runs * len(counts)
    rows.append(
        (
            "all",
            *("" for _ in next(iter(counts.values()))),
            _recall(sum(row[true] for true, row in counts.items()), n),
            _recall(sum(second.values()), n),
            _recall(sum(told.values()), n),
        )
    )
    head = ("true \\ said", *next(iter(counts.values())), "top 1", "top 2", "top 1 or can't tell")
    show(f"Causes: {variant}", head, rows)


def tune(runs: int = 60) -> None:
    """Print how much each signature belonged to each of its states, by cause, tuning seeds."""
    _load()
    for place in (BRINDLE, *ELSEWHERE):
        rig = rig_of(place)
        rows = [(cause, *_looks(rig, cause, runs, place)) for cause in CASES]
        show(
            f"Signatures, tuning seeds: {place.rig}",
            ("cause", *(s.name for s in SIGNATURES)),
            rows,
        )


def _looks(rig: Rig, cause: str, runs: int, place: Place) -> tuple[str, ...]:
    sums = [[0.0] * len(signature.states) for signature in SIGNATURES]
    seen = [0] * len(SIGNATURES)
    for seed in seeds(TUNING_SEEDS, cause, runs):
        readings = Readings(rig)
        watch(rig, cause, seed, readings, place=place)
        for i, signature in enumerate(SIGNATURES):
            if readings.available(signature):
                seen[i] += 1
                for j, share in enumerate(signature.membership(readings.x[signature.name])):
                    sums[i][j] += share
    return tuple(
        " ".join(f"{share / max(n, 1):.2f}" for share in total) + f" ({n})"
        for total, n in zip(sums, seen, strict=True)
    )


if __name__ == "__main__":
    tune()
