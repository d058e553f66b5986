"""What ``flowdebt channels`` says of a log; ``test_odd_logs`` has it over logs of every form."""

import json
from pathlib import Path
from typing import Any

import pytest

from monitor.commission.listing import listing
from monitor.sources.logs import open_table as module
from monitor.words.units import METRIC, US
from simulator.rig import RigFile, rig_from_text
from tests.kit.rig_text import SMALL

RIG = f"""{SMALL.partition("[channels.boost_kpa]")[0]}
[channels.boost_kpa]
column = "MAP [psi]"
unit = "psi"
absolute = true
[channels.delivered_ml_min]
column = "Flow#2"
unit = "mL/min"
[channels.intake_c]
column = "IAT"
unit = "degC"
[extra.gear]
column = "tps"
[extra.torque_nm]
column = "not logged"
[time]
column = "ms"
unit = "ms"
"""
HEADER = "ms,MAP [psi],Flow,Flow,IAT,Line kPa,Note,RPM,tps,CLT (°C)"


def _rig() -> RigFile:
    return rig_from_text(RIG, "rig.toml")


def _log(folder: Path, header: str = HEADER) -> Path:
    """200 rows at 50 Hz; the second flow in every fifth, engine speed held for four rows."""
    rows = [
        f"{1000 + 20 * i},{5 + i % 25},0,{'' if i % 5 else 3 * i},{30 + i % 3},{300 + i},"
        f"{'cold' if i % 2 else ''},{900 + 10 * (i // 4)},{i % 7},{80 + i % 2}"
        for i in range(200)
    ]
    path = folder / "street.csv"
    path.write_text("\n".join([header, *rows]), encoding="utf-8")
    return path


