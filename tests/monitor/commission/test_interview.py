"""From columns and answers to a rig: what is asked, what is written, what is left to do."""

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from monitor.commands.check import derived
from monitor.commission.columns import Column
from monitor.commission.from_log import Log
from monitor.commission.interview import Drafted, interview
from monitor.review.edit import set_keys
from rules.facts import Action, CommandKind
from simulator.rig import RigFile, find_rig, load_rig, rig_from_text, shipped_rigs
from simulator.strict import BadInput
from tests.kit.invented_drive import AIR_KPA, Drive, drive

DRIVE = drive()
PLAIN = {
    "RPM": "engine_speed_rpm",
    "MAP (kPa)": "boost_kpa",
    "Inj duty (%)": "injector_duty_pct",
    "IAT (C)": "intake_c",
    "WI flow (ml/min)": "delivered_ml_min",
    "WI target (ml/min)": "commanded_ml_min",
    "Knock retard (deg)": "knock",
}
ANSWERS = (
    "yes",
    "2.2 L, 5, 7200 rpm",
    "2, 180 mL/min, 690 kPa, 45, 30 kPa",
    "1500 kPa, 1800 mL/min, 1000 kPa, 6 L",
    "90 kPa, 150 kPa, 5 deg, 68 degC, 0.7 s",
)


def plain_log(*names: str, of: Drive = DRIVE, **instead: Any) -> Log:
    """Return a log of plain headers, the manifold's pressure absolute; all of them unless named."""
    columns = []
    for name in names or PLAIN:
        values = instead.get(PLAIN[name], of.by_channel[PLAIN[name]])
        columns.append(Column(name, "", values + AIR_KPA if name.startswith("MAP") else values))
    period_s = float(of.time_s[1] - of.time_s[0])
    return Log("drive.csv", tuple(columns), of.time_s, period_s, "Time", "s")


class Person:
    """Answers in turn, then not at all; keeps what was shown."""

    def __init__(self, *answers: str) -> None:
        self.shown: list[str] = []
        self._answers: Iterator[str] = iter(answers)

    def ask(self, prompt: str) -> str:
        """Return the next answer."""
        try:
            answer = next(self._answers)
        except StopIteration:
            raise EOFError from None
        self.shown.append(prompt + answer)
        return answer

    def questions(self) -> list[str]:
        """Return the questions that were asked."""
        return [line for line in self.shown if re.match(r"[0-9]+\. ", line)]

    def refused(self) -> list[str]:
        """Return what was said of answers that can't be taken."""
        return [line.strip() for line in self.shown if re.match(r" {3}[a-z%].*, expected ", line)]


def drafted(
    log: Log | None,
    *sets: str,
    person: Person | None = None,
    like: str | None = None,
    healthy: bool | None = None,
) -> Drafted:
    """Return the rig of a log, a person's answers, and settings."""
    shown: Callable[[str], object] = (person or Person()).shown.append
    return interview(
        "car",
        log,
        like=like,
        sets=set_keys(load_rig(find_rig(like or "brindle")), *sets),
        healthy=healthy,
        ask=None if person is None else person.ask,
        say=shown,
    )


def rig_of(made: Drafted) -> RigFile:
    """Return the rig, read and checked."""
    return rig_from_text(made.toml, "car.toml")


def origin_of(text: str, key: str) -> str:
    """Return what a rig says behind the value of a key, the first of that name."""
    found = re.search(rf"^{key} = .*?  # (.*)$", text, re.MULTILINE)
    return found[1].rpartition("; ")[2] if found else ""


