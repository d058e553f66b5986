"""``flowdebt mix``: figures by hand, one clear refusal, and a sheet that fits the screen."""

import json

import pytest

from monitor.cli import run as flowdebt
from monitor.planning.sheet import as_markdown
from monitor.words.units import US
from simulator.planning.mixing import Meaning
from tests.kit.planning import sheet_of


def told(line: str, capsys: pytest.CaptureFixture[str]) -> str:
    """Return what a mix is told as."""
    assert flowdebt(["mix", *line.split(";")]) == 0
    return capsys.readouterr().out


def test_fifty_percent_by_hand(capsys: pytest.CaptureFixture[str]) -> None:
    """2 kg of a 50/50 pour: 44.23 % by mass, 926.9 kg/m3 (CRC), 3.44 % less than poured."""
    facts = json.loads(told("50 %;2 kg;--json", capsys))
    methanol, water, makes = facts["pour"]["pour"]["rows"]
    assert methanol["ml"] == pytest.approx(water["ml"])
    assert methanol["kg"] == pytest.approx(2.0 * 0.4423, rel=1e-3)
    assert makes["kg"] == 2.0
    assert makes["ml"] == pytest.approx(2e6 / 926.86, rel=1e-3)
    assert facts["pour"]["shrinks_ml"]["value"] / (2.0 * water["ml"]) == pytest.approx(
        0.0344, abs=1e-3
    )
    strengths = [facts["strength"][key]["value"] for key in ("volume_pct", "mass_pct")]
    assert strengths == pytest.approx([50.0, 44.23], abs=0.01)
    assert facts["strength"]["finished_pct"]["value"] == pytest.approx(51.78, abs=0.05)
    assert facts["limits"]["freezing_c"]["value"] == pytest.approx(-44.9, abs=0.5)
    low, high = facts["limits"]["flash_c"]["value"]  # calculated 28.0 (UNIFAC), within 5 K
    assert low < 28.0 < high
    assert all(fact["source"] for fact in facts["strength"].values())


def test_a_premix_is_thinned_and_strengthened(capsys: pytest.CaptureFixture[str]) -> None:
    """35 % by mass thinned to 30 % by mass; and with methanol to 50 %: mass balances by hand."""
    thinned = json.loads(told("30 %;7 kg;--by;mass;--strong;35 %;--labels;mass;--json", capsys))
    rows = thinned["pour"]["pour"]["rows"]
    assert [row["kg"] for row in rows] == pytest.approx([6.0, 1.0, 7.0])
    assert [row["liquid"] for row in rows[:2]] == ["a premix of 35 % by mass", "water"]
    stronger = json.loads(told("48 %;5 kg;--by;mass;--weak;35 %;--labels;mass;--json", capsys))
    assert [row["kg"] for row in stronger["pour"]["pour"]["rows"]] == pytest.approx([1.0, 4.0, 5.0])


@pytest.mark.parametrize(
    "line",
    ["50 %;5 L", "50 %;5 L;--units;us", "100 %;1 gal", "0 %;1 qt", "12 %;9 lb;--by;finished",
     "33.333 %;3 L;--strong;36.7 %;--labels;finished"],
)  # fmt: skip
def test_it_fits_and_warns(line: str, capsys: pytest.CaptureFixture[str]) -> None:
    """80 columns; poison, fire and local codes are in all; every number has its source."""
    out = told(line, capsys)
    assert max(map(len, out.splitlines())) <= 80
    said = " ".join(out.split())
    for word in ("poisonous", "nearly invisible", "local code", "common practice, no source"):
        assert word in said
    if "us" in line:
        assert "kg" not in said.replace("a kilogram", "")
        assert "fl oz" in said


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("50 %;5 L;--strong;35 %;--labels;finished", "between what is poured, water"),
        ("10 %;5 L;--weak;20 %;--labels;mass", "20.0 to 100.0 % by mass: between what is"),
        ("20 %;5 L;--strong;20 %;--weak;20 %;--labels;mass", "expected weaker than --strong"),
        ("20 %;5 L;--strong;35 %", "--strong: found 35 % without --labels"),
        ("50;5 L", "WANTED: found \"50\", expected text with a percentage unit"),
        ("150 %;5 L", "WANTED: found \"150 %\", expected 0 to 100 %"),
        ("50 %;5 km", "AMOUNT: found \"5 km\", expected text with a volume unit"),
        ("50 %;5 km", "or text with a mass unit such as \"4 kg\""),
        ("50 %", "expected one: how much of it, such as \"5 L\", \"1 gal\" or \"4 kg\"\n"),
        ("50 %;0 L", "expected 1 to 200000 mL"),
        ("50 %;201 kg", "expected 0.001 to 200 kg"),
        ("50 %;5 kPa", "a pressure unit"),
    ],
)  # fmt: skip
def test_the_impossible_is_refused_in_one_line(
    line: str, expected: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What can't be mixed, or isn't said clearly: one line, exit code 2."""
    assert flowdebt(["mix", *line.split(";")]) == 2
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)
    assert expected in err


def test_markdown_has_every_section_and_source() -> None:
    """Markdown: the table's rows, each section and each source; US units where they are wanted."""
    sheet = sheet_of(50.0, Meaning.VOLUME, 5.0)
    text = as_markdown(sheet)
    assert text.count("\n## ") == len(sheet.sections) + 1
    assert "| methanol | 2793 | 2.212 |" in text
    assert all(f"\n{i}. " in text for i in range(1, len(sheet.sources) + 1))
    assert "| methanol | 94.5 | 4.876 |" in as_markdown(sheet, US)
