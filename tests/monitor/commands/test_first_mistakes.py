"""What somebody meets who tries things for the first time, and gets some of them wrong."""

from pathlib import Path

import pytest

from monitor.cli import run as flowdebt
from monitor.review.report import in_words
from monitor.review.review import review
from simulator.coverage.matrix import State
from tests.kit.rig_text import SMALL


def test_the_list_of_sessions_is_plain_before_there_is_any(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing recorded yet is no mistake; a folder that was named and isn't there is one."""
    monkeypatch.chdir(tmp_path)
    assert flowdebt(["sessions"]) == 0
    assert "nothing recorded here yet" in capsys.readouterr().out
    assert flowdebt(["sessions", "--json"]) == 0
    assert capsys.readouterr().out == ""
    assert flowdebt(["sessions", "other"]) == 2


@pytest.mark.parametrize(
    "source", ["/dev/none", "usb:ffff:fffe", "broken.csv", "socket://127.0.0.1:1"]
)
def test_a_watch_that_never_began_leaves_no_session(
    source: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A source that can't be opened is one line, and nothing in the folder of sessions."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "small.toml").write_text(SMALL, encoding="utf-8")
    text = "time_s,boost_kpa,delivered_ml_min\n" + "x" * 100_000
    (tmp_path / "broken.csv").write_text(text, encoding="ascii")
    assert flowdebt(["watch", source, "--rig", "small.toml", "--headless"]) == 2
    assert not list(tmp_path.glob("sessions/*"))


def test_a_row_that_is_not_used_is_told_by_its_line(tmp_path: Path) -> None:
    """The first three, and that there are more."""
    (tmp_path / "small.toml").write_text(SMALL, encoding="utf-8")
    rows = [f"{i / 10},10,0" for i in range(20)]
    for at in (3, 7, 11, 15):
        rows[at] += ",9"
        (tmp_path / "log.csv").write_text(
            "\n".join(["time_s,boost_kpa,delivered_ml_min", *rows]), encoding="ascii"
        )
        words = "\n".join(in_words(review(tmp_path / "log.csv", str(tmp_path / "small.toml"))))
        if at == 3:
            assert "1 row not used: number of fields (line 5)" in words
    assert "4 rows not used: number of fields (line 5, 9, 13 and so on)" in words


@pytest.mark.parametrize("fault", ["pump_stop", "pump stop", "PUMP_STOP"])
@pytest.mark.parametrize(
    ("state", "code"), [(State.MISSED, 1), (State.AS_EXPECTED, 0), (State.ODD, 0)]
)
def test_coverage_takes_a_faults_usual_name_and_exits_by_its_misses(
    fault: str,
    state: State,
    code: int,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """As scenario files write it; 1 where something that is expected did not come."""
    asked = []

    def cover(*_: object, cases: list[object], **__: object) -> list[object]:
        asked.extend(cases)
        return [type("Cell", (), {"state": state})()]

    monkeypatch.setattr("simulator.coverage.matrix.cover", cover)
    monkeypatch.setattr("monitor.words.coverage.as_table", lambda *_, **__: ["table"])
    assert flowdebt(["coverage", "--fault", fault]) == code
    assert asked
    assert {"pump stop" in case.name for case in asked} == {True}  # type: ignore[attr-defined]
    assert capsys.readouterr().out == "table\n"
