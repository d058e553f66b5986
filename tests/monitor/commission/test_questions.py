"""What a question takes for an answer: Enter, brackets, the command's law, a pressure's nought."""

import re
from dataclasses import replace

import pytest

from monitor.commission.columns import Column
from monitor.commission.questions import MAY_BE_NONE
from monitor.review.edit import set_keys
from rules.facts import CommandKind
from simulator.rig import find_rig, load_rig, rig_from_text
from simulator.strict import BadInput
from tests.kit.invented_drive import AIR_KPA, drive
from tests.monitor.commission.test_interview import (
    DRIVE,
    Person,
    drafted,
    origin_of,
    plain_log,
    rig_of,
)


def test_enter_takes_what_stands_in_brackets() -> None:
    """The law, too, and then it is answered; what only a person can know has no brackets."""
    names = ("RPM", "MAP (kPa)", "WI flow (ml/min)")
    person = Person("yes", *[""] * 6)
    made = drafted(plain_log(*names, of=drive(law="fixed")), person=person)
    at = person.shown.index("5. By what does the controller ask for spray?")
    assert person.shown[at + 1] == "   fixed or boost [fixed]"
    assert rig_of(made).rig.command.kind is CommandKind.FIXED
    assert made.refused == ()
    assert [*made.to_do] == [
        *("paid.dry_limit", "paid.timing", "paid.boost", "fault_intervals.tolerant"),
        *("spray.methanol_by_volume_pct", "spray.check_valve"),
    ]
    assert origin_of(made.toml, "cylinders") == "asked"
    shown = "\n".join(person.shown)
    assert "cylinders [4]" in shown
    assert re.search(r"boost it holds without spray \([0-9]+ kPa\),", shown)
    assert "where it is full" not in shown


def test_a_law_that_nothing_in_the_log_tells_is_never_taken() -> None:
    """No brackets then; said, it is asked from where, and where it is full."""
    idle = plain_log("RPM", "MAP (kPa)", "WI flow (ml/min)", of=drive(pulls=0))
    person = Person("yes", *[""] * 5)
    assert drafted(idle, person=person).refused == ("command.kind",)
    assert "   fixed or boost [not known]" in person.shown
    log = plain_log("RPM", "MAP (kPa)", "WI flow (ml/min)")  # said to be no healthy one
    made = drafted(log, person=Person("no", "", "", "", "boost", ""))
    assert {"command.start_boost", "command.full_boost"} <= {*made.to_do}
    made = drafted(log, person=Person("no", "", "", "", "boost", "50 kPa, 90 kPa"))
    assert rig_of(made).rig.command.full_boost_kpa == 90.0
    assert {"command.start_boost", "command.full_boost"}.isdisjoint(made.to_do)


def test_a_logged_command_is_offered_only_where_a_column_can_be_it() -> None:
    """And then it is asked which; its law is read from it."""
    log = plain_log("RPM", "MAP (kPa)", "WI flow (ml/min)")
    share = Column("Kanal 7", "%", 100.0 * DRIVE.by_channel["commanded_ml_min"] / 420.0)
    cold = Column("Kanal 8", "degC", DRIVE.by_channel["intake_c"])
    log = replace(log, columns=(*log.columns, share, cold))
    person = Person("no", "", "", "", "log_percent", "Kanal 7", "yes")
    made = drafted(log, person=person)
    assert "   fixed or boost or log_percent [not known]" in person.shown
    assert "   Kanal 7 [not known]" in person.shown
    assert rig_of(made).columns["command_pct"].column == "Kanal 7"
    assert rig_of(made).rig.command.kind is CommandKind.LOG_PERCENT


