"""A review as lines for people."""

from collections.abc import Iterator
from math import isfinite
from typing import Final

from monitor.attach.message_parts import EventFacts
from monitor.recorder.span import counted
from monitor.review.done_then import done_in_words
from monitor.review.pull_table import ROOM, table
from monitor.review.pulls import SHORTEST_S
from monitor.review.review import Review
from monitor.review.spray_account import SprayAccount, Stretch
from monitor.sources.logs.bounded_lines import FIELDS
from monitor.sources.logs.own_clock import time_in_words
from monitor.words.events import event_in_words
from monitor.words.units import METRIC, Units
from rules.channels import CHANNELS, DELIVERED, INTAKE, LATE_S
from rules.facts import Action
from simulator.strict import clean

# Loggers of engines write 1 to 5000 rows a second; beyond that the unit of time is most likely
# another. Common practice, no source.
LEAST_STEP_S: Final = 0.0002
MOST_STEP_S: Final = 1.0
_WORTH_TELLING_S: Final = 0.05  # of spray that could not be judged


def in_words(result: Review, units: Units = METRIC, room: int = ROOM) -> Iterator[str]:
    """Yield a review as lines for people.

    Args:
        result: The review.
        units: Of the figures.
        room: Cells in a line, for the table of pulls; other lines are as long as they are.
    """
    for line in found_in_words(result, units):
        yield units.sentence(line)
    yield from _pulls_in_words(result, units, room)


def found_in_words(result: Review, units: Units) -> Iterator[str]:
    """Yield all but the pulls; ready-made sentences in it are metric."""
    span = result.span.in_words()
    yield f"{clean(result.source)}: {span}, judged by rig {clean(result.rig)}"
    yield from _time_in_words(result)
    if result.cut is not None:
        yield f"  the recording is not whole: {clean(result.cut, 1000)}"
    for reason, count in result.rejected.items():
        where = ""
        if reason == FIELDS and result.lines_not_used:
            lines = ", ".join(map(str, result.lines_not_used))
            where = f" (line {lines}{' and so on' if count > len(result.lines_not_used) else ''})"
        yield f"  {counted(count, 'row')} not used: {reason}{where}"
    if result.no_numbers:
        cells = "1 cell is" if result.no_numbers == 1 else f"{result.no_numbers} cells are"
        where = "; ".join(f"line {cell}" for cell in result.no_number_cells)
        more = " and so on" if result.no_numbers > len(result.no_number_cells) else ""
        yield f"  {cells} no number, and never healthy: {clean(where, 400)}{more}"
    if result.reproduced is not None:
        yield (
            "  decisions of that time reproduced, bit for bit"
            if result.reproduced
            else f"  decisions DIFFER from those recorded, first at {result.differs_at_s:z.3f} s"
        )
    if result.done_then is not None:
        done = done_in_words(result.done_then)
        yield f"  decided then by an older version's rules: {done}; decided anew here by today's"
    for new in result.new_terms:
        nothing = "nothing but the text" if result.done_then is None else "nothing of today's"
        told = ", ".join(change.words for change in new.changes) or nothing
        yield f"  thresholds changed at {new.time_s:z.2f} s: {told}"
    for mistake in result.mistakes:
        yield f"  suspect the rig, not the car: {mistake}"
    if result.told_by:
        yield (
            f"  no flow is measured: {result.told_by} alone tells of missing spray, and only while "
            "enough is due; flowdebt check says what it can't see"
        )
    if not result.events:
        yield f"  {_no_action(result)}"
    if result.unacknowledged and result.worst >= Action.PULL_TIMING:
        yield (
            "  this rig releases only what an operator acknowledges; a log has nobody to, so what "
            "is latched lasts to the end"
        )
    behind_s = 0.0
    for event in result.events:
        shift_s = event.time_s - event.clock_s
        if event is not result.events[0] and abs(shift_s - behind_s) > LATE_S:
            yield "  here the source's clock stepped: times from here on are by its new count"
        behind_s = shift_s
        yield from event_in_words(EventFacts.of(event)).report(units, result.clock.at(event.time_s))
    for line in (*_spray_in_words(result, units), *_tank_in_words(result, units)):
        yield f"  {line}"


def _time_in_words(result: Review) -> Iterator[str]:
    """Say what is odd about a log's times."""
    if result.step_s is not None and not LEAST_STEP_S <= result.step_s <= MOST_STEP_S:
        yield f"  rows are {_span_in_words(result.step_s)} apart: is [time] unit right?"
    elif result.step_s is not None and result.step_s > result.slowest_step_s:
        yield (
            f"  rows are {_span_in_words(result.step_s)} apart, too far to judge a command that "
            f"switches: spray off from one to the next, unseen, would pull timing. Expected at "
            f"most {_span_in_words(result.slowest_step_s)}"
        )
    for words in time_in_words(result.clock.starts, result.time_remark):
        yield f"  {words}"


