"""Cases of the coverage matrix: the spray system, the engine, the way to the guard."""

from typing import Final

from simulator.coverage.cases_sensors import SENSOR_CASES
from simulator.coverage.expected import (
    ANY_FLOW,
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
from simulator.coverage.points import POINTS
from simulator.plant import FaultKind

_K: Final = FaultKind
_A_SHORTFALL: Final = 0.25  # a smaller share is not demanded: allowance and gain hide some of it


def _spray(name: str, kind: FaultKind, magnitude: float, needs: Names, why: str) -> Case:
    return Case(
        name,
        (fault(kind, magnitude),),
        (needs,),
        why,
        DRY | NONE_ARRIVES,
        least_missing=_A_SHORTFALL,
    )


_SPRAY: Final = (
    _spray("pump stop", _K.PUMP_STOP, 1.0, NONE_ARRIVES, "nothing arrives once spray is due"),
    _spray("pump fade 60 %", _K.PUMP_FADE, 0.6, UNDER, "60 % less pressure, some 40 % less flow"),
    _spray("supply low 40 %", _K.SUPPLY_LOW, 0.4, UNDER, "the pump turns slower under load"),
    _spray("clogged nozzle 40 %", _K.CLOGGED_NOZZLE, 0.4, UNDER, "40 % less opening, so flow"),
    _spray(
        "split before sensor",
        _K.SPLIT_BEFORE_SENSOR,
        0.75,
        UNDER,
        "most of the pump's flow leaves ahead of the sensor, and pressure falls",
    ),
    Case(
        "split after sensor",
        (fault(_K.SPLIT_AFTER_SENSOR, 0.6),),
        (frozenset({"over_delivery", "cooling_missing"}),),
        "the sensor counts more than the nozzles could pass, or the charge stays hot; it may count "
        "more than is plausible",
        DRY | SURPLUS | LOST,
    ),
    Case(
        "empty tank",
        (fault(_K.EMPTY_TANK),),
        (NONE_ARRIVES, frozenset({"tank_low"})),
        "the level falls within seconds, and once spray is due nothing arrives",
        DRY,
    ),
    _spray("air 40 %", _K.AIR, 0.4, UNDER, "what the pump moves is partly air"),
    Case(
        "siphon",
        (fault(_K.SIPHON, 0.7),),
        (frozenset({"unasked_flow"}),),
        "vacuum draws fluid that nobody asked for, at the latest after the lift",
        frozenset({"over_delivery"}),
    ),
    Case(
        "valve stuck open",
        (fault(_K.VALVE_STUCK_OPEN),),
        (SURPLUS,),
        "full flow at a part command, and flow in vacuum",
    ),
    _spray("valve stuck shut 60 %", _K.VALVE_STUCK_SHUT, 0.6, UNDER, "60 % less opening"),
    _spray(
        "regulator stuck 70 %",
        _K.REGULATOR_STUCK,
        0.7,
        UNDER,
        "the bypass takes flow early; how much is lost is a matter of the pump's reserve",
    ),
    Case(
        "wrong mix",
        (fault(_K.WRONG_MIX),),
        (SEEN_BY_ENGINE,),
        "water flows as well as the mix: only the engine, leaner and hotter, can tell",
        DRY,
        at={
            "part": Expectation((), SEEN_BY_ENGINE | DRY, "below the dry limit no spray is needed"),
        },
    ),
    Case(
        "controller silent",
        (fault(_K.CONTROLLER_SILENT),),
        (NONE_ARRIVES | {"no_command"},),
        "boost calls for spray, and none is commanded",
        DRY | NONE_ARRIVES | {"command_disagrees"},
    ),
)
_ENGINE: Final = (
    Case(
        "overboost 25 %",
        (fault(_K.OVERBOOST, 0.25),),
        (frozenset({"overboost"}),),
        "boost passes its limit in the pull",
        frozenset({"injector_duty", "under_delivery"}) | DRY,
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
        DRY | NONE_ARRIVES,
        least_missing=_A_SHORTFALL,
    ),
    Case(
        "cut ignored, pump stop",
        (fault(_K.PUMP_STOP), fault(_K.CUT_IGNORED)),
        (NONE_ARRIVES,),
        "the shortfall is found as ever; no finding says that an order is not done",
        DRY,
    ),
    Case(
        "orders late, pump stop",
        (fault(_K.PUMP_STOP), fault(_K.ORDERS_LATE)),
        (NONE_ARRIVES,),
        "the shortfall is found as ever, and acted on a second late",
        DRY,
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
        (LOST | _LATE | ANY_FLOW | {"no_command"},),
        "every other sample is another car's, at rest: under boost the two contradict each other",
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
CASES: Final = (HEALTHY, *_SPRAY, *_ENGINE, *SENSOR_CASES, *_LINE)
