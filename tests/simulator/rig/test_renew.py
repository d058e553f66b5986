"""Rigs of older days rewritten: the lines concerned are others, and nothing else is."""

import itertools
from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from rules.facts import DebtTerms, FlowSensor, LineSensor
from simulator.rig import by_default, left_open, load_rig, renewed, rig_from_text, shipped_rigs
from simulator.rig.old_keys import OLD_KEYS
from simulator.strict import BadInput, decode_bytes, key_of
from tests.kit.rig_text import SMALL
from tests.simulator.rig.test_damage import GARBAGE

HEAD, TAIL = SMALL.split("[spray]\n")
SPRAY, REST = TAIL.split("[command]\n")
# As somebody had it, with remarks everywhere, and as it is then.
BEFORE = f"""\
# My car.
{HEAD}[spray]
# Step test of May:
#   two runs
transport_delay = "80 ms"
  lag   =  "100 ms"\t# by eye
{SPRAY}# the small pump

# What the controller does:
[command]
{REST}
[debt]
share = "12 %"  # gain

# quiet, please
warn = "0.15 mL"
'pull' = "0.3 mL"  # late
cut = "1.7 mL"  # two thirds
# sensor's own
floor = "12 mL/min"
delay_tolerance = "60 ms"

[watch]
no_delivery_for = "0.25 s"
over = "1 mL"

[fault_timing]  # of the ECU
tolerant = "0.5 s"
"""
AFTER = f"""\
# My car.
{HEAD}[spray]
{SPRAY}# the small pump

[flow_sensor]
# Step test of May:
#   two runs
transport_delay = "80 ms"
transport_delay_within = "60 ms"
  lag   =  "100 ms"\t# by eye
gain_within = "12 %"  # gain
# sensor's own
floor = "12 mL/min"

# What the controller does:
[command]
{REST}
[debt]

# quiet, please
# gone: warn = "0.15 mL"
# gone: 'pull' = "0.3 mL"  # late
cut_volume = "1.7 mL"  # two thirds

[watch]
# gone: no_delivery_for = "0.25 s"
over = "1 mL"

[fault_intervals]  # of the ECU
tolerant = "0.5 s"
"""


def renewed_text(text: str) -> str:
    """Return a rig's text, renewed; it loads, and is not changed once more."""
    new = renewed(text, "car.toml").text
    rig_from_text(new, "car.toml")
    assert renewed(new, "car.toml") == (new, ())
    return new


def test_the_lines_concerned_are_others_and_nothing_else() -> None:
    """Keys that moved took their remarks along, in the table's order; the rest stands as it was."""
    assert renewed_text(BEFORE) == AFTER
    told = renewed(BEFORE, "car.toml").changed
    lines = BEFORE.split("\n")
    at = {
        key: lines.index(line) + 1
        for key, line in (
            ("spray.transport_delay", 'transport_delay = "80 ms"'),
            ("debt.warn", 'warn = "0.15 mL"'),
        )
    }
    assert told[0] == (
        f"line {at['spray.transport_delay']}: spray.transport_delay is "
        "flow_sensor.transport_delay now"
    )
    assert f"line {at['debt.warn']}: debt.warn is gone: evidence judges now" in "\n".join(told)
    assert len(told) == 10
    by_key = {line.partition(" is ")[0].partition(": ")[2]: line for line in told}
    for key, means in (
        ("debt.share", "gain_within now: how far off an honest reading may be, no share that may"),
        ("debt.delay_tolerance", "of the delay alone; the lag's is lag_within, 50 ms by default"),
        ("debt.cut", "cut_volume now: debt counts only once evidence is sure"),
    ):
        assert means in by_key[key]
        assert by_key[key].endswith("; its remarks stay, and may no longer fit")
    assert by_key["debt.floor"].endswith("debt.floor is flow_sensor.floor now")


