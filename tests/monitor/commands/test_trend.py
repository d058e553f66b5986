"""``flowdebt trend``: a season of logs, as somebody with a folder of them meets it."""

import json
from pathlib import Path

import numpy as np
import pytest

from monitor.cli import run as flowdebt
from rules.channels import Sample
from simulator.rig import rig_from_text
from tests.kit.recordings import record
from tests.kit.seasons import SEASON_RIG, day_of, log_text, write_season

WEEKS, CLOGS_FROM = 24, 13


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a season of logs whose nozzle clogs, and the rig beside it."""
    folder = tmp_path_factory.mktemp("season")
    write_season(folder / "logs", WEEKS, CLOGS_FROM)
    (folder / "car.toml").write_text(SEASON_RIG.text, encoding="utf-8")
    return folder


@pytest.fixture(autouse=True)
def here(season: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Work in that folder."""
    monkeypatch.chdir(season)


def told(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> str:
    """Return what a season's command writes."""
    capsys.readouterr()
    assert flowdebt(["trend", *arguments, "--rig", "car.toml"]) == code
    return capsys.readouterr().out


def test_a_clog_is_told_with_its_beginning_and_its_pace(capsys: pytest.CaptureFixture[str]) -> None:
    """Since when, how fast, how sure, what it is, what to check, and what is left."""
    out = told(capsys, "logs")
    table, _, rest = out.partition("\n\n")[2].partition("\n\n")
    assert max(map(len, table.splitlines())) <= 80
    assert sum(line.startswith("2026-") for line in table.splitlines()) == WEEKS
    assert "flow has fallen since" in rest
    assert str(day_of(CLOGS_FROM)) in rest
    assert "2.0 % (1.9 to 2.1) a week" in rest or "2.0 % (2.0 to 2.1) a week" in rest
    assert "line pressure has risen since" in rest
    assert "likely: clogged nozzle or filter behind the pump (flow down, and line pressure" in rest
    assert "check first: nozzle and its filter" in rest
    assert "beyond 92.0 %, as far as this rig tolerates it" in rest
    assert "one in 2600 sessions" in rest


def test_it_is_told_before_the_guard_acts(capsys: pytest.CaptureFixture[str]) -> None:
    """Seen while there is time: the guard first acts weeks later."""
    found = json.loads(told(capsys, "logs", "--json"))
    (span,) = found["spans"]
    flow = span["found"]["flow"]
    acted = [row["worst_action"] != "no_action" for row in found["sessions"]]
    assert flow["told_in_session"] <= CLOGS_FROM + 5 < acted.index(True)
    assert flow["confidence"] > 0.99
    assert flow["since"]["low"] <= str(day_of(CLOGS_FROM)) <= flow["since"]["high"]
    assert span["likely"] == ["clog"]
    assert found["not_judged"] == {}


def test_a_service_ends_what_is_held_against_it(capsys: pytest.CaptureFixture[str]) -> None:
    """Not back here, as nothing was done to the nozzle."""
    out = told(capsys, "logs", "--serviced", f"{day_of(20)}=filter changed")
    assert f"-- {day_of(20)} serviced: filter changed" in out
    assert f"since the service of {day_of(20)} (filter changed): flow is NOT back" in out
    assert "before anything may be told it takes 8" in out


def test_few_sessions_say_how_many_it_takes(capsys: pytest.CaptureFixture[str]) -> None:
    """Three logs are no season, but their table stands."""
    logs = [f"logs/{day_of(week)}.csv" for week in range(3)]
    out = told(capsys, *logs)
    assert "3 sessions with enough steady spray" in out
    assert "it takes 8" in out
    assert "5 more" in out


def test_healthy_sessions_say_what_would_be_found(capsys: pytest.CaptureFixture[str]) -> None:
    """And how far they differ by themselves; the fewest say that it takes more."""
    logs = [f"logs/{day_of(week)}.csv" for week in range(CLOGS_FROM)]
    out = told(capsys, *logs)
    assert "nothing has changed by more than days differ: flow 9" in out
    assert "% would be found within 8 sessions" in out
    assert "It takes more sessions until a lasting fall of any size" in told(capsys, *logs[:9])


def test_reports_of_each_kind_say_the_same(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A page that fetches nothing, Markdown, a row a session, and what --json says."""
    paths = [tmp_path / f"year{ending}" for ending in (".html", ".md", ".csv", ".json")]
    asked = [word for path in paths for word in ("--report", str(path))]
    service = f"{day_of(20)}=filter <b>changed</b>"
    out = told(capsys, "logs", "--serviced", service, *asked)
    page, markdown, rows, facts = (path.read_text(encoding="utf-8") for path in paths)
    sentence = next(line for line in out.splitlines() if line.startswith("flow has fallen"))
    assert sentence in page
    assert sentence[:40] in markdown
    assert "<b>changed" not in page.rpartition("</script>")[0].rpartition("</script>")[2]
    assert "default-src 'none'" in page
    assert len(rows.splitlines()) == WEEKS + 1
    assert rows.splitlines()[1].startswith(f"{day_of(0)},{day_of(0)}.csv,")
    json_out = told(capsys, "logs", "--serviced", service, "--json")
    assert json.loads(facts) == json.loads(json_out)


def test_us_units_are_of_the_bands(capsys: pytest.CaptureFixture[str]) -> None:
    """Round in psi."""
    out = told(capsys, f"logs/{day_of(0)}.csv", "--units", "us")
    assert "by boost in psi" in out
    assert " 5-10" in out


def test_one_bad_log_holds_up_no_other(
    season: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Told in one line; the exit code says it, too."""
    bad = tmp_path / "bad.csv"
    bad.write_text("time_s\n", encoding="utf-8")
    arguments = ["trend", str(bad), f"logs/{day_of(0)}.csv", "--rig", "car.toml"]
    assert flowdebt(arguments) == 2
    out, err = capsys.readouterr()
    assert str(day_of(0)) in out
    assert len(err.splitlines()) == 1
    assert "bad.csv" in err


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        ((), "trend: found no LOG"),
        (("nowhere",), "nowhere"),
        (("logs", "--plot", "it.pdf"), ".svg"),
        (("logs", "--plot", "car.toml"), "car.toml"),
        (("logs", "--serviced", "yesterday"), "--serviced: found"),
    ],
)
def test_what_can_t_be_used_is_refused_in_a_line(
    arguments: tuple[str, ...], why: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was found and what was expected."""
    assert flowdebt(["trend", *arguments, "--rig", "car.toml"]) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert why in err


def test_without_a_rig_the_newest_session_brings_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """And a session of another car is refused by name."""
    folder = tmp_path / "sessions"
    other = rig_from_text(SEASON_RIG.text.replace('name = "Small"', 'name = "Other"'), "other.toml")
    for number, rig_file in enumerate((SEASON_RIG, other, SEASON_RIG)):
        path = record(folder / str(number), _samples(number), rig_file)
        about = json.loads((path / "about.json").read_text(encoding="utf-8"))
        about["started"] = f"2026-05-0{number + 1}T12-00-00Z"
        (path / "about.json").write_text(json.dumps(about), encoding="utf-8")
        path.rename(tmp_path / f"s{number}")
    sessions = [str(tmp_path / f"s{number}") for number in range(3)]
    assert flowdebt(["trend", *sessions]) == 2
    out, err = capsys.readouterr()
    assert "2 sessions from 2026-05-01 to 2026-05-03 (by the session's note)" in out
    assert 'found a session of car "Other", expected one of "Small"' in err
    assert flowdebt(["trend", f"logs/{day_of(0)}.csv"]) == 2
    assert "found no --rig" in capsys.readouterr().err


def _samples(seed: int) -> list[Sample]:
    """Return the rows of a short log."""
    header, *rows = log_text(np.random.default_rng(seed)).splitlines()
    names = header.split(",")
    return [Sample(**dict(zip(names, map(float, row.split(",")), strict=True))) for row in rows]
