"""Cases of the coverage matrix: spray system, engine, sensors that lie, the way to the guard."""

from typing import Final

from simulator.coverage.expectation import (
    ANY_FLOW,
    CROSSED,
    DOUBTED,
    DRY,
    LINE,
    LOST,
    NOTHING,
    SEEN_BY_ENGINE,
    SURPLUS,
    UNDER,
    Case,
    Expectation,
    Names,
    fault,
)
from simulator.coverage.points import POINTS
from simulator.plant import FaultKind

_K: Final = FaultKind
# A smaller share is not demanded: pump and regulator make up for some of it.
_A_SHORTFALL: Final = 0.25


def _spray(name: str, kind: FaultKind, magnitude: float, why: str) -> Case:
    return Case(
        name,
        (fault(kind, magnitude),),
        (UNDER,),
        why,
        DRY,
        least_missing=_A_SHORTFALL,
    )


_SPRAY: Final = (
    _spray("pump stop", _K.PUMP_STOP, 1.0, "nothing arrives once spray is due"),
    _spray("pump fade 60 %", _K.PUMP_FADE, 0.6, "60 % less pressure, some 40 % less flow"),
    _spray("supply low 40 %", _K.SUPPLY_LOW, 0.4, "the pump turns slower under load"),
    _spray("clogged nozzle 40 %", _K.CLOGGED_NOZZLE, 0.4, "40 % less opening, so flow"),
    _spray(
        "split before sensor",
        _K.SPLIT_BEFORE_SENSOR,
        0.75,
        "most of the pump's flow leaves ahead of the sensor, and pressure falls",
    ),
    Case(
        "split after sensor",
        (fault(_K.SPLIT_AFTER_SENSOR, 0.6),),
        (frozenset({"over_delivery", "cooling_missing"}),),
        "the sensor counts more than the nozzles could pass, or the charge stays hot; it may count "
        "more than is plausible",
        DRY | SURPLUS | LOST | DOUBTED,
    ),
    Case(
        "empty tank",
        (fault(_K.EMPTY_TANK),),
        (UNDER, frozenset({"tank_low"})),
        "the level falls within seconds, and once spray is due nothing arrives",
        DRY,
    ),
    _spray("air 40 %", _K.AIR, 0.4, "what the pump moves is partly air"),
    Case(
        "siphon",
        (fault(_K.SIPHON, 0.7),),
        (frozenset({"unasked_flow"}),),
        "vacuum draws fluid that nobody asked for, at the latest after the lift; what it cooled "
        "before the pull seems to warm in it",
        frozenset({"over_delivery", "cooling_missing"}),
    ),
    Case(
        "valve stuck open",
        (fault(_K.VALVE_STUCK_OPEN),),
        (SURPLUS,),
        "full flow at a part command, and flow in vacuum",
        DOUBTED,
    ),
    _spray("valve stuck shut 60 %", _K.VALVE_STUCK_SHUT, 0.6, "60 % less opening"),
    _spray(
        "regulator stuck 70 %",
        _K.REGULATOR_STUCK,
        0.7,
        "the bypass takes flow early; how much is lost is a matter of the pump's reserve",
    ),
    Case(
        "wrong mix",
        (fault(_K.WRONG_MIX),),
        (SEEN_BY_ENGINE,),
        "water flows nearly as well as the mix, some 4 % less of it: only the engine, leaner and "
        "hotter, can tell",
        DRY | UNDER,
        at={
            "part": Expectation(
                (), SEEN_BY_ENGINE | DRY | UNDER, "below the dry limit no spray is needed"
            ),
        },
    ),
    Case(
        "controller silent",
        (fault(_K.CONTROLLER_SILENT),),
        (UNDER | {"no_command"},),
        "boost calls for spray, and none is commanded",
        DRY | {"command_disagrees"},
    ),
)
_ENGINE: Final = (
    Case(
        "overboost 25 %",
        (fault(_K.OVERBOOST, 0.25),),
        (frozenset({"overboost"}),),
        "boost passes its limit in the pull",
        UNDER | DRY | {"injector_duty"},
        at={"part": Expectation((), frozenset({"overboost"}), "the throttle holds boost there")},
    ),
    Case(
        "cooler blocked",
        (fault(_K.COOLER_BLOCKED),),
        (),
        "the core soaks heat for about a pull before the charge is much hotter",
        SEEN_BY_ENGINE | DRY,
    ),
    Case(
        "petrol short 25 %",
        (fault(_K.PETROL_SHORT, 0.25),),
        (frozenset({"knock"}),),
        "lean under boost: no finding looks at lambda, so knock has to tell",
        DRY,
        at={"part": Expectation((), DRY, "little boost leaves room before knock")},
    ),
    Case(
        "retard ignored, clog",
        (fault(_K.CLOGGED_NOZZLE, 0.4), fault(_K.RETARD_IGNORED)),
        (UNDER,),
        "the shortfall is found as ever; no finding says that an order is not done",
        DRY,
        least_missing=_A_SHORTFALL,
    ),
    Case(
        "cut ignored, pump stop",
        (fault(_K.PUMP_STOP), fault(_K.CUT_IGNORED)),
        (UNDER,),
        "the shortfall is found as ever; no finding says that an order is not done",
        DRY,
    ),
    Case(
        "orders late, pump stop",
        (fault(_K.PUMP_STOP), fault(_K.ORDERS_LATE)),
        (UNDER,),
        "the shortfall is found as ever, and acted on a second late",
        DRY,
    ),
)