def test_whatever_the_line_ends_and_with_no_last_one() -> None:
    """A file of another system stays one."""
    assert renewed_text(BEFORE.replace("\n", "\r\n")) == AFTER.replace("\n", "\r\n")
    assert renewed_text(BEFORE.rstrip("\n")) == AFTER.rstrip("\n")
    in_debt = f'{SMALL}[debt]\nfloor = "12 mL/min"'
    made = renewed_text(in_debt)
    assert made.endswith("[channels.delivered_ml_min]\n[debt]\n")
    assert '\n\n[flow_sensor]\nfloor = "12 mL/min"\n\n[command]\n' in made


@pytest.mark.parametrize("name", shipped_rigs())
def test_a_rig_of_today_stays_as_it_is(name: str) -> None:
    """To the byte."""
    text = shipped_rigs()[name].read_text(encoding="utf-8")
    assert renewed(text, name) == (text, ())


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('debt.share = "9 %"  # mine\n', ""),
        ('debt = { share = "9 %", cut = "3 mL", warn = "1 mL" }  # mine\n',
         'debt = { cut_volume = "3 mL" }  # mine\n'),
        ('debt = { "share" = "9 %" }\n', "debt = { }\n"),
        ('debt = {warn="1 mL",share="9 %",cut="3 mL"}\n', 'debt = {cut_volume="3 mL"}\n'),
        ("debt = { 'cut' = '3 mL', share = \"9 %\" }\n", "debt = { 'cut_volume' = '3 mL' }\n"),
        ('debt.lead = "3 %"  # more\ndebt.share = "9 %"\n', '# gone: debt.lead = "3 %"  # more\n'),
        ('debt.lead = """3\\\n %"""\ndebt.share = "9 %"\n',
         '# gone: debt.lead = """3\\\n#  %"""\n'),
        ('fault_timing.tolerant = "1 s"\nfault_timing.reaction = "50 ms"\ndebt.share = "9 %"\n',
         'fault_intervals.tolerant = "1 s"\nfault_intervals.reaction = "50 ms"\n'),
        ('flow_sensor.lag = "90 ms"\ndebt.share = "9 %"  # mine\n',
         'flow_sensor.lag = "90 ms"\nflow_sensor.gain_within = "9 %"  # mine\n'),
        ('flow_sensor = { lag = "90 ms" }\ndebt.share = "9 %"\n',
         'flow_sensor = { lag = "90 ms", gain_within = "9 %" }\n'),
        ('# share = 1\nname2.share = 1\n', None),
    ],
)  # fmt: skip
def test_however_old_keys_are_written(old: str, new: str | None) -> None:
    """Dotted, in braces, quoted, over two lines; into whatever way the new table is written."""
    if new is None:
        assert renewed(old, "car.toml").text == old
        return
    after = renewed_text(old + SMALL)
    assert rig_from_text(after, "c").rig.flow_sensor.gain_within == pytest.approx(0.09)
    assert new in after
    for remark in ("# mine", "# more"):
        assert after.count(remark) == old.count(remark)


def test_into_a_table_that_is_there() -> None:
    """Behind its last key; a table in between stays whole."""
    text = (
        f'{SMALL}[debt]\nfloor = "9 mL/min"\n[flow_sensor]\n# ours\nlag = "90 ms"  # l\n\n# end\n'
    )
    assert renewed_text(text).endswith(
        '[debt]\n[flow_sensor]\n# ours\nlag = "90 ms"  # l\nfloor = "9 mL/min"\n\n# end\n'
    )


@pytest.mark.parametrize(
    ("old", "key", "value"),
    [
        ('delay_tolerance = "80 ms"', "transport_delay_within", "72 ms"),
        ('delay_tolerance = "79 ms"', "transport_delay_within", "79 ms"),
        ('timing = "5 s"', "transport_delay_within", "72 ms"),
        ('share = "40 %"', "gain_within", "30 %"),
        ('share = "0 %"', "gain_within", "0.5 %"),
        ('floor = "0 mL/min"  # none', "floor", "1 mL/min"),
    ],
)
def test_a_value_that_today_s_range_refuses(old: str, key: str, value: str) -> None:
    """The nearest one that is accepted, and that is told."""
    text = f"{SMALL}[debt]\n{old}\n"
    after = renewed_text(text)
    assert f'\n{key} = "{value}"' in after
    told = [line for line in renewed(text, "c").changed if line.startswith("flow_sensor.")]
    assert len(told) == (value not in old)
    assert all(f"flow_sensor.{key} is {value}: " in line for line in told)
    assert after.count("# none") == old.count("# none")


