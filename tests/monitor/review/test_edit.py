"""A key changed in a rig's text: that line is another, and nothing else is."""

import difflib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from monitor.review.edit import edit, save_as, values_of
from simulator.rig import RigFile, changes, find_rig, load_rig, rig_from_text, shipped_rigs
from simulator.strict import BadInput
from tests.kit.recordings import BRINDLE
from tests.kit.rig_text import SMALL

SMALL_RIG = rig_from_text(SMALL, "small.toml")
RIGS = [load_rig(find_rig(name)) for name in shipped_rigs()] + [SMALL_RIG]
# By wants: something else that may stand there.
OTHERS = {"pressure": "0.1 bar", "volume": "0.5 mL", "time": "123 ms", "percentage": "7 %"}


def differing(before: RigFile, after: RigFile) -> list[str]:
    """Return the lines that differ, as a diff shows them."""
    lines = difflib.ndiff(before.text.splitlines(), after.text.splitlines())
    return [line for line in lines if line[0] in "+-"]


def test_one_line_is_another() -> None:
    """In the person's own unit; remarks and layout stay."""
    after = edit(BRINDLE, "debt.cut = 0.2 s")
    assert differing(BRINDLE, after) == ['- cut = "0.4 s"', '+ cut = "0.2 s"']
    assert after.rig.debt.cut_s == 0.2
    assert [c.words for c in changes(BRINDLE, after)] == ["debt.cut 0.4 -> 0.2 s"]
    again = edit(after, 'debt.cut = "0.4 s"')
    assert again.text == BRINDLE.text


@settings(max_examples=40)
@given(rig_file=some.sampled_from(RIGS), data=some.data())
def test_any_value_written_back_changes_nothing_else(
    rig_file: RigFile, data: some.DataObject
) -> None:
    """Every key a picker lists takes the value it has; what was there stays where it was."""
    value = data.draw(some.sampled_from(values_of(rig_file)))
    if value.value == "none":
        return
    after = edit(rig_file, f"{value.key} = {value.value}")
    assert changes(rig_file, after) == ()
    if value.given:
        kept = [line for line in differing(rig_file, after) if line[0] != "?"]
        assert len(kept) in {0, 2}
    else:
        gone = [line for line in differing(rig_file, after) if line[0] == "-"]
        assert gone == []
        new = [line[2:] for line in differing(rig_file, after) if line[0] == "+" and line[2:]]
        assert len(new) in {1, 2}  # with the table's header where there was none


@settings(max_examples=40)
@given(rig_file=some.sampled_from(RIGS), data=some.data())
def test_another_value_changes_that_key_alone(rig_file: RigFile, data: some.DataObject) -> None:
    """Whatever key is changed, and in whatever unit: it differs, and no other does."""
    value = data.draw(some.sampled_from(values_of(rig_file)))
    other = next((text for kind, text in OTHERS.items() if f"a {kind} unit" in value.wants), None)
    if other is None or "list" in value.wants:
        return
    try:
        after = edit(rig_file, f"{value.key} = {other}")
    except BadInput as error:
        assert "expected" in str(error)  # noqa: PT017 (a value may contradict another)
        return
    assert {change.key for change in changes(rig_file, after)} <= {
        value.key,
        *(f"{value.key.rpartition('.')[0]}.{k}" for k in ("for", "action")),
    }


def test_several_at_once() -> None:
    """Together they may be right where one alone is not."""
    with pytest.raises(BadInput, match=r"flow_sensor\.lag_within: .*expected less than lag, 40 ms"):
        edit(BRINDLE, "flow_sensor.lag = 40 ms")
    after = edit(
        BRINDLE, "flow_sensor.lag = 40 ms", "flow_sensor.lag_within=20 ms", "ladder.margin = 1.5"
    )
    sensor = after.rig.flow_sensor
    assert (sensor.lag_s, sensor.lag_within_s) == (0.04, 0.02)
    assert after.rig.ladder.margin == 1.5