def _no_action(result: Review) -> str:
    """Say that nothing was done, and in what: "throughout" only where all of it was judged."""
    blind = result.rows - result.judged
    if not (blind or result.blind_ticks or result.rejected or result.cut):
        return "no action throughout"
    why = "an essential channel or the clock was not healthy, or a row came late"
    told = f"; {counted(blind, 'row')} not: {why}" if blind else ""
    if result.blind_ticks:
        told += "; nor in the silence between them"
    if not result.judged:
        return f"no row could be judged{told}"
    return f"no action in the {counted(result.judged, 'row')} that could be judged{told}"


def _tank_in_words(result: Review, units: Units) -> Iterator[str]:
    """Yield how much was in the tank, where that is read."""
    if result.tank_ml is not None:
        first, last = (units.told(ml, "mL", 0) for ml in result.tank_ml)
        yield f"tank: {first} at first, {last} at last"


def _pulls_in_words(result: Review, units: Units, room: int) -> Iterator[str]:
    """Yield the pulls as a table, or that there was none."""
    yield from table(result.pulls, units, result.span.from_s or 0.0, room=room)
    if not result.pulls and result.judged:
        most = ""
        if isfinite(result.most_throttle_pct):
            most = f" (throttle {result.most_throttle_pct:z.0f} % at most)"
        yield f"  no pull: never {SHORTEST_S:z.0f} s at full throttle{most}"


def _spray_in_words(result: Review, units: Units) -> Iterator[str]:
    """Yield what was asked for and delivered, and how near to a limit it came, a line each."""
    if not result.judged:
        return
    spray = result.spray
    if spray.unjudged_s >= _WORTH_TELLING_S:
        yield f"spray was asked for during {spray.unjudged_s:z.2f} s that could not be judged"
    if not spray.sprayed_s:
        boost = ""
        if isfinite(spray.most_kpa):
            most, start = (
                units.told(kpa, "kPa", 0) for kpa in (spray.most_kpa, result.start_boost_kpa)
            )
            boost = f" (boost {most} at most; spray begins at {start})"
        yield f"no spray was asked for{boost}, so nothing tells whether it would arrive"
        return
    came = f"{units.told(spray.commanded_ml, 'mL', 1)} commanded"
    if spray.witness == DELIVERED:
        share = 100.0 * spray.delivered_ml / max(spray.commanded_ml, 1e-9)
        came = f"{units.figure(spray.delivered_ml, 'mL', 1)} of {came} arrived ({share:z.0f} %)"
    at = f"{units.figure(spray.low_kpa, 'kPa', 0)} to {units.told(spray.high_kpa, 'kPa', 0)}"
    yield f"sprayed for {spray.sprayed_s:z.2f} s at {at}: {came}"
    if spray.top is None or spray.worst is None:
        yield "never half a second of steady spray to compare with what was due"
    else:
        which = "" if spray.witness == DELIVERED else f"{CHANNELS[spray.witness - 1].label}, "
        top, worst = spray.top, spray.worst
        unit = CHANNELS[spray.witness - 1].unit
        off = _off_in_words(spray, top)
        due = f"{top.reads:z.0f} of {top.due:z.0f} {unit} due ({off})"
        if spray.witness == INTAKE:
            due = f"{top.reads:z.1f} {unit}, {off}"
        yield (
            f"{which}steady at {top.boost_kpa:z.0f} kPa, its highest, at {top.time_s:z.2f} s: "
            f"{due}; worst half second: {_off_in_words(spray, worst)}, at {worst.time_s:z.2f} s"
        )
    evidence, debt = spray.evidence, spray.debt_ml
    when = "" if evidence.time_s is None else f", at {evidence.time_s:z.2f} s"
    yield (
        f"highest evidence {evidence.value:z.1f} of the {evidence.limit:z.1f} that pull timing "
        f"({100.0 * evidence.value / evidence.limit:z.0f} %){when}; highest debt "
        f"{debt.value / spray.full_ml_s:z.2f} of the {debt.limit / spray.full_ml_s:z.2f} s of full "
        "flow that cut boost"
    )


def _off_in_words(spray: SprayAccount, found: Stretch) -> str:
    """Say how what was read stands to what was due."""
    if spray.witness == INTAKE:
        off_k = found.reads - found.due
        return f"{abs(off_k):z.1f} K {'above' if off_k > 0.0 else 'below'} what was due"
    return f"{100.0 * found.reads / found.due:z.0f} %"


def _span_in_words(span_s: float) -> str:
    return f"{span_s:z.3g} s" if abs(span_s) >= 1.0 else f"{1000.0 * span_s:z.3g} ms"