@pytest.mark.parametrize(
    ("spray", "written"),
    [
        ('transport_delay = "30 ms"', ['transport_delay_within = "15 ms"']),
        ('lag = "50 ms"', ['lag_within = "25 ms"']),
        ('lag = "0 ms"\ntransport_delay = "0 s"',
         ['transport_delay_within = "0 ms"', 'lag_within = "0 ms"']),
        ('lag = "51 ms"\ntransport_delay = "41 ms"', []),
    ],
)  # fmt: skip
def test_a_tolerance_nobody_stated(spray: str, written: list[str]) -> None:
    """Half of a delay or lag that is no longer than the default; else the default, unwritten."""
    after = renewed_text(SMALL.replace("[spray]\n", f"[spray]\n{spray}\n"))
    assert [line for line in after.split("\n") if "_within" in line] == written


def test_a_volume_too_small_for_today() -> None:
    """A cut of nearly nothing is written as the least there is."""
    after = renewed_text(f'{SMALL}[debt]\ncut = "0.001 mL"\n')
    assert rig_from_text(after, "c").rig.debt.cut_ml == 0.01


def test_what_is_left_to_decide() -> None:
    """Defaults of the sensor by name; and which of the two cuts counts, with its volume."""
    sensor, debt = FlowSensor(), DebtTerms()
    said = list(left_open(rig_from_text(renewed_text(BEFORE), "car.toml")))
    assert said[0] == (
        "[flow_sensor] says nothing of these, so defaults hold: "
        f"lag_within {sensor.lag_within_s:g} s, noise {100 * sensor.noise:g} %, "
        f"noise_lasts {sensor.noise_lasts_s:g} s, starts_after {sensor.starts_after_ml:g} mL, "
        f"refresh {sensor.refresh_s:g} s"
    )
    large = BEFORE.replace('cut = "1.7 mL"', 'cut = "90 mL"')
    said = list(left_open(rig_from_text(renewed_text(large), "car.toml")))
    assert said[1].startswith(f"debt.cut is by default {debt.cut_s:g} s of full flow, ")
    assert said[1].endswith(" mL here: cut_volume (90 mL) has no effect")
    whole = shipped_rigs()["brindle"].read_text(encoding="utf-8")
    assert list(left_open(rig_from_text(whole, "brindle.toml"))) == list(
        by_default(load_rig(shipped_rigs()["brindle"]))
    )


def test_which_numbers_nobody_stated() -> None:
    """A line for each sensor that is mapped; of one that isn't, or says all, none."""
    said = {name: list(by_default(load_rig(path))) for name, path in shipped_rigs().items()}
    line = LineSensor()
    assert said["orrinby"] == []
    assert said["brindle"] == [
        f"[line_sensor] says nothing of these, so defaults hold: lag {line.lag_s:g} s, "
        f"gain_within {100 * line.gain_within:g} %, noise {100 * line.noise:g} %, "
        f"noise_lasts {line.noise_lasts_s:g} s"
    ]
    assert [told.split()[0] for told in said["wexmoor"]] == ["[flow_sensor]", "[line_sensor]"]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "[debt]\nshare = 1\n[flow_sensor]\ngain_within = 2\n",
            "car.toml:2: debt.share: found it beside flow_sensor.gain_within, expected one of",
        ),
        (
            "[debt]\ntiming = 1\ndelay_tolerance = 2\n",
            "car.toml:3: debt.delay_tolerance: found it beside flow_sensor.transport_delay_within",
        ),
        ("flow_sensor = 3\n[debt]\nshare = 1\n", "car.toml:3: debt.share: found it beside"),
        ("[debt.share]\na = 1\n", "car.toml:1: flow_sensor.gain_within: found a table, expected"),
        (f"{SMALL}[watch.unasked_for]\n", "car.toml: found old keys in a file too oddly laid out"),
        ("[debt\n", 'car.toml:1: found "[debt", expected valid TOML'),
    ],
)
def test_what_can_not_be_renewed(text: str, message: str) -> None:
    """One line; nothing is guessed."""
    with pytest.raises(BadInput) as caught:
        renewed(text, "car.toml")
    assert str(caught.value).startswith(message)
    assert "\n" not in str(caught.value)