def test_the_plain_case_asks_five_questions_and_leaves_nothing_to_do() -> None:
    """Healthy? Engine, nozzles, pump, what the engine takes: every answer is in the rig."""
    person = Person(*ANSWERS)
    made = drafted(plain_log(), person=person)
    assert [line[3:20] for line in person.questions()] == [
        "Did the spray wor",
        "The engine?",
        "The nozzles and t",
        "The pump and the ",
        "What does the eng",
    ]
    assert made.to_do == {}
    assert derived(rig_of(made))["to_do"] == []
    assert made.refused == ()
    assert "TO DO" not in made.toml.partition("name =")[2]
    rig = rig_of(made).rig
    assert rig.engine.displacement_l == 2.2
    assert rig.engine.cylinders == rig.injectors.count == 5
    assert (rig.spray.nozzles[0].rated_ml_min, rig.spray.check_valve_kpa) == (180.0, 30.0)
    assert rig.spray.pump.free_flow_ml_min == 1800.0
    assert (rig.paid.dry_limit_kpa, rig.paid.boost_kpa[-1]) == (90.0, 150.0)
    assert rig.paid.timing_deg[-1] == 5.0
    assert (rig.limits.intake_c.above, rig.limits.intake_c.action) == (68.0, Action.PULL_TIMING)
    assert rig.fault_intervals.tolerant_s == 0.7
    assert (rig.command.kind, rig.command.start_boost_kpa) == (CommandKind.BOOST, 55.0)
    assert rig.command.full_boost_kpa == 135.0
    for key in ("dry_limit", "cylinders", "tolerant", "free_flow"):
        assert origin_of(made.toml, key) == "asked"
    assert "all through the log? yes." in made.toml
    assert derived(rig_of(made))["witness"] == "delivered_ml_min"


def test_each_number_says_where_it_comes_from() -> None:
    """Asked, from the log, or default: behind every number of the file."""
    made = drafted(plain_log(), "engine.displacement=2.2 L")
    head, _, body = made.toml.partition("\nname = ")
    assert head.startswith("# car: drafted by flowdebt from drive.csv.\n")
    assert "CAUTION" in head
    assert "invented" not in head
    for line in body.split("\n")[1:]:
        if re.match(r"\w+ = .*[0-9]", line) and not line.startswith("column = "):
            assert re.search(r"(default|asked|log|log: .*|one for each cylinder)$", line), line
    assert origin_of(made.toml, "displacement") == "asked"
    assert origin_of(made.toml, "period") == "log: from one row to the next"
    assert origin_of(made.toml, "redline").startswith("log: ")
    assert origin_of(made.toml, "margin") == "default"
    assert origin_of(made.toml, "column") == "sure: by name"


def test_nobody_asked_leaves_what_no_log_can_say_to_do() -> None:
    """Listed, marked above the key, with values that err on the engine's side; check takes it."""
    made = drafted(plain_log())
    for key in (
        *("paid.dry_limit", "paid.timing", "paid.boost", "limits.intake_c.above"),
        *("fault_intervals.tolerant", "spray.methanol_by_volume_pct", "spray.check_valve"),
        *("spray.nozzles[0].rated_flow", "engine.displacement", "spray.pump.shut_off"),
    ):
        assert made.to_do[key]
        assert re.search(rf"# TO DO: .*\n{re.escape(key.rpartition('.')[2])} = ", made.toml), key
    rig = rig_of(made).rig
    assert rig.paid.dry_limit_kpa == rig.command.start_boost_kpa == 55.0
    assert rig.paid.timing_deg[-1] > 6.0
    assert rig.limits.intake_c.action is Action.WARN
    warnings = derived(rig_of(made))["warnings"]
    assert isinstance(warnings, list)
    assert any("tolerant 0.3 s" in str(warning) for warning in warnings)
    assert made.refused == ()
    assert "all through the log? nobody said." in made.toml


def test_the_log_sizes_what_nobody_named() -> None:
    """Nozzles by the flow in full spray, injectors by speed-density, ambient by its own column."""
    log = plain_log()
    baro = Column("Baro (kPa)", "", np.full(len(log.time_s), 97.2))
    log = Log(log.source, (*log.columns, baro), log.time_s, log.period_s, "Time", "s")
    made = drafted(log)
    facts = derived(rig_of(made))
    rows = facts["rows"]
    assert isinstance(rows, list)
    assert rows[-1]["full_flow_ml_min"] == pytest.approx(420.0, rel=0.02)
    assert rig_of(made).rig.engine.ambient_kpa == 97.2
    assert 300.0 < rig_of(made).rig.injectors.rated_ml_min < 900.0
    assert origin_of(made.toml, "ambient_pressure") == 'log: "Baro (kPa)"'