def test_gauge_is_refused_where_a_closed_throttle_has_no_vacuum() -> None:
    """Answered or set; an absolute pressure that is read as gauge makes every limit wrong."""
    log = plain_log("RPM", "WI flow (ml/min)")
    p = DRIVE.by_channel["boost_kpa"] + AIR_KPA
    told = "a closed throttle reads 33.13 kPa, never below nought: absolute?"
    named = replace(log, columns=(*log.columns, Column("Boost (kPa)", "", p)))
    person = Person("yes", "gauge", "absolute")
    made = drafted(named, person=person)
    assert f"   found gauge, expected absolute: {told}" in person.shown
    assert rig_of(made).columns["boost_kpa"].offset == pytest.approx(-101.3)
    with pytest.raises(BadInput, match=re.escape(f"found false, expected true: {told}")):
        drafted(named, "channels.boost_kpa.absolute=false")
    odd = replace(log, columns=(*log.columns, Column("p", "", p)))
    person = Person("yes", "p", "kPa gauge", "kPa absolute")
    assert rig_of(drafted(odd, person=person)).columns["boost_kpa"].offset < 0.0
    assert f'   "kPa gauge" {told}' in person.shown
    # Below nought it is no absolute one, and gauge is taken.
    gauge = replace(log, columns=(*log.columns, Column("p", "", p - AIR_KPA)))
    assert drafted(gauge, person=Person("yes", "p", "kPa gauge")).refused == ()


def test_the_law_is_asked_only_where_rivals_remain() -> None:
    """No command in the log, and a flow that fixed and growing spray explain alike."""
    names = ("RPM", "MAP (kPa)", "WI flow (ml/min)")
    fixed = drive(law="fixed")
    person = Person("yes", "", "", "", "fixed", "58 kPa")
    made = drafted(plain_log(*names, of=fixed), person=person)
    assert person.questions()[4] == "5. By what does the controller ask for spray?"
    rig = rig_of(made).rig
    assert (rig.command.kind, rig.command.start_boost_kpa) == (CommandKind.FIXED, 58.0)
    unasked = drafted(plain_log(*names, of=fixed))
    assert "this log allows for fixed from" in unasked.to_do["command.kind"]
    rig = rig_of(unasked).rig  # the engine holds no more dry than where any of them begins
    assert rig.paid.dry_limit_kpa < rig.command.start_boost_kpa
    person = Person("yes", "", "", "", "boost", "58 kPa, 80 kPa")
    made = drafted(plain_log(*names, of=fixed), person=person)
    assert rig_of(made).rig.command.full_boost_kpa == 80.0


def test_settings_are_taken_as_the_questions_take_them() -> None:
    """The only nozzles need no number, of several one must be named; none is no regulator."""
    one = load_rig(find_rig("brindle"))
    assert set_keys(one, "spray.nozzles.count=3") == {("spray", "nozzles", 0, "count"): 3}
    made = drafted(plain_log(), "spray.nozzles.count=3")
    assert rig_of(made).rig.spray.nozzles[0].count == 3
    nozzles = '[[spray.nozzles]]\ncount = 1\nrated_flow = "1 L/h"\nrated_pressure = "1 bar"\n\n'
    two = one.text.replace("[[spray.nozzles]]", f"{nozzles}[[spray.nozzles]]", 1)
    told = "spray.nozzles.count: found 2 tables, expected one of them, such as spray.nozzles[0]"
    with pytest.raises(BadInput, match=re.escape(told)):
        set_keys(rig_from_text(two, "two.toml"), "spray.nozzles.count=3")
    regulated = ("spray", "pump", "regulated")
    assert set_keys(one, "spray.pump.regulated=none", may_be_none=MAY_BE_NONE) == {regulated: None}
    with pytest.raises(BadInput, match=r"spray\.tank: found "):
        set_keys(one, "spray.tank=none", may_be_none=MAY_BE_NONE)


def test_what_was_not_found_is_told_right_before_the_questions() -> None:
    """The useful ones, and how to name one; nothing where all are there."""
    person = Person("yes")
    drafted(plain_log("RPM", "MAP (kPa)", "WI flow (ml/min)", "IAT (C)"), person=person)
    at = person.shown.index("1. Did the spray work as it should all through?")
    assert person.shown[at - 4] == (
        "not found: commanded flow, line pressure, injector duty, knock: "
        "--set channels.commanded_ml_min.column=... names one"
    )
    line = Column("Line psig", "", DRIVE.by_channel["line_kpa"] / 6.894757)
    whole = plain_log()
    person = Person("yes")
    drafted(replace(whole, columns=(*whole.columns, line)), person=person)
    assert not [one for one in person.shown if one.startswith("not found")]