def _flow(name: str, kind: FaultKind, magnitude: float, needs: Names, why: str) -> Case:
    return Case(
        f"flow {name}",
        (fault(kind, magnitude, "delivered_ml_min"),),
        (needs,) if needs else (),
        why,
        LOST | DOUBTED if needs else LOST | DOUBTED | ANY_FLOW,
        channel="delivered_ml_min",
    )


_FLOW_SENSOR: Final = (
    _flow(
        "stuck",
        _K.SENSOR_STUCK,
        1.0,
        LOST | ANY_FLOW,
        "a flow that stands still while spray is due is stuck; stuck at nil it reads as no flow",
    ),
    _flow("short", _K.SENSOR_SHORT, 1.0, UNDER, "it reads nil when spray is due"),
    _flow("open", _K.SENSOR_OPEN, 1.0, UNDER, "a pulse sensor without a wire reads nil"),
    _flow("offset -15 %", _K.SENSOR_OFFSET, -0.15, UNDER, "450 mL/min too low"),
    _flow("offset +10 %", _K.SENSOR_OFFSET, 0.10, SURPLUS, "300 mL/min that nobody asked for"),
    _flow("gain -35 %", _K.SENSOR_GAIN, -0.35, UNDER, "a third of the flow seems to be missing"),
    Case(
        "flow gain +40 %",
        (fault(_K.SENSOR_GAIN, 0.40, "delivered_ml_min"),),
        (SURPLUS,),
        "more than the nozzles could pass (and it hides what is missing)",
        SURPLUS | LOST | DOUBTED,
        at={
            "part": Expectation(
                (), SURPLUS | DOUBTED, "of a small flow 40 % is little, and takes long to add up"
            )
        },
        channel="delivered_ml_min",
    ),
    _flow("drift down", _K.SENSOR_DRIFT, -1.0, UNDER, "50 mL/min less each second"),
    _flow(
        "noise 10 %", _K.SENSOR_NOISE, 0.10, NOTHING, "no finding is about noise; its mean is nil"
    ),
    _flow("spikes 10 %", _K.SENSOR_SPIKES, 0.10, NOTHING, "a spike is no shortfall"),
    _flow("swing 10 %", _K.SENSOR_OSCILLATION, 0.10, NOTHING, "its mean is nil"),
    _flow(
        "loose joint",
        _K.SENSOR_INTERMITTENT,
        0.5,
        UNDER | LOST,
        "for half of the time nothing seems to arrive",
    ),
)


def _other(
    name: str,
    kind: FaultKind,
    channel: str,
    needs: Names,
    why: str,
    may: Names = NOTHING,
    magnitude: float = 1.0,
) -> Case:
    groups = (needs,) if needs else ()
    return Case(name, (fault(kind, magnitude, channel),), groups, why, may | LOST, channel=channel)