def test_a_wrong_answer_is_said_so_and_asked_again() -> None:
    """No unit, too many, another kind of number, or one that contradicts another."""
    person = Person(
        "maybe",
        "no",
        "2.2",
        "2.2 L, four",
        "2.2 L, 4, 7000 rpm, 3",
        "2.2 L, 4, 7000 rpm",
        "",
        ", , none",
        "160 kPa, 150 kPa",
        "90 kPa",
    )
    made = drafted(plain_log(), person=person)
    refused = person.refused()
    assert refused[0] == 'found "maybe", expected yes or no'
    assert refused[1].startswith('displacement: found "2.2", expected text with a volume unit')
    assert refused[2] == 'cylinders: found "four", expected a whole number from 1 to 16'
    assert refused[3] == "found 4 values, expected 3, with commas between"
    assert "paid.dry_limit: found" in refused[4]
    assert len(refused) == 5
    assert len(set(person.questions())) == 5
    rig = rig_of(made).rig
    assert rig.paid.dry_limit_kpa == 90.0
    assert rig.spray.pump.regulated_kpa == float("inf")
    assert "paid.boost" in made.to_do


@pytest.mark.parametrize("typed", ["true", "TRUE"])
def test_a_pump_by_speed_has_no_regulator(typed: str) -> None:
    """Asked with the pump, and then nothing holds its pressure."""
    person = Person("2.2 L, 4", "", "1400 kPa, 1800 mL/min, , , perhaps", f", , , , {typed}")
    pump = rig_of(drafted(plain_log(), person=person, healthy=True)).rig.spray.pump
    assert person.refused() == [
        'its speed follows the command: found "perhaps", expected true or false'
    ]
    assert pump.follows_command
    assert pump.regulated_kpa == float("inf")


@pytest.mark.parametrize("follows", [True, False])
def test_a_line_that_follows_the_command_is_a_pump_by_speed(follows: bool) -> None:
    """The rig says so, and why; a line that is held has its regulator."""
    share = np.clip(1.5 * np.sin(0.8 * DRIVE.time_s), 0.0, 1.0)
    log = plain_log(commanded_ml_min=400.0 * share, delivered_ml_min=400.0 * share)
    line = np.where(share > 0.0, 850.0 * share**2 if follows else 820.0 + 30.0 * share, 0.0)
    made = drafted(replace(log, columns=(*log.columns, Column("line_kpa", "kPa", line))))
    pump = rig_of(made).rig.spray.pump
    assert pump.follows_command == follows
    assert (pump.regulated_kpa == float("inf")) == follows
    origin = "log: the line's pressure follows the command" if follows else "default"
    assert origin in origin_of(made.toml, "follows_command")


def test_settings_answer_beforehand() -> None:
    """Whatever is set is not asked, and is in the rig, whichever key it is."""
    person = Person()
    made = drafted(
        plain_log(),
        *("engine.displacement=3.0 L", "engine.cylinders=6", "engine.redline=6500 rpm"),
        *("spray.tank=9 L", "debt.cut=0.5 s", "vehicle.mass_kg=1700", "serial.baud=9600"),
        "channels.boost_kpa.most_per_s=5000",
        person=person,
        healthy=True,
    )
    assert [line[3:14] for line in person.questions()] == [
        "The nozzles",
        "The pump an",
        "What does t",
    ]
    assert "tank [" not in "\n".join(person.shown)
    file = rig_of(made)
    assert (file.rig.engine.displacement_l, file.rig.debt.cut_s) == (3.0, 0.5)
    assert (file.rig.vehicle.mass_kg, file.serial.baud) == (1700.0, 9600)
    assert [t.most_per_s for t in file.rig.channels if t.name == "boost_kpa"] == [5000.0]