def _by_name(found: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {column["rig_name"]: column for column in found["columns"]}


def test_each_column_by_hand(tmp_path: Path) -> None:
    """Range, values, blanks, text, rate, what it may be, and whence its unit."""
    found = listing(_log(tmp_path)).as_json()
    json.dumps(found, allow_nan=False)
    assert (found["rows"], found["row_hz"], found["lasts_s"]) == pytest.approx((200, 50.0, 3.98))
    columns = _by_name(found)
    assert list(columns)[2:4] == ["Flow#1", "Flow#2"]
    flow = columns["Flow#2"]
    assert (flow["from"], flow["to"], flow["values"], flow["blank"]) == (0.0, 585.0, 40, 0.8)
    assert flow["rate_hz"] == pytest.approx(10.0)
    note = columns["Note"]
    assert (note["values"], note["text"], note["blank"], note["from"]) == (0, 0.5, 0.5, None)
    assert note["first_text"] == "cold"
    assert columns["RPM"]["held_s"] == pytest.approx(0.08)
    assert columns["tps"]["held_s"] is None
    assert {name: (one["unit"], one["unit_from"]) for name, one in columns.items()} == {
        "ms": ("ms", None),
        "MAP [psi]": ("psi", "written"),
        "Flow#1": (None, None),
        "Flow#2": ("mL/min", "values"),
        "IAT": ("degC", "values"),
        "Line kPa": ("kPa", "name"),
        "Note": (None, None),
        "RPM": ("rpm", "name"),
        "tps": ("%", "values"),
        "CLT (°C)": ("°C", "written"),
    }
    assert (columns["MAP [psi]"]["may_be"], columns["MAP [psi]"]["absolute"]) == ("boost_kpa", True)
    assert columns["CLT (°C)"]["may_be"] is None
    assert "coolant" in columns["CLT (°C)"]["why"]


def test_what_a_rig_maps(tmp_path: Path) -> None:
    """By position, in the rig's units, its time; and what else there is."""
    found = listing(_log(tmp_path), _rig())
    columns = _by_name(found.as_json())
    mapped = {name: one["mapped_to"] for name, one in columns.items() if one["mapped_to"]}
    assert mapped == {
        "ms": ["time"],
        "MAP [psi]": ["boost_kpa"],
        "Flow#2": ["delivered_ml_min"],
        "IAT": ["intake_c"],
        "tps": ["gear"],
    }
    assert (found.refused, found.missing) == ("", ())
    words = "\n".join(found.in_words(None))
    assert "the rig's time, in ms" in words
    assert "the rig's boost, in psi abs" in words
    assert "unit by its values; unit by its values" not in "\n".join(
        listing(found.table.path).in_words(None)
    )
    assert "not in the rig; perhaps line pressure" not in words
    assert "not in the rig; likely line pressure" in words


@pytest.mark.parametrize(
    ("header", "refused", "missing"),
    [
        (
            HEADER.replace("IAT", "Air").replace("MAP", "P"),
            'found no column "MAP [psi]", expected it',
            ("boost_kpa", "intake_c"),
        ),
        (HEADER.replace("CLT (°C)", "IAT"), "column twice: IAT", ("intake_c",)),
        (HEADER.replace("ms,", "clock,"), 'found no column "ms", expected it', ()),
    ],
)
def test_a_rig_that_does_not_suit(
    tmp_path: Path, header: str, refused: str, missing: tuple[str, ...]
) -> None:
    """Told in one line beside all the columns there are."""
    found = listing(_log(tmp_path, header), _rig())
    assert refused in found.refused
    assert found.missing == missing
    lines = list(found.in_words(None))
    assert sum(line.startswith("! ") for line in lines) == 1 + (len(missing) > 1)
    assert len(found.columns) == 10


def test_units_that_contradict_the_rig_and_values_that_do(tmp_path: Path) -> None:
    """A header in kPa for a rig in psi; and readings that no intake has."""
    path = _log(tmp_path, HEADER.replace("MAP [psi]", "P [kPa]"))
    rig = rig_from_text(RIG.replace("MAP [psi]", "P [kPa]").replace('"IAT"', '"RPM"'), "rig.toml")
    found = listing(path, rig)
    assert 'P [kPa]: found unit "kPa", expected "psi"' in found.refused
    doubt = _by_name(found.as_json())["RPM"]["doubt"]
    assert doubt.startswith("would read 909.8 to 1380 degC, expected -40")
    assert any(line.startswith("    ! would read") for line in found.in_words(None))


@pytest.mark.parametrize(
    ("units", "expected"),
    [
        (None, ("5 to 29 psi abs", "0 to 585 mL/min", "30 to 32 degC")),
        (METRIC, ("34.474 to 199.95 kPa abs", "0 to 585 mL/min", "30 to 32 °C")),
        (US, ("5 to 29 psi abs", "0 to 9.2724 gal/h", "86 to 89.6 °F")),
    ],
)
def test_ranges_in_the_units_wanted(tmp_path: Path, units: Any, expected: tuple[str, ...]) -> None:
    """29 psi is 199.948 kPa, and 585 mL/min 9.2724 US gallons an hour (NIST SP 811)."""
    words = "\n".join(listing(_log(tmp_path)).in_words(units))
    assert [part for part in expected if part not in words] == []


def test_a_unit_of_no_channel_is_turned_too(tmp_path: Path) -> None:
    """However its logger spells it: no psi stands beneath kPa."""
    path = tmp_path / "oil.csv"
    path.write_text("t,Oil Pres (PSIG)\n0,10\n1,20\n2,30\n", encoding="utf-8")
    assert "68.948 to 206.84 kPa" in "\n".join(listing(path).in_words(METRIC))


def test_no_name_drives_a_terminal_or_widens_the_table(tmp_path: Path) -> None:
    """Names from outside are stripped and bounded; rows of the table stay within 80 columns."""
    names = ["t", "[@click=app.inc]x[/]", "\x1b]0;gone\x07Boost", "x" * 5000, "", "ﷺ", "a;b"]
    rows = [",".join(str(1e-7 * i - 123456.789 * k) for k in range(7)) for i in range(50)]
    path = tmp_path / "odd\x1b.csv"
    path.write_text("\n".join([",".join(names), *rows]), encoding="utf-8")
    found = listing(path)
    lines = list(found.in_words(US))
    assert all(line.isprintable() for line in lines)
    assert max(map(len, lines[1::2])) <= 80
    assert any("[@click=app.inc]x[/]" in line for line in lines)
    assert json.dumps(found.as_json()).isprintable()
    assert max(len(one["name"]) for one in found.as_json()["columns"]) <= 200


def test_a_long_log_is_counted_to_its_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In memory that stays the same: what is looked at closely is its beginning."""
    path = _log(tmp_path)
    whole = listing(path).as_json()
    monkeypatch.setattr(module, "LONGEST_ROWS", 60)
    table = module.open_table(path, whole=True)
    assert (table.rows, table.is_whole, len(table.time_s)) == (200, True, 60)
    assert all(len(column.values) == 60 for column in table.columns)
    counted = listing(path).as_json()
    alike = ("from", "to", "values", "blank", "text", "rate_hz")
    for here, there in zip(counted["columns"], whole["columns"], strict=True):
        assert [here[key] for key in alike] == pytest.approx([there[key] for key in alike])
    assert counted["lasts_s"] == pytest.approx(whole["lasts_s"])


def test_a_log_without_time_and_one_whose_clock_starts_again(tmp_path: Path) -> None:
    """The first tells what a rig has to say; the second lasts as long as its parts."""
    path = tmp_path / "log.csv"
    path.write_text("Boost,IAT\n" + "".join(f"{i % 9},{30 + i % 3}\n" for i in range(50)), "ascii")
    found = listing(path)
    assert found.as_json()["lasts_s"] is None
    assert any("time.unit, time.period" in line for line in found.in_words(None))
    times = [*range(300), *range(20)]
    path.write_text("t [s],Boost\n" + "".join(f"{t},{t % 9}\n" for t in times), "ascii")
    found = listing(path)
    assert "  its clock steps back 1 time" in list(found.in_words(None))
    assert (found.table.steps_back, found.table.lasts_s) == (1, 318.0)


def test_a_log_of_one_row_is_listed(tmp_path: Path) -> None:
    """Nothing can be told of its rate, and no library grumbles."""
    path = tmp_path / "one.csv"
    path.write_text("time_s,boost_kpa,throttle_pct\n0.5,-60,2\n", encoding="utf-8")
    found = listing(path).as_json()
    assert (found["rows"], found["row_hz"]) == (1, None)
    assert _by_name(found)["boost_kpa"]["may_be"] == "boost_kpa"