_SENSORS: Final = (
    _other(
        "boost stuck",
        _K.SENSOR_STUCK,
        "boost_kpa",
        ANY_FLOW | LOST | CROSSED,
        "it stands still under boost, or command, petrol and flow no longer go with it",
        frozenset({"overboost", "no_command"}),
    ),
    _other(
        "boost short",
        _K.SENSOR_SHORT,
        "boost_kpa",
        LOST,
        "the bottom of its range is not plausible",
        ANY_FLOW,
    ),
    _other(
        "boost open",
        _K.SENSOR_OPEN,
        "boost_kpa",
        LOST | {"overboost"},
        "the top of its range is not plausible, or above its limit",
        ANY_FLOW,
    ),
    _other(
        "boost offset +15 %",
        _K.SENSOR_OFFSET,
        "boost_kpa",
        UNDER | {"overboost"},
        "68 kPa too high: beyond its limit, or more spray is expected than commanded",
        DRY | CROSSED | {"no_command"},
        magnitude=0.15,
    ),
    _other(
        "boost offset -15 %",
        _K.SENSOR_OFFSET,
        "boost_kpa",
        SURPLUS | CROSSED,
        "68 kPa too low: more is commanded, injected and sprayed than that boost would call for",
        frozenset({"cooling_missing"}),
        magnitude=-0.15,
    ),
    _other(
        "boost noise 5 %",
        _K.SENSOR_NOISE,
        "boost_kpa",
        NOTHING,
        "no finding is about noise; its mean is nil",
        frozenset({"overboost"}) | ANY_FLOW,
        magnitude=0.05,
    ),
    _other(
        "boost loose joint",
        _K.SENSOR_INTERMITTENT,
        "boost_kpa",
        NOTHING,
        "each gap is about as long as a value may be old",
        frozenset({"overboost"}) | ANY_FLOW,
        magnitude=0.5,
    ),
    _other(
        "intake stuck",
        _K.SENSOR_STUCK,
        "intake_c",
        LOST,
        "a reading that stands still under boost is stuck",
    ),
    _other(
        "intake open",
        _K.SENSOR_OPEN,
        "intake_c",
        LOST,
        "an open thermistor reads colder than is plausible",
    ),
    _other(
        "intake offset +30 %",
        _K.SENSOR_OFFSET,
        "intake_c",
        frozenset({"intake_hot", "cooling_missing"}),
        "60 K too hot is above its limit",
        DRY,
        magnitude=0.30,
    ),
    _other(
        "intake offset -30 %",
        _K.SENSOR_OFFSET,
        "intake_c",
        NOTHING,
        "it hides heat, and nothing contradicts it",
        magnitude=-0.30,
    ),
    _other(
        "commanded short",
        _K.SENSOR_SHORT,
        "commanded_ml_min",
        frozenset({"no_command"}),
        "a logged command of nil where boost calls for spray",
        SURPLUS | CROSSED,
    ),
    _other(
        "knock short",
        _K.SENSOR_SHORT,
        "knock",
        NOTHING,
        "it hides knock, and nothing contradicts it",
    ),
    _other(
        "knock offset +30 %",
        _K.SENSOR_OFFSET,
        "knock",
        frozenset({"knock"}),
        "6 deg seem to be taken back all the time",
        DRY,
        magnitude=0.30,
    ),
    *(
        Case(
            f"line {name}",
            (fault(kind, magnitude, "line_kpa"),),
            (LINE,),
            "the flow, once it has had time to follow, contradicts it",
            LOST | UNDER,
            at={"part": Expectation((), LOST | LINE, "of a small command it tells little")},
            channel="line_kpa",
        )
        for name, kind, magnitude in (
            ("short", _K.SENSOR_SHORT, 1.0),
            ("gain -35 %", _K.SENSOR_GAIN, -0.35),
        )
    ),
    _other(
        "tank short",
        _K.SENSOR_SHORT,
        "tank_ml",
        frozenset({"tank_low"}),
        "it reads empty",
    ),
    _other(
        "tank switch open",
        _K.SENSOR_OPEN,
        "tank_switch",
        frozenset({"tank_low"}),
        "its contact opens as the float sinks: a broken wire reads low",
    ),
    _other(
        "speed open",
        _K.SENSOR_OPEN,
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


def _wire(name: str, kind: FaultKind, magnitude: float, needs: Names, why: str) -> Case:
    return Case(
        name,
        (fault(kind, magnitude),),
        (needs,) if needs else (),
        why,
        LOST | {"late_samples"},
    )


_STEP: Final = frozenset({"clock_step"})
_LATE: Final = frozenset({"late_samples"})
_LINE: Final = (
    _wire("wire noise 4 %", _K.WIRE_NOISE, 0.04, NOTHING, "single bad values are no shortfall"),
    _wire("messages lost 30 %", _K.MESSAGES_LOST, 0.3, NOTHING, "enough of them are left"),
    _wire("messages late 0.5 s", _K.MESSAGES_LATE, 1.0, LOST | _LATE, "silence, then old samples"),
    _wire("messages twice", _K.MESSAGES_REPEATED, 0.3, NOTHING, "the same again changes nothing"),
    _wire("messages inserted", _K.MESSAGES_INSERTED, 0.3, NOTHING, "they are one sample old"),
    _wire("messages disordered", _K.MESSAGES_DISORDERED, 0.3, _LATE, "every third is late"),
    _wire("clock ahead 10 s", _K.CLOCK_STEP, 1.0, _STEP, "a step ahead"),
    _wire("clock back 10 s", _K.CLOCK_STEP, -1.0, _STEP, "a step back"),
    Case(
        "second sender",
        (fault(_K.SECOND_SENDER),),
        (LOST | _LATE | ANY_FLOW | DOUBTED | {"no_command"},),
        "every other sample is another car's, at rest: under boost the two contradict each other, "
        "or the flow is noisier than its rig says",
        DRY,
    ),
    _wire("unplugged", _K.UNPLUGGED, 1.0, LOST, "nothing comes any more"),
    Case(
        "log cut",
        (fault(_K.LOG_CUT),),
        (),
        "",
        at={
            point.key: Expectation(not_applicable="the log ends: nothing is left to judge by")
            for point in POINTS
        },
    ),
)
HEALTHY: Final = Case("no fault", (), (), "a healthy car gives no reason to act")
CASES: Final = (HEALTHY, *_SPRAY, *_ENGINE, *_FLOW_SENSOR, *_SENSORS, *_LINE)