def test_columns_in_doubt_are_asked_before_the_rest() -> None:
    """Unit, then gauge or absolute; the default is what values speak for."""
    log = plain_log()
    columns = [*log.columns[:1], Column("Boost", "", DRIVE.by_channel["boost_kpa"] / 6.894757)]
    columns += [Column("Flow", "", DRIVE.by_channel["delivered_ml_min"] * 0.06), log.columns[2]]
    log = Log("odd.csv", tuple(columns), log.time_s, log.period_s, "Time", "s")
    person = Person("", "furlongs", "psi gauge", "L/h")
    made = drafted(log, person=person)
    asked = person.questions()
    assert asked[1].startswith('2. Column "Boost" (reads -9.8')
    assert asked[2].startswith('3. Column "Flow" (reads 0 to ')
    assert person.refused()[0].startswith('found "furlongs", expected one of kPa, psi')
    assert [rig_of(made).columns[name].unit for name in ("boost_kpa", "delivered_ml_min")] == [
        "psi",
        "L/h",
    ]
    assert made.refused == ()


def test_where_nobody_answers_any_more_a_unit_stays_in_doubt() -> None:
    """Enter takes the unit shown; the end of all answers takes none."""
    log = plain_log("RPM", "WI flow (ml/min)")
    boost = Column("Boost", "", DRIVE.by_channel["boost_kpa"])
    log = Log("odd.csv", (*log.columns, boost), log.time_s, log.period_s, "Time", "s")
    assert drafted(log, person=Person("yes", "")).refused == ()
    assert drafted(log, person=Person("yes")).refused == ("channels.boost_kpa.unit",)


def test_what_cannot_be_left_to_a_guess_is_refused_by_check() -> None:
    """A unit, gauge or absolute, the law of the command: "?" stands there, and check names it."""
    log = plain_log()
    boost = DRIVE.by_channel["boost_kpa"]
    for header, values, key in (
        ("Boost", boost, "channels.boost_kpa.unit"),
        ("Boost (kPa)", boost + AIR_KPA, "channels.boost_kpa.absolute"),
    ):
        columns = (Column(header, "", values), *(c for c in log.columns if "MAP" not in c.header))
        made = drafted(Log("odd.csv", columns, log.time_s, log.period_s, "Time", "s"))
        assert made.refused == (key,)
        assert key in made.to_do
        with pytest.raises(BadInput, match=rf'{re.escape(key)}: found .*"\?"'):
            rig_of(made)
    idle = drive(pulls=0)
    made = drafted(plain_log("RPM", "MAP (kPa)", "WI flow (ml/min)", of=idle))
    assert made.refused == ("command.kind",)
    with pytest.raises(BadInput, match=r'command.kind: found "\?", expected'):
        rig_of(made)
    assert rig_of(drafted(plain_log(of=idle), "command.kind=log_flow")).rig.command.kind == 0


def test_a_doubtful_column_that_a_rig_can_do_without_becomes_a_remark() -> None:
    """It only needs its marks taken off."""
    log = plain_log()
    tank = Column("Tank", "", DRIVE.by_channel["tank_ml"])
    made = drafted(Log("x.csv", (*log.columns, tank), log.time_s, log.period_s, "Time", "s"))
    remark = '# [channels.tank_ml]\n# column = "Tank"\n# unit = "mL"\n'
    assert remark in made.toml
    assert "tank_ml" not in rig_of(made).columns
    whole = made.toml.replace(remark, remark.replace("# ", ""))
    assert "tank_ml" in rig_from_text(whole, "car.toml").columns


def test_a_column_is_named_by_a_setting_or_by_a_person() -> None:
    """Where no name tells which is boost."""
    log = plain_log("RPM", "WI flow (ml/min)")
    p = Column("p", "", DRIVE.by_channel["boost_kpa"] + AIR_KPA)
    log = Log("odd.csv", (*log.columns, p), log.time_s, log.period_s, "Time", "s")
    with pytest.raises(BadInput, match="found no column for the manifold's pressure"):
        drafted(log)
    with pytest.raises(
        BadInput, match='column: found "q", expected one of the log\'s columns: "RPM"'
    ):
        drafted(log, "channels.boost_kpa.column=q")
    with pytest.raises(BadInput, match=r"channels.boost_kpa.unit: found no column for the boost"):
        drafted(log, "channels.boost_kpa.unit=kPa")
    made = drafted(
        log,
        *("channels.boost_kpa.column=p", "channels.boost_kpa.unit=kPa"),
        "channels.boost_kpa.absolute=true",
    )
    assert rig_of(made).columns["boost_kpa"].offset == pytest.approx(-101.3)
    made = drafted(log, person=Person("yes", "p", "kPa absolute"))
    assert rig_of(made).columns["boost_kpa"].column == "p"