@settings(max_examples=150)
@given(some.lists(some.tuples(some.floats(0, 1), some.integers(0, 40), GARBAGE), min_size=1))
def test_a_damaged_one_loads_or_is_told_in_one_line(
    damage: list[tuple[float, int, bytes]],
) -> None:
    """Garbage in, or over, any place of an old rig: what comes out loads, or there is one line."""
    raw = BEFORE.encode()
    for place, length, garbage in damage:
        start = int(place * len(raw))
        raw = raw[:start] + garbage + raw[start + length :]
    try:
        text, changed = renewed(decode_bytes(raw, "car.toml"), "car.toml")
        assert changed or text == raw.decode("utf-8-sig")
        rig_from_text(text, "car.toml")
    except BadInput as error:
        message = str(error)
        assert message.startswith("car.toml")
        assert len(message.splitlines()) == 1


VALUES = {
    "transport_delay": '"70 ms"',
    "timing": '"20 ms"',
    "delay_tolerance": '"30 ms"',
    "lag": '"90 ms"',
    "share": '"11 %"',
    "floor": '"15 mL/min"',
    "no_delivery_for": '"0.3 s"',
    "unasked_above": '"40 mL/min"',
    "unasked_for": '"1 s"',
}
KEYS = [old for old in OLD_KEYS if len(old.path) == 2 and old.path[-1] != "timing"]


def _laid_out(chosen: dict[str, str], remark: Iterator[str]) -> str:
    tables: dict[str, list[str]] = {}
    at_top = []
    for key, layout in chosen.items():
        table, name = key.split(".")
        value = VALUES.get(name, '"1 mL"')
        if layout == "header" or table == "spray":
            above = f"{next(remark)}\n" if layout == "header" else ""
            tables.setdefault(table, []).append(f"{above}{name} = {value}  {next(remark)}\n")
        else:
            at_top.append(f"{table}.{name} = {value} {next(remark)}\n")
    taken = {line.partition(".")[0] for line in at_top}
    text = "".join(at_top)
    small = SMALL
    for table, lines in tables.items():
        if table == "spray":
            small = small.replace("[spray]\n", "[spray]\n" + "".join(lines))
        elif table not in taken:
            small += f"\n[{table}]\n" + "".join(lines)
    return text + small


@settings(max_examples=60)
@given(
    some.dictionaries(
        some.sampled_from([key_of(old.path) for old in KEYS]),
        some.sampled_from(["header", "dotted"]),
        min_size=1,
    )
)
def test_any_mixture_keeps_every_remark_and_loads(chosen: dict[str, str]) -> None:
    """Whatever keys, wherever: today's rig, each remark once, the other lines in their order."""
    numbers = itertools.count()
    text = _laid_out(chosen, (f"# remark {next(numbers)}!" for _ in itertools.repeat(None)))
    after = renewed_text(text)
    for number in range(next(numbers)):
        assert after.count(f"# remark {number}!") == text.count(f"# remark {number}!")
    assert [line for line in after.split("\n") if line in set(SMALL.split("\n")) and line] == [
        line for line in text.split("\n") if line in set(SMALL.split("\n")) and line
    ]