@pytest.mark.parametrize(
    ("change", "found"),
    [
        ("paid.timing[1] = 4 deg", "paid.timing"),
        ("paid.timing.1 = 4 deg", "paid.timing"),
        ("paid.timing = [0 deg, 4 deg, 9 deg, 12 deg]", "paid.timing"),
        ("spray.nozzles[0].count = 3", "spray.nozzles[0].count"),
        ("limits.boost_kpa.above = 31 psi", "limits.boost_kpa.above"),
        ("limits.boost_kpa.action = warn", "limits.boost_kpa.action"),
        ("ladder.acknowledge_to_release = true", "ladder.acknowledge_to_release"),
        ("watch.over_action = warn", "watch.over_action"),
        ("channels.boost_kpa.max_age = 250 ms", "channels.boost_kpa.max_age"),
        ("fault_intervals.tolerant = 0.5 s", "fault_intervals.tolerant"),
        ("channels.boost_kpa.plausible = ['-50 kPa', '3 bar']", "channels.boost_kpa.plausible"),
        ("channels.boost_kpa.plausible = [-50 kPa, 3 bar]", "channels.boost_kpa.plausible"),
    ],
)
def test_lists_words_and_numbers(change: str, found: str) -> None:
    """Items of lists, choices, true and false, other units, defaults that are not written."""
    assert [c.key for c in changes(BRINDLE, edit(BRINDLE, change))] == [found]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ("debt.cutt = 1 s", "debt.cutt: found an unknown key, expected debt.cut"),
        ("cut = 1 s", "cut: found an unknown key, expected debt.cut"),
        ("debt.cut = 1 psi", 'found "1 psi" (a pressure unit), expected text with a time unit'),
        ("debt.cut = 1", 'debt.cut: found "1", expected text with a time unit'),
        ("debt.cut = soon", 'debt.cut: found "soon", expected text with a time unit'),
        ("debt.cut", 'found "debt.cut", expected a change such as debt.cut = 0.5 s'),
        ("debt = 1", "debt: found a table, expected one of its keys: false_pull_every, cut"),
        ("debt..cut = 1 s", 'found key "debt..cut", expected one such as'),
        ("paid.timing[9] = 1 deg", "found a list of 4, expected an item that is there"),
        ("debt.cut = 1 s\nx = 1", "some of which don't print"),
        ("debt.cut = 1 # s", 'found "1 # s", expected text with a time unit'),
        ("time.unit = ms", "time.unit: found a key that can't change here, since the log was read"),
        ("vehicle.mass_kg = 900", "since it changes no decision"),
        ("channels.knock.unit = V", "channels.knock.unit: found a key that can't change here"),
        ("channels.lambda_ratio.max_age = 1 s", "the log was read without this channel"),
        ("engine.ambient_pressure = 99 kPa", "since absolute columns were read by it"),
        ("command.kind = fixed", "since other keys belong to another kind"),
        (f"debt.cut = {'1' * 2000}", "found 2011 characters, expected 1000"),
    ],
)
def test_what_is_refused(change: str, message: str) -> None:
    """One line that names the key and what was expected."""
    small = rig_from_text(SMALL, "small.toml")
    with pytest.raises(BadInput) as caught:
        edit(small if "lambda" in change else BRINDLE, change)
    assert message in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (SMALL.replace("\n", "\r\n"), '[debt]\r\ncut_volume = "7 mL"\r\n'),
        (
            f"debt.cut = '6 s' # six\n{SMALL}",
            "debt.cut = '6 s' # six\ndebt.cut_volume = \"7 mL\"\n",
        ),
        (f'debt = {{ cut = "6 s" }}\n{SMALL}', 'debt = { cut = "6 s", cut_volume = "7 mL" }\n'),
        (f"{SMALL}[debt]\n# none yet", '[debt]\ncut_volume = "7 mL"\n# none yet'),
        (f'{SMALL}[debt]\ncut = """6 s"""', 'cut = """6 s"""\ncut_volume = "7 mL"\n'),
        (
            f"{SMALL}[debt]\n'cut_volume' =\t\"1 mL\"\t# cut\n",
            "'cut_volume' =\t\"7 mL\"\t# cut\n",
        ),
        (SMALL.rstrip(), '[channels.delivered_ml_min]\n\n[debt]\ncut_volume = "7 mL"\n'),
    ],
    ids=["line ends", "dotted", "braces", "empty table", "no end", "quoted", "no table"],
)
def test_however_the_file_is_laid_out(text: str, expected: str) -> None:
    """A new key comes where it belongs, in the file's own manner."""
    after = edit(rig_from_text(text, "own.toml"), "debt.cut_volume = 7 mL")
    assert after.rig.debt.cut_ml == 7.0
    assert expected in after.text
    assert [c.key for c in changes(rig_from_text(text, "own.toml"), after)] == ["debt.cut_volume"]


def test_the_picker_s_list() -> None:
    """Present values as written, defaults in our own unit, and what isn't set."""
    listed = {value.key: value for value in values_of(BRINDLE)}
    assert (listed["debt.cut"].value, listed["debt.cut"].given) == ("0.4 s", True)
    assert "time unit" in listed["debt.cut"].wants
    small = {value.key: value for value in values_of(SMALL_RIG)}
    every = small["debt.false_pull_every"]
    assert (every.value, every.given) == (f"{SMALL_RIG.rig.debt.false_pull_every_h:g} h", False)
    assert small["debt.cut_volume"].value == "none"
    assert small["limits.boost_kpa.above"].value == "none"
    assert small["spray.nozzles[1].rated_flow"].value == "200 mL/min"
    assert not [key for key in listed if key.startswith(("time", "serial", "vehicle", "name"))]
    with_limit = edit(SMALL_RIG, "limits.boost_kpa.above = 2 bar")
    assert with_limit.rig.limits.boost_kpa.above == 200.0


def test_saved_as_a_new_file(tmp_path: Path) -> None:
    """Whole, with the same text; never over another, and nothing is left behind."""
    path = tmp_path / "mine.toml"
    after = edit(BRINDLE, "debt.cut = 0.2 s")
    save_as(after.text, path)
    assert load_rig(path).text == after.text
    assert load_rig(path).rig == after.rig
    with pytest.raises(BadInput, match="found a file, expected none: nothing is overwritten"):
        save_as(BRINDLE.text, path)
    assert load_rig(path).text == after.text
    with pytest.raises(BadInput, match=r"mine\.csv: found \.csv, expected \.toml"):
        save_as(BRINDLE.text, tmp_path / "mine.csv")
    with pytest.raises(BadInput, match="no such file"):
        save_as(BRINDLE.text, tmp_path / "none" / "mine.toml")
    assert [path.name for path in tmp_path.iterdir()] == ["mine.toml"]


def test_text_that_looks_like_a_number() -> None:
    """Limits of a plain ratio are text in a rig, whoever leaves the quotes out."""
    wexmoor = load_rig(find_rig("wexmoor"))
    after = edit(wexmoor, "channels.lambda_ratio.plausible = [0.5, 2.0]")
    assert 'plausible = ["0.5", "2.0"]' in after.text
    assert edit(after, "channels.lambda_ratio.plausible[0] = 0.6").text == wexmoor.text