def test_a_column_in_another_unit_is_not_taken() -> None:
    """Temperature for boost is refused, and never offered; a unit set beside it is believed."""
    log = plain_log("RPM", "WI flow (ml/min)")
    odd = (
        Column("Lader (bar)", "", DRIVE.by_channel["boost_kpa"] / 100.0),
        Column("Kuhl (degC)", "", DRIVE.by_channel["intake_c"]),
    )
    log = Log("odd.csv", (*log.columns, *odd), log.time_s, log.period_s, "Time", "s")
    told = r'boost_kpa.column: found "Kuhl \(degC\)", which is in degC, expected the boost; where '
    with pytest.raises(BadInput, match=told):
        drafted(log, "channels.boost_kpa.column=Kuhl (degC)")
    person = Person("yes", "Lader (bar)")
    text = drafted(log, person=person).toml
    assert "   Lader (bar) [not known]" in person.shown
    assert "   ! Without it no rig can be made." in person.shown
    assert 'column = "Lader (bar)"  # likely: asked; gauge: falls to ' in text
    sets = ("channels.boost_kpa.column=Lader (bar)", "channels.boost_kpa.unit")
    assert rig_of(drafted(log, sets[0], f"{sets[1]}=psi")).columns["boost_kpa"].unit == "psi"


def test_a_unit_that_no_such_channel_reads_is_refused() -> None:
    """By a setting in a line that names the column; of a person it is asked again."""
    told = r'boost_kpa.unit: "MAP \(kPa\)" would read .* kPa, expected -101.4 to 450 kPa: another'
    with pytest.raises(BadInput, match=told):
        drafted(plain_log(), "channels.boost_kpa.unit=bar")
    log = plain_log("RPM", "WI flow (ml/min)")
    p = Column("p", "", DRIVE.by_channel["boost_kpa"] + AIR_KPA)
    log = Log("odd.csv", (*log.columns, p), log.time_s, log.period_s, "Time", "s")
    person = Person("yes", "p", "bar absolute", "kPa absolute")
    assert rig_of(drafted(log, person=person)).columns["boost_kpa"].unit == "kPa"
    assert any('"bar absolute" would read ' in line for line in person.shown)


def test_rival_columns_are_put_to_a_choice() -> None:
    """Two intake temperatures: which is the one behind the spray?"""
    log = plain_log("RPM", "MAP (kPa)", "WI flow (ml/min)")
    pair = (Column("Spray flow 2 (ml/min)", "", DRIVE.by_channel["delivered_ml_min"] * 0.8),)
    log = Log("odd.csv", (*log.columns, *pair), log.time_s, log.period_s, "Time", "s")
    assert drafted(log).refused[0] == "channels.delivered_ml_min.unit"
    person = Person("yes", "spray flow 2 (ml/min)")
    made = drafted(log, person=person)
    assert person.questions()[1] == "2. Which column is the delivered flow?"
    assert made.refused == ()
    assert rig_of(made).columns["delivered_ml_min"].column == "Spray flow 2 (ml/min)"


def test_an_unhealthy_log_tells_nothing_of_the_flow() -> None:
    """Said to be so: neither nozzles nor law are concluded from it."""
    names = ("RPM", "MAP (kPa)", "WI flow (ml/min)")
    made = drafted(plain_log(*names), person=Person("no"))
    assert origin_of(made.toml, "rated_flow") == "default"
    assert made.refused == ("command.kind",)
    assert "all through the log? no." in made.toml


def test_nozzles_that_cannot_give_the_flow_are_told() -> None:
    """In one sentence, with the unit in which it would fit."""
    log = plain_log("RPM", "MAP (kPa)")
    flow = Column("WI flow (l/h)", "", DRIVE.by_channel["delivered_ml_min"] * 0.06)
    log = Log("x.csv", (*log.columns, flow), log.time_s, log.period_s, "Time", "s")
    person = Person("yes", "", "2, 760 mL/min, 690 kPa")
    drafted(log, person=person)
    (told,) = (line for line in person.shown if "in full spray" in line)
    assert told.startswith(
        '! "WI flow (l/h)" reads 419 mL/min in full spray, pump and nozzles give'
    )
    assert "check its unit (gal/h read as L/h" in told


