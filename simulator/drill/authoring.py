"""A lesson file drawn up: from a scenario, or from a stretch of a recorded drive."""

import textwrap
from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from math import isfinite, isnan
from typing import Any, Final

from rules.channels import TIME
from rules.facts import Rig
from simulator.drill.calls import call_of
from simulator.drill.lesson import Lesson, lesson_from_text
from simulator.drill.recorded import likeliest_fault, steps_of
from simulator.plant import Fault, Scenario, Step

_WIDTH: Final = 100


@dataclass(frozen=True, slots=True)
class Draft:
    """What a lesson is drawn up from.

    Attributes:
        origin: Where it came from, in words; it stands in a remark.
        rig: The rig as the file is to name it.
        scenario: The drive and its faults.
        told: What the fault teaches, or how it was found.
        onset_within_s: The faults may begin so much later, seconds.
    """

    origin: str
    rig: str
    scenario: Scenario
    told: str
    onset_within_s: float = 0.0


def of_scenario(scenario: Scenario, rig: str) -> Draft:
    """Return the draft of a scenario.

    Args:
        scenario: The scenario.
        rig: Its rig, as the file is to name it.
    """
    last_s = max((fault.at_s for fault in scenario.faults), default=0.0)
    within_s = min(1.0, round((scenario.duration_s - last_s) / 3.0, 1)) if scenario.faults else 0.0
    origin = f"scenario {scenario.name}"
    return Draft(origin, rig, scenario, scenario.teaches, within_s)


def of_moment(rows: Any, rig: Rig, rig_name: str, at_s: float, origin: str) -> Draft:
    """Return the draft of a moment of a recorded drive.

    Args:
        rows: Rows of the log around the moment, as ``simulator.drill.recorded`` wants them.
        rig: The car's rig.
        rig_name: As the file is to name it.
        at_s: The moment, by the log's time.
        origin: The log and the moment, in words.
    """
    begin_s = float(rows[0, TIME])
    steps, lead_s = steps_of(rows, rig)
    fault, told = likeliest_fault(rows, rig, at_s)
    onset_s = round(at_s - begin_s + lead_s, 1)
    scenario = Scenario(
        name=origin,
        teaches=told,
        rig=rig,
        drive=steps,
        faults=() if fault is None else (replace(fault, at_s=onset_s),),
    )
    return Draft(origin, rig_name, scenario, told, 0.5 if fault is not None else 0.0)


def lesson_text(draft: Draft) -> str:
    """Return the text of a draft's lesson file, with remarks on what is left to write."""
    return "\n".join(_lines(draft)) + "\n"


def lesson_of(text: str, name: str) -> Lesson:
    """Return the lesson that a drawn-up text holds; see ``lesson_from_text``."""
    return lesson_from_text(text, name, name)


def _lines(draft: Draft) -> Iterator[str]:
    scenario = draft.scenario
    yield f"# A lesson, drawn up from {draft.origin}."
    yield "#"
    yield "# Trainees are told title and brief before the drive: name no fault there, nor in this"
    yield "# file's name. What goal and debrief say they are told afterwards."
    yield 'title = "A drive"'
    yield 'brief = """'
    yield "Say what the road is like and what the failsafe does, and nothing of what goes wrong."
    yield '"""'
    yield 'goal = """'
    yield _plain(draft.told)
    yield '"""'
    yield f"rig = {_text(draft.rig)}"
    if scenario.rate_hz != _default("rate_hz"):
        yield f'rate = "{scenario.rate_hz:z.6g} Hz"'
    if scenario.ambient_c != _default("ambient_c"):
        yield f'ambient = "{scenario.ambient_c:z.6g} degC"'
    if isfinite(scenario.tank_ml):
        yield f'tank = "{scenario.tank_ml:z.6g} mL"'
    if not isnan(scenario.peak_boost_kpa):
        yield f'peak_boost = "{scenario.peak_boost_kpa:z.6g} kPa"'
    yield "# on: the failsafe acts. off: nobody but the trainee. late: it acts late_by later."
    yield 'failsafe = "off"'
    yield '# late_by = "2 s"'
    yield "# The faults begin up to so much later than they say, in each drive otherwise."
    yield f'onset_within = "{draft.onset_within_s:zg} s"'
    yield 'answer_within = "5 s"  # a call so soon after the first sign counts in full'
    yield "# What is shown beside the readings: events, evidence, causes, advice."
    yield "shows = []"
    for step in scenario.drive:
        yield from ("", "[[drive]]", *_step(step))
    yield ""
    yield "# One table for each truth that the drive may hold; weight says how often it does."
    if scenario.faults:
        yield "[[cases]]"
        yield f'call = "{call_of(scenario.faults[0])}"'
        yield 'debrief = """'
        yield _plain(draft.told)
        yield '"""'
        for fault in scenario.faults:
            yield from ("", "[[cases.faults]]", *_fault(fault))
        yield ""
    yield "[[cases]]"
    yield 'debrief = "Nothing was wrong."'


def _step(step: Step) -> Iterator[str]:
    yield f'do = "{step.do.value}"'
    yield f'for = "{step.for_s:z.6g} s"'
    if step.gear:
        yield f"gear = {step.gear}"
    if not isnan(step.throttle_pct):
        yield f'throttle = "{step.throttle_pct:z.4g} %"'


def _fault(fault: Fault) -> Iterator[str]:
    yield f'kind = "{fault.kind.word}"'
    if fault.channel:
        yield f'channel = "{fault.channel}"'
    yield f'at = "{fault.at_s:z.6g} s"'
    for key, value, unit in (
        ("above_boost", fault.above_boost_kpa, "kPa"),
        ("below_boost", fault.below_boost_kpa, "kPa"),
        ("above_speed", fault.above_speed_rpm, "rpm"),
    ):
        if isfinite(value):
            yield f'{key} = "{value:z.6g} {unit}"'
    if fault.gear:
        yield f"gear = {fault.gear}"
    if fault.magnitude != 1.0:
        yield f'magnitude = "{100.0 * fault.magnitude:z.4g} %"'
    if fault.ramp_s:
        yield f'ramp = "{fault.ramp_s:z.6g} s"'
    if isfinite(fault.for_s):
        yield f'for = "{fault.for_s:z.6g} s"'


def _default(name: str) -> Any:
    return next(field.default for field in fields(Scenario) if field.name == name)


def _plain(text: str) -> str:
    """Return text as it may stand between three quotes."""
    return textwrap.fill(text.replace("\\", "/").replace('"', "'"), _WIDTH)


def _text(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
