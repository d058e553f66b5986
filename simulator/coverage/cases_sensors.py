"""Cases of the coverage matrix: sensors that lie, each channel in the ways that matter to it."""

from typing import Final

from simulator.coverage.expected import (
    ANY_FLOW,
    CROSSED,
    DRY,
    LOST,
    NONE_ARRIVES,
    NOTHING,
    SEEN_BY_ENGINE,
    SURPLUS,
    UNDER,
    Case,
    Expectation,
    Names,
    fault,
)
from simulator.plant import FaultKind

_K: Final = FaultKind


def _flow(name: str, kind: FaultKind, magnitude: float, needs: Names, why: str) -> Case:
    more = LOST | NONE_ARRIVES if needs <= NONE_ARRIVES else LOST
    return Case(
        f"flow {name}",
        (fault(kind, magnitude, "delivered_ml_min"),),
        (needs,) if needs else (),
        why,
        more if needs else LOST | NONE_ARRIVES | SURPLUS,
        channel="delivered_ml_min",
    )


_FLOW: Final = (
    _flow(
        "stuck",
        _K.SENSOR_STUCK,
        1.0,
        LOST | NONE_ARRIVES | SURPLUS,
        "a flow that stands still while spray is due is stuck; stuck at nil it reads as no flow",
    ),
    _flow("short", _K.SENSOR_SHORT, 1.0, NONE_ARRIVES, "it reads nil when spray is due"),
    _flow("open", _K.SENSOR_OPEN, 1.0, NONE_ARRIVES, "a pulse sensor without a wire reads nil"),
    _flow("offset -15 %", _K.SENSOR_OFFSET, -0.15, NONE_ARRIVES, "450 mL/min too low"),
    _flow("offset +10 %", _K.SENSOR_OFFSET, 0.10, SURPLUS, "300 mL/min that nobody asked for"),
    _flow("gain -35 %", _K.SENSOR_GAIN, -0.35, UNDER, "a third of the flow seems to be missing"),
    Case(
        "flow gain +40 %",
        (fault(_K.SENSOR_GAIN, 0.40, "delivered_ml_min"),),
        (SURPLUS,),
        "more than the nozzles could pass (and it hides what is missing)",
        SURPLUS | LOST,
        at={
            "part": Expectation((), SURPLUS, "of a small flow 40 % is little beyond its allowance")
        },
        channel="delivered_ml_min",
    ),
    _flow("drift down", _K.SENSOR_DRIFT, -1.0, NONE_ARRIVES, "50 mL/min less each second"),
    _flow(
        "noise 10 %", _K.SENSOR_NOISE, 0.10, NOTHING, "no finding is about noise; its mean is nil"
    ),
    _flow("spikes 10 %", _K.SENSOR_SPIKES, 0.10, NOTHING, "a spike is no shortfall"),
    _flow("swing 10 %", _K.SENSOR_OSCILLATION, 0.10, NOTHING, "its mean is nil"),
    _flow(
        "loose joint",
        _K.SENSOR_INTERMITTENT,
        0.5,
        NONE_ARRIVES | LOST,
        "for half of the time nothing seems to arrive",
    ),
)


def _other(
    name: str,
    kind: FaultKind,
    magnitude: float,
    channel: str,
    needs: Names,
    why: str,
    may: Names = NOTHING,
) -> Case:
    groups = (needs,) if needs else ()
    return Case(name, (fault(kind, magnitude, channel),), groups, why, may | LOST, channel=channel)


_OTHERS: Final = (
    _other(
        "boost stuck",
        _K.SENSOR_STUCK,
        1.0,
        "boost_kpa",
        ANY_FLOW | LOST | CROSSED,
        "it stands still under boost, or command, petrol and flow no longer go with it",
        frozenset({"overboost", "no_command"}),
    ),
    _other(
        "boost short",
        _K.SENSOR_SHORT,
        1.0,
        "boost_kpa",
        LOST,
        "the bottom of its range is not plausible",
        ANY_FLOW,
    ),
    _other(
        "boost open",
        _K.SENSOR_OPEN,
        1.0,
        "boost_kpa",
        LOST | {"overboost"},
        "the top of its range is not plausible, or above its limit",
        ANY_FLOW,
    ),
    _other(
        "boost offset +15 %",
        _K.SENSOR_OFFSET,
        0.15,
        "boost_kpa",
        NONE_ARRIVES | {"overboost"},
        "68 kPa too high: beyond its limit, or more spray is expected than commanded",
        DRY | CROSSED | {"no_command"},
    ),
    _other(
        "boost offset -15 %",
        _K.SENSOR_OFFSET,
        -0.15,
        "boost_kpa",
        SURPLUS | CROSSED,
        "68 kPa too low: more is commanded, injected and sprayed than that boost would call for",
        frozenset({"cooling_missing"}),
    ),
    _other(
        "boost noise 5 %",
        _K.SENSOR_NOISE,
        0.05,
        "boost_kpa",
        NOTHING,
        "no finding is about noise; its mean is nil",
        frozenset({"overboost"}) | ANY_FLOW,
    ),
    _other(
        "boost loose joint",
        _K.SENSOR_INTERMITTENT,
        0.5,
        "boost_kpa",
        NOTHING,
        "each gap is about as long as a value may be old",
        frozenset({"overboost"}) | ANY_FLOW,
    ),
    _other(
        "intake stuck",
        _K.SENSOR_STUCK,
        1.0,
        "intake_c",
        LOST,
        "a reading that stands still under boost is stuck",
    ),
    _other(
        "intake open",
        _K.SENSOR_OPEN,
        1.0,
        "intake_c",
        LOST,
        "an open thermistor reads colder than is plausible",
    ),
    _other(
        "intake offset +30 %",
        _K.SENSOR_OFFSET,
        0.30,
        "intake_c",
        frozenset({"intake_hot", "cooling_missing"}),
        "60 K too hot is above its limit",
        DRY,
    ),
    _other(
        "intake offset -30 %",
        _K.SENSOR_OFFSET,
        -0.30,
        "intake_c",
        NOTHING,
        "it hides heat, and nothing contradicts it",
    ),
    _other(
        "commanded short",
        _K.SENSOR_SHORT,
        1.0,
        "commanded_ml_min",
        frozenset({"no_command"}),
        "a logged command of nil where boost calls for spray",
        SURPLUS | CROSSED,
    ),
    _other(
        "knock short",
        _K.SENSOR_SHORT,
        1.0,
        "knock",
        NOTHING,
        "it hides knock, and nothing contradicts it",
    ),
    _other(
        "knock offset +30 %",
        _K.SENSOR_OFFSET,
        0.30,
        "knock",
        frozenset({"knock"}),
        "6 deg seem to be taken back all the time",
        DRY,
    ),
    _other(
        "tank short",
        _K.SENSOR_SHORT,
        1.0,
        "tank_ml",
        frozenset({"tank_low"}),
        "it reads empty",
    ),
    _other(
        "speed open",
        _K.SENSOR_OPEN,
        1.0,
        "engine_speed_rpm",
        NOTHING,
        "no finding asks for engine speed alone",
    ),
    Case(
        "flow stuck, pump stop",
        (fault(_K.PUMP_STOP), fault(_K.SENSOR_STUCK, 1.0, "delivered_ml_min")),
        (LOST | ANY_FLOW | SEEN_BY_ENGINE,),
        "the frozen reading hides the stop: the engine tells, or its stillness does",
        DRY,
        channel="delivered_ml_min",
    ),
)


SENSOR_CASES: Final = (*_FLOW, *_OTHERS)