def test_spray_that_still_grows_at_the_top_is_left_to_do() -> None:
    """Where it is full this log doesn't say."""
    low = drive(top_kpa=110.0)
    made = drafted(plain_log(of=low))
    assert "still grew at the highest boost" in made.to_do["command.full_boost"]
    assert "command.full_boost" not in drafted(plain_log()).to_do


def test_a_sensor_that_holds_its_readings_and_seldom_channels() -> None:
    """Its refresh is written; what comes seldom may be older."""
    log = plain_log()
    held = np.repeat(DRIVE.by_channel["delivered_ml_min"][::10], 10)[: len(log.time_s)]
    seldom = np.where(np.arange(len(log.time_s)) % 50 == 0, DRIVE.by_channel["intake_c"], np.nan)
    made = drafted(plain_log(delivered_ml_min=held, intake_c=seldom))
    rig = rig_of(made).rig
    assert rig.flow_sensor.refresh_s == pytest.approx(0.2)
    assert [t.max_age_s for t in rig.channels if t.name == "intake_c"] == [3.0]


@pytest.mark.parametrize(
    ("sets", "name"),
    [
        ((), "brindle"),
        (("engine.charger=turbocharger",), "brindle"),
        (("engine.charger=displacement",), "ullesby"),
        (("engine.charger=centrifugal",), "ullesby"),
        (("engine.charger=none",), "quarrick"),
    ],
)
def test_a_rig_without_a_log_begins_with_the_nearest_shipped_one(
    sets: tuple[str, ...], name: str
) -> None:
    """Turbo, blower, or nothing that boosts; its numbers are defaults, its columns our own."""
    made = drafted(None, *sets)
    shipped = load_rig(shipped_rigs()[name])
    assert f"taken from the shipped rig {name})" in made.toml.replace("\n# ", " ")
    assert rig_of(made).columns == shipped.columns
    assert rig_of(made).rig.spray == shipped.rig.spray
    assert rig_of(made).rig.paid.dry_limit_kpa == shipped.rig.command.start_boost_kpa


@pytest.mark.parametrize("name", shipped_rigs())
def test_every_shipped_rig_can_be_begun_with(name: str) -> None:
    """With its own remarks, and with other numbers."""
    made = drafted(None, "engine.displacement=2.9 L", "paid.timing[1]=4 deg", like=name)
    assert rig_of(made).rig.engine.displacement_l == 2.9
    assert origin_of(made.toml, "displacement") == "asked"


@pytest.mark.parametrize("name", sorted({*shipped_rigs()} - {"quarrick"}))
def test_a_log_fits_into_every_boosted_rig(name: str) -> None:
    """Whatever command, channels and limits that one has; the unboosted one refuses boost."""
    made = drafted(plain_log(), like=name)
    assert derived(rig_of(made))["witness"] == "delivered_ml_min"
    with pytest.raises(BadInput, match=r"engine\.charger is none"):
        drafted(plain_log(), like="quarrick")


def test_without_a_log_a_person_is_asked_what_boosts_the_engine() -> None:
    """And by what the controller asks for spray."""
    person = Person("none", "4.0 L, 8, 7000 rpm")
    made = drafted(None, person=person)
    assert person.questions()[0].startswith("1. What boosts the engine?")
    assert rig_of(made).rig.unboosted
    person = Person(
        "turbocharger", "", "", "", "boost", "40 kPa, 100 kPa", "50 kPa, 120 kPa, 5 deg"
    )
    made = drafted(None, person=person)
    rig = rig_of(made).rig
    assert (rig.command.start_boost_kpa, rig.command.full_boost_kpa) == (40.0, 100.0)
    assert (rig.paid.boost_kpa, rig.paid.dry_limit_kpa) == ((40.0, 120.0), 50.0)


