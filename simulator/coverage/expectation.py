"""Which findings a fault ought to raise, by operating point: written from understanding.

Nothing in the cases (``cases.py``) was read off a run. Where runs disagree, the coverage table
says so, and one of the two has to learn: the rules, or this table. What a rig can't find
(``rules.findings.why_impossible``) is taken out before the comparison.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import isfinite
from typing import Final

from rules.channels import CHANNEL_NAMES
from rules.channels import LINE as LINE_COLUMN
from rules.facts import Charger, CommandKind, Rig
from rules.findings import FINDINGS, why_impossible
from rules.handling import least_clog_share
from rules.step.from_rig import constants_of, witness_column
from simulator.plant import Fault, FaultKind
from simulator.plant.sensors import BOTTOM, OPEN, TOP

Names = frozenset[str]

UNDER: Final = frozenset({"under_delivery"})
DRY: Final = frozenset({"knock", "knock_persists", "intake_hot"})  # what too little spray leads to
SEEN_BY_ENGINE: Final = frozenset({"knock", "intake_hot", "cooling_missing"})
SURPLUS: Final = frozenset({"over_delivery", "unasked_flow"})
ANY_FLOW: Final = UNDER | SURPLUS
LOST: Final = frozenset({"signal_lost"})
DOUBTED: Final = frozenset({"rig_doubted"})  # a sensor that isn't as the rig says
LINE: Final = frozenset({"line_doubted"})
CROSSED: Final = frozenset({"command_disagrees", "boost_contradicted"})  # a reading in dispute
NOTHING: Final[Names] = frozenset()
_OF_BOOST: Final = (FaultKind.OVERBOOST, FaultKind.COOLER_BLOCKED)
_SURE_OF_CLOG: Final = 0.05
_FOLLOWS_BOOST: Final = (CommandKind.FIXED, CommandKind.BOOST, CommandKind.MAP)


@dataclass(frozen=True, slots=True)
class Expectation:
    """What a fault ought to lead to at one operating point.

    Attributes:
        needs: Of each of these groups at least one finding is expected.
        may: Findings that may come as well, as consequences.
        why: The reason.
        least_missing: They are expected only where, in truth, this share of the spray is missing
            over a second (0 to 1).
        not_applicable: Why the fault can't be judged here; empty where it can.
    """

    needs: tuple[Names, ...] = ()
    may: Names = NOTHING
    why: str = ""
    least_missing: float = 0.0
    not_applicable: str = ""


@dataclass(frozen=True, slots=True)
class Case:
    """One row of the table: a fault, alone or together with another, and what is expected.

    Attributes:
        name: As in the table, at most 23 characters.
        faults: What goes wrong; times and conditions come with the operating point.
        needs: See ``Expectation``.
        may: Likewise.
        why: Likewise.
        least_missing: Likewise.
        at: Operating points at which something else is expected.
        channel: A channel without which the case says nothing.
    """

    name: str
    faults: tuple[Fault, ...]
    needs: tuple[Names, ...]
    why: str
    may: Names = NOTHING
    least_missing: float = 0.0
    at: Mapping[str, Expectation] = field(default_factory=dict)
    channel: str = ""


def fault(kind: FaultKind, magnitude: float = 1.0, channel: str = "") -> Fault:
    """Return a fault whose time and conditions are still open."""
    return Fault(kind, 0.0, magnitude=magnitude, channel=channel)


def expected(case: Case, point: str, rig: Rig) -> Expectation:
    """Return what a case ought to lead to at an operating point, with this rig.

    Args:
        case: The case.
        point: Key of the operating point.
        rig: The rig; what it can't find is taken out.
    """
    usual = Expectation(case.needs, case.may, case.why, case.least_missing)
    found = case.at.get(point, usual)
    if found.not_applicable:
        return found
    if case.channel and case.channel not in {terms.name for terms in rig.channels}:
        return replace(found, not_applicable=f"the rig maps no channel {case.channel}")
    found = _by_rig(case, found, rig)
    if found.not_applicable:
        return found
    if case.faults and witness_column(rig) == LINE_COLUMN:
        found = _by_line_alone(case, found, point, rig)
    impossible = {f.name: why for f in FINDINGS if (why := why_impossible(rig, f)) is not None}
    groups = tuple(kept for group in found.needs if (kept := group.difference(impossible)))
    if found.needs and not groups:
        reasons = sorted(f"{name}: {impossible[name]}" for group in found.needs for name in group)
        return replace(found, not_applicable=f"the rig does not look for {'; '.join(reasons)}")
    return replace(found, needs=groups)


def _by_line_alone(case: Case, found: Expectation, point: str, rig: Rig) -> Expectation:
    """Take into account that no flow sensor is there, and line pressure tells instead."""
    kind = case.faults[0].kind
    if case.channel == "line_kpa":
        why = "nothing contradicts it: it is taken for the spray, or for blindness"
        found = Expectation((UNDER | LOST,), DRY, why)
    elif case.channel == "boost_kpa":
        # More than is due lowers the pressure.
        needs = tuple(group | UNDER if group & SURPLUS else group for group in found.needs)
        found = replace(found, needs=needs, may=found.may | UNDER)
    elif kind is FaultKind.SPLIT_AFTER_SENSOR:
        found = Expectation((UNDER,), DRY, "the pressure falls, whatever flows")
    elif kind is FaultKind.SECOND_SENDER:
        why = "the readings of a car at rest contradict nothing; this one's boost has jumped"
        return Expectation((), found.may.union(*found.needs), why)
    elif kind is FaultKind.CONTROLLER_SILENT and point == "spool":
        why = "pump and valve stop together: the pressure they trap may be as due"
        return Expectation((), found.may.union(*found.needs), why)
    elif kind in (FaultKind.CLOGGED_NOZZLE, FaultKind.VALVE_STUCK_SHUT):
        # Near the least that is told it takes for ever.
        least = least_clog_share(constants_of(rig)) + _SURE_OF_CLOG
        if least >= 1.0:
            why = "the regulator holds the pressure, whatever is clogged"
            return Expectation((), found.may.union(*found.needs), why)
        found = replace(found, least_missing=max(found.least_missing, least))
    if point == "part" and UNDER & frozenset().union(*found.needs):
        why = "with little commanded the line's pressure says nothing"
        return Expectation((), found.may.union(*found.needs), why)
    return found


def _by_rig(case: Case, found: Expectation, rig: Rig) -> Expectation:
    """Take into account what the rig says: its charger, its command, its channels' terms."""
    if len(case.faults) != 1:
        return found
    kind = case.faults[0].kind
    if kind is FaultKind.SPLIT_AFTER_SENSOR and any(t.name == "line_kpa" for t in rig.channels):
        needs = tuple(group | UNDER for group in found.needs)
        return replace(found, needs=needs, why=f"{found.why}; and the line's pressure falls")
    if rig.unboosted and kind in _OF_BOOST:
        return replace(found, not_applicable="nothing boosts: neither charger nor intercooler")
    if rig.unboosted and kind in (FaultKind.WRONG_MIX, FaultKind.PETROL_SHORT):
        why = "nothing boosts: the engine copes, and no finding looks at lambda"
        return Expectation((), found.may.union(*found.needs), why)
    if kind is FaultKind.OVERBOOST and rig.engine.charger is not Charger.TURBOCHARGER:
        why = "no wastegate: boost follows from the drive, whatever is aimed at"
        return Expectation((), found.may.union(*found.needs), why)
    if not case.channel:
        return found
    terms = next(t for t in rig.channels if t.name == case.channel)
    column = CHANNEL_NAMES.index(case.channel)
    reads = {FaultKind.SENSOR_SHORT: BOTTOM, FaultKind.SENSOR_OPEN: OPEN}.get(kind)
    if found.needs == (LOST,) and reads is not None and terms.low <= reads[column] <= terms.high:
        return Expectation((), found.may | LOST, "what it reads is plausible for this rig")
    moves = kind in (FaultKind.SENSOR_STUCK, FaultKind.SENSOR_OFFSET)
    if case.channel == "boost_kpa" and moves and rig.command.kind not in _FOLLOWS_BOOST:
        why = "this rig's command does not follow boost"
        return Expectation((), found.may.union(ANY_FLOW, *found.needs), why)
    if case.channel == "boost_kpa" and kind is FaultKind.SENSOR_OFFSET:
        span_kpa = TOP[column] - BOTTOM[column]
        if rig.paid.boost_kpa[-1] + case.faults[0].magnitude * span_kpa > terms.high:
            groups = tuple(group | LOST for group in found.needs)
            why = "beyond what is plausible for this rig; by the last good reading nothing is due"
            return replace(found, needs=groups, may=found.may | SURPLUS, why=why)
    if kind is not FaultKind.SENSOR_STUCK:
        return found
    if found.needs == (LOST,) and not isfinite(terms.stuck_after_s):
        why = f"the rig states no stuck_after for {case.channel}: nobody looks whether it moves"
        return Expectation((), found.may | LOST, why)
    return found