def test_an_engine_that_nothing_boosts_is_known_by_its_log() -> None:
    """Its rig begins with the unboosted one, and sprays below the air outside."""
    of = drive(top_kpa=-4.0, law="duty")
    boost = of.by_channel["boost_kpa"]
    share = np.clip((boost + 30.0) / 20.0, 0.0, 1.0)
    log = plain_log(
        of=of, commanded_ml_min=300.0 * share, delivered_ml_min=300.0 * share, boost_kpa=boost
    )
    made = drafted(log)
    rig = rig_of(made).rig
    assert rig.unboosted
    assert rig.command.start_boost_kpa == pytest.approx(-30.0, abs=2.0)
    assert rig.paid.dry_limit_kpa == rig.command.start_boost_kpa


def test_a_line_s_pressure_alone_makes_a_rig() -> None:
    """Without a flow sensor the line is the witness, and no sensor table is left without one."""
    log = plain_log("RPM", "MAP (kPa)", "WI target (ml/min)")
    line = Column("WI pressure (kPa gauge)", "", DRIVE.by_channel["line_kpa"])
    made = drafted(Log("x.csv", (*log.columns, line), log.time_s, log.period_s, "Time", "s"))
    assert derived(rig_of(made))["witness"] == "line_kpa"
    assert "[flow_sensor]" not in made.toml
    odd = Column("Druck 2", "", DRIVE.by_channel["line_kpa"])
    log = Log("x.csv", (*log.columns, odd), log.time_s, log.period_s, "Time", "s")
    with pytest.raises(BadInput, match="no column for the spray's flow, or its line's pressure"):
        drafted(log)
    person = Person("yes", "", "Druck 2", "kPa gauge")
    assert "line_kpa" in rig_of(drafted(log, person=person)).columns
    assert person.questions()[2] == "3. Which column is the line pressure?"


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ("engine.displacment=2 L", "found an unknown key, expected engine.displacement"),
        ("engine.displacement=2", 'engine.displacement: found "2", expected text with a'),
        ("engine.cylinders", "expected a change such as"),
    ],
)
def test_wrong_settings_are_one_line(change: str, told: str) -> None:
    """Which names the key."""
    with pytest.raises(BadInput, match=re.escape(told)) as caught:
        drafted(plain_log(), change)
    assert len(str(caught.value).splitlines()) == 1


def test_a_log_in_us_units_is_asked_and_written_in_them() -> None:
    """Pressures, temperatures and the spray's flow; any unit is taken, and stays as typed."""
    log = plain_log("RPM", "Inj duty (%)")
    kpa, intake_c = DRIVE.by_channel["boost_kpa"], DRIVE.by_channel["intake_c"]
    us = (
        Column("Boost (psi)", "", kpa / 6.894757),
        Column("IAT (°F)", "", intake_c * 1.8 + 32.0),
        Column("Meth flow (gph)", "", DRIVE.by_channel["delivered_ml_min"] / 63.0902),
    )
    log = Log("us.csv", (*log.columns, *us), log.time_s, log.period_s, "Time", "s")
    person = Person(
        *("yes", "", "2, 2.85 gal/h, 100 psi", "", "", ""),
        "13 psi, 150 kPa, 5 deg, 155 degF, 0.7 s",
    )
    made = drafted(log, person=person)
    asked = "\n".join(person.shown)
    assert "at pressure [100 psi]" in asked
    assert "pressure at no flow [203 psi]" in asked
    assert "hottest charge (140 degF)" in asked
    assert re.search(r"flow of each \[[0-9.]+ gal/h\]", asked)
    assert not re.search(r"[\[(][0-9.]+ (kPa|degC|mL/min)[\])]", asked)
    rig = rig_of(made)
    assert rig.rig.paid.dry_limit_kpa == pytest.approx(13.0 * 6.894757)
    assert rig.rig.paid.boost_kpa[-1] == 150.0
    body = made.toml.partition("[engine]")[2]
    metric = re.findall(r'^(?!plausible)(\w+) = .*"[-0-9.]+ (?:kPa|degC)"', body, re.MULTILINE)
    assert metric == ["boost"]  # its last point, as typed
    plain = drafted(plain_log())
    assert "psi" not in plain.toml.partition("[engine]")[2]
